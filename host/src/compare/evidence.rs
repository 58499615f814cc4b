//! What the known-good boards teach about centres, temperature slopes and spreads, robustly: one odd board among
//! them must not spoil the reference.

use super::{
    Assumptions,
    layout::{Class, Layout, Place},
};
use crate::{
    readings::PinValue,
    reference::Reference,
    statistics::{Moderated, SampleVariance, mad, median_of, student_log_norm, summarise},
};

/// What a good board is expected to read at one pin under the reference's conditions. Volts, volts a kelvin.
#[derive(Debug, Clone, Copy)]
pub(super) struct Expectation {
    /// Centre; zero where the pin is open or unknown.
    pub(super) centre: f64,
    /// Change with temperature, and the doubt about it as a standard deviation.
    pub(super) slope: f64,
    pub(super) slope_doubt: f64,
    /// Standard deviation between good boards at one temperature.
    pub(super) deviation: f64,
    /// Degrees of freedom behind the deviation.
    pub(super) freedom: f64,
    /// Logarithm of the normalisation of Student's density with this freedom.
    pub(super) norm: f64,
    /// Probability that the path is a resistor after all, given how the known-good boards scatter, and the deviation
    /// that it then adds: resistors are held to their tolerance, junctions are closer.
    pub(super) wide: (f64, f64),
    /// Voltages behind the centre.
    pub(super) count: usize,
    /// Share of the drop that is taken to fall across resistance, in volts.
    pub(super) resistive: f64,
    /// Whether known-good boards contradict each other and there are too few to say which is odd.
    pub(super) contested: bool,
}

/// Energy gap and exponent of the SPICE junction model (see `physics::junction`): at constant current
/// `dV/dT = (V − EG − XTI·Vt)/T`, whatever the ideality.
const GAP: f64 = 1.11 + 3.0 * 0.025_693;
const ROOM: f64 = 298.15;

/// How far a pin's slope may be from the formula, as a share of it: junctions in series and in parallel, resistance
/// that the drop does not show.
const SLOPE_DOUBT: f64 = 0.15;

/// Least doubt about a slope, in volts a kelvin: resistors have 0.1 % a kelvin at most.
const LEAST_SLOPE_DOUBT: f64 = 0.000_1;

/// Drop of a silicon clamp without resistance at about a milliampere; what a pin reads beyond it is taken to be
/// half resistance. Handbook: 0.6 to 0.75 V.
const CLAMP: f64 = 0.68;

/// A resistor's tolerance as a standard deviation: 5 % parts are bought within ±5 % and lie mostly within ±2 %;
/// 1 % parts closer. Common practice.
const RESISTOR_TOLERANCE: f64 = 0.015;

/// Contact and copper of a ground pin, in volts at about 1 mA: half an ohm.
const GROUND_DEVIATION: f64 = 0.000_7;

/// One count of a meter with 1 mV resolution, as a uniform standard deviation, for reading and reference.
const RESOLUTION: f64 = 0.000_3;

/// Degrees of freedom of the assumed spread: how alike pins are in spread, as d0 of moderated variance. Values of 6
/// (measured values of d0 on simulated connectors lie between 4 and 20).
const ASSUMED_FREEDOM: f64 = 15.0;

/// A few boards tell d0 poorly: it is held to the range in which it was measured, with room above for nothing.
const LIKENESS: (f64, f64) = (6.0, 30.0);

/// A known-good reading this far from the others is left out (in common deviations, and in volts).
const ODD: f64 = 5.0;
const ODD_VOLTS: f64 = 0.020;

/// Two known-good readings this far apart contradict each other however widely they make the spread, in volts.
const FAR_APART: f64 = 0.15;

