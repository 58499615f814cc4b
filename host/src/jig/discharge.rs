//! Before the meter is connected: is there a voltage on the board, and does it go away?
//!
//! The order of docs/facts.md 2.5: sense every pin through the sense input's resistance with the meter unplugged,
//! refuse what is above 50 mV, bleed, sense again, and only then connect the meter. Sans-IO: says what to ask the switching
//! board next, takes its answers.

use protocol::{Answer, Channel, Request};

use super::bleeding::{Bleeding, HOLD_US, LIMIT, Outlook, is_safe};
use crate::units::Volts;

/// From closing to sensing: a contact rings for 3 ms at most, and 100 kΩ with some nanofarads of cable settle in 1 ms.
const SETTLE_US: u32 = 5_000;

/// Walks over the channels.
#[derive(Debug, Clone)]
pub struct Discharge {
    todo: Vec<Stop>,
    at: usize,
    phase: Phase,
    /// The channel at hand.
    bleeding: Bleeding,
    measured: Vec<Measured>,
    has_bleed: bool,
}

/// A channel to look at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stop {
    /// The channel.
    pub channel: Channel,
    /// It leads to a power pin: it is bled whatever it shows.
    pub is_power: bool,
}

/// What was sensed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// The channel; none for the common line with every channel open.
    pub channel: Option<Channel>,
    /// Its voltage above board ground.
    pub volts: Volts,
    /// Whether the meter may be connected to it.
    pub safe: bool,
}

/// What to do next.
#[derive(Debug, Clone, PartialEq)]
pub enum Next {
    /// Ask this.
    Ask(Request),
    /// Every channel is safe.
    Safe,
}

/// Why the meter must not be connected.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Unsafe {
    /// More than may be bled.
    #[error(
        "channel {channel} has {volts} V against board ground: expected {LIMIT} V at most before the meter is connected"
    )]
    TooMuch {
        /// The channel.
        channel: Channel,
        /// What is there.
        volts: Volts,
    },
    /// It does not go away.
    #[error(
        "channel {channel} has {volts} V against board ground, and bleeding does not empty it: the board is powered"
    )]
    Fed {
        /// The channel.
        channel: Channel,
        /// What is there after the last bleed.
        volts: Volts,
    },
    /// It goes away too slowly, or there is nothing to bleed it with.
    #[error("channel {channel} still has {volts} V against board ground after {bleeds} times of bleeding")]
    Charged {
        /// The channel.
        channel: Channel,
        /// What is there.
        volts: Volts,
        /// How often it was bled.
        bleeds: u32,
    },
    /// The common line has a voltage with every channel open.
    #[error("the common line has {volts} V with every channel open: expected the meter to be unplugged")]
    CommonLine {
        /// What is there.
        volts: Volts,
    },
    /// The switching board answered something else.
    #[error("the switching board did not do as asked before the meter is connected: {answer}")]
    Odd {
        /// What it said.
        answer: String,
    },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    /// The common line, with every channel open.
    Common,
    Select,
    Sense,
    Bleed,
    Done,
}

impl Unsafe {
    /// The channel that it is about.
    #[must_use]
    pub const fn channel(&self) -> Option<Channel> {
        match self {
            Self::TooMuch { channel, .. } | Self::Fed { channel, .. } | Self::Charged { channel, .. } => {
                Some(*channel)
            }
            Self::CommonLine { .. } | Self::Odd { .. } => None,
        }
    }

    /// Whether it tells of the board at this channel, so that somebody who knows the board may go on; what tells of the
    /// jig leaves the rest unmeasured.
    #[must_use]
    pub const fn is_of_the_board(&self) -> bool {
        match self {
            Self::TooMuch { .. } | Self::Fed { .. } | Self::Charged { .. } => true,
            Self::CommonLine { .. } | Self::Odd { .. } => false,
        }
    }

    /// What to do next.
    #[must_use]
    pub const fn hint(&self) -> &'static str {
        match self {
            Self::TooMuch { .. } => {
                "disconnect battery and power, discharge the board through a resistor, measure with DC volts, then begin again"
            }
            Self::Fed { .. } => "disconnect battery and power: nothing may be connected to this board before",
            Self::Charged { .. } => {
                "discharge it through a resistor by hand, measure with DC volts, then begin again"
            }
            Self::CommonLine { .. } => {
                "take both plugs of the meter out of the jig; if they are, run `pintally jig self-test`"
            }
            Self::Odd { .. } => "take the board off and run `pintally jig self-test`",
        }
    }
}

