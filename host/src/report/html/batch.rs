//! The report of a batch: how it goes, what jig and meter do, every board.

use maud::{Markup, html};

use super::{
    super::{
        name, notice,
        words::{self, Sign},
    },
    charts::{self, DriftChart},
    drawing, foot, page, sign,
};
use crate::{
    batch::{Common, Outcome, Summary, Suspicion},
    connector::{Connector, Wiring},
    statistics::Share,
};

/// A batch and what its page shows besides the summary.
#[derive(Debug, Clone)]
pub struct BatchPage {
    /// The connector.
    pub connector: Connector,
    /// The wiring of the jig.
    pub wiring: Option<Wiring>,
    /// What tells the jig from others.
    pub jig: String,
    /// How the batch goes.
    pub summary: Summary,
    /// Every sweep, in order.
    pub sweeps: Vec<SweepLine>,
    /// What a reader must know before believing the report.
    pub cautions: Vec<String>,
}

/// One sweep in the list of a batch.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepLine {
    /// Ticket number or other name of the board.
    pub board: String,
    /// When: RFC 3339 text.
    pub when: String,
    /// The verdict; `None` where nothing was judged.
    pub outcome: Option<Outcome>,
    /// Findings in a few words, or why there is no verdict.
    pub what: String,
    /// SHA-256 of its session log.
    pub fingerprint: String,
}

/// Pins in the list of the most frequent.
const MOST_PINS: usize = 12;

/// The report of batches as one HTML file: one a connector and jig.
#[must_use]
pub fn of_batch(pages: &[BatchPage]) -> String {
    let title = match pages {
        [one] => {
            format!(
                "Batch of {}, connector {}",
                words::count(one.summary.of_boards.count.all(), "board"),
                one.connector.name
            )
        }
        _ => format!("{} batches", pages.len()),
    };
    let body = html! {
        main {
            @for page in pages { (one(page)) }
        }
        (foot(&[]))
    };
    page(&title, &body)
}

fn one(batch: &BatchPage) -> Markup {
    let summary = &batch.summary;
    let boards = &summary.of_boards;
    html! {
        header {
            p.kind { "Batch report" }
            h1 { (words::count(boards.count.all(), "board")) ", connector " (batch.connector.name) }
            p.sub {
                (words::count(boards.sweeps, "sweep")) " on " (batch.jig)
                @if let (Some(first), Some(last)) = (batch.sweeps.first(), batch.sweeps.last()) {
                    " · " (words::when(&first.when)) " to " (words::when(&last.when))
                }
            }
        }
        (super::cautions(&batch.cautions))
        div.part {
            h2 { "Yield" }
            div.yields {
                (share("match now", boards.now))
                (share("matched at their first sweep", boards.at_first))
            }
            p.tally {
                (sign(Sign::Sound, &format!("{} match", boards.count.matching)))
                (sign(Sign::AtFault, &format!("{} differ", boards.count.differing)))
                (sign(Sign::Unexplained, &format!("{} inconclusive", boards.count.inconclusive)))
                @if boards.count.misplaced > 0 {
                    (sign(Sign::Unjudged, &format!("{} seated wrongly, not counted until swept again", boards.count.misplaced)))
                }
            }
        }
        (noticed(batch))
        @if !summary.by_kind.is_empty() {
            div.part {
                h2 { "Faults of the boards" }
                div.columns {
                    (charts::bars("By kind", &summary.by_kind.iter().map(|by| (by.kind.to_string(), by.faults)).collect::<Vec<_>>()))
                    (charts::bars("By pin", &summary.by_pin.iter().take(MOST_PINS).map(|by| (name(&batch.connector, by.pin), by.boards)).collect::<Vec<_>>()))
                }
            }
        }
        div.part {
            h2 { "Every sweep" }
            table.boards {
                thead { tr { th scope="col" { "Board" } th.what scope="col" { "Swept" } th.what scope="col" { "Verdict" } th.what scope="col" { "Findings" } th.wide.what scope="col" { "Log SHA-256" } } }
                tbody {
                    @for line in &batch.sweeps {
                        @let (kind, word) = outcome(line.outcome);
                        tr class=(kind.class()) {
                            th class=(words::width(&line.board)) scope="row" { (line.board) }
                            td.what { (words::when(&line.when)) }
                            td.what { (sign(kind, word)) }
                            td.what { (line.what) }
                            td.wide.what { code { (line.fingerprint.get(..16).unwrap_or(&line.fingerprint)) "…" } }
                        }
                    }
                }
            }
        }
    }
}

