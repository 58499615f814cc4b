//! The report of one sweep.

use maud::{Markup, html};

use super::{
    super::{
        alternative, instruction, name,
        repair::{repaired_pins, still_planned},
        words::{self, Sign},
    },
    cautions, charts, conditions, drawing, foot, page, sign,
};
use crate::{
    cautions::CAUTIONS,
    compare::{Finding, Judgement, Verdict},
    connector::Connector,
    record::SweepRecord,
};

/// Other causes that a finding names.
const ALTERNATIVES: usize = 2;

/// The report of one sweep as one HTML file.
#[must_use]
pub fn of_sweep(record: &SweepRecord) -> String {
    let title = format!("Board {}, connector {}", words::board(record), record.connector.name);
    let body = html! {
        main {
            (head(record, "Sweep report"))
            (cautions(&words::cautions(record)))
            (body(record))
        }
        (foot(&[(words::board(record).to_owned(), record.fingerprint.to_string())]))
    };
    page(&title, &body)
}

/// Whose report it is, and the verdict.
pub(super) fn head(record: &SweepRecord, kind: &str) -> Markup {
    html! {
        header {
            p.kind { (kind) }
            h1 { "Board " (words::board(record)) }
            p.sub {
                "Connector " (record.connector.name) ", " (record.connector.pins.len()) " pins · "
                (words::when(&record.started))
                @if let Some(operator) = &record.operator { " · swept by " (operator) }
            }
            @match &record.judgement {
                Some(judgement) => (verdict(judgement)),
                None => p.verdict.unjudged { (sign(Sign::Unjudged, "Not judged: there is no reference that fits")) },
            }
        }
    }
}

/// The verdict with its sign.
pub(super) fn verdict(judgement: &Judgement) -> Markup {
    let (kind, word, reason) = verdict_words(judgement);
    html! {
        p class=(format!("verdict {}", kind.class())) {
            (drawing::icon(kind)) strong { (word) } span { (reason) }
        }
    }
}

/// Sign, word and reason of a verdict.
pub(super) fn verdict_words(judgement: &Judgement) -> (Sign, &'static str, String) {
    let whole = judgement.verdict.to_string();
    let reason = whole.split_once(": ").map_or(whole.as_str(), |(_, reason)| reason).to_owned();
    match judgement.verdict {
        Verdict::Matches { .. } => (Sign::Sound, "Matches", reason),
        Verdict::Differs(_) => (Sign::AtFault, "Differs", reason),
        Verdict::Inconclusive(_) => (Sign::Unexplained, "Inconclusive", reason),
    }
}

/// All that a judgement says, and under which conditions.
pub(super) fn body(record: &SweepRecord) -> Markup {
    let connector = &record.connector;
    html! {
        @if let Some(judgement) = &record.judgement {
            (findings(record, judgement))
            (repaired(record))
            section aria-labelledby="connector" {
                h2 id="connector" { "The connector" }
                (drawing::connector(connector, Some(judgement), &format!("{}, each pin with its reading in volts.", connector.name)))
            }
            section aria-labelledby="differences" {
                h2 id="differences" { "Differences" }
                (charts::differences(connector, judgement))
            }
            (pins(connector, judgement))
            section aria-labelledby="unseen" {
                h2 id="unseen" { "What this check does not show" }
                ul { @for line in words::not_shown(connector, &judgement.not_shown) { li { (words::sentence(&line)) "." } } }
            }
        } @else {
            (repaired(record))
            (readings(record))
        }
        @if !record.notes.is_empty() {
            section aria-labelledby="notes" {
                h2 id="notes" { "Notes" }
                ul { @for note in &record.notes { li { (note.text) } } }
            }
        }
        (checklist(&record.settings.repair.checklist))
        (safety())
        (conditions(&words::conditions(record)))
    }
}

fn findings(record: &SweepRecord, judgement: &Judgement) -> Markup {
    let shared = words::shared(&judgement.shared);
    html! {
        @if !judgement.findings.is_empty() {
            section aria-labelledby="findings" {
                h2 id="findings" { "Findings" }
                ol.findings { @for finding in &judgement.findings { li { (one(record, finding)) } } }
            }
        }
        @if !shared.is_empty() { p.shared { "Taken out first: " (shared.join("; ")) "." } }
    }
}

