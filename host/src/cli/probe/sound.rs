//! Sounds: rhythms on the terminal's bell or tones, and the speech program of the system.

use std::{
    io::{IsTerminal, Write},
    path::PathBuf,
    process::{Child, Command, Stdio},
    sync::mpsc::{Receiver, Sender, channel},
    thread::JoinHandle,
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
    voice: Option<Voice>,
    speech: Option<Sender<String>>,
}

/// A thread that plays tones, so that nobody waits for them.
pub(super) struct Voice {
    /// `None` once it is told to end.
    tones: Option<Sender<Tone>>,
    thread: Option<JoinHandle<()>>,
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
        let voice = match sounds {
            Sounds::Bell => bell(),
            Sounds::Tones => tones(screen)?,
            Sounds::Off => None,
        };
        let speech = match (speak, program()) {
            (false, _) => None,
            (true, Some((path, words))) => {
                screen.tell(&format!("speaking by {}", path.display()));
                Some(start(move |texts| drop(talk(&path, words, &texts))))
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
        Ok(Self { voice, speech })
    }

    /// Plays what goes with an action.
    pub(super) fn play(&self, action: &Action, names: &[PinName]) {
        if let (Some(voice), Some(tone)) = (&self.voice, action.tone()) {
            voice.play(tone);
        }
        if let (Some(speech), Some(text)) = (&self.speech, spoken(action, names)) {
            let _ = speech.send(text);
        }
    }
}

impl Voice {
    /// A thread that does `work` with every tone, until there are no more.
    pub(super) fn start(work: impl FnOnce(Receiver<Tone>) + Send + 'static) -> Self {
        let (sender, receiver) = channel();
        let thread = std::thread::spawn(move || work(receiver));
        Self { tones: Some(sender), thread: Some(thread) }
    }

    fn play(&self, tone: Tone) {
        if let Some(tones) = &self.tones {
            // A thread that is gone plays no more.
            let _ = tones.send(tone);
        }
    }
}

impl Drop for Voice {
    /// Lets the last tone, which says that all pins are done, sound to its end: about a second.
    fn drop(&mut self) {
        drop(self.tones.take());
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// The next tone to play; `None` when there are no more. Of those that came meanwhile only the newest counts.
pub(super) fn newest(tones: &Receiver<Tone>) -> Option<Tone> {
    let first = tones.recv().ok()?;
    Some(tones.try_iter().last().unwrap_or(first))
}

fn bell() -> Option<Voice> {
    std::io::stderr().is_terminal().then(|| {
        Voice::start(|tones| {
            while let Some(tone) = newest(&tones) {
                ring(tone);
            }
        })
    })
}

/// Tones, or the bell where no audio device plays them.
#[cfg(feature = "tones")]
fn tones(screen: &mut Screen) -> Result<Option<Voice>, Failure> {
    match super::tones::start() {
        Ok(voice) => Ok(Some(voice)),
        Err(why) => {
            let bell = bell();
            let instead =
                if bell.is_some() { "the terminal's bell rings instead" } else { "going on without sound" };
            screen.tell(&format!("warning: expected an audio device for --sound tones: {why}; {instead}"));
            Ok(bell)
        }
    }
}

#[cfg(not(feature = "tones"))]
fn tones(_: &mut Screen) -> Result<Option<Voice>, Failure> {
    Err(Failure::new(
        ExitStatus::Unavailable,
        "expected a pintally built with the feature `tones` for --sound tones, found one without",
    )
    .hint("build it with tones: cargo install --path host --locked --features tones; Debian needs libasound2-dev for that")
    .hint("or leave --sound away: the terminal's bell tells the same"))
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

/// Rings the rhythm of a tone, if stderr is a terminal, and waits until it is over.
pub(super) fn ring(tone: Tone) {
    let mut err = std::io::stderr();
    if !err.is_terminal() {
        return;
    }
    let mut bell = || {
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

/// Speaks texts until there are no more; gives the program that speaks the last one.
fn talk(program: &PathBuf, words: &[&str], texts: &Receiver<String>) -> Option<Child> {
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
    speaking
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

    /// A shell that writes down what it hears stands in for the speech program.
    #[cfg(unix)]
    #[test]
    fn the_speech_program_hears_the_newest_text() {
        let folder = tempfile::tempdir().unwrap();
        let said = folder.path().join("said");
        let words = ["-c", "cat >> \"$0\"", said.to_str().unwrap()];
        let (sender, texts) = channel();
        for text in ["A 1", "A 2"] {
            sender.send(text.to_owned()).unwrap();
        }
        drop(sender);
        let last = talk(&PathBuf::from("/bin/sh"), &words, &texts);
        assert!(last.unwrap().wait().unwrap().success());
        // The first was old news before anybody could say it.
        assert_eq!(std::fs::read_to_string(said).unwrap(), "A 2\n");
    }
}
