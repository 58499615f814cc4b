//! A judgement as text that a technician can act on: the verdict and one sentence a finding first, then what to
//! check next, then every pin.

use std::fmt::Write;

use super::{alternative, fault, instruction, name, names, words};
use crate::{
    compare::{Judgement, NotShown, PinJudgement, PinVerdict, Shared},
    connector::Connector,
    units::Volts,
};

/// How many alternatives a finding names.
const ALTERNATIVES: usize = 2;

/// A judgement as text.
#[must_use]
pub fn text(connector: &Connector, judgement: &Judgement) -> String {
    let mut out = String::new();
    // Writing to a string cannot fail.
    let _ = write(&mut out, connector, judgement);
    out
}

fn write(out: &mut String, connector: &Connector, judgement: &Judgement) -> std::fmt::Result {
    writeln!(out, "Board {} {}", judgement.board, judgement.verdict)?;
    for finding in &judgement.findings {
        write!(out, "  ! {}", fault(connector, finding.kind, &finding.pins))?;
        if let Some(ohms) = finding.ohms {
            write!(out, ", about {ohms}")?;
        }
        writeln!(out, " ({:.0} %)", finding.probability * 100.0)?;
        for seen in &finding.evidence {
            writeln!(
                out,
                "      pin {} expected {}, seen {}; the fault predicts {}",
                name(connector, seen.pin),
                seen.expected,
                seen.seen,
                seen.predicted
            )?;
        }
        if !finding.alternatives.is_empty() {
            let others: Vec<String> =
                finding.alternatives.iter().take(ALTERNATIVES).map(|a| alternative(connector, a)).collect();
            writeln!(out, "      one reading cannot tell it from: {}", others.join("; "))?;
        }
    }
    let unexplained: Vec<usize> =
        (0..judgement.pins.len()).filter(|&p| judgement.pins[p].verdict == PinVerdict::Unexplained).collect();
    if !unexplained.is_empty() {
        writeln!(out, "  ? {} outside the limits, and no fault explains it", names(connector, &unexplained))?;
    }
    if !judgement.doubtful.is_empty() {
        let pins = names(connector, &judgement.doubtful);
        writeln!(out, "  ~ {pins} near the limit, too little to condemn: clean, touch again, read again")?;
    }
    shared(out, &judgement.shared)?;
    if !judgement.findings.is_empty() {
        writeln!(out, "Check next:")?;
        for (index, finding) in judgement.findings.iter().enumerate() {
            writeln!(out, "  {}. {}", index + 1, instruction(connector, &finding.next))?;
        }
    }
    if let Some(placement) = judgement.placement {
        writeln!(out, "Check next:\n  1. {}", words::remedy(placement))?;
    }
    table(out, connector, &judgement.pins)?;
    not_shown(out, connector, &judgement.not_shown)
}

fn shared(out: &mut String, shared: &Shared) -> std::fmt::Result {
    let parts = words::shared(shared);
    if parts.is_empty() { Ok(()) } else { writeln!(out, "Taken out first: {}", parts.join("; ")) }
}

fn table(out: &mut String, connector: &Connector, pins: &[PinJudgement]) -> std::fmt::Result {
    let width = connector.pins.iter().map(|pin| pin.name.as_str().chars().count()).max().unwrap_or(0).max(3);
    writeln!(out, "  {:>width$}  reading  expected  difference   limit", "pin")?;
    for (index, pin) in pins.iter().enumerate() {
        let sign = match pin.verdict {
            PinVerdict::Matches => "",
            PinVerdict::AtFault => "  ! differs",
            PinVerdict::MovesAlong => "  ~ moves along",
            PinVerdict::Unexplained => "  ? differs",
            PinVerdict::Unread(_) => "  - not read",
            PinVerdict::NoReference => "  - no reference",
            PinVerdict::Misplaced => "",
        };
        let difference = pin.difference.map_or_else(String::new, signed);
        let limit = pin.limit.map_or_else(String::new, |limit| limit.to_string());
        let row = format!(
            "  {:>width$}  {:>7}  {:>8}  {difference:>10}  {limit:>6}{sign}",
            name(connector, index),
            pin.reading,
            pin.expected,
        );
        writeln!(out, "{}", row.trim_end())?;
    }
    Ok(())
}

fn not_shown(out: &mut String, connector: &Connector, limits: &NotShown) -> std::fmt::Result {
    writeln!(out, "This check does not show:")?;
    for line in words::not_shown(connector, limits) {
        writeln!(out, "  {line}")?;
    }
    Ok(())
}

fn signed(volts: Volts) -> String {
    format!("{}{volts}", if volts.get() >= 0.0005 { "+" } else { "" })
}
