//! The jig between two sweeps: its light, its sound and its button.

use std::{collections::VecDeque, time::Duration};

use protocol::{
    Accumulator, Answer, BoardMessage, Event as BoardEvent, Fault, Light, Request, Sound, frame, version,
};

use crate::{
    batch_run::Event,
    exit_status::ExitStatus,
    failure::Failure,
    jig::{Client, Heard as Said},
    moment::Moment,
    sweep::{Devices, Heard},
};

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
        let mut talk = Talk::new(self.take());
        let until = devices.now().after(SHOW);
        while !talk.is_done() && devices.now() < until {
            talk.step(devices, until)?;
        }
        Ok(())
    }

    /// Shows it and waits for a press or a line. What the meter sends meanwhile belongs to no pin.
    pub(super) fn wait(
        &mut self,
        devices: &mut dyn Devices,
        line: &mut dyn FnMut() -> Option<Event>,
    ) -> Result<Event, Failure> {
        let mut talk = Talk::new(self.take());
        loop {
            if let Some(line) = line() {
                return Ok(line);
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
    client: Client,
    frames: Accumulator<BoardMessage>,
    to_ask: VecDeque<Request>,
    light: Option<(Light, Sound)>,
}

impl Talk {
    fn new(light: Option<(Light, Sound)>) -> Self {
        let mut talk =
            Self { client: Client::default(), frames: Accumulator::new(), to_ask: VecDeque::new(), light };
        talk.begin();
        talk
    }

    /// A greeting, then the light.
    fn begin(&mut self) {
        let light = self.light.map(|(light, sound)| Request::Indicate { light, sound });
        self.to_ask =
            [Request::Greet { min: version::MIN, max: version::CURRENT }].into_iter().chain(light).collect();
    }

    fn is_done(&self) -> bool {
        self.to_ask.is_empty() && !self.client.is_waiting()
    }

    /// Asks what is to be asked and hears what comes, until then at most.
    fn step(&mut self, devices: &mut dyn Devices, until: Moment) -> Result<Option<Event>, Failure> {
        let now = devices.now();
        if self.client.check(now).is_err() {
            // It may just have been plugged in again: from the beginning.
            self.begin();
        }
        if !self.client.is_waiting() {
            let is_quiet = self.client.wants_ping(now);
            let request = self.to_ask.pop_front().or_else(|| is_quiet.then_some(Request::Ping));
            if let Some(request) = request {
                let bytes = frame::encode(&self.client.send(request, now));
                devices.to_jig(&bytes).map_err(|error| gone("switching board", &error.to_string()))?;
            }
        }
        let (at, bytes) = match devices.wait(until) {
            Heard::Jig(at, bytes) => (at, bytes),
            Heard::Meter(..) | Heard::Nothing | Heard::Back(_) => return Ok(None),
            Heard::Stop => return Ok(Some(Event::Stop)),
            Heard::Lost(device, error) => return Err(gone(device.name(), &error.to_string())),
        };
        let mut pressed = None;
        let mut is_anew = false;
        for item in self.frames.items(&bytes) {
            // What is damaged is asked for again when its answer is overdue.
            let Ok(message) = item else { continue };
            match self.client.receive(&message, at) {
                Said::Event(BoardEvent::Button { pressed: true }) => pressed = Some(Event::Button),
                Said::Restarted | Said::Answer { answer: Answer::Refused(Fault::NotGreeted), .. } => {
                    is_anew = true;
                }
                _ => {}
            }
        }
        if is_anew {
            self.begin();
        }
        Ok(pressed)
    }
}

fn gone(device: &str, reason: &str) -> Failure {
    Failure::new(ExitStatus::Unavailable, format!("the {device} went away: {reason}"))
        .hint("plug it in again, then go on with --resume: no board is lost")
}