impl Discharge {
    /// Begins at the common line, then goes over these channels, power pins first.
    #[must_use]
    pub fn new(mut stops: Vec<Stop>, has_bleed: bool) -> Self {
        stops.sort_by_key(|stop| !stop.is_power);
        Self {
            todo: stops,
            at: 0,
            phase: Phase::Common,
            bleeding: Bleeding::default(),
            measured: Vec::new(),
            has_bleed,
        }
    }

    /// What to do now.
    #[must_use]
    pub fn next(&self) -> Next {
        let Some(stop) = self.todo.get(self.at).filter(|_| self.phase != Phase::Done) else {
            return Next::Safe;
        };
        let channel = stop.channel;
        Next::Ask(match self.phase {
            Phase::Select => Request::Select { channel, settle_us: SETTLE_US },
            Phase::Bleed => Request::Bleed { channel, hold_us: HOLD_US },
            Phase::Common | Phase::Sense | Phase::Done => Request::Sense,
        })
    }

    /// Takes the answer to what [`next`](Self::next) said.
    ///
    /// # Errors
    /// [`Unsafe`] if the meter must not be connected.
    pub fn answered(&mut self, answer: &Answer) -> Result<(), Unsafe> {
        let Some(&stop) = self.todo.get(self.at) else { return Ok(()) };
        match (self.phase, answer) {
            (Phase::Common, Answer::SenseVoltage { millivolts }) => {
                let volts = self.note(None, *millivolts);
                if !is_safe(volts) {
                    return Err(Unsafe::CommonLine { volts });
                }
                self.phase = Phase::Select;
            }
            (Phase::Select, Answer::Settled { .. }) => self.phase = Phase::Sense,
            (Phase::Sense, Answer::SenseVoltage { millivolts }) => self.sensed(stop, *millivolts)?,
            (Phase::Bleed, Answer::Bled) => self.phase = Phase::Select,
            (_, other) => return Err(Unsafe::Odd { answer: format!("{other:?}") }),
        }
        Ok(())
    }

    /// Goes on to the next channel: the operator takes this one as it is.
    pub fn go_on(&mut self) {
        self.at += 1;
        self.bleeding = Bleeding::default();
        self.phase = if self.at < self.todo.len() { Phase::Select } else { Phase::Done };
    }

    /// Everything that was sensed, in order.
    #[must_use]
    pub fn measured(&self) -> &[Measured] {
        &self.measured
    }

    fn sensed(&mut self, stop: Stop, millivolts: i32) -> Result<(), Unsafe> {
        let channel = stop.channel;
        let volts = self.note(Some(channel), millivolts);
        match self.bleeding.measured(volts, self.has_bleed) {
            // A power pin is bled once whatever it shows: a sense input sees no less than some millivolts.
            Outlook::Safe if stop.is_power && self.has_bleed && self.bleeding.bleeds() == 0 => {
                self.phase = Phase::Bleed;
            }
            Outlook::Safe => self.go_on(),
            Outlook::Bleed => self.phase = Phase::Bleed,
            Outlook::TooMuch => return Err(Unsafe::TooMuch { channel, volts }),
            Outlook::Fed => return Err(Unsafe::Fed { channel, volts }),
            Outlook::Charged => {
                return Err(Unsafe::Charged { channel, volts, bleeds: self.bleeding.bleeds() });
            }
        }
        Ok(())
    }

