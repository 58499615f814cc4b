//! How a simulated meter differs from a perfect one.

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
    /// Part of the frames that are lost.
    pub lost: f64,
    /// Part of the frames that are sent twice.
    pub doubled: f64,
    /// Part of the bytes in which one bit is flipped.
    pub flipped: f64,
    /// HOLD is pressed at this moment.
    pub hold_from: Option<Moment>,
    /// The meter falls silent at this moment, as with automatic power-off.
    pub silent_from: Option<Moment>,
    /// REL is on.
    pub relative: bool,
    /// The battery is low.
    pub low_battery: bool,
    /// What the rotary switch stands on.
    pub function: Function,
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
            lost: 0.0,
            doubled: 0.0,
            flipped: 0.0,
            hold_from: None,
            silent_from: None,
            relative: false,
            low_battery: false,
            function: Function::Diode,
        }
    }
}
