//! How far a good pin may differ, and what therefore stays hidden.

use super::{
    NotShown,
    common::Today,
    evidence::Expectation,
    faults::Scene,
    layout::{Class, Layout},
};
use crate::{reference::Reference, statistics::student_quantile, units::Ohms};

/// Half width of the limits of every pin, in deviations of a future reading: Student's quantile whose tails hold the
/// false-alarm rate of a board, shared evenly over its pins (Bonferroni). With moderated variance the degrees of
/// freedom are `d0 + n − 1` (Smyth 2004); the deviation that it multiplies holds the doubt about the centre,
/// `√(1 + 1/n)`.
pub(super) fn factors(expected: &[Expectation], layout: &Layout, false_alarms: f64) -> Vec<f64> {
    let judged =
        layout.places.iter().filter(|place| !matches!(place.class, Class::Open | Class::Unknown)).count();
    let alarm = (false_alarms / judged.max(1) as f64).clamp(1e-12, 0.5);
    expected.iter().map(|pin| student_quantile(1.0 - 0.5 * alarm, pin.freedom)).collect()
}

/// What no judgement against this reference shows.
pub(super) fn not_shown(
    reference: &Reference,
    layout: &Layout,
    today: &[Today],
    factors: &[f64],
    scene: &Scene<'_>,
) -> NotShown {
    let limit = |pin: usize| factors[pin] * today[pin].deviation;
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
        smallest_joint: (0..today.len())
            .map(|pin| {
                let centre = scene.good(pin)?;
                let current = scene.source.current_at(centre);
                (current > 0.0).then(|| Ohms::of(limit(pin) / current))
            })
            .collect(),
        like_neighbours,
        open_by_design: (0..today.len()).filter(|&pin| layout.places[pin].class == Class::Open).collect(),
        known_good: reference.boards.len(),
    }
}