    fn note(&mut self, channel: Option<Channel>, millivolts: i32) -> Volts {
        let volts = Volts::of(f64::from(millivolts) / 1e3);
        self.measured.push(Measured { channel, volts, safe: is_safe(volts) });
        volts
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::jig::bleeding::MOST_BLEEDS;

    const A: Channel = Channel(3);

    /// Walks over one channel whose voltage after so many bleeds is given, in mV.
    fn check(is_power: bool, has_bleed: bool, after: impl Fn(u32) -> i32) -> (Result<(), Unsafe>, u32) {
        let mut discharge = Discharge::new(vec![Stop { channel: A, is_power }], has_bleed);
        let (mut bleeds, mut closed) = (0, false);
        loop {
            let Next::Ask(request) = discharge.next() else { return (Ok(()), bleeds) };
            let answer = match request {
                Request::Sense => Answer::SenseVoltage { millivolts: if closed { after(bleeds) } else { 0 } },
                Request::Select { channel, .. } => {
                    closed = true;
                    Answer::Settled { step: None, channel }
                }
                Request::Bleed { .. } => {
                    closed = false;
                    bleeds += 1;
                    Answer::Bled
                }
                other => panic!("{other:?}"),
            };
            if let Err(error) = discharge.answered(&answer) {
                return (Err(error), bleeds);
            }
        }
    }

    #[test]
    fn a_dead_board_is_bled_at_its_power_pins_only() {
        assert_eq!(check(false, true, |_| 4), (Ok(()), 0));
        assert_eq!(check(true, true, |_| 4), (Ok(()), 1));
        assert_eq!(check(true, false, |_| 4), (Ok(()), 0));
    }

    #[test]
    fn a_charge_is_bled_until_it_is_gone() {
        // exp(−0.2 s/(330 Ω · 1000 µF)) = 0.545 a bleed: from 5 V to 50 mV in 8.
        assert_eq!(check(false, true, |n| (5000.0 * 0.545f64.powi(n as i32)) as i32), (Ok(()), 8));
        assert_eq!(check(true, true, |n| if n == 0 { 400 } else { 0 }), (Ok(()), 1));
    }

    #[test]
    fn a_live_rail_is_refused() {
        let (error, bleeds) = check(false, true, |_| 3300);
        assert_eq!(error, Err(Unsafe::Fed { channel: A, volts: Volts::of(3.3) }));
        assert_eq!(bleeds, 3);
        assert_eq!(
            check(true, true, |_| 12_000).0,
            Err(Unsafe::TooMuch { channel: A, volts: Volts::of(12.0) })
        );
        assert_eq!(check(false, true, |_| -51).0, Err(Unsafe::Fed { channel: A, volts: Volts::of(-0.051) }));
    }

    #[test]
    fn without_a_bleed_resistor_a_charge_is_refused() {
        let (error, bleeds) = check(false, false, |_| 400);
        assert_eq!(error, Err(Unsafe::Charged { channel: A, volts: Volts::of(0.4), bleeds: 0 }));
        assert_eq!(bleeds, 0);
        // What falls without end is given up, too.
        let slow = |n: u32| (5000.0 * 0.93f64.powi(n as i32)) as i32;
        assert_eq!(check(false, true, slow).1, MOST_BLEEDS);
    }

    /// Whoever goes on at a live pin has the rest measured all the same.
    #[test]
    fn the_walk_goes_on_behind_a_pin_that_is_taken_as_it_is() {
        let channels = [Channel(3), Channel(4), Channel(5)];
        let stops = channels.map(|channel| Stop { channel, is_power: false });
        let mut discharge = Discharge::new(stops.to_vec(), true);
        let (mut closed, mut taken) = (None, Vec::new());
        while let Next::Ask(request) = discharge.next() {
            let answer = match request {
                Request::Sense => {
                    let is_live = closed.is_some_and(|channel| channel != Channel(4));
                    Answer::SenseVoltage { millivolts: if is_live { 12_000 } else { 0 } }
                }
                Request::Select { channel, .. } => {
                    closed = Some(channel);
                    Answer::Settled { step: None, channel }
                }
                other => panic!("{other:?}"),
            };
            if let Err(error) = discharge.answered(&answer) {
                assert!(error.is_of_the_board());
                taken.extend(error.channel());
                discharge.go_on();
            }
        }
        assert_eq!(taken, [Channel(3), Channel(5)]);
        let measured: Vec<_> = discharge.measured().iter().filter_map(|measured| measured.channel).collect();
        assert_eq!(measured, channels);
    }

    #[test]
    fn a_meter_that_is_still_plugged_in_is_noticed() {
        let mut discharge = Discharge::new(vec![Stop { channel: A, is_power: false }], true);
        let error = discharge.answered(&Answer::SenseVoltage { millivolts: -2800 });
        let error = error.unwrap_err();
        assert_eq!(error, Unsafe::CommonLine { volts: Volts::of(-2.8) });
        assert!(!error.is_of_the_board(), "nobody may go on with that");
    }
}
