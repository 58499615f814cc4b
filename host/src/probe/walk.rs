//! The walk over the pins: which one is to be touched, what a touch counts for, what to say.

mod alive;
mod deeds;
mod taking;

use std::time::Duration;

use protocol::Channel;

use super::{Action, Expects, Fit, How, Known, tip::Tip};
use crate::{
    meter::{Decoder, NoValue, Number, Profile},
    moment::Moment,
    readings::{PinValue, Unread},
    sweep::{Guard, PinResult, Stream, Timing},
    units::Volts,
};

/// What a walk needs to know.
#[derive(Debug, Clone)]
pub struct Setting {
    /// Pins in the order in which they are touched, by index.
    pub order: Vec<usize>,
    /// Channel that the wiring gives each pin. By hand nothing is closed; results are named by it all the same, so
    /// that they look like those of a jig.
    pub channels: Vec<Channel>,
    /// Which pins are ground, by index.
    pub grounds: Vec<usize>,
    /// What each pin should read.
    pub expects: Expects,
    /// The meter's time.
    pub timing: Timing,
    /// The most that the meter can drive, where it is known.
    pub compliance: Option<Volts>,
    /// Voltage of the meter's open leads, where its display can show it.
    pub open_leads: Option<Volts>,
}

/// Where the walk stands.
#[derive(Debug, Clone, PartialEq)]
pub enum State {
    /// A pin is to be touched.
    Asking {
        /// The pin, by its index.
        pin: usize,
        /// Since when nothing has been felt there.
        since: Moment,
        /// Touches that differed.
        seen: Vec<PinResult>,
        /// The probe has been proven since the pin first showed nothing.
        proven: bool,
    },
    /// A known pin is to be touched, since this pin shows nothing.
    Proving {
        /// The pin, by its index.
        pin: usize,
        /// Where to touch.
        known: Known,
        /// Since when nothing has been felt there.
        since: Moment,
        /// Touches of the pin that differed.
        seen: Vec<PinResult>,
    },
    /// The operator says that the probe is held on the pin and nothing shows: the meter must agree.
    Confirming {
        /// The pin, by its index.
        pin: usize,
        /// When the operator said so.
        since: Moment,
        /// Readings since then that show nothing.
        blanks: u16,
        /// Touches of the pin that differed.
        seen: Vec<PinResult>,
        /// The probe has been proven.
        proven: bool,
    },
    /// Nothing is taken.
    Paused(Box<Self>),
    /// Every pin is done.
    Done,
}

/// Walks over the pins of a connector.
#[derive(Debug)]
pub struct Walk {
    setting: Setting,
    profile: Profile,
    decoder: Decoder,
    tip: Tip,
    state: State,
    results: Vec<Option<PinResult>>,
    /// What was taken, in order, each with what it replaced.
    taken: Vec<(usize, Option<PinResult>)>,
    /// Pins that were asked for once more because a neighbour turned out to read the same.
    doubted: Vec<usize>,
    guard: Option<Guard>,
    shown: Option<Result<Number, NoValue>>,
    caution: u8,
    touches: u32,
    extra: u32,
}

/// A pin at which nothing is felt for so long shows nothing: by hand a pin takes 3 to 5 s (common practice), and who
/// lifted too early needs a second try.
const WAIT: Duration = Duration::from_secs(8);

/// Touches that must agree before a reading that differs counts, and before one that fits a neighbour far better does.
///
/// One touch in a hundred may land on the pin beside (an assumption; see docs/probe.md), and a single reading tells that
/// only where it fits the pin and not the neighbour. Where it fits both, the reading says nothing about where the tip was;
/// a second touch that agrees leaves one chance in ten thousand. So a reading that a neighbour has too, though good boards
/// tell the two apart, wants the first number of touches even if it is as expected.
const AGREEING: (usize, usize) = (2, 3);

/// Touches that are kept for a pin: more never come to agree.
const KEPT: usize = 12;

/// A damaged frame that is noticed tells of others that are not; for so many readings one more must agree.
const CAUTION: u8 = 100;

/// Two touches of one pin agree within this: the contact of a hand-held tip differs by some ohms at 1 mA.
const SAME_TOUCH: Volts = Volts::of(0.006);

impl Walk {
    /// Begins at the first pin.
    #[must_use]
    pub fn new(setting: Setting, profile: &Profile) -> Self {
        let state = setting.order.first().map_or(State::Done, |&pin| asking(pin, Moment::START));
        Self {
            decoder: Decoder::new(profile),
            profile: profile.clone(),
            tip: Tip::new(setting.timing, setting.open_leads, !setting.expects.has_reference()),
            state,
            results: vec![None; setting.channels.len()],
            taken: Vec::new(),
            doubted: Vec::new(),
            guard: None,
            shown: None,
            caution: 0,
            touches: 0,
            extra: 0,
            setting,
        }
    }

    /// What is to be said at the beginning, or after a resumption.
    #[must_use]
    pub fn greet(&self) -> Vec<Action> {
        self.ask_again()
    }

    /// Where the walk stands.
    #[must_use]
    pub const fn state(&self) -> &State {
        &self.state
    }

    /// The pin that is to be touched or decided; `None` when all are done.
    #[must_use]
    pub fn pin(&self) -> Option<usize> {
        pin_of(&self.state)
    }

