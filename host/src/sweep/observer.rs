//! Pairs readings with pins from what was heard and sent, and from nothing else.
//!
//! A live sweep and a replay run this same code on the same inputs, so they give the same pin readings. The
//! observer never asks for anything: it says what it has seen, and the conductor acts on it.

use std::time::Duration;

use protocol::{Answer, BoardMessage, Channel, Event, Pace, Request, RequestFrame};

use super::{
    Device, Plan, Settling, Step, Stream, Target, Timing,
    alive::AliveSign,
    check::{CheckChannel, CheckVerdict, Look},
    guard::Guard,
    stream::Belongs,
    suspicion::Suspicion,
};
use crate::{
    jig::Clock,
    meter::{Decoder, NoValue, Number, Profile, Reading, Stamped},
    moment::Moment,
    readings::{PinValue, Unread},
    units::Volts,
};

/// What the observer needs to know before a sweep.
#[derive(Debug, Clone, PartialEq)]
pub struct Setting {
    /// Which channels are visited, and what hangs on them.
    pub plan: Plan,
    /// Pins of the connector.
    pub pins: usize,
    /// Which of them are ground, by index.
    pub grounds: Vec<usize>,
    /// The meter's time.
    pub timing: Timing,
    /// The most that the meter can drive, where it is known.
    pub compliance: Option<Volts>,
    /// What the check channel should read, where its resistor and the meter's current are known.
    pub check_expected: Option<Volts>,
}

/// Pairs readings with pins.
#[derive(Debug)]
pub struct Observer {
    setting: Setting,
    profile: Profile,
    decoder: Decoder,
    stream: Stream,
    clock: Clock,
    sent: Option<(u16, Moment)>,
    dwell: Option<Duration>,
    visit: Option<OpenVisit>,
    check: CheckChannel,
    suspicion: Suspicion,
    results: Vec<Option<PinResult>>,
    retries: Vec<u16>,
    /// Readings to come that must agree with one more, since the line has damaged a frame of late.
    caution: u8,
}

/// A damaged frame that is noticed tells of others that are not: a flipped bit can make another number. For so many
/// readings one more must agree.
const CAUTION: u8 = 100;

/// What was read at a pin, and on what evidence.
#[derive(Debug, Clone, PartialEq)]
pub struct PinResult {
    /// The pin, by its index in the connector.
    pub pin: usize,
    /// The channel that was closed.
    pub channel: Channel,
    /// What was read, as the meter showed it.
    pub value: PinValue,
    /// When the channel had settled.
    pub settled: Moment,
    /// When the pin was decided.
    pub decided: Moment,
    /// Frames that came after the step and were not believed.
    pub spoilt: u16,
    /// Readings that were believed, the latest of them, oldest first.
    pub used: Vec<Result<Number, NoValue>>,
    /// Visits before this one that gave nothing.
    pub retries: u16,
}

/// What the observer has seen.
#[derive(Debug, Clone, PartialEq)]
pub enum Observation {
    /// A channel is closed and settled: its visit begins.
    Began(Target),
    /// The pin has been decided.
    Decided(PinResult),
    /// A board shows a sign of life at this pin.
    Alive {
        /// The pin, by its index.
        pin: usize,
        /// The sign.
        sign: AliveSign,
    },
    /// The check channel reads what it should.
    Checked,
    /// The check channel reads something else: these pins may carry a neighbour's reading and are voided.
    CheckFailed {
        /// What the check channel should read, if it is known.
        expected: Option<Volts>,
        /// What it read.
        seen: PinValue,
        /// Pins voided, by index.
        voided: Vec<usize>,
    },
    /// The meter's display shows a sign.
    Guard(Guard),
    /// A channel closed that is not in the plan.
    Unplanned(Channel),
}

#[derive(Debug)]
struct OpenVisit {
    target: Target,
    channel: Channel,
    settled: Moment,
    ends: Option<Moment>,
    settling: Settling,
    spoilt: u16,
    /// For the check that closes the sweep: readings that must agree from the first on.
    closing: Option<u8>,
    is_decided: bool,
}

