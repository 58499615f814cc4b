//! Pairs readings with pins from what was heard and sent, and from nothing else.
//!
//! A live sweep and a replay run this same code on the same inputs, so they give the same pin readings. The
//! observer never asks for anything: it says what it has seen, and the conductor acts on it.

mod results;
mod visit;

use std::time::Duration;

use protocol::{Answer, BoardMessage, Channel, Event, Fault, Pace, Request, RequestFrame};

use super::{
    Device, Plan, Step, Stream, Target, Timing,
    alive::AliveSign,
    check::{CheckChannel, CheckVerdict, Look},
    guard::Guard,
    stream::Belongs,
    suspicion::Suspicion,
};
use crate::{
    jig::Clock,
    meter::{Decoder, Profile, Reading, Stamped},
    moment::Moment,
    readings::PinValue,
    units::Volts,
};

pub use results::PinResult;
use results::Results;
use visit::OpenVisit;

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
    decoder: Decoder,
    stream: Stream,
    clock: Clock,
    /// The latest request, and when it was sent if its answer cannot be older.
    sent: Option<(u16, Option<Moment>)>,
    /// When that was.
    sent_at: Option<Moment>,
    /// When a request was sent that the switching board has answered: no channel had opened by itself by then, or it
    /// would have said so before.
    sound_at: Option<Moment>,
    /// The pin that was decided last, and when its last reading had come.
    latest: Option<(usize, Moment)>,
    /// Whether a request that moves the switch is on its way: until its answer comes, whatever is said of a closed
    /// channel is older than the request.
    is_moving: bool,
    dwell: Option<Duration>,
    visit: Option<OpenVisit>,
    check: CheckChannel,
    suspicion: Suspicion,
    results: Results,
    /// Readings to come that must agree with one more, since the line has damaged a frame of late.
    caution: u8,
}

/// A damaged frame that is noticed tells of others that are not: a flipped bit can make another number. For so many
/// readings one more must agree.
const CAUTION: u8 = 100;

/// What the observer has seen.
#[derive(Debug, Clone, PartialEq)]
pub enum Observation {
    /// This channel is closed and settled: its visit begins.
    Began(Target, Channel),
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
    /// Every channel had opened by the time this pin was decided, or may have: open leads are no reading of it.
    TakenBack {
        /// The pin, by its index.
        pin: usize,
    },
    /// A channel closed that is not in the plan.
    Unplanned(Channel),
}

impl Observer {
    /// An observer that has heard nothing yet.
    #[must_use]
    pub fn new(setting: Setting, profile: &Profile) -> Self {
        Self {
            decoder: Decoder::new(profile),
            stream: Stream::new(setting.timing),
            clock: Clock::default(),
            sent: None,
            sent_at: None,
            sound_at: None,
            latest: None,
            is_moving: false,
            dwell: None,
            visit: None,
            check: CheckChannel::new(
                setting.check_expected,
                u16::from(setting.timing.spoilt) + u16::from(setting.timing.agree),
            ),
            suspicion: Suspicion::new(setting.plan.visits.iter().any(|visit| visit.target == Target::Check)),
            results: Results::new(setting.pins),
            caution: 0,
            setting,
        }
    }

