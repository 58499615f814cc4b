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
    layout::{Class, Layout, Place},
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
    /// Where the reading would be, with its deviation and probability, if the pin's path is of the other kind: another
    /// meter's current moves resistors and junctions differently, and resistors scatter more.
    pub(super) other: Option<(f64, f64, f64)>,
    /// Correlation with the other leg of a pair: the same buffers hang on both, so their shapes are the same and half
    /// of their scatter is.
    pub(super) with_partner: f64,
}

/// How conditions move a good reading if its path is of one kind. Volts.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shape {
    /// Probability of the kind.
    pub(super) weight: f64,
    pub(super) moved: f64,
    pub(super) doubt: f64,
    /// Whether it is a resistor.
    pub(super) resistor: bool,
}

/// Thermal voltage at 25 °C.
pub(super) const THERMAL: f64 = 0.025_693;

/// Ideality factor of what hangs on a pin: integrated junctions lie between 1 and 2 (Sedra & Smith); published
/// models of discrete ones at 1.68 and 1.75 (1N4148, 1N914).
pub(super) const IDEALITY: f64 = 1.4;
const IDEALITY_DOUBT: f64 = 0.4;

/// Drop above which resistance is likely to stand in series with a junction, in volts: a clamp alone drops 0.6 to
/// 0.75 V (handbook).
const IN_SERIES: f64 = 0.7;

/// A kind of path this improbable is left out.
const NEGLIGIBLE: f64 = 1e-4;

/// Share of the scatter that the legs of a pair have in common: parts of one chip and of one board. Correlations of
/// 0.5 to 0.8 were measured on connectors solved by an independent circuit simulator.
const LEGS: f64 = 0.5;

/// Tolerance of what turns out to be a resistor, as a standard deviation (see `evidence`).
pub(super) const TOLERANCE: f64 = 0.015;

/// Temperatures of a workshop and of boards just touched differ by a few kelvin.
const TEMPERATURE_DOUBT: f64 = 4.0;

/// Residuals this many times wider than the reference lets expect speak for another meter.
const SUSPICIOUS: f64 = 1.6;

/// Ratios of test currents that are looked through: 0.3 to 1.5 mA (docs/facts.md, 2.1) both ways.
const RATIO: (f64, f64) = (0.15, 6.0);

/// Beyond these nothing that all pins share is believed. A board from a cold car or straight from the washer is 25 K off;
/// the currents of two meters are seldom four times apart (docs/facts.md, 2.1), and one that is told is believed; of
/// 1,464 boards from an independent circuit simulator none scatters 2.1 times as expected with one or two known-good
/// boards, or 1.5 times with more.
const OUTLANDISH_KELVIN: f64 = 25.0;
const OUTLANDISH_RATIO: (f64, f64) = (0.25, 4.0);
const OUTLANDISH_SPREAD: (f64, f64) = (2.6, 2.0);

/// A step of 2 % in current moves a junction by half a millivolt.
const RATIO_STEP: f64 = 1.04;

/// Another meter is reported where the ratio differs by more than a meter's own tolerance.
const SAME_METER: f64 = 0.05;

/// Evidence that another meter must bring, as twice a logarithm: a board is read with another meter than its reference
/// once in a hundred, if nothing is said of it.
const EXCEPTION: f64 = 9.2;

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
        // The same meter is the rule. Another one must explain the board clearly better, pin by pin and as a whole.
        let gain = cost(layout, expected, values, &common) - cost(layout, expected, values, &other);
        if gain > EXCEPTION && other_spread < 0.75 * spread && (other.ratio - 1.0).abs() > SAME_METER {
            common = other;
            common.stretch = stretch(expected, other_spread, count);
        }
    }
    common
}

/// Whether what all pins share is more than another day or another meter explains, so that nothing can be said of single
/// pins. `told` says that the ratio of currents is known, `boards` how many known-good boards tell the spread.
pub(super) fn is_outlandish(common: &Common, told: bool, boards: usize) -> bool {
    let spread = if boards < 3 { OUTLANDISH_SPREAD.0 } else { OUTLANDISH_SPREAD.1 };
    common.warmer.abs() > OUTLANDISH_KELVIN
        || common.stretch > spread
        || (!told && !(OUTLANDISH_RATIO.0..=OUTLANDISH_RATIO.1).contains(&common.ratio))
}