impl Observer {
    /// An observer that has heard nothing yet.
    #[must_use]
    pub fn new(setting: Setting, profile: &Profile) -> Self {
        let pins = setting.pins;
        Self {
            decoder: Decoder::new(profile),
            profile: profile.clone(),
            stream: Stream::new(setting.timing),
            clock: Clock::default(),
            sent: None,
            dwell: None,
            visit: None,
            check: CheckChannel::new(
                setting.check_expected,
                u16::from(setting.timing.spoilt) + u16::from(setting.timing.agree),
            ),
            suspicion: Suspicion::new(setting.plan.visits.iter().any(|visit| visit.target == Target::Check)),
            results: vec![None; pins],
            retries: vec![0; pins],
            caution: 0,
            setting,
        }
    }

    /// A request went out to the switching board.
    pub fn sent_to_jig(&mut self, frame: &RequestFrame, now: Moment) {
        self.sent = Some((frame.seq, now));
        match &frame.request {
            Request::Start { pace, .. } => {
                self.dwell = match *pace {
                    Pace::Dwell { dwell_us } => Some(Duration::from_micros(u64::from(dwell_us))),
                    Pace::Advance => None,
                };
                self.leave(now);
            }
            Request::Select { .. } => {
                self.dwell = None;
                self.leave(now);
            }
            Request::Advance { .. } | Request::OpenAll | Request::Greet { .. } => self.leave(now),
            _ => {}
        }
    }

    /// A device went away. What it had half said is dropped, and no reading is believed before the next visit.
    pub fn lost(&mut self, device: Device) {
        self.gap();
        match device {
            Device::Meter => self.stream = Stream::new(self.stream.timing()),
            // Its clock may have started again when it comes back.
            Device::Jig => self.clock = Clock::default(),
        }
    }

    /// Something that was heard or sent is missing here: lines of a log were lost. The visit at hand gives nothing,
    /// since nobody knows any more what its readings were.
    pub fn gap(&mut self) {
        self.decoder = Decoder::new(&self.profile);
        self.stream.interrupt();
        self.visit = None;
    }

    /// The meter was asked for a reading.
    pub fn asked_meter(&mut self, now: Moment) {
        self.stream.asked(now);
    }

    /// A message of the switching board arrived.
    pub fn jig_message(&mut self, message: &BoardMessage, now: Moment) -> Vec<Observation> {
        match message {
            BoardMessage::Answer { seq, at_us, answer } => {
                if let Some((_, sent)) = self.sent.filter(|(sent, _)| sent == seq) {
                    self.clock.answer(sent, *at_us, now);
                }
                match answer {
                    Answer::Settled { channel, .. } => self.begin(*channel, *at_us, now),
                    Answer::Opened | Answer::PlanEnded | Answer::Refused(_) => {
                        self.leave(now);
                        Vec::new()
                    }
                    _ => Vec::new(),
                }
            }
            BoardMessage::Event { at_us, event } => {
                self.clock.event(*at_us, now);
                match event {
                    Event::Settled { channel, .. } => {
                        self.leave(now);
                        self.begin(*channel, *at_us, now)
                    }
                    Event::Opened { .. } => {
                        self.leave(now);
                        Vec::new()
                    }
                    _ => Vec::new(),
                }
            }
        }
    }

    /// Bytes of the meter arrived. What cannot be read is skipped here; the conductor tells of it.
    pub fn meter_bytes(&mut self, bytes: &[u8], now: Moment) -> Vec<Observation> {
        let mut seen = Vec::new();
        self.decoder.push(bytes, now);
        while let Some(frame) = self.decoder.pull() {
            match frame {
                Ok(frame) => {
                    self.caution = self.caution.saturating_sub(1);
                    seen.extend(self.reading(&frame));
                }
                // Between visits a meter also tells its name and its errors: no readings, but no damage.
                Err(_) if self.visit.is_some() => self.caution = CAUTION,
                Err(_) => {}
            }
        }
        seen
    }

