//! What is wrong with single channels, when what they have in common has been taken out.

use super::{
    Diagnosis, Fault, Finding, Seen, Survey, channel,
    common::{Base, seen},
    list,
};
use crate::units::Ohms;

/// A channel with less than this to ground on the open plate is shorted, in ohms.
const SHORTED: f64 = 5.0;

/// How far a path may lie above the middle of all, in ohms, where the limit for all leaves more: a relay above 1.2 Ω is
/// worn where a new one has 0.2 Ω (docs/facts.md 2.3), and a relay that has been idle may show some.
const ABOVE_MIDDLE: f64 = 4.0;

/// How far the check resistor may be off: 1 % parts, and the meter.
const CHECK_TOLERANCE: f64 = 0.05;

/// Resistance between two wires that is still called a bridge, in ohms: solder has none, a flux residue far more.
const BRIDGE: f64 = 500.0;

/// What a channel that conducts reads on the ladder plate.
#[derive(Debug, Clone, Copy)]
struct Rung {
    channel: usize,
    /// What is there, in ohms.
    there: f64,
    /// What is seen, in ohms, with the meter's own current.
    seen: f64,
}

pub(super) fn diagnose(survey: &Survey, base: &Base, diagnosis: &mut Diagnosis) {
    let mut conducting = Vec::new();
    let mut unread = Vec::new();
    for (at, position) in survey.plated().filter(|(at, _)| !base.explained[*at]) {
        let [open, short, ladder] =
            [&survey.open, &survey.short, &survey.ladder].map(|list| Survey::at(list, at));
        if [open, short, ladder].contains(&Seen::Unread) {
            unread.push(channel(at));
        } else if let (Seen::Overload, Seen::Load { ohms: path, .. }) = (open, short)
            && ladder != Seen::Unsettled
        {
            path_high(survey, at, path, diagnosis);
            match (base.expected[at], seen(survey, at)) {
                (Some(there), Some(value)) => {
                    conducting.push(Rung { channel: at, there, seen: base.fit.corrected(value) });
                }
                (Some(there), None) if there + path.get() > survey.most.get() => {
                    diagnosis.unclear.push(format!(
                        "channel {at}: the resistor at position {position} of the ladder plate is more than this meter shows"
                    ));
                }
                (Some(_), None) => {
                    let evidence =
                        format!("it reads {} on the short plate, but OL on the ladder plate", short.shown());
                    diagnosis.findings.push(Finding::new(Fault::Intermittent, vec![channel(at)], evidence));
                }
                (None, _) => {}
            }
        } else if let Some((fault, evidence)) = blocked(survey, base, at) {
            diagnosis.findings.push(Finding::new(fault, vec![channel(at)], evidence));
        }
    }
    if !unread.is_empty() {
        diagnosis.unclear.push(format!("not read on every plate: channels {}", list(&unread)));
    }
    if base.ladder_speaks {
        ladder(survey, base, conducting, diagnosis);
    }
    check_resistor(survey, base, diagnosis);
}

/// What is wrong with a channel that does not come to rest, or does not read OL on the open plate and a load on the short
/// one.
fn blocked(survey: &Survey, base: &Base, at: usize) -> Option<(Fault, String)> {
    let [open, short, ladder] =
        [&survey.open, &survey.short, &survey.ladder].map(|list| Survey::at(list, at));
    Some(match (open, short, ladder) {
        _ if [open, short, ladder].contains(&Seen::Unsettled) => {
            (Fault::Intermittent, "its readings do not come to rest".to_owned())
        }
        // With nothing behind it: the last channel of a cable that is off by one, which is one finding already.
        (Seen::Overload, Seen::Overload, Seen::Overload) if base.expected[at].is_none() => return None,
        (_, Seen::Overload, Seen::Overload) => {
            (Fault::Dead, "it reads OL on the short and on the ladder plate".to_owned())
        }
        (Seen::Load { ohms, .. }, ..) if ohms.get() < SHORTED + survey.count.get() => {
            (Fault::Shorted, format!("on the open plate it reads {} instead of OL", open.shown()))
        }
        (Seen::Load { ohms, .. }, ..) => (
            Fault::Leaky,
            format!("on the open plate it reads {} instead of OL: {ohms} to ground", open.shown()),
        ),
        _ => (
            Fault::Intermittent,
            format!("it reads OL on the short plate, but {} on the ladder plate", ladder.shown()),
        ),
    })
}