/// Learns what to expect at every pin.
pub(super) fn learn(layout: &Layout, reference: &Reference, assumptions: &Assumptions) -> Vec<Expectation> {
    let count = layout.places.len();
    let boards = reference.boards.len();
    let reading = |board: usize, pin: usize| {
        reference.boards[board]
            .values
            .get(pin)
            .and_then(|value| value.volts())
            .map(|volts| plausible(volts.get()))
    };
    let mut centres: Vec<f64> =
        (0..count).map(|pin| median_of((0..boards).filter_map(|b| reading(b, pin))).unwrap_or(0.0)).collect();
    let resistive: Vec<f64> = (0..count).map(|pin| resistive(centres[pin])).collect();
    let mut slopes: Vec<f64> =
        (0..count).map(|pin| slope(layout.places[pin].class, centres[pin] - resistive[pin])).collect();
    let prior_doubt: Vec<f64> =
        (0..count).map(|pin| slope_doubt(slopes[pin], layout.places[pin].resistor)).collect();
    let mut doubts = prior_doubt.clone();
    let mut warmer = vec![0.0; boards];
    let mut kept: Vec<Vec<f64>> = Vec::new();
    for round in 0..3 {
        for (board, warmer) in warmer.iter_mut().enumerate() {
            let points =
                (0..count).filter_map(|pin| Some((slopes[pin], reading(board, pin)? - centres[pin])));
            *warmer = if boards > 1 { temperature(points) } else { 0.0 };
        }
        let residual = |board: usize, pin: usize| {
            Some(reading(board, pin)? - centres[pin] - slopes[pin] * warmer[board])
        };
        let scale = common_scale(layout, boards, &residual).unwrap_or(assumptions.spread.get());
        kept = (0..count)
            .map(|pin| {
                let all: Vec<f64> = (0..boards).filter_map(|b| residual(b, pin)).collect();
                if all.len() < 3 {
                    return all;
                }
                let limit = (ODD
                    * scale.max(RESISTOR_TOLERANCE * relative(layout.places[pin].class, centres[pin])))
                .max(ODD_VOLTS);
                let middle = median_of(all.iter().copied()).unwrap_or(0.0);
                all.into_iter().filter(|r| (r - middle).abs() <= limit).collect()
            })
            .collect();
        if round < 2 {
            for pin in 0..count {
                if let Some(summary) = summarise(&kept[pin]) {
                    centres[pin] += summary.mean;
                }
                let pairs = (0..boards).filter_map(|b| Some((warmer[b], reading(b, pin)? - centres[pin])));
                (slopes[pin], doubts[pin]) = refined(slopes[pin], prior_doubt[pin], scale, pairs);
            }
        }
    }
    let spreads = spreads(layout, &kept, &centres, assumptions);
    (0..count)
        .map(|pin| Expectation {
            centre: centres[pin],
            slope: slopes[pin],
            slope_doubt: doubts[pin],
            deviation: spreads[pin].variance.sqrt(),
            freedom: spreads[pin].freedom,
            norm: student_log_norm(spreads[pin].freedom),
            wide: wide(&layout.places[pin], centres[pin], &kept[pin], spreads[pin].variance),
            count: kept[pin].len(),
            resistive: resistive[pin],
            contested: contested(reference, pin, &kept[pin], spreads[pin].variance.sqrt()),
        })
        .collect()
}

/// Pins whose spread is compared.
#[derive(Clone, Copy, PartialEq)]
enum Like {
    Ground,
    Junction,
    /// Resistors, and what may well be one.
    Resistor,
}

impl Like {
    fn of(place: &Place) -> Option<Self> {
        match place.class {
            Class::Ground => Some(Self::Ground),
            Class::Junction if place.resistor < 0.4 => Some(Self::Junction),
            Class::Junction | Class::Resistor => Some(Self::Resistor),
            Class::Open | Class::Unknown => None,
        }
    }
}

/// No diode test shows more than this, in volts; what was typed beyond it is held here, so that squares stay finite.
const BEYOND: f64 = 1000.0;

/// A reading within what arithmetic can bear.
pub(super) fn plausible(volts: f64) -> f64 {
    volts.clamp(-BEYOND, BEYOND)
}

/// Share of a junction pin's drop that is taken to fall across resistance.
fn resistive(drop: f64) -> f64 {
    0.5 * (drop - CLAMP).max(0.0)
}

fn slope(class: Class, junction: f64) -> f64 {
    match class {
        Class::Junction => (junction - GAP) / ROOM,
        Class::Ground | Class::Resistor | Class::Open | Class::Unknown => 0.0,
    }
}

fn relative(class: Class, centre: f64) -> f64 {
    if class == Class::Resistor { centre.abs() } else { 0.0 }
}

/// Temperature difference that explains differences best: least absolute deviations along known slopes, which is
/// the weighted median of the single answers (Bloomfield & Steiger, Least Absolute Deviations, 1983).
pub(super) fn temperature(points: impl Iterator<Item = (f64, f64)>) -> f64 {
    let mut answers: Vec<(f64, f64)> =
        points.filter(|(slope, _)| slope.abs() > 2e-4).map(|(slope, d)| (d / slope, slope.abs())).collect();
    answers.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * answers.iter().map(|(_, weight)| weight).sum::<f64>();
    let mut below = 0.0;
    for (answer, weight) in answers {
        below += weight;
        if below >= half {
            return answer;
        }
    }
    0.0
}

fn common_scale(
    layout: &Layout,
    boards: usize,
    residual: &impl Fn(usize, usize) -> Option<f64>,
) -> Option<f64> {
    if boards < 2 {
        return None;
    }
    let all: Vec<f64> = (0..layout.places.len())
        .filter(|&pin| layout.places[pin].class == Class::Junction)
        .flat_map(|pin| (0..boards).filter_map(move |board| residual(board, pin)))
        .collect();
    // Residuals of few boards are smaller than deviations by √((n − 1)/n).
    let shrunk = (1.0 - 1.0 / boards as f64).sqrt();
    mad(&all).filter(|_| all.len() >= 6).map(|scale| (scale / shrunk).max(5e-4))
}