    /// The meter sent a reading.
    fn reading(&mut self, frame: &Stamped<Reading>) -> Vec<Observation> {
        let mut seen = Vec::new();
        let guard = Guard::of(&frame.item);
        let belongs = self.stream.frame(frame);
        if let Some(guard) = guard {
            seen.push(Observation::Guard(guard));
            if guard.blocks() {
                return seen;
            }
        }
        let mut timing = self.timing();
        let Some(visit) = self.visit.as_mut().filter(|visit| !visit.is_decided) else { return seen };
        if visit.ends.is_some_and(|ends| frame.last_byte > ends) {
            return seen;
        }
        if belongs != Belongs::Repeated {
            self.suspicion.shown(frame.item.value);
        }
        match belongs {
            Belongs::Repeated => return seen,
            Belongs::Spoilt => {
                visit.spoilt = visit.spoilt.saturating_add(1);
                return seen;
            }
            Belongs::Yes => {}
        }
        if self.caution > 0 {
            timing.agree = timing.agree.saturating_add(1);
            timing.agree_overload = timing.agree_overload.saturating_add(1);
        }
        if visit.target == Target::Check {
            // The check channel is never open: overloads are readings of the pin before it, and it must notice them
            // as soon as it would notice numbers.
            timing.agree = timing.agree.max(visit.closing.unwrap_or(0));
            timing.agree_overload = timing.agree;
        }
        if let Step::Decided(value) = visit.settling.take(frame.item.value, frame.first_byte, &timing) {
            visit.is_decided = true;
            let look = match visit.closing {
                None => Look::Passing,
                Some(_) if visit.settling.taken() <= u32::from(timing.agree) => Look::Closing,
                Some(_) => Look::ClosingMixed,
            };
            let is_sound = self.caution == 0;
            let suspected =
                self.suspicion.ended(visit.target, visit.channel, &visit.settling, &timing, is_sound);
            let told = seen.len();
            self.decide(value, look, frame.last_byte, &mut seen);
            if let Some(guard) = suspected {
                if guard.blocks() {
                    seen.truncate(told);
                    let still = self.suspicion.still_pins();
                    self.void(&still);
                }
                seen.push(Observation::Guard(guard));
            }
        }
        seen
    }

    /// The meter's rhythm, as heard so far.
    #[must_use]
    pub const fn stream(&self) -> &Stream {
        &self.stream
    }

    /// When a reading may be believed, with what the check channel has taught.
    #[must_use]
    pub fn timing(&self) -> Timing {
        self.stream.timing()
    }

    /// A pin to read once more before a last look at the check channel: the check channel has not shown yet that the
    /// latest pins are free of a lag, since the pin before it read like itself. None where nothing is left to show,
    /// or every pin reads like the check channel.
    #[must_use]
    pub fn wants_proof(&self) -> Option<usize> {
        let mut told = self.results.iter().flatten().filter(|result| self.check.is_told_from(result.value));
        told.next().filter(|_| self.check.has_unproven()).map(|result| result.pin)
    }

    /// Whether every pin of the plan has been read, given up, or voided since.
    fn all_pins_read(&self) -> bool {
        let read = self.results.iter().flatten();
        read.filter(|result| result.value != PinValue::Unread(Unread::Voided)).count()
            >= self.setting.plan.pins()
    }

    /// What was read at each pin, by index; `None` where no visit has ended yet.
    #[must_use]
    pub fn results(&self) -> &[Option<PinResult>] {
        &self.results
    }

    /// The value of each pin, by index: `Unread` where there is none.
    #[must_use]
    pub fn values(&self) -> Vec<PinValue> {
        let value = |result: &Option<PinResult>| {
            result.as_ref().map_or(PinValue::Unread(Unread::NoReading), |result| result.value)
        };
        self.results.iter().map(value).collect()
    }

