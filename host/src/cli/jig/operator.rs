//! What the operator is asked to do at the bench: with Enter or the jig's start button when it is done.

use std::{
    sync::mpsc::{Receiver, TryRecvError, channel},
    thread,
    time::Duration,
};

use super::talk::Talk;
use crate::{
    cli::{Screen, typed},
    exit_status::ExitStatus,
    failure::Failure,
    sweep::{Devices, Recorder},
};

/// How often keyboard and button are looked at.
const LOOK_UP: Duration = Duration::from_millis(100);

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
        Self { lines }
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
        screen.tell(&format!("{what}, then {how}"));
        loop {
            match self.lines.try_recv() {
                Ok(line) => return Ok(Answered::Line(line.trim().to_owned())),
                Err(TryRecvError::Empty) => {}
                Err(TryRecvError::Disconnected) if has_button => {}
                Err(TryRecvError::Disconnected) => {
                    return Err(Failure::new(
                        ExitStatus::Usage,
                        "expected somebody at the bench to answer, found the end of standard input and no start button",
                    )
                    .hint("run it at a terminal, or on the practice bench with --practice"));
                }
            }
            if talk.listen(LOOK_UP, devices, recorder)? {
                return Ok(Answered::Button);
            }
        }
    }
}
