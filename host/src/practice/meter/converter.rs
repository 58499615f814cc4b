//! An integrating converter: the mean over a window, then averaging and lag.

use std::{collections::VecDeque, time::Duration};

use super::{Hum, MeterOptions};
use crate::{
    meter::{Profile, Talk},
    moment::Moment,
    practice::random::Random,
    units::Volts,
};

/// What one conversion gives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Conversion {
    Volts(Volts),
    Overload { minus: bool },
}

#[derive(Debug)]
pub(super) struct Converter {
    period: Duration,
    jitter: f64,
    noise: f64,
    hum: Option<Hum>,
    averaging: usize,
    lag: usize,
    limit: f64,
    running: Option<Window>,
    /// Newest last.
    past: VecDeque<Conversion>,
    on_demand: bool,
}

/// A running conversion.
#[derive(Debug, Clone, Copy)]
struct Window {
    begin: Moment,
    length: Duration,
    samples: u32,
    sum: f64,
}

impl Converter {
    /// Points at which the input is looked at during a conversion: enough that a step at any time shows in
    /// proportion, few enough for a million pins.
    const SAMPLES: u32 = 8;
    /// The input saturates at this multiple of the overload limit. An assumption: converters clip somewhat above
    /// full scale.
    const CLIP: f64 = 1.5;

    pub(super) fn new(profile: &Profile, options: &MeterOptions) -> Self {
        Self {
            period: Duration::from_secs_f64(options.readings_per_second.max(0.01).recip()),
            jitter: options.jitter,
            noise: options.noise.get(),
            hum: options.hum,
            averaging: options.averaging.max(1) as usize,
            lag: options.lag as usize,
            limit: profile.diode.overload_above.get(),
            running: None,
            past: VecDeque::new(),
            on_demand: matches!(profile.talk, Talk::Triggered { .. }),
        }
    }

    /// Chooses the range: above it there is an overload.
    pub(super) const fn set_limit(&mut self, volts: f64) {
        self.limit = volts;
    }

    pub(super) fn begin(&mut self, now: Moment, random: &mut Random) {
        // A conversion never gets shorter than half its time, whatever the jitter.
        let stretch = (1.0 + deviate(self.jitter, random)).clamp(0.5, 2.0);
        self.running =
            Some(Window { begin: now, length: self.period.mul_f64(stretch), samples: 0, sum: 0.0 });
    }

    /// Whether the next reply has to wait for a conversion that was asked for.
    pub(super) const fn busy_for_reply(&self) -> bool {
        self.on_demand && self.running.is_some()
    }

    pub(super) fn end(&self) -> Option<Moment> {
        self.running.map(|window| window.begin.after(window.length))
    }

    pub(super) fn next_sample(&self) -> Option<Moment> {
        let window = self.running.filter(|window| window.samples < Self::SAMPLES)?;
        let middle = (f64::from(window.samples) + 0.5) / f64::from(Self::SAMPLES);
        Some(window.begin.after(window.length.mul_f64(middle)))
    }

    pub(super) fn sample(&mut self, input: Volts) {
        if let Some(window) = &mut self.running {
            let clip = self.limit * Self::CLIP;
            window.samples += 1;
            window.sum += input.get().clamp(-clip, clip);
        }
    }

    pub(super) fn finish(&mut self, random: &mut Random) -> Conversion {
        let mean = self.running.take().map_or(0.0, |window| {
            let hum = self.hum.map_or(0.0, |hum| hum.mean(window.begin, window.length).get());
            window.sum / f64::from(window.samples.max(1)) + hum
        });
        let volts = Volts::of(mean + deviate(self.noise, random));
        self.past.push_back(if volts.get().abs() > self.limit {
            Conversion::Overload { minus: volts.get() < 0.0 }
        } else {
            Conversion::Volts(volts)
        });
        while self.past.len() > self.averaging + self.lag {
            self.past.pop_front();
        }
        self.averaged()
    }

    /// The mean of the conversions that the display shows by now; overload if one of them is.
    fn averaged(&self) -> Conversion {
        let behind = self.lag.min(self.past.len().saturating_sub(1));
        let shown = self.past.len() - behind;
        let first = shown.saturating_sub(self.averaging);
        let mut sum = 0.0;
        for conversion in self.past.range(first..shown) {
            match conversion {
                Conversion::Volts(volts) => sum += volts.get(),
                Conversion::Overload { minus } => return Conversion::Overload { minus: *minus },
            }
        }
        Conversion::Volts(Volts::of(sum / (shown - first).max(1) as f64))
    }
}

/// A normal deviate with this standard deviation; draws nothing where there is none, so that noise leaves the other numbers
/// of a seed as they were.
fn deviate(spread: f64, random: &mut Random) -> f64 {
    if spread > 0.0 { spread * random.normal() } else { 0.0 }
}
