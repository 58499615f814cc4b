//! The one loop by hand: moves bytes, deeds and actions between the devices, the walk and the record.
//!
//! Live, practice and tests differ in their [`Bench`] and in nothing else. The loop reads no clock itself.

use std::{io, time::Duration};

use protocol::{Accumulator, BoardMessage, frame};

use super::{Action, Deed, Walk, sentence};
use crate::{
    connector::{Connector, PinName},
    jig::Panel,
    meter::Profile,
    moment::Moment,
    readings::PinValue,
    sweep::{Device, Ear, Oddity, PinResult, Record, Recorder, SweepError, Timing},
};

/// Meter, operator and perhaps a switching board, wherever they are.
pub trait Bench {
    /// The time of the session.
    fn now(&self) -> Moment;

    /// Waits until something is heard, at most until `until`.
    fn wait(&mut self, until: Moment) -> Heard;

    /// As [`Devices::fresh_number`](crate::sweep::Devices::fresh_number).
    fn fresh_number(&self) -> u16 {
        (self.now().as_micros() / 1000) as u16
    }

    /// Sends bytes to the meter.
    ///
    /// # Errors
    /// What the port says.
    fn to_meter(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// Sends bytes to the switching board, if there is one.
    ///
    /// # Errors
    /// What the port says.
    fn to_jig(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// The operator is told something.
    fn told(&mut self, _action: &Action, _now: Moment) {}
}

/// What came while waiting.
#[derive(Debug)]
pub enum Heard {
    /// Bytes of the meter.
    Meter(Moment, Vec<u8>),
    /// Bytes from the jig's port.
    Jig(Moment, Vec<u8>),
    /// The operator did something.
    Deed(Moment, Deed),
    /// Nothing until the time was up.
    Nothing,
    /// The operator wants to end for now.
    Quit,
    /// A port went away.
    Lost(Device, io::Error),
}

/// What a run needs besides the walk.
#[derive(Debug, Clone)]
pub struct Score {
    /// The connector, for names.
    pub connector: Connector,
    /// The meter.
    pub profile: Profile,
    /// Name of the meter's port, for messages.
    pub meter_port: String,
    /// Name of the switching board's port, where there is one.
    pub jig_port: Option<String>,
    /// The operator goes on although the board shows signs of life.
    pub override_alive: bool,
}

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Probed {
    /// The value of each pin, by index, as the meter showed it.
    pub values: Vec<PinValue>,
    /// The evidence of each pin, by index.
    pub results: Vec<Option<PinResult>>,
    /// From the beginning of this run to its end.
    pub took: Duration,
    /// Touches, and how many of them were asked for beyond the first of a pin.
    pub touches: (u32, u32),
    /// Whether it reached the end.
    pub outcome: Result<(), SweepError>,
}

/// How long the loop waits at most, so that a screen can be refreshed.
const LONGEST_WAIT: Duration = Duration::from_millis(500);

/// A meter that has sent readings may stay silent for so long before it is called silent: some send nothing while their
/// leads are open.
const LONG_SILENCE: Duration = Duration::from_secs(20);

/// Runs until all pins are done or the operator ends it. `watch` sees each action as it comes, with the walk after it.
pub fn run(
    bench: &mut dyn Bench,
    score: &Score,
    walk: &mut Walk,
    recorder: &mut dyn Recorder,
    watch: &mut dyn FnMut(Option<&Action>, &Walk, Moment),
) -> Probed {
    let began = bench.now();
    let names: Vec<PinName> = score.connector.pins.iter().map(|pin| pin.name.clone()).collect();
    let mut session = Session {
        score,
        names,
        ear: Ear::new(&score.profile, began),
        panel: score.jig_port.as_ref().map(|_| Panel::new(bench.fresh_number(), began)),
        frames: Accumulator::new(),
        now: began,
        began,
        heard: None,
        told_silent: false,
        silence: Timing::of(&score.profile).silence,
    };
    session.ear.want(true, began);
    let mut actions = walk.greet();
    let outcome = loop {
        for action in actions.drain(..) {
            session.record(&action, recorder);
            // Nothing is shown or heard as taken that is not written down.
            if let Err(error) = recorded(recorder, walk) {
                return session.ended(Err(error), walk, bench);
            }
            if let Some(tone) = action.tone()
                && let Some(panel) = &mut session.panel
            {
                let (light, sound) = tone.signal();
                panel.show(light, sound, session.now);
            }
            bench.told(&action, session.now);
            watch(Some(&action), walk, session.now);
            if let Action::Alive { pin, sign } = action
                && !score.override_alive
            {
                let pin = session.names.get(pin).cloned().unwrap_or_else(|| PinName::new("?"));
                return session.ended(Err(SweepError::BoardAlive { pin, sign }), walk, bench);
            }
        }
        if let Err(error) = session.send(bench, walk, recorder) {
            break Err(error);
        }
        if walk.pin().is_none() {
            break Ok(());
        }
        match session.step(bench, walk, recorder) {
            Ok(next) => actions = next,
            Err(error) => break Err(error),
        }
        if actions.is_empty() {
            watch(None, walk, session.now);
        }
    };
    session.ended(outcome, walk, bench)
}

/// Whether all that came so far is on record.
fn recorded(recorder: &dyn Recorder, walk: &Walk) -> Result<(), SweepError> {
    let done = walk.results().iter().flatten().count();
    let total = walk.order().len();
    recorder.trouble().map_or(Ok(()), |problem| Err(SweepError::Unrecorded { problem, done, total }))
}

struct Session<'a> {
    score: &'a Score,
    names: Vec<PinName>,
    ear: Ear,
    panel: Option<Panel>,
    frames: Accumulator<BoardMessage>,
    now: Moment,
    /// When this run began: a session that is carried on does not begin at [`Moment::START`].
    began: Moment,
    heard: Option<Moment>,
    told_silent: bool,
    silence: Duration,
}

impl Session<'_> {
    /// Waits for one thing and hands it on.
    fn step(
        &mut self,
        bench: &mut dyn Bench,
        walk: &mut Walk,
        recorder: &mut dyn Recorder,
    ) -> Result<Vec<Action>, SweepError> {
        recorded(recorder, walk)?;
        let panel = self.panel.as_ref().map(|panel| panel.deadline(self.now));
        let until = [walk.deadline(), self.ear.deadline(), panel, Some(self.now.after(LONGEST_WAIT))]
            .into_iter()
            .flatten()
            .min()
            .unwrap_or(self.now);
        let mut actions = Vec::new();
        match bench.wait(until) {
            // Never back in time: what was decided by a tick must not be undone by bytes that waited in a queue.
            Heard::Meter(at, bytes) => {
                self.now = self.now.max(at);
                self.heard = Some(self.now);
                self.told_silent = false;
                recorder.record(self.now, Record::MeterBytes(&bytes));
                actions.extend(walk.meter_bytes(&bytes, self.now));
                let odd = self.ear.bytes(&bytes, self.now);
                self.odd(odd, recorder)?;
            }
            Heard::Jig(at, bytes) => {
                self.now = self.now.max(at);
                actions.extend(self.jig(&bytes, walk, recorder));
            }
            Heard::Deed(at, deed) => {
                self.now = self.now.max(at);
                actions.extend(self.deed(&deed, walk, recorder));
            }
            Heard::Nothing => self.now = self.now.max(bench.now()),
            Heard::Quit => {
                self.now = self.now.max(bench.now());
                let done = walk.results().iter().flatten().count();
                return Err(SweepError::Stopped { done, total: walk.order().len() });
            }
            Heard::Lost(device, error) => {
                let port = match device {
                    Device::Meter => self.score.meter_port.clone(),
                    Device::Jig => self.score.jig_port.clone().unwrap_or_default(),
                };
                return Err(SweepError::Lost { device, port, reason: error.to_string() });
            }
        }
        actions.extend(walk.tick(self.now));
        let odd = self.ear.expire(self.now);
        self.odd(odd, recorder)?;
        if let Some(panel) = &mut self.panel {
            panel.tick(self.now);
        }
        let limit = if self.heard.is_some() { LONG_SILENCE } else { self.silence };
        let waited = self.now.since(self.heard.unwrap_or(self.began));
        if waited >= limit && !self.told_silent {
            self.told_silent = true;
            actions.push(Action::MeterSilent { waited });
        }
        Ok(actions)
    }

