//! What all pins of a board have in common: temperature, another meter's current, resistance of leads and clip.
//!
//! It is estimated over the whole board by methods that a few faults cannot move, and taken out before any single
//! pin is judged. A good reading under other conditions is
//!
//! `x = c + a·ΔT + n·Vt·ln ρ + (ρ − 1)·r + ρ·I·Rpath`
//!
//! with `c` the reference, `a` the pin's temperature slope, ρ the ratio of the test currents, `r` the part of the
//! drop that falls across resistance (all of it for a resistor), `n` the ideality factor.

use super::{
    evidence::{Expectation, temperature},
    layout::{Class, Layout},
};
use crate::statistics::{mad, median_of};

/// What all pins share, as numbers. Kelvin, a ratio, volts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Common {
    pub(super) warmer: f64,
    pub(super) ratio: f64,
    pub(super) path: f64,
    /// Deviation of this board's good pins over what the reference lets expect.
    pub(super) stretch: f64,
}

impl Default for Common {
    fn default() -> Self {
        Self { warmer: 0.0, ratio: 1.0, path: 0.0, stretch: 1.0 }
    }
}

/// One pin's value to expect today.
#[derive(Debug, Clone, Copy)]
pub(super) struct Today {
    pub(super) centre: f64,
    /// Standard deviation of one good reading around the centre, all doubts together.
    pub(super) deviation: f64,
    pub(super) freedom: f64,
    /// Logarithm of the normalisation of Student's density with this freedom.
    pub(super) norm: f64,
}

/// Thermal voltage at 25 °C.
pub(super) const THERMAL: f64 = 0.025_693;

/// Ideality factor of what hangs on a pin: integrated junctions lie between 1 and 2 (Sedra & Smith); published
/// models of discrete ones at 1.68 and 1.75 (1N4148, 1N914).
pub(super) const IDEALITY: f64 = 1.4;
const IDEALITY_DOUBT: f64 = 0.4;

/// Doubt about the resistive part of a junction pin's drop: up to a few hundred ohm stand in series with a signal,
/// hardly any with a rail. In volts at the reference's current.
const RESISTIVE_DOUBT: (f64, f64) = (0.006, 0.040);

/// Temperatures of a workshop and of boards just touched differ by a few kelvin.
const TEMPERATURE_DOUBT: f64 = 4.0;

/// Residuals this many times wider than the reference lets expect speak for another meter.
const SUSPICIOUS: f64 = 1.6;

/// Ratios of test currents that are looked through: 0.3 to 1.5 mA (METERS, section 2.1) both ways.
const RATIO: (f64, f64) = (0.15, 6.0);

/// A step of 2 % in current moves a junction by half a millivolt.
const RATIO_STEP: f64 = 1.04;

/// Another meter is reported where the ratio differs by more than a meter's own tolerance.
const SAME_METER: f64 = 0.05;

/// How many boards' worth of doubt stands behind the expectation of spread: with one known-good board the judged
/// board itself tells more.
const EVIDENCE: (f64, f64) = (6.0, 60.0);

/// Finds what all pins share. `values` holds a voltage where one was read.
pub(super) fn estimate(
    layout: &Layout,
    expected: &[Expectation],
    values: &[Option<f64>],
    known: Option<Common>,
) -> Common {
    let path = ground_path(layout, values);
    let start = known.unwrap_or_default();
    let mut common = Common { path, ..start };
    fit_temperature(layout, expected, values, &mut common, TEMPERATURE_DOUBT);
    let (spread, count) = standard_spread(layout, expected, values, &common);
    common.stretch = stretch(expected, spread, count);
    if known.is_none() && spread > SUSPICIOUS && count >= 6 {
        let other = other_meter(layout, expected, values, path);
        let (other_spread, _) = standard_spread(layout, expected, values, &other);
        // The other meter must explain the board clearly better, for its shape costs certainty on every pin.
        if other_spread < 0.75 * spread && (other.ratio - 1.0).abs() > SAME_METER {
            common = other;
            common.stretch = stretch(expected, other_spread, count);
        }
    }
    common
}

/// What a good board would read at a pin today.
pub(super) fn today(layout: &Layout, expected: &Expectation, pin: usize, common: &Common) -> Today {
    let class = layout.places[pin].class;
    let (shift, doubt) = shift(class, expected, common);
    let spread = if matches!(class, Class::Ground) { 1.0 } else { common.stretch };
    let centre_doubt = 1.0 / expected.count.max(1) as f64;
    // A slope is known to about 15 %, a temperature to a kelvin.
    let warm = 0.15 * expected.slope * common.warmer;
    let variance = (expected.deviation * spread).powi(2) * (1.0 + centre_doubt) + doubt * doubt + warm * warm;
    Today { centre: expected.centre + shift, deviation: variance.sqrt(), freedom: expected.freedom, norm: expected.norm }
}

