//! Before and after a repair: what it changed, what it broke, what is left.

use maud::{Markup, html};

use super::{
    super::{name, names, words},
    cautions, drawing, foot, page,
    sweep::{body, head},
};
use crate::{
    compare::{Change, Judgement, PinChange},
    record::SweepRecord,
};

/// The report on two sweeps of one board as one HTML file. Both must be of the same connector.
#[must_use]
pub fn before_and_after(before: &SweepRecord, after: &SweepRecord) -> String {
    let title =
        format!("Board {}, connector {}: before and after", words::board(after), after.connector.name);
    let mut mind = words::cautions(before);
    mind.extend(words::cautions(after).into_iter().filter(|line| !words::cautions(before).contains(line)));
    if before.board != after.board {
        mind.push(format!(
            "The two sweeps name different boards: {} and {}.",
            words::board(before),
            words::board(after)
        ));
    }
    let page_body = html! {
        main {
            (head(after, "Before and after a repair"))
            (cautions(&mind))
            @if let (Some(first), Some(second)) = (&before.judgement, &after.judgement) {
                (changes(before, after, first, second))
            } @else {
                p { "One of the two sweeps was not judged, so there is nothing to compare." }
            }
            section.second aria-label="The sweep after the repair" { (body(after)) }
        }
        (foot(&[
            (format!("before, {}", words::when(&before.started)), before.fingerprint.to_string()),
            (format!("after, {}", words::when(&after.started)), after.fingerprint.to_string()),
        ]))
    };
    page(&title, &page_body)
}

fn changes(before: &SweepRecord, after: &SweepRecord, first: &Judgement, second: &Judgement) -> Markup {
    let connector = &after.connector;
    let change = Change::between(first, second);
    let parts = [
        (PinChange::Repaired, "Repaired", "differed before, match now"),
        (PinChange::Broken, "Broken", "matched before, differ now"),
        (PinChange::Left, "Left", "differed before, differ now"),
        (PinChange::Unclear, "Unclear", "not judged in one of the two sweeps"),
    ];
    let finding = |judgement: &Judgement, index: &usize| {
        judgement.findings.get(*index).map(|found| words::sentence(&words::finding(connector, found)))
    };
    html! {
        section aria-labelledby="changed" {
            h2 id="changed" { "What changed" }
            dl.change {
                @for (kind, word, what) in parts {
                    @let pins = change.pins(kind);
                    @if !pins.is_empty() || kind != PinChange::Unclear {
                        div class=(kind.code()) {
                            dt { (word) strong { (pins.len()) } }
                            dd { @if pins.is_empty() { "none" } @else { (words::sentence(&names(connector, &pins))) ": " (what) } }
                        }
                    }
                }
            }
            @let groups = [("Gone", first, &change.gone), ("Still there", second, &change.left), ("New", second, &change.new)];
            @for (word, judgement, list) in groups {
                @if !list.is_empty() {
                    h3 { (word) }
                    ul { @for text in list.iter().filter_map(|index| finding(judgement, index)) { li { (text) } } }
                }
            }
            @let moved = [change.pins(PinChange::Repaired), change.pins(PinChange::Broken), change.pins(PinChange::Left)].concat();
            @if !moved.is_empty() {
                table.evidence {
                    thead { tr { th scope="col" { "Pin" } th scope="col" { "Before" } th scope="col" { "After" } th scope="col" { "Expected" } th.what scope="col" { "Change" } } }
                    tbody {
                        @for pin in moved {
                            tr {
                                th class=(words::width(&name(connector, pin))) scope="row" { (name(connector, pin)) }
                                td { (first.pins[pin].reading) } td { strong { (second.pins[pin].reading) } }
                                td { (second.pins[pin].expected) } td.what { (change.pins[pin].code()) }
                            }
                        }
                    }
                }
            }
            (drawing::connector(connector, Some(first), &format!("Before: {}.", words::when(&before.started))))
        }
    }
}