    fn jig(&mut self, bytes: &[u8], walk: &mut Walk, recorder: &mut dyn Recorder) -> Vec<Action> {
        let mut actions = Vec::new();
        let mut presses = 0;
        for item in self.frames.items(bytes) {
            match item {
                Ok(message) => {
                    recorder.record(self.now, Record::Jig(&message));
                    if let Some(panel) = &mut self.panel {
                        presses += u32::from(panel.message(&message, self.now));
                    }
                }
                Err(error) => recorder.record(self.now, Record::JigDamaged(&error.to_string())),
            }
        }
        for _ in 0..presses {
            actions.extend(self.deed(&Deed::Confirm, walk, recorder));
        }
        actions
    }

    fn deed(&mut self, deed: &Deed, walk: &mut Walk, recorder: &mut dyn Recorder) -> Vec<Action> {
        let (action, detail) = deed.to_log(&self.score.connector);
        recorder.record(self.now, Record::Operator { action, detail: detail.as_deref() });
        walk.deed(deed, self.now)
    }

    fn odd(&self, oddities: Vec<Oddity>, recorder: &mut dyn Recorder) -> Result<(), SweepError> {
        for oddity in oddities {
            match oddity {
                Oddity::Noise(problem) => recorder.record(self.now, Record::Said(&problem)),
                Oddity::Trouble(problem) => {
                    return Err(SweepError::MeterUnreadable { port: self.score.meter_port.clone(), problem });
                }
            }
        }
        Ok(())
    }