/// Doubt about a slope from the formula: the formula's own, and that the pin may be a resistor, which has none.
fn slope_doubt(slope: f64, resistor: f64) -> f64 {
    (slope * SLOPE_DOUBT).hypot(slope * (resistor * (1.0 - resistor)).sqrt()).max(LEAST_SLOPE_DOUBT)
}

/// The slope drawn from the formula towards what the boards show, and the doubt that is left.
fn refined(slope: f64, doubt: f64, scale: f64, pairs: impl Iterator<Item = (f64, f64)>) -> (f64, f64) {
    let (mut cross, mut square) = (0.0, 0.0);
    for (warmer, difference) in pairs {
        if difference.abs() < 6.0 * scale {
            cross += warmer * (difference - slope * warmer);
            square += warmer * warmer;
        }
    }
    let prior = (scale / doubt).powi(2);
    (slope + cross / (square + prior), scale / (square + prior).sqrt())
}

/// Deviation of every pin, each class moderated among its like.
fn spreads(
    layout: &Layout,
    kept: &[Vec<f64>],
    centres: &[f64],
    assumptions: &Assumptions,
) -> Vec<SampleVariance> {
    let mut out = vec![SampleVariance { variance: 1e-6, freedom: ASSUMED_FREEDOM }; kept.len()];
    for like in [Like::Ground, Like::Junction, Like::Resistor] {
        // Resistors scatter in proportion to their drop: compare them in units of it.
        let unit = |pin: usize| if like == Like::Resistor { centres[pin].abs().max(0.02) } else { 1.0 };
        let assumed = match like {
            Like::Ground => GROUND_DEVIATION,
            Like::Resistor => RESISTOR_TOLERANCE,
            Like::Junction => assumptions.spread.get(),
        };
        let pins: Vec<usize> =
            (0..kept.len()).filter(|&pin| Like::of(&layout.places[pin]) == Some(like)).collect();
        let samples: Vec<SampleVariance> = pins
            .iter()
            .map(|&pin| {
                let deviation = summarise(&kept[pin]).and_then(|s| s.deviation);
                SampleVariance {
                    // A count of the meter is below what a sample of equal counts shows.
                    variance: deviation.map_or(0.0, |d| (d.powi(2) + RESOLUTION.powi(2)) / unit(pin).powi(2)),
                    freedom: kept[pin].len().saturating_sub(1) as f64,
                }
            })
            .collect();
        let freedom: f64 = samples.iter().map(|s| s.freedom).sum();
        let learned =
            if freedom >= 6.0 { Moderated::learn_within(&samples, LIKENESS.0, LIKENESS.1) } else { None };
        let common = learned.unwrap_or(Moderated { variance: assumed.powi(2), freedom: ASSUMED_FREEDOM });
        for (&pin, sample) in pins.iter().zip(&samples) {
            let of = common.of(*sample);
            let floor = RESOLUTION.powi(2);
            out[pin] =
                SampleVariance { variance: of.variance * unit(pin).powi(2) + floor, freedom: of.freedom };
        }
    }
    out
}

/// Probability that a junction pin is a resistor and scatters like one, by Bayes' rule from the readings of the
/// known-good boards: `s²·ν/σ² ~ χ²(ν)` under either.
fn wide(place: &Place, centre: f64, kept: &[f64], variance: f64) -> (f64, f64) {
    let extra = RESISTOR_TOLERANCE * centre;
    if place.class != Class::Junction || extra <= 0.0 {
        return (0.0, 0.0);
    }
    let freedom = kept.len().saturating_sub(1) as f64;
    let seen = summarise(kept).and_then(|s| s.deviation).unwrap_or(0.0).powi(2);
    let resistor = variance + extra * extra;
    let log = -0.5 * freedom * (resistor / variance).ln()
        - 0.5 * freedom * seen * (1.0 / resistor - 1.0 / variance);
    let odds = place.resistor / (1.0 - place.resistor).max(1e-6) * log.min(20.0).exp();
    (odds / (1.0 + odds), extra)
}

/// Known-good readings that contradict each other: some of the boards are odd, and nobody knows which. As many show `OL`
/// as a voltage, or two voltages are far apart, or so many that none is near the middle.
fn contested(reference: &Reference, pin: usize, kept: &[f64], deviation: f64) -> bool {
    let readings = || reference.boards.iter().filter_map(|board| board.values.get(pin));
    let open = readings().filter(|value| **value == PinValue::Overload).count();
    let drops = readings().filter(|value| value.volts().is_some()).count();
    let far = (ODD * deviation).clamp(2.0 * ODD_VOLTS, FAR_APART);
    let apart = kept.len() == 2 && (kept[0] - kept[1]).abs() > far;
    (open > 0 && open == drops) || apart || (kept.is_empty() && drops > 1)
}
