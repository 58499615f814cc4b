//! Whether any reading lands on a wrong pin: sweeps of random boards with meters that lag, jitter, lose, double
//! and damage frames, held against what hangs on the channels.
//!
//! The fixed seeds of the test suite and the long run (`cargo run --release -p tests --example pairing`) are the
//! same code.

use std::{ops::AddAssign, time::Duration};

use pintally::{
    connector::{Connector, Pin, PinName},
    meter::{DiodeSource, Profile, Talk},
    moment::Moment,
    practice::{meter::MeterOptions, random::Random},
    readings::PinValue,
    sweep::{Notice, Observer, Plan, Record, Recorder, Score, Setting, Swept, Timing, run},
    units::Volts,
};
use protocol::Channel;

use crate::rig::Rig;

/// Pins of one sweep: four groups of sixteen between check channels, the last one cut short.
pub const PINS: usize = 60;

/// What the check channel reads.
pub const CHECK: f64 = 0.47;

/// What is wrong with the meter or its line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Condition {
    /// Nothing; noise of a third of a count.
    Clean,
    /// Conversions whose length varies by 5 % (standard deviation).
    Jitter,
    /// Capacitors that charge at 0.1 to 2 V/s on a sixth of the pins.
    Ramps,
    /// One frame in 50 is lost.
    Lost,
    /// One frame in 20 comes twice.
    Doubled,
    /// One bit is flipped in one byte of 200.
    Flipped,
    /// One message in three between host and switching board, to and fro, is late by up to 0.6 s: some answers come
    /// when their request has been made again.
    Late,
    /// All of these at once.
    All,
    /// The meter lags by 1 to 4 conversions more than its profile says.
    Overlong,
}

impl Condition {
    /// Every condition.
    pub const ALL: [Self; 9] = [
        Self::Clean,
        Self::Jitter,
        Self::Ramps,
        Self::Lost,
        Self::Doubled,
        Self::Flipped,
        Self::Late,
        Self::All,
        Self::Overlong,
    ];

    /// Whether nothing was done to the meter or the board that a pin may be given up for.
    #[must_use]
    pub const fn is_harmless(self) -> bool {
        matches!(self, Self::Clean | Self::Jitter)
    }
}

/// One sweep to be tried.
#[derive(Debug, Clone)]
pub struct Trial {
    /// The meter.
    pub profile: Profile,
    /// Conversions by which the display stays behind; known to the profile but for [`Condition::Overlong`].
    pub lag: u32,
    /// What is wrong.
    pub condition: Condition,
    /// The board and everything random.
    pub seed: u64,
}

/// What came of trials.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Tally {
    /// Pins swept.
    pub pins: u64,
    /// Pins that got what hangs on their channel.
    pub right: u64,
    /// Among the right ones: pins whose neighbour before them reads alike, so that a wrong pairing would not show.
    pub alike: u64,
    /// Pins that got something else.
    pub wrong: u64,
    /// Pins that were given up on, or void.
    pub unread: u64,
    /// Visits that had to be repeated.
    pub retries: u64,
    /// Check channels that found a lag.
    pub checks_failed: u64,
    /// Suspicions about the meter that the operator was told, though it is a sound one.
    pub suspected: u64,
    /// Sweeps.
    pub sweeps: u64,
    /// Sweeps that did not reach their end.
    pub ended_early: u64,
}

impl AddAssign for Tally {
    fn add_assign(&mut self, other: Self) {
        self.pins += other.pins;
        self.right += other.right;
        self.alike += other.alike;
        self.wrong += other.wrong;
        self.unread += other.unread;
        self.retries += other.retries;
        self.checks_failed += other.checks_failed;
        self.suspected += other.suspected;
        self.sweeps += other.sweeps;
        self.ended_early += other.ended_early;
    }
}

/// A pin that got a reading of something else.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wrong {
    /// The pin, by its index.
    pub pin: usize,
    /// What an ideal meter would show.
    pub expected: PinValue,
    /// What the sweep says.
    pub found: PinValue,
    /// What the pin before it shows.
    pub before: PinValue,
}

/// What a message may be late by: more than the host waits for an answer.
const LATE: Duration = Duration::from_millis(600);

