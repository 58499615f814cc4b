//! What the operator is asked to do at the bench: with Enter or the jig's start button when it is done.

use std::{
    io::{self, IsTerminal},
    sync::mpsc::{Receiver, TryRecvError, channel},
    thread,
    time::Duration,
};

use crate::{
    cli::{Screen, typed},
    exit_status::ExitStatus,
    failure::Failure,
    sweep::{Devices, Recorder, Talk, silent},
};

/// How often keyboard and button are looked at.
const LOOK_UP: Duration = Duration::from_millis(100);

/// How long the jig's button is waited for where nobody can type any more: time to put a plate on, and no script waits
/// for ever.
const PATIENCE: Duration = Duration::from_secs(600);

/// How the operator answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::cli) enum Answered {
    /// By a line at the keyboard.
    Line(String),
    /// By the jig's start button.
    Button,
}

/// The keyboard, read on a thread of its own, so that the jig's button is heard at the same time.
#[derive(Debug)]
pub(in crate::cli) struct Operator {
    lines: Receiver<String>,
    /// Somebody sits there: a line that was typed before its question was asked answers nothing. A program that answers
    /// may be ahead.
    is_person: bool,
}

impl Operator {
    /// Begins to read lines. The thread ends with the process: a read of standard input cannot be called off.
    pub(in crate::cli) fn new() -> Self {
        let (sender, lines) = channel();
        thread::spawn(move || {
            for line in typed::lines() {
                if sender.send(line).is_err() {
                    return;
                }
            }
        });
        Self { lines, is_person: io::stdin().is_terminal() }
    }

    /// Says what to do and waits until it is said to be done.
    pub(in crate::cli) fn ask(
        &self,
        what: &str,
        has_button: bool,
        talk: &mut Talk,
        devices: &mut dyn Devices,
        recorder: &mut dyn Recorder,
        screen: &mut Screen,
    ) -> Result<Answered, Failure> {
        let how = if has_button { "press Enter or the jig's button" } else { "press Enter" };
        while self.is_person && self.lines.try_recv().is_ok() {}
        screen.tell(&format!("{what}, then {how}"));
        let until = devices.now().after(PATIENCE);
        loop {
            match self.lines.try_recv() {
                Ok(line) => return Ok(Answered::Line(line.trim().to_owned())),
                Err(TryRecvError::Empty) => {}
                Err(TryRecvError::Disconnected) if has_button && devices.now() < until => {}
                Err(TryRecvError::Disconnected) => {
                    let found = match has_button {
                        true => format!("no press of the start button within {} s", PATIENCE.as_secs()),
                        false => "no start button".to_owned(),
                    };
                    return Err(Failure::new(
                        ExitStatus::Usage,
                        format!(
                            "expected somebody at the bench to answer, found the end of standard input and {found}"
                        ),
                    )
                    .hint("run it at a terminal, or on the practice bench with --practice"));
                }
            }
            let until = devices.now().after(LOOK_UP);
            if talk.listen(until, devices, recorder, &mut silent)? {
                return Ok(Answered::Button);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        moment::Moment,
        sweep::{Heard, Unrecorded},
    };

    /// Where a line is typed as soon as somebody waits for it.
    struct Desk(std::sync::mpsc::Sender<String>);

    impl Devices for Desk {
        fn now(&self) -> Moment {
            Moment::START
        }

        fn wait(&mut self, _: Moment) -> Heard {
            self.0.send("late".to_owned()).unwrap();
            Heard::Stop
        }

        fn to_jig(&mut self, _: &[u8]) -> io::Result<()> {
            Ok(())
        }

        fn to_meter(&mut self, _: &[u8]) -> io::Result<()> {
            Ok(())
        }
    }

    /// The answer, and whether it was waited for.
    fn asked(is_person: bool) -> Option<Answered> {
        let (sender, lines) = channel();
        sender.send("early".to_owned()).unwrap();
        let (operator, mut desk) = (Operator { lines, is_person }, Desk(sender));
        let (mut talk, mut screen) = (Talk::new(&desk), Screen::standard().quiet(true));
        operator.ask("move a plug", true, &mut talk, &mut desk, &mut Unrecorded, &mut screen).ok()
    }

    /// A jig whose button nobody presses; its time jumps.
    struct Deserted(Moment);

    impl Devices for Deserted {
        fn now(&self) -> Moment {
            self.0
        }

        fn wait(&mut self, until: Moment) -> Heard {
            assert!(self.0 < Moment::START.after(PATIENCE * 2), "nothing ends this wait");
            self.0 = until;
            Heard::Nothing
        }

        fn to_jig(&mut self, _: &[u8]) -> io::Result<()> {
            Ok(())
        }

        fn to_meter(&mut self, _: &[u8]) -> io::Result<()> {
            Ok(())
        }
    }

    /// A script without anybody beside the jig waited for ever.
    #[test]
    fn nobody_is_waited_for_without_end() {
        for (has_button, expected) in
            [(true, "no press of the start button within 600 s"), (false, "no start button")]
        {
            let operator = Operator { lines: channel().1, is_person: false };
            let mut jig = Deserted(Moment::START);
            let (mut talk, mut screen) = (Talk::new(&jig), Screen::standard().quiet(true));
            let error =
                operator.ask("shut the lid", has_button, &mut talk, &mut jig, &mut Unrecorded, &mut screen);
            let error = error.unwrap_err();
            assert!(error.to_string().contains(expected), "{error}");
            assert_eq!(error.status, ExitStatus::Usage);
        }
    }

    #[test]
    fn a_line_typed_before_the_question_answers_it_only_from_a_program() {
        assert_eq!(asked(false), Some(Answered::Line("early".to_owned())));
        assert_eq!(asked(true), None, "waited until it was stopped");
    }
}
