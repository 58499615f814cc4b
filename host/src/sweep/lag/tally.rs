//! Which reading was still one of the old input, and how many must be dropped so that none of them is believed.

use std::{collections::VecDeque, time::Duration};

use crate::{
    meter::{NoValue, Number, Reading, Stamped},
    moment::Moment,
    readings::PinValue,
    sweep::{
        Pacing, Stream, Timing,
        stream::{Belongs, MOST_SPOILT},
    },
};

/// The readings of a meter, paired in every way at once.
#[derive(Debug)]
pub(super) struct Tally {
    timing: Timing,
    /// One for every number of spoilt readings, from none on.
    rules: Vec<Stream>,
    /// Gaps between readings of a meter that streams.
    gaps: Vec<Duration>,
    last: Option<Moment>,
    change: Change,
}

/// The present change of channel.
#[derive(Debug, Clone, Copy, Default)]
struct Change {
    settled: Moment,
    /// Readings that must be dropped, by what has come so far.
    spoilt: u8,
    /// The first reading of those that were right up to now.
    right_since: Option<Moment>,
    right: u8,
}

/// What a steady channel shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Level {
    value: Result<Number, NoValue>,
    tolerance: f64,
}

impl Level {
    /// The level of these readings, if they agree.
    pub(super) fn of(readings: &VecDeque<Result<Number, NoValue>>, timing: &Timing) -> Option<Self> {
        let latest = *readings.back()?;
        let one_count = latest.map_or(0.0, Number::resolution);
        let level = Self { value: latest, tolerance: timing.tolerance.get().max(2.0 * one_count) };
        (latest != Err(NoValue::NotMeasured) && readings.iter().all(|&value| level.shows(value)))
            .then_some(level)
    }

    /// Whether a reading is one of this level.
    pub(super) fn shows(&self, value: Result<Number, NoValue>) -> bool {
        match (self.value, value) {
            (Ok(own), Ok(other)) => (own.to_f64() - other.to_f64()).abs() <= self.tolerance * (1.0 + 1e-9),
            (Err(_), Err(other)) => other != NoValue::NotMeasured,
            _ => false,
        }
    }

    /// Whether no reading can be one of both.
    pub(super) fn is_told_from(&self, other: Self) -> bool {
        match (self.value, other.value) {
            (Ok(own), Ok(value)) => (own.to_f64() - value.to_f64()).abs() > 4.0 * self.tolerance,
            (own, value) => own.is_ok() != value.is_ok(),
        }
    }

    pub(super) fn value(&self) -> PinValue {
        self.value.map_or(PinValue::Overload, |number| PinValue::Volts(number.to_volts()))
    }
}

impl Tally {
    pub(super) fn new(timing: Timing) -> Self {
        Self {
            timing,
            rules: (0..=MOST_SPOILT).map(|_| Stream::new(timing)).collect(),
            gaps: Vec::new(),
            last: None,
            change: Change::default(),
        }
    }

    /// The meter was asked for a reading.
    pub(super) fn asked(&mut self, now: Moment) {
        for rule in &mut self.rules {
            rule.asked(now);
        }
    }

    /// The rhythm of the meter.
    pub(super) fn stream(&self) -> &Stream {
        &self.rules[0]
    }

    /// The channel has changed and settled.
    pub(super) fn step(&mut self, settled: Moment) {
        self.change = Change { settled, ..Change::default() };
        for (spoilt, rule) in (0..=MOST_SPOILT).zip(&mut self.rules) {
            rule.step(settled, spoilt);
        }
    }

    /// Takes a reading; tells whether it is a new one. `level` is what the present channel shows, once that is known.
    pub(super) fn frame(&mut self, frame: &Stamped<Reading>, level: Option<&Level>) -> bool {
        let value = frame.item.value;
        let is_right = level.is_some_and(|level| level.shows(value));
        let at = frame.first_byte;
        let is_polled = self.timing.pacing == Pacing::Polled;
        let mut is_new = false;
        for (spoilt, rule) in (0..=MOST_SPOILT).zip(&mut self.rules) {
            let belongs = rule.frame(frame);
            is_new |= belongs != Belongs::Repeated;
            // Which of a polled meter's answers repeat the one before depends on when it was first asked; all of them
            // tell what the display shows.
            let is_believed = match belongs {
                Belongs::Repeated => is_polled && rule.is_late_enough(at),
                belongs => belongs == Belongs::Yes,
            };
            if is_believed && !is_right {
                // So many did not keep this one out.
                self.change.spoilt = self.change.spoilt.max(spoilt.saturating_add(1));
            }
        }
        if is_new {
            self.gaps.extend(self.last.replace(at).map(|last| at.since(last)));
        }
        if at < self.change.settled || !is_right {
            self.change.right_since = None;
            self.change.right = 0;
        } else {
            self.change.right_since.get_or_insert(at);
            self.change.right = self.change.right.saturating_add(u8::from(is_new));
        }
        is_new
    }

    /// Readings to drop and the delay, once the new level has stayed: a meter that is polled faster than it converts
    /// shows each conversion several times, so time counts as well.
    pub(super) fn outcome(&self, now: Moment) -> Option<(u8, Duration)> {
        let since = self.change.right_since?;
        let has_stayed =
            self.change.right >= STAYED && now.since(since) >= self.timing.period * u32::from(STAYED - 1);
        has_stayed.then(|| (self.change.spoilt, since.since(self.change.settled)))
    }

    /// Time since the present channel settled.
    pub(super) fn waited(&self, now: Moment) -> Duration {
        now.since(self.change.settled)
    }

    /// How far the usual gaps lie from the middle one.
    pub(super) fn unevenness(&self) -> Duration {
        let period = self.stream().period();
        let usual = self.gaps.iter().filter(|gap| **gap > period / 2 && **gap < period * 3 / 2);
        usual.map(|gap| gap.abs_diff(period)).max().unwrap_or(Duration::ZERO)
    }
}

/// Right readings in a row that end a change.
const STAYED: u8 = 3;