/// Pairs what goes into the session log, as a replay of it does.
struct Replay(Observer);

impl Recorder for Replay {
    fn record(&mut self, at: Moment, record: Record<'_>) {
        match record {
            Record::MeterBytes(bytes) => drop(self.0.meter_bytes(bytes, at)),
            Record::Jig(message) => drop(self.0.jig_message(message, at)),
            Record::SentToJig(request) => self.0.sent_to_jig(request, at),
            Record::SentToMeter { asks_for_reading: true, .. } => self.0.asked_meter(at),
            Record::LinkLost { device, .. } => drop(self.0.lost(device)),
            _ => {}
        }
    }
}

impl Trial {
    /// Sweeps once.
    ///
    /// # Panics
    /// If the sweep gives another number of values than there are pins.
    #[must_use]
    pub fn sweep(&self) -> (Tally, Vec<Wrong>) {
        let mut dice = Random::from_state(self.seed ^ 0x5157_4545_5021);
        let inputs = board(&self.profile, &mut dice);
        let (profile, options) = self.meter();
        let mut rig = Rig::new(&profile, options, inputs.clone(), self.seed);
        if matches!(self.condition, Condition::Ramps | Condition::All) {
            for (channel, input) in (0u8..).zip(&inputs[..PINS]) {
                if input.is_some() && dice.unit() < 1.0 / 6.0 {
                    // A capacitor charges in time: 0.1 to 2 V/s.
                    rig.ramps.insert(channel, (0.0, 0.1 + 1.9 * dice.unit()));
                }
            }
        }
        if matches!(self.condition, Condition::Late | Condition::All) {
            rig.trouble.late = Some(LATE);
        }
        let (swept, notices) = sweep(&mut rig, score(&profile, PINS, Some(Volts::of(CHECK))));
        assert_eq!(swept.values.len(), PINS);
        self.count(&swept, &notices, &inputs, &profile)
    }

    fn meter(&self) -> (Profile, MeterOptions) {
        let mut profile = self.profile.clone();
        let mut options = MeterOptions::of(&profile);
        let known = match self.condition {
            Condition::Overlong => 0,
            _ => self.lag,
        };
        options.lag = if self.condition == Condition::Overlong { self.lag.max(1) } else { self.lag };
        profile.timing.spoilt += known;
        options.noise = Volts::of(profile.diode.resolution.get() / 3.0);
        let is = |condition| self.condition == condition || self.condition == Condition::All;
        if is(Condition::Jitter) {
            options.jitter = 0.05;
        }
        if is(Condition::Lost) {
            options.lost = 0.02;
        }
        if is(Condition::Doubled) {
            options.doubled = 0.05;
        }
        if is(Condition::Flipped) {
            options.flipped = 0.005;
        }
        (profile, options)
    }

    fn count(
        &self,
        swept: &Swept,
        notices: &[Notice],
        inputs: &[Option<Volts>],
        profile: &Profile,
    ) -> (Tally, Vec<Wrong>) {
        let mut tally = Tally { sweeps: 1, pins: PINS as u64, ..Tally::default() };
        tally.ended_early = u64::from(swept.outcome.is_err());
        tally.checks_failed =
            notices.iter().filter(|notice| matches!(notice, Notice::CheckFailed { .. })).count() as u64;
        tally.suspected = notices.iter().filter(|notice| matches!(notice, Notice::Guard(_))).count() as u64;
        tally.retries = swept.results.iter().flatten().map(|result| u64::from(result.retries)).sum();
        let mut wrong = Vec::new();
        for (pin, &found) in swept.values.iter().enumerate() {
            let expected = shown(inputs[pin], profile);
            let before = shown(inputs[if pin % 16 == 0 { PINS } else { pin - 1 }], profile);
            match found {
                PinValue::Unread(_) => tally.unread += 1,
                _ if is_alike(found, expected, profile) => {
                    tally.right += 1;
                    tally.alike += u64::from(is_alike(before, expected, profile));
                }
                _ => {
                    tally.wrong += 1;
                    wrong.push(Wrong { pin, expected, found, before });
                }
            }
        }
        (tally, wrong)
    }
}