/// What was noted of the pins that were repaired, and what became of them.
fn repaired(record: &SweepRecord) -> Markup {
    let pins = repaired_pins(record);
    html! {
        @if !pins.is_empty() {
            section aria-labelledby="repaired" {
                h2 id="repaired" { "Repaired pins" }
                table.pins.repaired {
                    thead {
                        tr {
                            th scope="col" { "Pin" } th scope="col" { "Noted" } th scope="col" { "Now" }
                            th scope="col" { "Expected" } th.what scope="col" { "Verdict" }
                        }
                    }
                    tbody {
                        @for pin in &pins {
                            tr class=(pin.sign.class()) {
                                th class=(words::width(&pin.pin)) scope="row" { (pin.pin) }
                                td.text { (pin.note) } td.text { (pin.reads) }
                                td { @if let Some(expected) = pin.expected { (expected) } }
                                td.what.text { (sign(pin.sign, &pin.became)) }
                            }
                        }
                    }
                }
                @if let Some(planned) = still_planned(&record.settings.repair) { p { (words::sentence(&planned)) "." } }
            }
        }
    }
}

/// The user's own list for afterwards.
fn checklist(items: &[String]) -> Markup {
    html! {
        @if !items.is_empty() {
            section aria-labelledby="checklist" {
                h2 id="checklist" { "Once the board has power" }
                ul.checklist { @for item in items { li { (item) } } }
            }
        }
    }
}

fn one(record: &SweepRecord, finding: &Finding) -> Markup {
    let connector = &record.connector;
    let noted = repaired_pins(record).into_iter().filter(|pin| finding.pins.contains(&pin.index));
    let noted: Vec<String> = noted.map(|pin| format!("{}: {}", pin.pin, pin.note)).collect();
    html! {
        h3 {
            (words::sentence(&words::finding(connector, finding)))
            span.probability { (format!("{:.0} %", finding.probability * 100.0)) }
        }
        p.next { strong { "Next: " } (instruction(connector, &finding.next)) "." }
        table.evidence {
            thead { tr { th scope="col" { "Pin" } th scope="col" { "Expected" } th scope="col" { "Predicted" } th scope="col" { "Seen" } } }
            tbody {
                @for at in &finding.evidence {
                    tr {
                        th class=(words::width(&name(connector, at.pin))) scope="row" { (name(connector, at.pin)) }
                        td { (at.expected) } td { (at.predicted) } td { strong { (at.seen) } }
                    }
                }
            }
        }
        @if !noted.is_empty() { p.other { "Noted before: " (noted.join("; ")) "." } }
        @if !finding.alternatives.is_empty() {
            p.other {
                "One reading cannot tell it from: "
                (finding.alternatives.iter().take(ALTERNATIVES).map(|other| alternative(connector, other)).collect::<Vec<_>>().join("; ")) "."
            }
        }
    }
}

fn pins(connector: &Connector, judgement: &Judgement) -> Markup {
    html! {
        section aria-labelledby="pins" {
            h2 id="pins" { "Every pin" }
            table.pins {
                thead {
                    tr {
                        th scope="col" { "Pin" } th.wide scope="col" { "Net" } th scope="col" { "Reading" }
                        th scope="col" { "Expected" } th scope="col" { "Difference" br; small { "mV" } } th scope="col" { "Limit" br; small { "mV" } }
                        th.wide scope="col" { "Joint seen" br; small { "from" } } th.what scope="col" { "Verdict" }
                    }
                }
                tbody {
                    @for (index, pin) in judgement.pins.iter().enumerate() {
                        @let kind = Sign::of(pin);
                        tr class=(kind.class()) {
                            th class=(words::width(&name(connector, index))) scope="row" { (name(connector, index)) }
                            td.wide.net { (connector.pins.get(index).and_then(|pin| pin.net.as_deref()).unwrap_or("")) }
                            td { (pin.reading) } td { (pin.expected) }
                            td { (pin.difference.map_or_else(String::new, words::millivolts)) }
                            td { (pin.limit.map_or_else(String::new, |limit| format!("{:.1}", limit.get() * 1e3))) }
                            td.wide {
                                @if let Some(Some(joint)) = judgement.not_shown.smallest_joint.get(index) { (joint) }
                            }
                            td.what { (sign(kind, &words::verdict(pin))) }
                        }
                    }
                }
            }
        }
    }
}

/// The usual cautions, for whoever works on the board next.
fn safety() -> Markup {
    html! {
        section aria-labelledby="safety" {
            h2 id="safety" { "Before anybody works on the board" }
            dl.conditions {
                @for caution in CAUTIONS {
                    div { dt { (words::sentence(caution.title)) } dd { (caution.text) } }
                }
            }
        }
    }
}

/// What was read, where nothing was judged.
fn readings(record: &SweepRecord) -> Markup {
    html! {
        section aria-labelledby="pins" {
            h2 id="pins" { "Every pin" }
            table.pins {
                thead { tr { th scope="col" { "Pin" } th scope="col" { "Net" } th scope="col" { "Reading" } } }
                tbody {
                    @for (pin, value) in record.connector.pins.iter().zip(&record.readings) {
                        tr { th scope="row" { (pin.name) } td.net { (pin.net.as_deref().unwrap_or("")) } td { (value) } }
                    }
                }
            }
        }
    }
}
