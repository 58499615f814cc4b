//! Reports as Markdown (CommonMark with tables), for tickets and wikis.
//!
//! Texts from outside are escaped: a note cannot become a heading, a link or HTML.

use std::fmt::Write;

use super::{
    BatchPage, instruction, name, names, notice,
    repair::{repaired_pins, still_planned},
    words::{self, Sign},
};
use crate::{
    batch::Outcome,
    cautions::CAUTIONS,
    compare::{Change, Judgement, PinChange},
    connector::Connector,
    record::SweepRecord,
};

/// The report of one sweep.
#[must_use]
pub fn sweep_markdown(record: &SweepRecord) -> String {
    let mut out = String::new();
    heading(&mut out, record, "");
    list(&mut out, "", &words::cautions(record));
    body(&mut out, record);
    record_line(&mut out, record);
    out
}

/// The report on two sweeps of one board.
#[must_use]
pub fn change_markdown(before: &SweepRecord, after: &SweepRecord) -> String {
    let mut out = String::new();
    heading(&mut out, after, ", before and after a repair");
    let mut mind = words::cautions(before);
    mind.extend(words::cautions(after).into_iter().filter(|line| !words::cautions(before).contains(line)));
    list(&mut out, "", &mind);
    if let (Some(first), Some(second)) = (&before.judgement, &after.judgement) {
        changed(&mut out, &after.connector, first, second);
    }
    body(&mut out, after);
    record_line(&mut out, before);
    record_line(&mut out, after);
    out
}

/// The report of batches.
#[must_use]
pub fn batch_markdown(pages: &[BatchPage]) -> String {
    let mut out = String::new();
    for page in pages {
        batch(&mut out, page);
    }
    out
}

fn heading(out: &mut String, record: &SweepRecord, more: &str) {
    let _ = writeln!(
        out,
        "# Board {}, connector {}{more}\n",
        escaped(words::board(record)),
        escaped(&record.connector.name)
    );
    let by = record.operator.as_deref().map_or_else(String::new, |by| format!(", by {}", escaped(by)));
    let _ = writeln!(out, "Swept {}{by}.\n", escaped(&words::when(&record.started)));
    let verdict = record
        .judgement
        .as_ref()
        .map_or_else(|| "not judged".to_owned(), |judgement| judgement.verdict.to_string());
    let _ = writeln!(out, "**{}**\n", escaped(&words::sentence(&verdict)));
}

fn body(out: &mut String, record: &SweepRecord) {
    let connector = &record.connector;
    if let Some(judgement) = &record.judgement {
        if !judgement.findings.is_empty() {
            let _ = writeln!(out, "## Findings\n");
            for finding in &judgement.findings {
                let _ = writeln!(
                    out,
                    "- **{}** ({:.0} %). Next: {}.",
                    escaped(&words::sentence(&words::finding(connector, finding))),
                    finding.probability * 100.0,
                    escaped(&instruction(connector, &finding.next))
                );
                for at in &finding.evidence {
                    let _ = writeln!(
                        out,
                        "  - pin {}: expected {}, predicted {}, seen {}",
                        escaped(&name(connector, at.pin)),
                        at.expected,
                        at.predicted,
                        at.seen
                    );
                }
            }
            out.push('\n');
        }
        list(out, "Taken out first", &words::shared(&judgement.shared));
        repaired(out, record);
        pins(out, connector, judgement);
        list(out, "What this check does not show", &words::not_shown(connector, &judgement.not_shown));
    } else {
        repaired(out, record);
    }
    list(out, "Notes", &record.notes.iter().map(|note| note.text.clone()).collect::<Vec<_>>());
    let boxes: Vec<String> =
        record.settings.repair.checklist.iter().map(|item| format!("☐ {item}")).collect();
    list(out, "Once the board has power", &boxes);
    let safety: Vec<String> = CAUTIONS
        .iter()
        .map(|caution| format!("{}: {}", words::sentence(caution.title), caution.text))
        .collect();
    list(out, "Before anybody works on the board", &safety);
    let conditions: Vec<String> =
        words::conditions(record).into_iter().map(|(name, value)| format!("{name}: {value}")).collect();
    list(out, "Conditions", &conditions);
}

/// What was noted of the pins that were repaired, and what became of them.
fn repaired(out: &mut String, record: &SweepRecord) {
    let pins = repaired_pins(record);
    if pins.is_empty() {
        return;
    }
    let _ = writeln!(out, "## Repaired pins\n");
    let _ = writeln!(out, "| pin | noted | now | expected | verdict |");
    let _ = writeln!(out, "| --- | --- | --- | ---: | --- |");
    for pin in pins {
        let became = escaped(&pin.became);
        let became = if pin.sign == Sign::AtFault { format!("**{became}**") } else { became };
        let expected = pin.expected.map_or_else(String::new, |expected| expected.to_string());
        let (name, note) = (escaped(&pin.pin), escaped(&pin.note));
        let _ = writeln!(out, "| {name} | {note} | {} | {expected} | {became} |", pin.reads);
    }
    out.push('\n');
    if let Some(planned) = still_planned(&record.settings.repair) {
        let _ = writeln!(out, "{}.\n", escaped(&words::sentence(&planned)));
    }
}

