//! Sounds: rhythms on the terminal's bell, and the speech program of the system.

use std::{
    io::{IsTerminal, Write},
    path::PathBuf,
    process::{Child, Command, Stdio},
    sync::mpsc::{Receiver, Sender, channel},
    time::Duration,
};

use super::Sounds;
use crate::{
    cli::Screen,
    connector::PinName,
    exit_status::ExitStatus,
    failure::Failure,
    probe::{Action, Tone, spoken},
};

/// Plays what goes with an action.
pub(super) struct Sound {
    bell: Option<Sender<Tone>>,
    speech: Option<Sender<String>>,
}

/// Speech programs, and the words with which each reads a text from its standard input.
const SPEECH: [(&str, &[&str]); 4] =
    [("spd-say", &["--pipe-mode"]), ("espeak-ng", &["--stdin"]), ("espeak", &["--stdin"]), ("say", &[])];

/// Shortest gap between two bells that terminals still ring apart. Common practice; terminals differ.
const SHORT: Duration = Duration::from_millis(140);

/// A gap that is clearly longer.
const LONG: Duration = Duration::from_millis(420);

impl Sound {
    /// Sound as it was asked for. The bell rings only where stderr is a terminal.
    pub(super) fn new(sounds: Sounds, speak: bool, screen: &mut Screen) -> Result<Self, Failure> {
        let bell = (sounds == Sounds::Bell && std::io::stderr().is_terminal()).then(|| start(ring));
        let speech = match (speak, program()) {
            (false, _) => None,
            (true, Some((path, words))) => {
                screen.tell(&format!("speaking by {}", path.display()));
                Some(start(move |texts| talk(&path, words, &texts)))
            }
            (true, None) => {
                let names: Vec<&str> = SPEECH.iter().map(|(name, _)| *name).collect();
                let found =
                    format!("expected a speech program for --speak ({}), found none", names.join(", "));
                return Err(Failure::new(ExitStatus::Unavailable, found).hint(
                    "install one of them, or go on without --speak: the bell's rhythms tell the same",
                ));
            }
        };
        Ok(Self { bell, speech })
    }

    /// Plays what goes with an action.
    pub(super) fn play(&self, action: &Action, names: &[PinName]) {
        if let (Some(bell), Some(tone)) = (&self.bell, action.tone()) {
            // A thread that is gone rings no more.
            let _ = bell.send(tone);
        }
        if let (Some(speech), Some(text)) = (&self.speech, spoken(action, names)) {
            let _ = speech.send(text);
        }
    }
}

fn start<T: Send + 'static>(work: impl FnOnce(Receiver<T>) + Send + 'static) -> Sender<T> {
    let (sender, receiver) = channel();
    std::thread::spawn(move || work(receiver));
    sender
}

/// Pauses after each bell but the last.
const fn rhythm(tone: Tone) -> &'static [Duration] {
    match tone {
        Tone::Taken => &[],
        Tone::Again => &[SHORT],
        Tone::Differs => &[SHORT, SHORT],
        Tone::Done => &[SHORT, LONG, SHORT],
        Tone::Trouble => &[LONG, LONG],
    }
}

fn ring(tones: Receiver<Tone>) {
    while let Ok(mut tone) = tones.recv() {
        // What came meanwhile is newer.
        while let Ok(newer) = tones.try_recv() {
            tone = newer;
        }
        let bell = || {
            let mut err = std::io::stderr();
            // If stderr is gone there is nobody to hear.
            let _ = err.write_all(b"\x07").and_then(|()| err.flush());
        };
        bell();
        for pause in rhythm(tone) {
            std::thread::sleep(*pause);
            bell();
        }
        std::thread::sleep(SHORT);
    }
}

fn talk(program: &PathBuf, words: &[&str], texts: &Receiver<String>) {
    let mut speaking: Option<Child> = None;
    while let Ok(mut text) = texts.recv() {
        while let Ok(newer) = texts.try_recv() {
            text = newer;
        }
        if let Some(mut child) = speaking.take() {
            // An old pin number is worse than none.
            let _ = child.kill();
            let _ = child.wait();
        }
        let child = Command::new(program)
            .args(words)
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        if let Ok(mut child) = child {
            if let Some(mut input) = child.stdin.take() {
                let _ = writeln!(input, "{text}");
            }
            speaking = Some(child);
        }
    }
}

/// The first speech program in the search path.
fn program() -> Option<(PathBuf, &'static [&'static str])> {
    let path = std::env::var_os("PATH")?;
    SPEECH.iter().find_map(|&(name, words)| {
        std::env::split_paths(&path)
            .map(|folder| folder.join(name))
            .find(|file| file.is_file())
            .map(|file| (file, words))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_tone_has_a_rhythm_of_its_own() {
        let tones = [Tone::Taken, Tone::Again, Tone::Differs, Tone::Done, Tone::Trouble];
        for (index, &tone) in tones.iter().enumerate() {
            for &other in &tones[index + 1..] {
                assert_ne!(rhythm(tone), rhythm(other), "{tone:?} {other:?}");
            }
        }
    }
}