    fn record(&self, action: &Action, recorder: &mut dyn Recorder) {
        match action {
            Action::Took { result, .. } => recorder.record(self.now, Record::Pin(result)),
            // What is asked follows from what was taken.
            Action::Ask { .. } => {}
            other => recorder.record(self.now, Record::Said(&sentence(other, &self.names))),
        }
    }

    fn send(
        &mut self,
        bench: &mut dyn Bench,
        walk: &mut Walk,
        recorder: &mut dyn Recorder,
    ) -> Result<(), SweepError> {
        while let Some(message) = self.ear.next_output() {
            let (bytes, asks_for_reading) = (&message.bytes[..], message.asks_for_reading);
            if asks_for_reading {
                walk.asked_meter(self.now);
            }
            recorder.record(self.now, Record::SentToMeter { bytes, asks_for_reading });
            bench.to_meter(bytes).map_err(|error| SweepError::Lost {
                device: Device::Meter,
                port: self.score.meter_port.clone(),
                reason: error.to_string(),
            })?;
        }
        if let Some(panel) = &mut self.panel {
            while let Some(request) = panel.next_output() {
                recorder.record(self.now, Record::SentToJig(&request));
                bench.to_jig(&frame::encode(&request)).map_err(|error| SweepError::Lost {
                    device: Device::Jig,
                    port: self.score.jig_port.clone().unwrap_or_default(),
                    reason: error.to_string(),
                })?;
            }
        }
        Ok(())
    }

    fn ended(mut self, outcome: Result<(), SweepError>, walk: &Walk, bench: &mut dyn Bench) -> Probed {
        for message in self.ear.leave() {
            // The meter is given back as far as it still listens.
            let _ = bench.to_meter(&message.bytes);
        }
        Probed {
            values: walk.values(),
            results: walk.results().to_vec(),
            took: self.now.since(Moment::START),
            touches: walk.touches(),
            outcome,
        }
    }
}