    /// What was read at each pin, by index.
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

    /// What each pin should read.
    #[must_use]
    pub const fn expects(&self) -> &Expects {
        &self.setting.expects
    }

    /// The order of the pins.
    #[must_use]
    pub fn order(&self) -> &[usize] {
        &self.setting.order
    }

    /// What the meter showed last.
    #[must_use]
    pub const fn shown(&self) -> Option<Result<Number, NoValue>> {
        self.shown
    }

    /// How a reading of a pin stands to what is expected there.
    #[must_use]
    pub fn how(&self, pin: usize, value: PinValue) -> How {
        match (value, self.setting.expects.fit(pin, value)) {
            (PinValue::Unread(_), _) => How::Skipped,
            (_, Fit::Fits) => How::Fits,
            (_, Fit::Differs) => How::Differs,
            (_, Fit::Unknown) => How::Unjudged,
        }
    }

    /// The meter's rhythm.
    #[must_use]
    pub const fn stream(&self) -> &Stream {
        self.tip.stream()
    }

    /// Touches that were taken or differed, and how many of them were asked for beyond the first of a pin.
    #[must_use]
    pub const fn touches(&self) -> (u32, u32) {
        (self.touches, self.extra)
    }

    /// When [`tick`](Self::tick) should be called at the latest; nothing is lost if it comes later.
    #[must_use]
    pub fn deadline(&self) -> Option<Moment> {
        match &self.state {
            State::Asking { pin, since, proven: false, seen } => {
                (!seen.is_empty() || !self.setting.expects.is_open(*pin)).then(|| since.after(WAIT))
            }
            // The operator knows what to do, and may have been called away.
            State::Asking { since, proven: true, .. } => Some(since.after(WAIT * 2)),
            State::Proving { since, .. } => Some(since.after(WAIT)),
            _ => None,
        }
    }

    /// The meter was asked for a reading.
    pub fn asked_meter(&mut self, now: Moment) {
        self.tip.asked(now);
    }

    /// Time has passed.
    pub fn tick(&mut self, now: Moment) -> Vec<Action> {
        let mut actions = Vec::new();
        while let Some(due) = self.deadline().filter(|&due| due <= now) {
            match std::mem::replace(&mut self.state, State::Done) {
                State::Asking { pin, seen, proven: true, .. } => {
                    self.state = State::Asking { pin, since: due, seen, proven: true };
                    actions.push(Action::Proven { pin });
                }
                State::Asking { pin, .. } if self.setting.expects.is_open(pin) => {
                    self.state = asking(pin, due);
                    actions.extend(self.ask_again());
                }
                State::Asking { pin, mut seen, .. } => {
                    // Numbers at a pin that shows nothing for long were slips, and slips may agree.
                    seen.retain(|seen| seen.value == PinValue::Overload);
                    actions.push(self.prove(pin, seen, due));
                }
                State::Proving { pin, known, seen, .. } => {
                    self.state = State::Proving { pin, known, since: due, seen };
                    actions.push(Action::Dead { known });
                }
                other => self.state = other,
            }
        }
        actions
    }

    /// Bytes of the meter arrived.
    pub fn meter_bytes(&mut self, bytes: &[u8], now: Moment) -> Vec<Action> {
        let mut actions = self.tick(now);
        self.decoder.push(bytes, now);
        while let Some(frame) = self.decoder.pull() {
            match frame {
                Ok(frame) => {
                    self.caution = self.caution.saturating_sub(1);
                    self.reading(&frame, &mut actions);
                }
                Err(_) => {
                    self.caution = CAUTION;
                    self.tip.distrust();
                }
            }
        }
        actions
    }

    fn learn(&mut self) {
        let values = self.values();
        self.setting.expects.learn(&values);
    }

    fn place(&self, pin: usize) -> Option<usize> {
        self.setting.order.iter().position(|&other| other == pin)
    }

    fn ask_again(&self) -> Vec<Action> {
        vec![match self.pin() {
            Some(pin) => Action::Ask { pin, expected: self.setting.expects.of(pin).map(|pin| pin.value) },
            None => Action::Done,
        }]
    }

    fn result(&self, pin: usize, value: PinValue, seen: &[PinResult], at: Moment) -> PinResult {
        PinResult {
            pin,
            channel: self.setting.channels.get(pin).copied().unwrap_or(Channel(0)),
            value,
            settled: at,
            decided: at,
            spoilt: 0,
            used: Vec::new(),
            retries: u16::try_from(seen.len()).unwrap_or(u16::MAX),
        }
    }
}

const fn asking(pin: usize, since: Moment) -> State {
    State::Asking { pin, since, seen: Vec::new(), proven: false }
}

fn pin_of(state: &State) -> Option<usize> {
    match state {
        State::Asking { pin, .. } | State::Proving { pin, .. } | State::Confirming { pin, .. } => Some(*pin),
        State::Paused(inner) => pin_of(inner),
        State::Done => None,
    }
}

fn agree(a: PinValue, b: PinValue) -> bool {
    match (a.volts(), b.volts()) {
        (Some(a), Some(b)) => (a.get() - b.get()).abs() <= SAME_TOUCH.get(),
        _ => a == b,
    }
}

#[cfg(test)]
mod tests;