/// Notes a path that lies too far above the middle of all.
fn path_high(survey: &Survey, at: usize, path: Ohms, diagnosis: &mut Diagnosis) {
    let middle = diagnosis.paths.map(|[_, middle, _]| middle);
    let limit =
        middle.map_or(survey.path_limit.get(), |middle| middle.get() + ABOVE_MIDDLE.max(0.3 * middle.get()));
    if path.get() > limit + 2.0 * survey.count.get() {
        let middle = middle.unwrap_or(Ohms::ZERO);
        let evidence = format!("on the short plate it reads {path}, the middle of all is {middle}");
        diagnosis.findings.push(Finding::new(Fault::PathHigh, vec![channel(at)], evidence));
    }
}

/// Sorts out the channels that do not read their own resistor.
fn ladder(survey: &Survey, base: &Base, read: Vec<Rung>, diagnosis: &mut Diagnosis) {
    let count = survey.count.get();
    let fits = |seen: f64, there: f64| base.fit.is_match(seen, there, count);
    let neighbours = crossed_neighbours(&read);
    let mut off: Vec<Rung> = read
        .iter()
        .copied()
        .filter(|one| !fits(one.seen, one.there) || neighbours.iter().any(|pair| pair.contains(&one.channel)))
        .collect();
    for list in cycles(&off, &fits) {
        off.retain(|one| !list.contains(&one.channel));
        let names: Vec<String> = list.iter().map(usize::to_string).collect();
        let evidence = format!(
            "on the ladder plate channel {} reads the resistor of {}",
            names[0],
            names[1..]
                .iter()
                .chain(&names[..1])
                .cloned()
                .collect::<Vec<_>>()
                .join(", that one the resistor of ")
        );
        let list = list.into_iter().map(channel).collect();
        diagnosis.findings.push(Finding::new(Fault::Crossed, list, evidence));
    }
    while let Some((a, b, between)) = bridge(&off, count) {
        off.retain(|one| one.channel != a && one.channel != b);
        let evidence = format!(
            "on the ladder plate both read their resistors in parallel, with {} between them",
            Ohms::of(between)
        );
        diagnosis.findings.push(Finding::new(Fault::Bridged, vec![channel(a), channel(b)], evidence));
    }
    for one in off.into_iter().filter(|one| !fits(one.seen, one.there)) {
        let (seen, there) = (Ohms::of(one.seen), Ohms::of(one.there));
        let (fault, evidence) = if one.seen < one.there {
            let leak = Ohms::of(1.0 / (1.0 / one.seen.max(1e-3) - 1.0 / one.there));
            (
                Fault::Leaky,
                format!("on the ladder plate it reads {seen} instead of {there}: {leak} to ground"),
            )
        } else {
            (Fault::Misread, format!("on the ladder plate it reads {seen} instead of {there}"))
        };
        diagnosis.findings.push(Finding::new(fault, vec![channel(one.channel)], evidence));
    }
}

/// Neighbours on the ladder whose readings fit better exchanged: their resistors differ by so little that each alone might
/// pass as a bad resistor.
fn crossed_neighbours(read: &[Rung]) -> Vec<[usize; 2]> {
    let deviation = |seen: f64, there: f64| (seen / there).ln().powi(2);
    let mut pairs = Vec::new();
    for (at, a) in read.iter().enumerate() {
        for b in &read[..at] {
            let apart = (a.there / b.there).ln().abs();
            if apart > 0.0 && apart < 0.06 {
                let own = deviation(a.seen, a.there) + deviation(b.seen, b.there);
                let exchanged = deviation(a.seen, b.there) + deviation(b.seen, a.there);
                if exchanged < own {
                    pairs.push([a.channel, b.channel]);
                }
            }
        }
    }
    pairs
}

