//! The jig between two sweeps: its light, its sound and its button.

use std::{io, time::Duration};

use protocol::{Accumulator, BoardMessage, Light, Sound, frame};

use crate::{
    exit_status::ExitStatus,
    failure::Failure,
    jig,
    moment::Moment,
    sweep::{Device, Devices, Heard},
};

/// What the operator did.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Pressed {
    /// The button was pressed.
    Button,
    /// A line was typed.
    Line(String),
    /// The operator wants to stop.
    Stop,
}

/// How often the keyboard is asked for a line.
const LOOK_UP: Duration = Duration::from_millis(50);

/// How long a signal may take to be shown before a sweep begins.
const SHOW: Duration = Duration::from_millis(600);

/// Light, sound and button of the jig.
#[derive(Debug, Default)]
pub(super) struct Panel {
    light: Option<(Light, Sound)>,
}

impl Panel {
    /// Remembers what to show; it is shown with the next conversation.
    pub(super) const fn show(&mut self, light: Light, sound: Sound) {
        self.light = Some((light, sound));
    }

    /// Shows it now.
    pub(super) fn send(&mut self, devices: &mut dyn Devices) -> Result<(), Failure> {
        let mut talk = Talk::new(self.take(), devices);
        let until = devices.now().after(SHOW);
        while !talk.panel.is_done() && devices.now() < until {
            talk.step(devices, until)?;
        }
        Ok(())
    }

    /// Shows it and waits for a press or a line. What the meter sends meanwhile belongs to no pin.
    pub(super) fn wait(
        &mut self,
        devices: &mut dyn Devices,
        line: &mut dyn FnMut() -> Option<String>,
    ) -> Result<Pressed, Failure> {
        let mut talk = Talk::new(self.take(), devices);
        loop {
            if let Some(line) = line() {
                return Ok(Pressed::Line(line));
            }
            let until = devices.now().after(LOOK_UP);
            if let Some(pressed) = talk.step(devices, until)? {
                return Ok(pressed);
            }
        }
    }

    /// What to show; the sound is played once.
    fn take(&mut self) -> Option<(Light, Sound)> {
        let now = self.light;
        self.light = now.map(|(light, _)| (light, Sound::Silent));
        now
    }
}

/// One conversation with the switching board.
struct Talk {
    panel: jig::Panel,
    frames: Accumulator<BoardMessage>,
}

impl Talk {
    fn new(light: Option<(Light, Sound)>, devices: &dyn Devices) -> Self {
        let now = devices.now();
        let mut panel = jig::Panel::new(devices.fresh_number(), now);
        if let Some((light, sound)) = light {
            panel.show(light, sound, now);
        }
        Self { panel, frames: Accumulator::new() }
    }

    /// Asks what is to be asked and hears what comes, until then at most.
    fn step(&mut self, devices: &mut dyn Devices, until: Moment) -> Result<Option<Pressed>, Failure> {
        self.panel.tick(devices.now());
        while let Some(request) = self.panel.next_output() {
            let sent = devices.to_jig(&frame::encode(&request));
            sent.map_err(|error| gone(Device::Jig, &error))?;
        }
        let (at, bytes) = match devices.wait(until) {
            Heard::Jig(at, bytes) => (at, bytes),
            Heard::Meter(..) | Heard::Nothing | Heard::Back(_) => return Ok(None),
            Heard::Stop => return Ok(Some(Pressed::Stop)),
            Heard::Lost(device, error) => return Err(gone(device, &error)),
        };
        let mut is_pressed = false;
        // What is damaged is asked for again when its answer is overdue.
        for message in self.frames.items(&bytes).flatten() {
            is_pressed |= self.panel.message(&message, at);
        }
        Ok(is_pressed.then_some(Pressed::Button))
    }
}

fn gone(device: Device, reason: &io::Error) -> Failure {
    Failure::new(ExitStatus::Unavailable, format!("the {device} went away: {reason}"))
        .hint("plug it in again, then go on with --resume: no board is lost")
}