/// A share as a number and as a bar with its interval.
fn share(what: &str, share: Option<Share>) -> Markup {
    html! {
        @if let Some(share) = share {
            div.share {
                p { strong { (format!("{:.1} %", 100.0 * share.value())) } " " (what) ", " (share.hits) " of " (share.trials) }
                svg aria-hidden="true" viewBox="0 0 200 16" {
                    line.grid x1="0" x2="200" y1="8" y2="8" {}
                    rect.interval x=(200.0 * share.low) y="4" width=(200.0 * (share.high - share.low)) height="8" {}
                    line.value x1=(200.0 * share.value()) x2=(200.0 * share.value()) y1="0" y2="16" {}
                }
                p.interval { "95 % interval (Wilson): " (format!("{:.1} to {:.1} %", 100.0 * share.low, 100.0 * share.high)) }
            }
        }
    }
}

/// What was noticed of jig and meter, and how often sound ones would be.
fn noticed(batch: &BatchPage) -> Markup {
    let (summary, connector) = (&batch.summary, &batch.connector);
    let stated = summary.stated;
    let after = |wanted: &dyn Fn(&Suspicion) -> bool| -> Vec<usize> {
        summary.notices.iter().filter(|n| wanted(&n.what)).map(|n| n.at).collect()
    };
    let boards = summary.boards.len();
    let shift = DriftChart {
        title: "What all pins share: how much more junctions drop than in the reference".to_owned(),
        drift: &summary.shift,
        unit: (1e3, "mV"),
        noticed: after(&|what| matches!(what, Suspicion::AllDrift { what: Common::Shift, .. })),
        boards,
    };
    let slope = DriftChart {
        title: "How much more pins read, as a part of their drop".to_owned(),
        drift: &summary.slope,
        unit: (1e2, "%"),
        noticed: after(&|what| matches!(what, Suspicion::AllDrift { what: Common::Slope, .. })),
        boards,
    };
    html! {
        div.part {
            h2 { "Jig and meter" }
            @if summary.notices.is_empty() {
                p { (drawing::icon(Sign::Sound)) " Nothing was noticed: no pin wears, the meter does not drift, no channel fails on board after board." }
            } @else {
                ol.notices {
                    @for found in &summary.notices {
                        @let text = notice(connector, batch.wiring.as_ref(), found);
                        li {
                            p { strong { "After board " (found.at) " (" (found.board) "): " } (text.what) "." }
                            p.next { strong { "Next: " } (text.next) "." }
                        }
                    }
                }
            }
            div.columns {
                (charts::drift(&shift))
                (charts::drift(&slope))
                @for (pin, drift) in &summary.pins {
                    (charts::drift(&DriftChart {
                        title: format!("Pin {}: difference of sound boards, what all pins share taken out", name(connector, *pin)),
                        drift,
                        unit: (1e3, "mV"),
                        noticed: after(&|what| what.pin() == Some(*pin)),
                        boards,
                    }))
                }
            }
            p.small {
                "Sound boards, jig and meter raise at most one such notice in " (format!("{:.0}", stated.run_length))
                " boards on average: " (stated.charted) " pins, what they share and all channels together. Faulty pins do not reach the charts. Dots are boards, the line is their moving average."
            }
        }
    }
}

const fn outcome(outcome: Option<Outcome>) -> (Sign, &'static str) {
    match outcome {
        Some(Outcome::Matches) => (Sign::Sound, "matches"),
        Some(Outcome::Differs) => (Sign::AtFault, "differs"),
        Some(Outcome::Inconclusive) => (Sign::Unexplained, "inconclusive"),
        None => (Sign::Unjudged, "not judged"),
    }
}