/// Rings of channels of which each reads the resistor of the next.
fn cycles(off: &[Rung], fits: &dyn Fn(f64, f64) -> bool) -> Vec<Vec<usize>> {
    // The nearest of those that are off too: whoever reads right is not part of an exchange.
    let next: Vec<Option<usize>> = off
        .iter()
        .enumerate()
        .map(|(at, one)| {
            let distance = |other: &&(usize, &Rung)| (one.seen / other.1.there).ln().abs();
            off.iter()
                .enumerate()
                .filter(|(other, to)| *other != at && fits(one.seen, to.there))
                .min_by(|a, b| distance(&a).total_cmp(&distance(&b)))
                .map(|(other, _)| other)
        })
        .collect();
    let mut rings = Vec::new();
    let mut taken = vec![false; off.len()];
    for start in 0..off.len() {
        let mut ring = vec![start];
        let mut at = start;
        while let Some(to) = next[at].filter(|&to| !taken[to] && ring.len() <= off.len()) {
            if to == start {
                for &member in &ring {
                    taken[member] = true;
                }
                rings.push(ring.iter().map(|&member| off[member].channel).collect());
                break;
            }
            if ring.contains(&to) {
                break;
            }
            ring.push(to);
            at = to;
        }
    }
    rings
}

/// Two channels that both read low by one resistance between them.
fn bridge(off: &[Rung], count: f64) -> Option<(usize, usize, f64)> {
    let mut best: Option<(f64, usize, usize, f64)> = None;
    for (at, a) in off.iter().enumerate() {
        for b in &off[..at] {
            // Seen from one end: its own resistor in parallel with the bridge and the other resistor.
            let beside =
                |one: &Rung, other: &Rung| 1.0 / (1.0 / one.seen.max(1e-3) - 1.0 / one.there) - other.there;
            if a.seen >= a.there || b.seen >= b.there {
                continue;
            }
            let (from_a, from_b) = (beside(a, b), beside(b, a));
            let between = f64::midpoint(from_a, from_b);
            // An error of the reading grows by (what is beside / what is seen)² on its way into the bridge.
            let error = |one: &Rung, other: &Rung| {
                let beside = other.there + between.max(0.0);
                (beside / one.seen).powi(2) * (0.01 * one.seen + 1.0 + 2.0 * count)
            };
            let allowed = error(a, b) + error(b, a);
            let distance = (from_a - from_b).abs() / allowed;
            if distance <= 1.0
                && between >= -allowed
                && between <= BRIDGE
                && best.is_none_or(|best| distance < best.0)
            {
                best = Some((distance, b.channel, a.channel, between.max(0.0)));
            }
        }
    }
    best.map(|(_, a, b, between)| (a, b, between))
}

/// The check channel reads its resistor whatever plate is on.
fn check_resistor(survey: &Survey, base: &Base, diagnosis: &mut Diagnosis) {
    let Some((at, there)) = survey.check() else { return };
    if base.explained[at] {
        return;
    }
    let mut found =
        |fault, evidence: String| diagnosis.findings.push(Finding::new(fault, vec![channel(at)], evidence));
    // On the open plate no stuck channel is in parallel.
    match Survey::at(&survey.open, at) {
        Seen::Overload if there.get() < survey.most.get() => {
            found(Fault::CheckOpen, format!("it reads OL, expected {there}"));
        }
        Seen::Overload => diagnosis
            .unclear
            .push(format!("channel {at}: the check resistor of {there} is more than this meter shows")),
        Seen::Load { ohms, .. } => {
            let path = diagnosis.paths.map_or(0.0, |[_, middle, _]| middle.get());
            let seen = base.fit.corrected(ohms.get() - path);
            if (seen / there.get() - 1.0).abs() > CHECK_TOLERANCE {
                let evidence = format!("it reads {}, the wiring file says {there}", Ohms::of(seen));
                found(Fault::CheckResistor, evidence);
            }
        }
        Seen::Unsettled => found(Fault::Intermittent, "the check channel does not come to rest".to_owned()),
        Seen::Unread => diagnosis.unclear.push("the check channel was not read".to_owned()),
    }
}
