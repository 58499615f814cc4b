//! The verdict on each pin once the faults are found, and the verdict on the board that follows from them.

use super::{
    Difference, Doubt, Finding, Kind, PinJudgement, PinVerdict, Verdict,
    common::Today,
    layout::{Class, Layout},
};
use crate::{readings::PinValue, units::Volts};

/// A reading above this is a drop and no short, in volts.
pub(super) const DROP: f64 = 0.05;

/// Whether a pin is bound to move with another: itself, its net, the other leg of its pair.
pub(super) fn belongs(layout: &Layout, pin: usize, other: usize) -> bool {
    let place = &layout.places[pin];
    let net = layout.places[other].net;
    place.net == net || place.partner.is_some_and(|leg| layout.places[leg.pin].net == net)
}

/// Tells pins at fault from those that move along and those that nothing explains.
pub(super) fn settle(layout: &Layout, pins: &mut [PinJudgement], differs: &[bool], findings: &[Finding]) {
    for (index, pin) in pins.iter_mut().enumerate() {
        if !differs[index] || !matches!(pin.verdict, PinVerdict::Matches) {
            continue;
        }
        pin.verdict = if findings.iter().any(|f| f.pins.contains(&index)) {
            PinVerdict::AtFault
        } else if findings.iter().any(|finding| moves(layout, finding, index, pin)) {
            PinVerdict::MovesAlong
        } else {
            PinVerdict::Unexplained
        };
    }
}

/// Whether a fault moves a pin that it does not blame, the way that the pin differs. A fault at a joint moves no other
/// pin; one that pulls a net down pulls its other pins, the other leg and, through clamps and pull-ups, any junction
/// down as well; without its part a net and the other leg stand higher.
fn moves(layout: &Layout, finding: &Finding, index: usize, pin: &PinJudgement) -> bool {
    let Some(difference) = pin.difference.map(Volts::get) else { return false };
    let is_tied = finding.pins.iter().any(|&other| belongs(layout, index, other));
    match finding.kind {
        Kind::ShortToGround | Kind::Leakage | Kind::Bridge => {
            difference < 0.0 && (is_tied || layout.places[index].class == Class::Junction)
        }
        Kind::MissingPart => is_tied,
        Kind::OpenJoint | Kind::HighResistanceJoint | Kind::Swapped => false,
    }
}

/// How far from the expected value a pin may be whose reading is where it would be if its path were of the other kind.
pub(super) fn of_other_kind(reading: PinValue, today: &Today) -> Option<f64> {
    let (seen, (centre, deviation, _)) = reading.volts().zip(today.other)?;
    let is_there = (seen.get() - centre).abs() < 3.0 * deviation;
    is_there.then_some((centre - today.centre).abs() + 3.0 * deviation)
}

/// Whether a pin differs by what a single pin looked at alone would: three deviations.
pub(super) fn clearly(pin: &PinJudgement, today: &Today) -> bool {
    pin.difference.is_some_and(|d| d.get().abs() > 3.0 * today.deviation)
}

/// Whether most of the drops are others than expected. Open and shorted pins are no other board's.
pub(super) fn is_strange(pins: &[PinJudgement]) -> bool {
    let drops = pins.iter().filter(|pin| pin.reading.volts().is_some_and(|volts| volts.get() > DROP));
    let (differing, all) = drops.fold((0, 0), |(differing, all), pin| {
        let differs =
            matches!(pin.verdict, PinVerdict::AtFault | PinVerdict::MovesAlong | PinVerdict::Unexplained);
        (differing + usize::from(differs), all + 1)
    });
    differing * 2 > all
}

pub(super) fn verdict(
    pins: &[PinJudgement],
    findings: &[Finding],
    doubtful: usize,
    is_guessed: bool,
) -> Verdict {
    let count = |wanted: fn(&PinVerdict) -> bool| pins.iter().filter(|pin| wanted(&pin.verdict)).count();
    let unexplained = count(|v| matches!(v, PinVerdict::Unexplained));
    let unread = count(|v| matches!(v, PinVerdict::Unread(_)));
    let unknown = count(|v| matches!(v, PinVerdict::NoReference));
    if !findings.is_empty() {
        Verdict::Differs(Difference::Faults { count: findings.len(), unexplained, unread })
    } else if unexplained > 0 {
        Verdict::Differs(Difference::Unexplained { pins: unexplained, unread })
    } else if unread > 0 {
        Verdict::Inconclusive(Doubt::Unread { pins: unread })
    } else if unknown > 0 {
        Verdict::Inconclusive(Doubt::NoReference { pins: unknown })
    } else if doubtful > 0 {
        Verdict::Inconclusive(Doubt::Weak { pins: doubtful })
    } else if is_guessed {
        Verdict::Inconclusive(Doubt::OtherMeter)
    } else {
        Verdict::Matches { pins: pins.len() }
    }
}

/// The limit that is shown is the one that a pin was held to.
pub(super) fn show_limits_held(pins: &mut [PinJudgement], today: &[Today]) {
    for (pin, today) in pins.iter_mut().zip(today).filter(|(pin, _)| pin.verdict == PinVerdict::Matches) {
        let is_beyond = pin.difference.zip(pin.limit).is_some_and(|(d, limit)| d.get().abs() > limit.get());
        if let (true, Some(wide)) = (is_beyond, of_other_kind(pin.reading, today)) {
            pin.limit = Some(Volts::of(wide));
        }
    }
}

/// Pins that differ, by index.
pub(super) fn flagged(pins: &[PinJudgement]) -> Vec<usize> {
    let differs =
        |verdict| matches!(verdict, PinVerdict::AtFault | PinVerdict::MovesAlong | PinVerdict::Unexplained);
    (0..pins.len()).filter(|&pin| differs(pins[pin].verdict)).collect()
}