/// How far conditions move a good reading, and the doubt about it.
pub(super) fn shift(class: Class, expected: &Expectation, common: &Common) -> (f64, f64) {
    let change = common.ratio - 1.0;
    match class {
        Class::Junction => {
            let log = common.ratio.ln();
            let doubt = if expected.centre > 0.65 { RESISTIVE_DOUBT.1 } else { RESISTIVE_DOUBT.0 };
            let moved = expected.slope * common.warmer
                + IDEALITY * THERMAL * log
                + change * expected.resistive
                + common.path;
            (moved, ((IDEALITY_DOUBT * THERMAL * log).powi(2) + (doubt * change).powi(2)).sqrt())
        }
        Class::Resistor => {
            let moved = expected.slope * common.warmer + change * expected.centre + common.path;
            // Above a volt junctions in series may stand where a resistor was taken for granted.
            let doubt = if expected.centre > 1.0 { 0.05 } else { 0.01 };
            (moved, (doubt * change * expected.centre).abs())
        }
        Class::Ground => (common.path, 0.0),
        Class::Open | Class::Unknown => (0.0, 0.0),
    }
}

/// Resistance common to all pins raises the ground pins alike; the middle of them is not moved by one bad joint.
fn ground_path(layout: &Layout, values: &[Option<f64>]) -> f64 {
    let grounds: Vec<f64> = (0..values.len())
        .filter(|&pin| layout.places[pin].class == Class::Ground)
        .filter_map(|pin| values[pin])
        .collect();
    if grounds.len() < 3 {
        return 0.0;
    }
    match median_of(grounds.iter().copied()) {
        // Below 3 mV it is contact and resolution, which every pin's spread holds already.
        Some(middle) if middle > 0.003 => middle,
        _ => 0.0,
    }
}

fn fit_temperature(
    layout: &Layout,
    expected: &[Expectation],
    values: &[Option<f64>],
    common: &mut Common,
    doubt: f64,
) {
    let flat = Common { warmer: 0.0, ..*common };
    let points = || {
        (0..values.len()).filter(|&pin| layout.places[pin].class == Class::Junction).filter_map(|pin| {
            let (moved, _) = shift(Class::Junction, &expected[pin], &flat);
            Some((&expected[pin], values[pin]? - expected[pin].centre - moved))
        })
    };
    let first = temperature(points().map(|(e, d)| (e.slope, d)));
    // One step of iterated weights (Student's with 3 degrees of freedom) from the robust start: faults keep their
    // small weight, good pins get theirs.
    let mut warmer = first;
    for _ in 0..3 {
        let (mut cross, mut square) = (0.0, 1.0 / (doubt * doubt));
        for (e, d) in points() {
            let z2 = ((d - e.slope * warmer) / e.deviation).powi(2);
            let weight = 4.0 / (3.0 + z2) / (e.deviation * e.deviation);
            cross += weight * e.slope * d;
            square += weight * e.slope * e.slope;
        }
        warmer = cross / square;
    }
    common.warmer = warmer;
}

/// Robust spread of standardised residuals of junction pins, and how many there are.
fn standard_spread(layout: &Layout, expected: &[Expectation], values: &[Option<f64>], common: &Common) -> (f64, usize) {
    let flat = Common { stretch: 1.0, ..*common };
    let residuals: Vec<f64> = (0..values.len())
        .filter(|&pin| matches!(layout.places[pin].class, Class::Junction | Class::Resistor))
        .filter_map(|pin| {
            let today = today(layout, &expected[pin], pin, &flat);
            Some((values[pin]? - today.centre) / today.deviation)
        })
        .collect();
    (mad(&residuals).unwrap_or(1.0), residuals.len())
}

/// How much wider than expected this board scatters: prior worth against the board's own evidence. A median
/// deviation is worth 37 % of a sample (Huber, Robust Statistics, 1981).
fn stretch(expected: &[Expectation], spread: f64, count: usize) -> f64 {
    let boards = expected.iter().map(|e| e.count).max().unwrap_or(1);
    let prior = if boards <= 1 { EVIDENCE.0 } else { EVIDENCE.1.min(EVIDENCE.0 * (boards * boards) as f64) };
    let own = 0.37 * count as f64;
    ((prior + own * spread * spread) / (prior + own)).sqrt().clamp(0.4, 3.0)
}

fn other_meter(layout: &Layout, expected: &[Expectation], values: &[Option<f64>], path: f64) -> Common {
    let mut best = (f64::MAX, Common { path, ..Common::default() });
    let mut ratio = RATIO.0;
    while ratio <= RATIO.1 {
        let mut common = Common { ratio, path, ..Common::default() };
        fit_temperature(layout, expected, values, &mut common, TEMPERATURE_DOUBT);
        let cost = cost(layout, expected, values, &common);
        if cost < best.0 {
            best = (cost, common);
        }
        ratio *= RATIO_STEP;
    }
    best.1
}

/// Misfit of a board under what is taken to be shared: minus twice a Student log likelihood, with the prior that
/// temperatures differ little and that resistors scale exactly.
fn cost(layout: &Layout, expected: &[Expectation], values: &[Option<f64>], common: &Common) -> f64 {
    const FREEDOM: f64 = 3.0;
    let mut total = (common.warmer / TEMPERATURE_DOUBT).powi(2);
    for (pin, value) in values.iter().enumerate() {
        if !matches!(layout.places[pin].class, Class::Junction | Class::Resistor) {
            continue;
        }
        let Some(value) = value else { continue };
        let today = today(layout, &expected[pin], pin, common);
        let z2 = ((value - today.centre) / today.deviation).powi(2);
        total += 2.0 * today.deviation.ln() + (FREEDOM + 1.0) * (z2 / FREEDOM).ln_1p();
    }
    total
}
