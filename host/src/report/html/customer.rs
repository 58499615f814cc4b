//! One page for the owner of a board, in plain words.

use maud::{Markup, html};

use super::{
    super::{names, words},
    drawing, page,
};
use crate::{
    compare::{Finding, Judgement, Kind, Verdict},
    connector::Connector,
    record::SweepRecord,
};

/// A one-page report for a customer as one HTML file.
#[must_use]
pub fn customer(record: &SweepRecord) -> String {
    let connector = &record.connector;
    let title = format!("Check of connector {} on board {}", connector.name, words::board(record));
    let body = html! {
        main.customer {
            header {
                p.kind { "Result of an electrical check" }
                h1 { "Connector " (connector.name) " on board " (words::board(record)) }
                p.sub { "Checked on " (words::when(&record.started)) }
            }
            @if record.practice.is_some() {
                div.cautions role="note" { p { strong { "Mind: " } "this is a practice run on an invented board, not a real repair." } }
            }
            (result(record))
            @if let Some(judgement) = &record.judgement {
                (drawing::connector(connector, Some(judgement), "Each mark is one contact, with the voltage that was measured on it."))
            }
            section aria-labelledby="how" {
                h2 id="how" { "How it was checked" }
                p {
                    "The board was without power. A meter sent a very small current through each of the "
                    (connector.pins.len()) " contacts, one after another, and every reading was compared with "
                    (compared_with(record)) "."
                }
            }
            section aria-labelledby="limits" {
                h2 id="limits" { "What this check cannot tell" }
                p {
                    "It looks at the contacts of this connector and what is behind them. It does not run the board, it does not look at other connectors, and it cannot see a contact that is weak but still good today."
                }
                @if let Some(judgement) = &record.judgement {
                    @if !judgement.not_shown.open_by_design.is_empty() {
                        p { (unchecked(judgement.not_shown.open_by_design.len())) }
                    }
                }
                @for over in &record.overrides { p { "A safety check was overridden by " (over.by) ": " (over.why) } }
            }
            footer { p.maker { "Session log SHA-256 " code { (record.fingerprint) } " · " (concat!("Pintally ", env!("CARGO_PKG_VERSION"))) } }
        }
    };
    page(&title, &body)
}

/// Contacts behind which a meter finds nothing on a good board either: those of fast lines are used all the same.
fn unchecked(contacts: usize) -> String {
    let why = match contacts {
        1 => {
            "contact reads as open on a good board too: it is not used, or its signal passes through a small part that stops the \
              meter's current. Whether it is connected cannot be seen this way."
        }
        _ => {
            "contacts read as open on a good board too: they are not used, or their signals pass through small parts that stop \
              the meter's current. Whether they are connected cannot be seen this way."
        }
    };
    format!("{contacts} {why}")
}

fn compared_with(record: &SweepRecord) -> String {
    match record.reference.as_ref().and_then(|by| by.known_good) {
        Some(1) => "a board that is known to work".to_owned(),
        Some(count) => format!("{count} boards that are known to work"),
        None => "boards that are known to work".to_owned(),
    }
}

fn result(record: &SweepRecord) -> Markup {
    let unchecked = record.judgement.as_ref().map_or(0, |judgement| judgement.not_shown.open_by_design.len());
    let pins = record.connector.pins.len().saturating_sub(unchecked);
    let complete = record.is_complete();
    html! {
        @match &record.judgement {
            None => p.plain { "The contacts were measured, but there was no known-good board to compare them with." },
            Some(judgement) => {
                @match judgement.verdict {
                    Verdict::Matches { .. } if complete => p.plain { "All is well: " (words::count(pins, "contact")) " could be checked, and all of them read as on a board that works." },
                    Verdict::Matches { .. } => p.plain { "What was measured reads as on a board that works, but the check was ended early." },
                    Verdict::Inconclusive(_) => p.plain { "No fault was found, but not every contact could be judged. The check should be repeated." },
                    Verdict::Differs(_) if judgement.placement.is_some() => p.plain { "The board was not connected properly for this check, so that nothing can be said about it. The check should be repeated." },
                    Verdict::Differs(_) => (problems(&record.connector, judgement)),
                }
            }
        }
    }
}

fn problems(connector: &Connector, judgement: &Judgement) -> Markup {
    let count = judgement.findings.len();
    html! {
        @if count == 0 {
            p.plain { "Some contacts do not read as on a board that works; the cause is not known yet." }
        } @else {
            p.plain { @if count == 1 { "One problem was found:" } @else { (count) " problems were found:" } }
            ul.plain { @for finding in &judgement.findings { li { (plain(connector, finding)) } } }
        }
    }
}

/// A fault without a word of the trade.
fn plain(connector: &Connector, finding: &Finding) -> String {
    let pins = names(connector, &finding.pins).replacen("pin", "contact", 1);
    let text = match finding.kind {
        Kind::OpenJoint => format!("{pins} has no connection to the board"),
        Kind::ShortToGround => format!("{pins} touches ground, where it must not"),
        Kind::Bridge => format!("{pins} touch each other, where they must not"),
        Kind::HighResistanceJoint => format!("{pins} is connected poorly"),
        Kind::Leakage => {
            format!("a small current leaks away at {pins}, perhaps through residue or a damaged part")
        }
        Kind::Swapped => format!("{pins} are exchanged"),
        Kind::MissingPart => format!("a part behind {pins} seems to be missing"),
    };
    let sure = if finding.probability >= 0.9 { "" } else { " (probably)" };
    format!("{}{sure}.", words::sentence(&text))
}