    /// A request went out to the switching board.
    pub fn sent_to_jig(&mut self, frame: &RequestFrame, now: Moment) {
        // A step that is asked for again is answered with the time of the first answer.
        let is_fresh = !matches!(frame.request, Request::Advance { .. });
        self.sent = Some((frame.seq, is_fresh.then_some(now)));
        self.sent_at = Some(now);
        self.is_moving |= matches!(
            frame.request,
            Request::Start { .. }
                | Request::Select { .. }
                | Request::Advance { .. }
                | Request::OpenAll
                | Request::Greet { .. }
        );
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
    ///
    /// Without its switching board the leads are open, and whoever pulled its cable did so before the system told: what
    /// was decided since it was heard of last is taken back.
    pub fn lost(&mut self, device: Device) -> Vec<Observation> {
        let mut seen = Vec::new();
        match device {
            Device::Meter => {
                self.gap();
                self.stream = Stream::new(self.stream.timing());
            }
            // Its clock may have started again when it comes back.
            Device::Jig => {
                self.stream.interrupt();
                self.visit = None;
                (self.clock, self.is_moving) = (Clock::default(), false);
                seen.extend(self.take_back(self.sound_at));
            }
        }
        seen
    }

    /// Something that was heard or sent is missing here: lines of a log were lost. The visit at hand gives nothing,
    /// since nobody knows any more what its readings were.
    pub fn gap(&mut self) {
        self.decoder.interrupt();
        self.stream.interrupt();
        (self.visit, self.latest) = (None, None);
    }

    /// The meter was asked for a reading.
    pub fn asked_meter(&mut self, now: Moment) {
        self.stream.asked(now);
    }

    /// A message of the switching board arrived.
    pub fn jig_message(&mut self, message: &BoardMessage, now: Moment) -> Vec<Observation> {
        match message {
            BoardMessage::Answer { seq, at_us, answer } => {
                let asked = self.sent.filter(|(sent, _)| sent == seq);
                let sound_at = self.sound_at;
                match asked {
                    Some((_, Some(sent))) => self.clock.answer(sent, *at_us, now),
                    Some((_, None)) => self.clock.event(*at_us, now),
                    None => {}
                }
                if asked.is_some() {
                    self.is_moving = false;
                    if !matches!(answer, Answer::Refused(_)) {
                        self.sound_at = self.sent_at;
                    }
                }
                match answer {
                    Answer::Settled { channel, .. } if asked.is_some() => self.begin(*channel, *at_us, now),
                    // A late answer to a request that was made again, or that another has taken the place of: the
                    // switch moves, or has moved, on from there.
                    Answer::Settled { .. } => Vec::new(),
                    Answer::Opened | Answer::PlanEnded | Answer::Refused(_) => {
                        self.leave(now);
                        // It has started again, and said nothing when its channels opened.
                        let is_new = *answer == Answer::Refused(Fault::NotGreeted);
                        is_new.then(|| self.take_back(sound_at)).flatten().into_iter().collect()
                    }
                    // The same, where something else has told of it first.
                    Answer::Greeting(_) => self.take_back(sound_at).into_iter().collect(),
                    _ => Vec::new(),
                }
            }
            BoardMessage::Event { at_us, event } => {
                self.clock.event(*at_us, now);
                match event {
                    Event::Settled { .. } if self.is_moving => Vec::new(),
                    Event::Settled { channel, .. } => {
                        self.leave(now);
                        self.begin(*channel, *at_us, now)
                    }
                    Event::Opened { .. } => {
                        self.leave(now);
                        let opened = self.clock.earliest(*at_us).or(self.sound_at);
                        self.take_back(opened).into_iter().collect()
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
        let belongs = self.stream.frame(frame);
        for guard in Guard::all(&frame.item) {
            seen.push(Observation::Guard(guard));
            if guard.blocks() {
                return seen;
            }
        }
        let timing = self.timing();
        let Some(visit) = self.visit.as_mut().filter(|visit| visit.is_open_at(frame.last_byte)) else {
            return seen;
        };
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
        let timing = visit.timing(timing, self.caution > 0);
        if let Step::Decided(value) = visit.settling.take(frame.item.value, frame.first_byte, &timing) {
            visit.is_decided = true;
            self.decided(value, &timing, frame.last_byte, &mut seen);
        }
        seen
    }

    /// The visit at hand has come to a value; a display that does not move takes it back.
    fn decided(&mut self, value: PinValue, timing: &Timing, at: Moment, seen: &mut Vec<Observation>) {
        let Some(visit) = &self.visit else { return };
        let is_sound = self.caution == 0;
        let suspected = self.suspicion.ended(visit.target, visit.channel, &visit.settling, timing, is_sound);
        let told = seen.len();
        self.decide(value, visit.look(timing), at, seen);
        if let Some(guard) = suspected {
            if guard.blocks() {
                seen.truncate(told);
                self.results.void(&self.suspicion.still_pins());
            }
            seen.push(Observation::Guard(guard));
        }
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
        let mut told =
            self.results.all().iter().flatten().filter(|result| self.check.is_told_from(result.value));
        told.next().filter(|_| self.check.has_unproven()).map(|result| result.pin)
    }

    /// Whether the check channel should be visited before the next pin: the display has not moved for some time.
    #[must_use]
    pub fn wants_check(&self) -> bool {
        self.suspicion.wants_check()
    }

    /// Whether the display has not moved up to the check channel.
    #[must_use]
    pub fn is_still(&self) -> bool {
        self.suspicion.is_still()
    }

    /// What was read at each pin, by index; `None` where no visit has ended yet.
    #[must_use]
    pub fn results(&self) -> &[Option<PinResult>] {
        self.results.all()
    }

    /// The value of each pin, by index: `Unread` where there is none.
    #[must_use]
    pub fn values(&self) -> Vec<PinValue> {
        self.results.values()
    }

    fn begin(&mut self, channel: Channel, at_us: u64, now: Moment) -> Vec<Observation> {
        let Some(target) = self.setting.plan.target_of(channel) else {
            return vec![Observation::Unplanned(channel)];
        };
        // Never later than the message that tells of it, never earlier than the clocks allow.
        let settled = self.clock.latest(at_us).map_or(now, |latest| latest.min(now));
        let ends = self.dwell.and_then(|dwell| self.clock.earliest(at_us).map(|start| start.after(dwell)));
        let are_pins_read = self.results.count() >= self.setting.plan.pins();
        let closing = match target {
            Target::Check if are_pins_read => self.check.closing_readings(),
            Target::Check | Target::Pin(_) => None,
        };
        let visit = OpenVisit::new(target, channel, settled, ends, closing);
        self.stream.step(settled, visit.spoils(&self.timing()));
        self.suspicion.began();
        self.visit = Some(visit);
        vec![Observation::Began(target, channel)]
    }

    /// The channel is about to open: what has not been decided by now stays undecided.
    fn leave(&mut self, now: Moment) {
        let Some(visit) = self.visit.take() else { return };
        if visit.is_decided {
            return;
        }
        if let Target::Pin(pin) = visit.target {
            let value = visit.settling.given_up();
            self.results.give_up(visit.result(pin, value, now, self.results.retries(pin)));
        }
    }

    /// Every channel may have opened from `opened` on: what was decided since is no reading of a pin.
    fn take_back(&mut self, opened: Option<Moment>) -> Option<Observation> {
        let (pin, decided) = self.latest?;
        if opened.is_some_and(|opened| decided < opened) {
            return None;
        }
        self.latest = None;
        self.results.void(&[pin]);
        Some(Observation::TakenBack { pin })
    }

    fn decide(&mut self, value: PinValue, look: Look, at: Moment, seen: &mut Vec<Observation>) {
        let Some(visit) = &self.visit else { return };
        match visit.target {
            Target::Pin(pin) => {
                if let Some(sign) = visit.alive(pin, value, &self.setting) {
                    seen.push(Observation::Alive { pin, sign });
                }
                if let Some(known) = self.results.read(pin) {
                    // Visited once more for the check channel's sake: what was read first stands.
                    self.check.pin_again(value);
                    seen.push(Observation::Decided(known.clone()));
                    return;
                }
                let result = visit.result(pin, value, at, self.results.retries(pin));
                self.check.pin(pin, value);
                self.latest = Some((pin, at));
                seen.push(Observation::Decided(result.clone()));
                self.results.decide(result);
            }
            Target::Check => match self.check.judge(value, look) {
                CheckVerdict::Good => seen.push(Observation::Checked),
                CheckVerdict::Bad { expected, voided } => {
                    self.results.void(&voided);
                    self.stream.distrust();
                    seen.push(Observation::CheckFailed { expected, seen: value, voided });
                }
            },
        }
    }
}

#[cfg(test)]
mod tests;
