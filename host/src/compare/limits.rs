//! How far a good pin may differ, and what therefore stays hidden.

use super::{
    NotShown,
    common::Today,
    evidence::Expectation,
    faults::Scene,
    layout::{Class, Layout},
};
use crate::{
    readings::PinValue,
    reference::Reference,
    statistics::{normal_quantile, student_quantile},
    units::Ohms,
};

/// Half widths of the limits of every pin, in deviations.
#[derive(Debug, Clone, Copy)]
pub(super) struct Factor {
    /// Of a future reading if the path is of the likelier kind.
    likely: f64,
    /// If it is of the other kind, where that is likely enough to count.
    other: Option<f64>,
}

/// Half width of the limits of every pin: Student's quantile whose tails hold the false-alarm rate of a board, shared
/// evenly over its pins (Bonferroni). With moderated variance the degrees of freedom are `d0 + n − 1` (Smyth 2004); the
/// deviation that it multiplies holds the doubt about the centre, `√(1 + 1/n)`. Where a path may be a resistor with
/// probability w, its tail is allowed `alarm/w`.
pub(super) fn factors(expected: &[Expectation], layout: &Layout, false_alarms: f64) -> Vec<Factor> {
    let judged =
        layout.places.iter().filter(|place| !matches!(place.class, Class::Open | Class::Unknown)).count();
    let alarm = (false_alarms / judged.max(1) as f64).clamp(1e-12, 0.5);
    expected
        .iter()
        .map(|pin| Factor {
            likely: student_quantile(1.0 - 0.5 * alarm, pin.freedom),
            other: (pin.wide.0 > alarm).then(|| normal_quantile(1.0 - 0.5 * alarm / pin.wide.0)),
        })
        .collect()
}

impl Factor {
    /// The limit of a pin today, in volts.
    pub(super) fn limit(&self, today: &Today) -> f64 {
        let likely = self.likely * today.deviation;
        match (self.other, today.other) {
            (Some(factor), Some((centre, deviation, _))) if (centre - today.centre).abs() < 1e-9 => {
                likely.max(factor * deviation)
            }
            _ => likely,
        }
    }
}

/// What no judgement against this reference shows.
pub(super) fn not_shown(
    reference: &Reference,
    layout: &Layout,
    today: &[Today],
    factors: &[Factor],
    scene: &Scene<'_>,
) -> NotShown {
    let limit = |pin: usize| factors[pin].limit(&today[pin]);
    let mut like_neighbours = Vec::new();
    for (pin, place) in layout.places.iter().enumerate() {
        for &(other, weight) in &place.neighbours {
            if weight < 1.0 || other <= pin || layout.places[other].net == place.net {
                continue;
            }
            if let (Some(a), Some(b)) = (scene.good(pin), scene.good(other))
                && let Some(joint) = scene.bridged(pin, other)
                && (a - joint).abs() < limit(pin)
                && (b - joint).abs() < limit(other)
            {
                like_neighbours.push((pin, other));
            }
        }
    }
    NotShown {
        smallest_joint: smallest_joint(today, factors, scene),
        like_neighbours,
        contested: (0..today.len())
            .filter(|&pin| layout.places[pin].class == Class::Unknown)
            .filter(|&pin| reference.boards.iter().any(|board| is_read(board.values.get(pin))))
            .collect(),
        unread: Vec::new(),
        open_by_design: (0..today.len()).filter(|&pin| layout.places[pin].class == Class::Open).collect(),
        known_good: reference.boards.len(),
    }
}

/// Per pin the smallest joint resistance that would be seen.
pub(super) fn smallest_joint(today: &[Today], factors: &[Factor], scene: &Scene<'_>) -> Vec<Option<Ohms>> {
    (0..today.len())
        .map(|pin| {
            let current = scene.source.current_at(scene.good(pin)?);
            (current > 0.0).then(|| Ohms::of(factors[pin].limit(&today[pin]) / current))
        })
        .collect()
}

fn is_read(value: Option<&PinValue>) -> bool {
    value.is_some_and(|value| !matches!(value, PinValue::Unread(_)))
}
