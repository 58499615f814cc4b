//! What the boards of a batch share: gathered in one pass, in memory that does not grow with the boards.
//!
//! Another meter's current moves every pin by its own share, `n·Vt·ln ρ + (ρ − 1)·r`; ideality `n` and resistive part
//! `r` of a pin belong to the connector's design and are the same on every board. One board cannot tell them from
//! its faults, a batch can. Only this share is learned, and only as far as physics lets it be: with the same meter
//! nothing is, so a fault that all boards of a batch have stays a fault.

use super::{
    common::{self, Common, Shape, TOLERANCE},
    evidence::Expectation,
    layout::Layout,
};

/// Differences are counted in bins of a millivolt, a count of most meters, up to this many to each side.
const BINS: usize = 1200;
const BIN: f64 = 0.001;

/// Boards below which a batch teaches nothing: the median of fewer can be a fault.
const ENOUGH: u32 = 8;

/// What a batch of boards has in common, gathered in a first pass in constant memory.
#[derive(Debug, Clone, Default)]
pub struct Batch {
    /// Boards that were taken; misplaced ones are not.
    boards: u32,
    /// For every pin how often its reading differed by so many bins from the reference.
    counts: Vec<Vec<u32>>,
}

impl Batch {
    /// How many boards were taken.
    #[must_use]
    pub const fn boards(&self) -> u32 {
        self.boards
    }

    pub(super) fn take(&mut self, expected: &[Expectation], values: &[Option<f64>]) {
        self.counts.resize_with(expected.len(), || vec![0; 2 * BINS + 1]);
        self.boards += 1;
        for ((counts, value), expected) in self.counts.iter_mut().zip(values).zip(expected) {
            let Some(value) = value else { continue };
            let bin = ((value - expected.centre) / BIN).round() + BINS as f64;
            if (0.0..=2.0 * BINS as f64).contains(&bin) {
                counts[bin as usize] += 1;
            }
        }
    }

    /// Middle of a pin's differences, within its bin by interpolation, and how many there were.
    fn middle(&self, pin: usize) -> Option<(f64, u32)> {
        let counts = self.counts.get(pin)?;
        let total: u32 = counts.iter().sum();
        if total < ENOUGH {
            return None;
        }
        let half = 0.5 * f64::from(total);
        let mut below = 0.0;
        for (bin, &count) in counts.iter().enumerate() {
            let count = f64::from(count);
            if below + count >= half && count > 0.0 {
                let within = (half - below) / count - 0.5;
                return Some(((bin as f64 - BINS as f64 + within) * BIN, total));
            }
            below += count;
        }
        None
    }

    /// What is to be expected of boards like these, and the ratio of currents that explains it; `None` if the batch
    /// was read with the reference's meter or is too small to tell.
    pub(super) fn carry_over(
        &self,
        layout: &Layout,
        expected: &[Expectation],
    ) -> Option<(Vec<Expectation>, f64)> {
        let middles: Vec<Option<(f64, u32)>> = (0..expected.len()).map(|pin| self.middle(pin)).collect();
        // The median of B readings has the variance 1.57·σ²/B (π/2, Kendall & Stuart); the reference's own doubt
        // stays.
        let sharp: Vec<Expectation> = expected
            .iter()
            .zip(&middles)
            .map(|(pin, middle)| {
                let own = 1.0 / pin.count.max(1) as f64;
                let seen = middle.map_or(1.0, |(_, total)| 1.57 / f64::from(total));
                Expectation { deviation: pin.deviation * ((seen + own) / (1.0 + own)).sqrt(), ..*pin }
            })
            .collect();
        let values: Vec<Option<f64>> = expected
            .iter()
            .zip(&middles)
            .map(|(pin, middle)| middle.map(|(difference, _)| pin.centre + difference))
            .collect();
        let common = common::estimate(layout, &sharp, &values, None);
        if (common.ratio - 1.0).abs() < f64::EPSILON {
            return None;
        }
        let carried = (0..expected.len())
            .map(|pin| {
                let shapes = common::shapes(&layout.places[pin], &expected[pin], &common);
                carried(&expected[pin], &common, shapes, middles[pin])
            })
            .collect();
        Some((carried, common.ratio))
    }
}

/// One pin's expectation under the batch's meter: each kind of path predicts where it should be now, the batch says
/// where it is, and the kind that fits better draws it there, three deviations of its own doubt at the farthest.
fn carried(
    pin: &Expectation,
    common: &Common,
    shapes: [Shape; 2],
    middle: Option<(f64, u32)>,
) -> Expectation {
    let own = pin.deviation * pin.deviation / pin.count.max(1) as f64;
    let mut best: Option<(f64, Shape, f64, f64)> = None;
    for shape in shapes.into_iter().filter(|shape| shape.weight > 0.0) {
        let prior = shape.doubt * shape.doubt + own;
        let (fit, shift, left) = match middle {
            Some((difference, total)) if shape.doubt > 0.0 => {
                let seen = pin.deviation * pin.deviation * 1.57 / f64::from(total) + BIN * BIN / 12.0;
                let sum = prior + seen;
                let off = difference - shape.moved;
                let farthest = 3.0 * prior.sqrt();
                let drawn = (off * prior / sum).clamp(-farthest, farthest);
                (-0.5 * off * off / sum - 0.5 * sum.ln(), shape.moved + drawn, prior * seen / sum)
            }
            _ => (0.0, shape.moved, prior),
        };
        let score = fit + shape.weight.ln();
        if best.is_none_or(|(other, ..)| score > other) {
            best = Some((score, shape, shift, left));
        }
    }
    let Some((_, shape, shift, left)) = best else { return *pin };
    // What was taken for a junction and scales like a resistor scatters like one.
    let turned = shape.resistor && pin.slope < -5e-4;
    let (slope, deviation) = if turned {
        (0.0, pin.deviation.hypot(TOLERANCE * pin.centre * common.ratio))
    } else {
        (pin.slope, pin.deviation)
    };
    // The doubt that is left is the centre's; the count says it in the unit of the deviation.
    let count = (deviation * deviation / left.max(1e-12)).round().clamp(1.0, 1e6);
    Expectation {
        centre: (pin.centre + shift - slope * common.warmer).max(0.0),
        slope,
        deviation,
        count: count as usize,
        resistive: pin.resistive * common.ratio,
        // The kind of path has shown itself in how far the other current moved it.
        wide: if middle.is_some() { (0.0, 0.0) } else { pin.wide },
        ..*pin
    }
}
