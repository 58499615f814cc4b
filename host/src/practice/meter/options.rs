//! How a simulated meter differs from a perfect one.

use std::time::Duration;

use crate::{
    meter::{Function, Profile},
    moment::Moment,
    units::Volts,
};

/// Habits and troubles of a simulated meter. [`MeterOptions::of`] gives those of a healthy one.
#[derive(Debug, Clone, PartialEq)]
pub struct MeterOptions {
    /// Conversions a second; the profile's unless changed.
    pub readings_per_second: f64,
    /// Standard deviation of a conversion's length, as a part of it.
    pub jitter: f64,
    /// Conversions that are averaged into one reading, from 1.
    pub averaging: u32,
    /// Conversions by which the display stays behind.
    pub lag: u32,
    /// Standard deviation of the noise of a conversion.
    pub noise: Volts,
    /// Mains hum that the leads pick up.
    pub hum: Option<Hum>,
    /// Steps of the display, where they are wider than the profile's.
    pub steps: Option<Volts>,
    /// What it shows over what is there: 1 unless its reference has drifted.
    pub scale: f64,
    /// Part of the frames that are lost.
    pub lost: f64,
    /// Part of the frames that are sent twice.
    pub doubled: f64,
    /// Part of the bytes in which one bit is flipped.
    pub flipped: f64,
    /// HOLD is pressed at this moment: the display freezes, and shows the sign where the format has one.
    pub hold_from: Option<Moment>,
    /// HOLD is pressed again at this moment: the display goes on.
    pub hold_until: Option<Moment>,
    /// The meter falls silent at this moment, as with automatic power-off.
    pub silent_from: Option<Moment>,
    /// REL is on.
    pub relative: bool,
    /// MAX/MIN is on.
    pub extreme: bool,
    /// The sign of automatic power-off is lit.
    pub auto_power_off: bool,
    /// The battery is low.
    pub low_battery: bool,
    /// What the rotary switch stands on.
    pub function: Function,
}

/// Mains hum at the leads of a meter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hum {
    /// From zero to peak.
    pub amplitude: Volts,
    /// Frequency of the mains, in hertz.
    pub hertz: f64,
}

impl Hum {
    /// What is left of it in the mean over a window: nothing where whole cycles fit in, as in every meter made for
    /// the mains it stands on; a sine over a part of a cycle otherwise.
    #[must_use]
    pub fn mean(self, begin: Moment, length: Duration) -> Volts {
        let turn = std::f64::consts::TAU * self.hertz;
        let (begin, length) = (begin.as_micros() as f64 * 1e-6, length.as_secs_f64());
        if turn * length <= 0.0 {
            return Volts::ZERO;
        }
        let mean = ((turn * begin).cos() - (turn * (begin + length)).cos()) / (turn * length);
        Volts::of(self.amplitude.get() * mean)
    }
}

impl MeterOptions {
    /// A healthy meter in diode test that spoils as many readings after a step as its profile says.
    #[must_use]
    pub fn of(profile: &Profile) -> Self {
        Self {
            readings_per_second: profile.timing.readings_per_second,
            jitter: 0.0,
            // One running conversion is always spoilt; each further one by averaging.
            averaging: profile.timing.spoilt.max(1),
            lag: 0,
            noise: Volts::ZERO,
            scale: 1.0,
            hum: None,
            steps: None,
            lost: 0.0,
            doubled: 0.0,
            flipped: 0.0,
            hold_from: None,
            hold_until: None,
            silent_from: None,
            relative: false,
            extreme: false,
            auto_power_off: false,
            low_battery: false,
            function: Function::Diode,
        }
    }

    /// Whether the display is frozen.
    #[must_use]
    pub fn is_held(&self, now: Moment) -> bool {
        self.hold_from.is_some_and(|from| now >= from) && self.hold_until.is_none_or(|until| now < until)
    }
}