fn pins(out: &mut String, connector: &Connector, judgement: &Judgement) {
    let _ = writeln!(out, "## Every pin\n");
    let _ = writeln!(out, "| pin | reading | expected | difference, mV | limit, mV | verdict |");
    let _ = writeln!(out, "| --- | ---: | ---: | ---: | ---: | --- |");
    for (index, pin) in judgement.pins.iter().enumerate() {
        let verdict = words::verdict(pin);
        let verdict = if Sign::of(pin) == Sign::AtFault { format!("**{verdict}**") } else { verdict };
        let _ = writeln!(
            out,
            "| {} | {} | {} | {} | {} | {verdict} |",
            escaped(&name(connector, index)),
            pin.reading,
            pin.expected,
            pin.difference.map_or_else(String::new, words::millivolts),
            pin.limit.map_or_else(String::new, |limit| format!("{:.1}", limit.get() * 1e3)),
        );
    }
    out.push('\n');
}

fn changed(out: &mut String, connector: &Connector, first: &Judgement, second: &Judgement) {
    let change = Change::between(first, second);
    let _ = writeln!(out, "## What changed\n");
    for (kind, word) in [
        (PinChange::Repaired, "Repaired"),
        (PinChange::Broken, "Broken"),
        (PinChange::Left, "Left"),
        (PinChange::Unclear, "Unclear"),
    ] {
        let pins = change.pins(kind);
        let which = if pins.is_empty() { "none".to_owned() } else { names(connector, &pins) };
        let _ = writeln!(out, "- **{word}**: {}", escaped(&which));
    }
    out.push('\n');
}

fn batch(out: &mut String, page: &BatchPage) {
    let (summary, boards) = (&page.summary, &page.summary.of_boards);
    let _ = writeln!(
        out,
        "# Batch of {}, connector {}\n",
        words::count(boards.count.all(), "board"),
        escaped(&page.connector.name)
    );
    list(out, "", &page.cautions);
    let _ = writeln!(out, "{} on {}.\n", words::count(boards.sweeps, "sweep"), escaped(&page.jig));
    let again = if boards.count.misplaced > 0 {
        "; what was misplaced is in no share until it is swept again"
    } else {
        ""
    };
    let _ = writeln!(out, "- {}{again}", boards.count);
    for (what, share) in [("match now", boards.now), ("matched at their first sweep", boards.at_first)] {
        if let Some(share) = share {
            let _ = writeln!(
                out,
                "- **{:.1} %** {what}: {} of {} (95 % interval by Wilson: {:.1} to {:.1} %)",
                100.0 * share.value(),
                share.hits,
                share.trials,
                100.0 * share.low,
                100.0 * share.high
            );
        }
    }
    let _ = writeln!(out, "\n## Jig and meter\n");
    if summary.notices.is_empty() {
        let _ = writeln!(out, "Nothing was noticed.");
    }
    for found in &summary.notices {
        let text = notice(&page.connector, page.wiring.as_ref(), found);
        let _ = writeln!(
            out,
            "- After board {} ({}): {}. Next: {}.",
            found.at,
            escaped(&found.board),
            escaped(&text.what),
            escaped(&text.next)
        );
    }
    let _ = writeln!(
        out,
        "\nSound boards raise at most one such notice in {:.0} boards on average.\n",
        summary.stated.run_length
    );
    let kinds: Vec<String> = summary.by_kind.iter().map(|by| format!("{}: {}", by.kind, by.faults)).collect();
    list(out, "Faults by kind", &kinds);
    let by_pin: Vec<String> =
        summary.by_pin.iter().map(|by| format!("{}: {}", name(&page.connector, by.pin), by.boards)).collect();
    list(out, "Faults by pin", &by_pin);
    let _ = writeln!(out, "## Every sweep\n");
    let _ = writeln!(out, "| board | swept | verdict | findings |\n| --- | --- | --- | --- |");
    for line in &page.sweeps {
        let _ = writeln!(
            out,
            "| {} | {} | {} | {} |",
            escaped(&line.board),
            escaped(&words::when(&line.when)),
            line.outcome.map_or("not judged", Outcome::code),
            escaped(&line.what)
        );
    }
    out.push('\n');
}

fn list(out: &mut String, title: &str, lines: &[String]) {
    if lines.is_empty() {
        return;
    }
    if !title.is_empty() {
        let _ = writeln!(out, "## {title}\n");
    }
    for line in lines {
        let _ = writeln!(out, "- {}", escaped(line));
    }
    out.push('\n');
}

fn record_line(out: &mut String, record: &SweepRecord) {
    let _ = writeln!(out, "Session log of {}: SHA-256 `{}`\n", escaped(&record.started), record.fingerprint);
}

/// A text in which nothing is Markdown or HTML (CommonMark 0.31, section 2.4: any punctuation may be escaped).
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '\\' | '`' | '*' | '_' | '[' | ']' | '|' | '#' | '~' | '!' => {
                out.push('\\');
                out.push(c);
            }
            '\n' | '\r' => out.push(' '),
            _ => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_from_outside_is_markup() {
        assert_eq!(escaped("[x](javascript:1) <b>|\n# *"), "\\[x\\](javascript:1) &lt;b&gt;\\| \\# \\*");
    }
}