/// What a good board would read at a pin today.
pub(super) fn today(layout: &Layout, expected: &Expectation, pin: usize, common: &Common) -> Today {
    let place = &layout.places[pin];
    let [first, second] = shapes(place, expected, common);
    let spread = if matches!(place.class, Class::Ground) { 1.0 } else { common.stretch };
    let centre_doubt = 1.0 / expected.count.max(1) as f64;
    let warm = expected.slope_doubt * common.warmer;
    let variance = (expected.deviation * spread).powi(2) * (1.0 + centre_doubt) + warm * warm;
    let with = |doubt: f64| (variance + doubt * doubt).sqrt();
    let shared = LEGS * variance + first.doubt * first.doubt;
    let other = if second.weight > 0.0 {
        Some((expected.centre + second.moved, with(second.doubt), second.weight))
    } else if expected.wide.0 > NEGLIGIBLE {
        // Under the same current both kinds read the same, but resistors scatter more.
        Some((expected.centre + first.moved, with(expected.wide.1), expected.wide.0))
    } else {
        None
    };
    Today {
        centre: expected.centre + first.moved,
        deviation: with(first.doubt),
        freedom: expected.freedom,
        norm: expected.norm,
        other,
        with_partner: if place.partner.is_some() {
            shared / (variance + first.doubt * first.doubt)
        } else {
            0.0
        },
    }
}

/// How conditions move a good reading: the likelier kind of path first. The second has no weight while the current is
/// the reference's, for then both kinds read the same.
pub(super) fn shapes(place: &Place, expected: &Expectation, common: &Common) -> [Shape; 2] {
    let class = place.class;
    let still = Shape { weight: 0.0, moved: 0.0, doubt: 0.0, resistor: false };
    match class {
        Class::Ground => [Shape { weight: 1.0, moved: common.path, ..still }, still],
        Class::Open | Class::Unknown => [still, still],
        Class::Junction | Class::Resistor => {
            let (change, log) = (common.ratio - 1.0, common.ratio.ln());
            let warm = expected.slope * common.warmer;
            let other_meter = change.abs() > f64::EPSILON;
            let chance = if other_meter { place.resistor } else { f64::from(class == Class::Resistor) };
            let junction = Shape {
                weight: 1.0 - chance,
                moved: warm + IDEALITY * THERMAL * log + change * expected.resistive + common.path,
                doubt: (IDEALITY_DOUBT * THERMAL * log).hypot(change * resistive_doubt(expected.centre)),
                resistor: false,
            };
            let resistor = Shape {
                weight: chance,
                moved: change * expected.centre
                    + common.path
                    + if class == Class::Resistor { warm } else { 0.0 },
                doubt: if class == Class::Resistor {
                    (0.01 * change * expected.centre).abs()
                } else {
                    TOLERANCE * expected.centre
                },
                resistor: true,
            };
            if chance > 0.5 || (class == Class::Resistor && chance >= 0.5) {
                [resistor, junction]
            } else {
                [junction, resistor]
            }
        }
    }
}

/// Doubt about the part of a junction pin's drop that falls across resistance: hardly any at a low drop, up to a few
/// hundred ohm above what a clamp alone can drop.
fn resistive_doubt(drop: f64) -> f64 {
    if drop < 0.65 { 0.006 } else { 0.02 + 0.25 * (drop - IN_SERIES).max(0.0) }
}

/// How far conditions move a good reading whose path is of the likelier kind.
pub(super) fn shift(layout: &Layout, pin: usize, expected: &Expectation, common: &Common) -> f64 {
    let place = &layout.places[pin];
    shapes(place, expected, common)[0].moved
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
            let [shape, _] = shapes(&layout.places[pin], &expected[pin], &flat);
            let deviation = expected[pin].deviation.hypot(shape.doubt);
            Some((expected[pin].slope, values[pin]? - expected[pin].centre - shape.moved, deviation))
        })
    };
    let first = temperature(points().map(|(slope, d, _)| (slope, d)));
    // One step of iterated weights (Student's with 3 degrees of freedom) from the robust start: faults keep their
    // small weight, good pins get theirs.
    let mut warmer = first;
    for _ in 0..3 {
        let (mut cross, mut square) = (0.0, 1.0 / (doubt * doubt));
        for (slope, d, deviation) in points() {
            let z2 = ((d - slope * warmer) / deviation).powi(2);
            let weight = 4.0 / (3.0 + z2) / (deviation * deviation);
            cross += weight * slope * d;
            square += weight * slope * slope;
        }
        warmer = cross / square;
    }
    common.warmer = warmer;
}

/// Robust spread of standardised residuals of junction pins, and how many there are.
fn standard_spread(
    layout: &Layout,
    expected: &[Expectation],
    values: &[Option<f64>],
    common: &Common,
) -> (f64, usize) {
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
        let part = |centre: f64, deviation: f64| {
            let z2 = ((value - centre) / deviation).powi(2);
            (1.0 + z2 / FREEDOM).powf(-0.5 * (FREEDOM + 1.0)) / deviation
        };
        let first = part(today.centre, today.deviation);
        let density = match today.other {
            Some((centre, deviation, weight)) => (1.0 - weight) * first + weight * part(centre, deviation),
            None => first,
        };
        total -= 2.0 * density.max(1e-12).ln();
    }
    total
}