/// Random pins, then the check channel: opens, shorts, pins like the one before, and everything between.
fn board(profile: &Profile, dice: &mut Random) -> Vec<Option<Volts>> {
    // Up to nine tenths of what the display shows: noise must not make an overload of it.
    let most = 0.9 * profile.diode.overload_above.get().min(open_leads(profile).get());
    let mut inputs: Vec<Option<Volts>> = Vec::with_capacity(PINS + 1);
    for _ in 0..PINS {
        let kind = dice.unit();
        inputs.push(match inputs.last() {
            _ if kind < 0.10 => None,
            _ if kind < 0.20 => Some(Volts::ZERO),
            Some(&before) if kind < 0.30 => before,
            _ => Some(Volts::of(most * dice.unit())),
        });
    }
    inputs.push(Some(Volts::of(CHECK)));
    inputs
}

fn open_leads(profile: &Profile) -> Volts {
    match profile.diode.source {
        DiodeSource::ConstantCurrent { compliance, .. } => compliance,
        DiodeSource::BehindResistance { open_circuit, .. } => open_circuit,
    }
}

/// What an ideal meter would show. One whose display reaches beyond its own open-lead voltage shows that voltage
/// on an open pin.
#[must_use]
pub fn shown(input: Option<Volts>, profile: &Profile) -> PinValue {
    let input = input.unwrap_or(open_leads(profile));
    if input.get() > profile.diode.overload_above.get() {
        return PinValue::Overload;
    }
    let count = profile.diode.resolution.get();
    PinValue::Volts(Volts::of((input.get() / count).round() * count))
}

/// Within what agreeing readings may differ by, and a count of rounding.
fn is_alike(a: PinValue, b: PinValue, profile: &Profile) -> bool {
    match (a.volts(), b.volts()) {
        (Some(a), Some(b)) => {
            let count = profile.diode.resolution.get();
            (a.get() - b.get()).abs() <= profile.timing.tolerance.get().max(2.0 * count) + 1.1 * count
        }
        _ => a == b,
    }
}

/// The shipped profiles that can sweep: how the 16-character stream shows an overload stands in no document at
/// hand, so open leads cannot be read on it.
pub fn sweeping_profiles() -> impl Iterator<Item = Profile> {
    Profile::all_shipped().filter(|profile| profile.format.tells_overload())
}

/// Whether the meter waits to be asked.
#[must_use]
pub const fn is_asked(profile: &Profile) -> bool {
    !matches!(profile.talk, Talk::Streaming)
}

/// A connector whose pins lie on channels 0 to n, with the check channel after them.
///
/// # Panics
/// If there are more pins than channels.
#[must_use]
pub fn score(profile: &Profile, pins: usize, check: Option<Volts>) -> Score {
    let names: Vec<PinName> = (1..=pins).map(|n| PinName::new(&n.to_string())).collect();
    let connector =
        Connector { name: "J1".into(), pins: names.iter().map(|name| Pin::named(name.as_str())).collect() };
    let number = |pin: usize| Channel(u8::try_from(pin).expect("at most 255 channels"));
    let plan = Plan::new(&connector, |pin| Some(number(pin)), check.map(|_| number(pins)), &[]);
    Score {
        setting: Setting {
            plan,
            pins,
            grounds: Vec::new(),
            timing: Timing::of(profile),
            compliance: None,
            check_expected: check,
        },
        profile: profile.clone(),
        names,
        jig_port: "the jig".into(),
        meter_port: "the meter".into(),
        settle: Duration::from_millis(3),
        dwell: None,
        override_alive: false,
    }
}

/// Sweeps and keeps what the operator was told.
///
/// # Panics
/// If a replay of what was recorded pairs it otherwise.
pub fn sweep(devices: &mut dyn pintally::sweep::Devices, score: Score) -> (Swept, Vec<Notice>) {
    let mut notices = Vec::new();
    let mut replay = Replay(Observer::new(score.setting.clone(), &score.profile));
    let swept = run(devices, score, &mut replay, &mut |notice| notices.push(notice.clone()));
    assert_eq!(replay.0.results(), swept.results, "a replay pairs it otherwise");
    (swept, notices)
}
