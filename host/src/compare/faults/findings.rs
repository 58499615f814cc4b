//! From the sets that explain a board to what is told about it.

use super::{
    super::{Alternative, Check, Evidence, Finding, Kind, layout::Class},
    Cause,
    likelihood::SURPRISING,
    scene::Scene,
    search::{Set, search},
};
use crate::{
    readings::PinValue,
    units::{Ohms, Volts},
};

/// An alternative below this is not worth a line.
const WORTH_NAMING: f64 = 0.01;

/// The faults that explain a board, the surest first.
pub(in super::super) fn explain(scene: &Scene<'_>) -> Vec<Finding> {
    let standing_out: Vec<usize> =
        (0..scene.values.len()).filter(|&pin| scene.surprise(pin) > SURPRISING).collect();
    if standing_out.is_empty() {
        return Vec::new();
    }
    let sets = search(scene, &standing_out);
    let weights = weights(&sets);
    let best = &sets[0];
    let mut findings: Vec<Finding> =
        best.causes.iter().map(|&cause| finding(scene, cause, &sets, &weights)).collect();
    findings.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    findings
}

/// Posterior probability of every set, given that one of them is right.
fn weights(sets: &[Set]) -> Vec<f64> {
    let best = sets.first().map_or(0.0, |set| set.odds);
    let raw: Vec<f64> = sets.iter().map(|set| (set.odds - best).exp()).collect();
    let total: f64 = raw.iter().sum();
    raw.into_iter().map(|weight| weight / total).collect()
}

fn own(cause: Cause) -> Vec<usize> {
    let (pins, count) = cause.pins();
    pins[..count].to_vec()
}

fn finding(scene: &Scene<'_>, cause: Cause, sets: &[Set], weights: &[f64]) -> Finding {
    let probability: f64 = sets
        .iter()
        .zip(weights)
        .filter(|(set, _)| set.causes.iter().any(|other| alike(scene, cause, *other)))
        .map(|(_, weight)| weight)
        .sum();
    let (kind, pins) = (kind(cause), own(cause));
    Finding {
        kind,
        ohms: ohms(scene, cause),
        probability: probability.clamp(0.0, 1.0),
        evidence: pins.iter().map(|&pin| evidence(scene, cause, pin)).collect(),
        alternatives: alternatives(scene, cause, sets, weights),
        next: next(scene, cause),
        pins,
    }
}

/// The same fault, or one that reads exactly the same at this pin and cannot be told from it.
fn alike(scene: &Scene<'_>, a: Cause, b: Cause) -> bool {
    let net = |pin: usize| scene.net(pin);
    match (a, b) {
        (
            Cause::Open(p) | Cause::Missing(p) | Cause::High(p),
            Cause::Open(q) | Cause::Missing(q) | Cause::High(q),
        ) => p == q,
        (Cause::Short(p), Cause::Short(q)) | (Cause::Leak(p), Cause::Leak(q)) => net(p) == net(q),
        (Cause::Bridge(a, b), Cause::Bridge(c, d)) => {
            (net(a), net(b)) == (net(c), net(d)) || (net(a), net(b)) == (net(d), net(c))
        }
        _ => a == b,
    }
}

/// Other faults at the pins of this one, in the sets that do without it.
fn alternatives(scene: &Scene<'_>, cause: Cause, sets: &[Set], weights: &[f64]) -> Vec<Alternative> {
    let pins = own(cause);
    let mut others: Vec<(Cause, f64)> = Vec::new();
    for (set, weight) in sets.iter().zip(weights) {
        if set.causes.contains(&cause) {
            continue;
        }
        for other in &set.causes {
            if own(*other).iter().any(|pin| pins.contains(pin)) {
                match others.iter_mut().find(|(known, _)| known == other) {
                    Some((_, sum)) => *sum += weight,
                    None => others.push((*other, *weight)),
                }
            }
        }
    }
    others.retain(|(_, weight)| *weight >= WORTH_NAMING);
    others.sort_by(|a, b| b.1.total_cmp(&a.1));
    others
        .into_iter()
        .map(|(other, weight)| Alternative {
            kind: kind(other),
            pins: own(other),
            ohms: ohms(scene, other),
            probability: weight.clamp(0.0, 1.0),
        })
        .collect()
}

const fn kind(cause: Cause) -> Kind {
    match cause {
        Cause::Open(_) => Kind::OpenJoint,
        Cause::High(_) => Kind::HighResistanceJoint,
        Cause::Missing(_) => Kind::MissingPart,
        Cause::Short(_) => Kind::ShortToGround,
        Cause::Leak(_) => Kind::Leakage,
        Cause::Bridge(..) => Kind::Bridge,
        Cause::Swap(..) => Kind::Swapped,
    }
}

fn ohms(scene: &Scene<'_>, cause: Cause) -> Option<Ohms> {
    match cause {
        Cause::High(pin) => {
            let seen = scene.volts(pin)?;
            let raised = seen - scene.centre(pin)?;
            let current = scene.source.current_at(seen);
            (raised > 0.0 && current > 0.0).then(|| Ohms::of(raised / current))
        }
        Cause::Leak(pin) => {
            let tied = scene.layout.places[pin].partner.is_some_and(|leg| leg.tied > 0.5);
            scene.leak_ohms(pin, scene.volts(pin)?, tied).map(Ohms::of)
        }
        _ => None,
    }
}

fn evidence(scene: &Scene<'_>, cause: Cause, pin: usize) -> Evidence {
    let good = |pin: usize| match (scene.class(pin), scene.centre(pin)) {
        (_, Some(centre)) => PinValue::Volts(Volts::of(centre)),
        (Class::Open, None) => PinValue::Overload,
        _ => scene.values[pin],
    };
    let predicted = match cause {
        Cause::Open(_) => PinValue::Overload,
        Cause::Short(_) => PinValue::Volts(Volts::ZERO),
        Cause::Swap(a, b) => good(if pin == a { b } else { a }),
        Cause::Bridge(a, b) => {
            scene.bridge(a, b).joint.map_or(PinValue::Overload, |joint| PinValue::Volts(Volts::of(joint)))
        }
        // The resistance was taken from this very reading.
        Cause::High(_) | Cause::Leak(_) | Cause::Missing(_) => scene.values[pin],
    };
    Evidence { pin, expected: good(pin), predicted, seen: scene.values[pin] }
}

fn next(scene: &Scene<'_>, cause: Cause) -> Check {
    match cause {
        Cause::Open(pin) | Cause::High(pin) => Check::Reflow(pin),
        Cause::Missing(pin) => Check::LookForPart(pin),
        Cause::Short(pin) => {
            let ground = scene.layout.places[pin]
                .neighbours
                .iter()
                .find(|(other, weight)| *weight >= 1.0 && scene.class(*other) == Class::Ground);
            match ground {
                Some(&(other, _)) => Check::LookBetween(vec![pin, other]),
                None => Check::LookForShort(pin),
            }
        }
        Cause::Leak(pin) => Check::Clean(pin),
        Cause::Bridge(a, b) => Check::LookBetween(vec![a, b]),
        Cause::Swap(a, b) => Check::FollowJumpers(a, b),
    }
}