    fn begin(&mut self, channel: Channel, at_us: u64, now: Moment) -> Vec<Observation> {
        let Some(target) = self.setting.plan.target_of(channel) else {
            return vec![Observation::Unplanned(channel)];
        };
        // Never later than the message that tells of it, never earlier than the clocks allow.
        let settled = self.clock.latest(at_us).map_or(now, |latest| latest.min(now));
        let ends = self.dwell.and_then(|dwell| self.clock.earliest(at_us).map(|start| start.after(dwell)));
        // The check channel drops one reading fewer than the pins do, so that a lag shows there before it can
        // reach a pin: agreement still rejects what is merely mixed.
        let closing = match target {
            Target::Check if self.all_pins_read() => self.check.closing_readings(),
            Target::Check | Target::Pin(_) => None,
        };
        let spoilt = match target {
            // It must agree from its first reading on, so that one must be whole.
            Target::Check if closing.is_some() => self.timing().spoilt,
            Target::Check => self.timing().spoilt.saturating_sub(1),
            Target::Pin(_) => self.timing().spoilt,
        };
        self.stream.step(settled, spoilt);
        self.suspicion.began();
        self.visit = Some(OpenVisit {
            target,
            channel,
            settled,
            ends,
            settling: match target {
                Target::Check => Settling::of_check(),
                Target::Pin(_) => Settling::default(),
            },
            spoilt: 0,
            closing,
            is_decided: false,
        });
        vec![Observation::Began(target)]
    }

    /// The channel is about to open: what has not been decided by now stays undecided.
    fn leave(&mut self, now: Moment) {
        let Some(visit) = self.visit.take() else { return };
        if visit.is_decided {
            return;
        }
        if let Target::Pin(pin) = visit.target {
            let given_up = self.result(&visit, pin, visit.settling.given_up(), now);
            if let Some(retries) = self.retries.get_mut(pin) {
                *retries = retries.saturating_add(1);
            }
            // A later visit that gave nothing does not erase an earlier one that did.
            if let Some(slot @ None) = self.results.get_mut(pin) {
                *slot = Some(given_up);
            }
        }
    }

    fn decide(&mut self, value: PinValue, look: Look, at: Moment, seen: &mut Vec<Observation>) {
        let Some(visit) = &self.visit else { return };
        match visit.target {
            Target::Pin(pin) => {
                if let Some(sign) = self.alive(visit, pin, value) {
                    seen.push(Observation::Alive { pin, sign });
                }
                let known = self.results.get(pin).and_then(Option::as_ref);
                if let Some(known) = known.filter(|known| !matches!(known.value, PinValue::Unread(_))) {
                    // Visited once more for the check channel's sake: what was read first stands.
                    self.check.pin_again(value);
                    seen.push(Observation::Decided(known.clone()));
                    return;
                }
                let result = self.result(visit, pin, value, at);
                self.check.pin(pin, value);
                seen.push(Observation::Decided(result.clone()));
                if let Some(slot) = self.results.get_mut(pin) {
                    *slot = Some(result);
                }
            }
            Target::Check => match self.check.judge(value, look) {
                CheckVerdict::Good => seen.push(Observation::Checked),
                CheckVerdict::Bad { expected, voided } => {
                    self.void(&voided);
                    self.stream.distrust();
                    seen.push(Observation::CheckFailed { expected, seen: value, voided });
                }
            },
        }
    }

    /// Whether what was decided at a pin shows a board that is not dead.
    fn alive(&self, visit: &OpenVisit, pin: usize, value: PinValue) -> Option<AliveSign> {
        let is_ground = self.setting.grounds.contains(&pin);
        AliveSign::of_decided(value, &visit.settling, is_ground, self.setting.compliance)
    }

    /// Takes back what was read at these pins.
    fn void(&mut self, pins: &[usize]) {
        for &pin in pins {
            if let Some(Some(result)) = self.results.get_mut(pin) {
                result.value = PinValue::Unread(Unread::Voided);
            }
            if let Some(retries) = self.retries.get_mut(pin) {
                *retries = retries.saturating_add(1);
            }
        }
    }

    fn result(&self, visit: &OpenVisit, pin: usize, value: PinValue, decided: Moment) -> PinResult {
        PinResult {
            pin,
            channel: visit.channel,
            value,
            settled: visit.settled,
            decided,
            spoilt: visit.spoilt,
            used: visit.settling.recent().collect(),
            retries: self.retries.get(pin).copied().unwrap_or(0),
        }
    }
}

#[cfg(test)]
mod tests;
