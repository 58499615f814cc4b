//! A judgement as one line of JSON.

use serde::Serialize;

use super::instruction;
use crate::{
    compare::{Evidence, Judgement, PinVerdict, Placement, Shared},
    connector::Connector,
    readings::PinValue,
    units::Volts,
};

#[derive(Serialize)]
struct Line<'a> {
    board: &'a str,
    verdict: &'static str,
    reason: String,
    flagged: Vec<&'a str>,
    findings: Vec<Found<'a>>,
    /// Pins near their limits, worth a second reading.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    doubtful: Vec<&'a str>,
    placement: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    shifted_by: Option<i32>,
    shared: Common,
    #[serde(skip_serializing_if = "Option::is_none")]
    pins: Option<Vec<PinLine<'a>>>,
}

#[derive(Serialize)]
struct Found<'a> {
    kind: &'static str,
    pins: Vec<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    ohms: Option<f64>,
    probability: f64,
    predicted: Vec<At<'a>>,
    seen: Vec<At<'a>>,
    alternatives: Vec<Other<'a>>,
    next: String,
}

#[derive(Serialize)]
struct At<'a> {
    pin: &'a str,
    reading: Shown,
}

#[derive(Serialize)]
struct Other<'a> {
    kind: &'static str,
    pins: Vec<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    ohms: Option<f64>,
    probability: f64,
}

#[derive(Serialize)]
struct Common {
    #[serde(skip_serializing_if = "Option::is_none")]
    drop_volts: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    warmer_kelvin: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    current_ratio: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    path_ohms: Option<f64>,
}

#[derive(Serialize)]
struct PinLine<'a> {
    pin: &'a str,
    reading: Shown,
    reference: Shown,
    expected: Shown,
    #[serde(skip_serializing_if = "Option::is_none")]
    difference: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    limit: Option<f64>,
    verdict: &'static str,
}

/// A reading in JSON: a number of volts, `"OL"`, or `null` where there is none.
#[derive(Serialize)]
#[serde(untagged)]
enum Shown {
    Volts(f64),
    Word(&'static str),
    Nothing,
}

/// One judgement as a line of JSON, without its line end; with every pin if `pins`.
#[must_use]
pub fn json(connector: &Connector, judgement: &Judgement, pins: bool) -> String {
    serde_json::to_string(&line(connector, judgement, pins))
        .expect("plain structs of text and finite numbers are JSON")
}

/// The same with every pin, as a part of a document.
pub(super) fn judgement_value(connector: &Connector, judgement: &Judgement) -> serde_json::Value {
    serde_json::to_value(line(connector, judgement, true))
        .expect("plain structs of text and finite numbers are JSON")
}

fn line<'a>(connector: &'a Connector, judgement: &'a Judgement, pins: bool) -> Line<'a> {
    let name = |pin: &usize| connector.pins.get(*pin).map_or("?", |pin| pin.name.as_str());
    let list = |pins: &[usize]| pins.iter().map(name).collect::<Vec<_>>();
    let at = |evidence: &[Evidence], value: fn(&Evidence) -> PinValue| {
        evidence.iter().map(|e| At { pin: name(&e.pin), reading: shown(value(e)) }).collect::<Vec<_>>()
    };
    Line {
        board: &judgement.board,
        verdict: judgement.verdict.code(),
        reason: judgement.verdict.to_string(),
        flagged: list(&judgement.flagged),
        findings: judgement
            .findings
            .iter()
            .map(|finding| Found {
                kind: finding.kind.code(),
                pins: list(&finding.pins),
                ohms: finding.ohms.map(|ohms| digits(ohms.get(), 2)),
                probability: digits(finding.probability, 4),
                predicted: at(&finding.evidence, |e| e.predicted),
                seen: at(&finding.evidence, |e| e.seen),
                alternatives: finding
                    .alternatives
                    .iter()
                    .map(|other| Other {
                        kind: other.kind.code(),
                        pins: list(&other.pins),
                        ohms: other.ohms.map(|ohms| digits(ohms.get(), 2)),
                        probability: digits(other.probability, 4),
                    })
                    .collect(),
                next: instruction(connector, &finding.next),
            })
            .collect(),
        doubtful: list(&judgement.doubtful),
        placement: judgement.placement.map(Placement::code),
        shifted_by: match judgement.placement {
            Some(Placement::Shifted { by }) => Some(by),
            _ => None,
        },
        shared: common(&judgement.shared),
        pins: pins.then(|| {
            judgement
                .pins
                .iter()
                .enumerate()
                .map(|(index, pin)| PinLine {
                    pin: name(&index),
                    reading: shown(pin.reading),
                    reference: shown(pin.reference),
                    expected: shown(pin.expected),
                    difference: pin.difference.map(millivolts),
                    limit: pin.limit.map(millivolts),
                    verdict: verdict_code(&pin.verdict),
                })
                .collect()
        }),
    }
}

/// The name of a pin's verdict in files.
pub(super) const fn verdict_code(verdict: &PinVerdict) -> &'static str {
    match verdict {
        PinVerdict::Matches => "matches",
        PinVerdict::AtFault => "at_fault",
        PinVerdict::MovesAlong => "moves_along",
        PinVerdict::Unexplained => "unexplained",
        PinVerdict::Unread(_) => "unread",
        PinVerdict::NoReference => "no_reference",
        PinVerdict::Misplaced => "misplaced",
    }
}

fn common(shared: &Shared) -> Common {
    Common {
        drop_volts: shared.drop.map(millivolts),
        warmer_kelvin: shared.warmer.map(|kelvin| digits(kelvin.get(), 1)),
        current_ratio: shared.current_ratio.map(|ratio| digits(ratio, 3)),
        path_ohms: shared.path.map(|ohms| digits(ohms.get(), 1)),
    }
}

fn shown(value: PinValue) -> Shown {
    match value {
        PinValue::Volts(volts) => Shown::Volts(millivolts(volts)),
        PinValue::Overload => Shown::Word("OL"),
        PinValue::Unread(_) => Shown::Nothing,
    }
}

/// Volts with the decimals of a bench meter's diode test and one more.
pub(super) fn millivolts(volts: Volts) -> f64 {
    digits(volts.get(), 4)
}

fn digits(value: f64, decimals: i32) -> f64 {
    let scale = 10f64.powi(decimals);
    let rounded = (value * scale).round() / scale;
    // A difference that rounds to nothing must not print as -0.0.
    if rounded == 0.0 { 0.0 } else { rounded }
}
