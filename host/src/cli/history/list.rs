//! Lists sweeps.

use clap::Args as Arguments;
use jiff::{Timestamp, ToSpan, civil::Date, tz::TimeZone};
use serde_json::json;

use crate::{
    cli::{Screen, verdict::Format},
    compare::Kind,
    delimited::guarded,
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    history::{Filter, FindingRow, Found, History, SweepRow, ending_code},
    label::shown,
    log::Ending,
};

/// Sweeps that are listed where nothing else is asked for.
const FEW: u32 = 20;

/// Which sweeps
#[derive(Debug, Arguments)]
#[group(id = "list")]
pub(super) struct Args {
    /// Only this board
    #[arg(long, value_name = "NAME")]
    board: Option<String>,
    /// Only this connector
    #[arg(long, value_name = "NAME")]
    connector: Option<String>,
    /// Only sweeps of this day or later: 2026-03-02, or a time such as 2026-03-02T09:15:00Z
    #[arg(long, value_name = "DATE", value_parser = from)]
    from: Option<i64>,
    /// Only sweeps until this day, with it, or before this time
    #[arg(long, value_name = "DATE", value_parser = until)]
    until: Option<i64>,
    /// Only sweeps with a finding of this kind
    #[arg(long, value_name = "KIND", value_parser = kind)]
    finding: Option<Kind>,
    /// Only sweeps with this verdict
    #[arg(long, value_name = "VERDICT", value_parser = ["matches", "differs", "inconclusive"])]
    verdict: Option<String>,
    /// Only this batch
    #[arg(long, value_name = "NAME")]
    batch: Option<String>,
    /// All of them, not only the latest twenty
    #[arg(long)]
    all: bool,
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

impl Args {
    /// Whether anything of the list was set: it means nothing beside another command.
    pub(super) const fn is_set(&self) -> bool {
        self.board.is_some()
            || self.connector.is_some()
            || self.from.is_some()
            || self.until.is_some()
            || self.finding.is_some()
            || self.verdict.is_some()
            || self.batch.is_some()
            || self.all
    }
}

/// Runs the command.
pub(super) fn run(args: &Args, history: &History, screen: &mut Screen) -> Result<(), Failure> {
    let filter = Filter {
        board: args.board.clone(),
        connector: args.connector.clone(),
        from_us: args.from,
        until_us: args.until,
        finding: args.finding,
        verdict: args.verdict.clone(),
        batch: args.batch.clone(),
        limit: (!args.all).then_some(FEW),
    };
    let (found, all) = history.sweeps(&filter)?;
    match args.format {
        Format::Text => text(&found, screen)?,
        Format::Json => {
            for found in &found {
                screen.line(&as_json(found).to_string())?;
            }
        }
        Format::Csv => screen.line(csv(&found).or_fail(ExitStatus::Software)?.trim_end())?,
    }
    screen.flush()?;
    match (found.len() as u64, all) {
        (_, 0) => screen.tell("no sweep of the history is so"),
        (listed, all) if listed < all => {
            screen.tell(&format!("the latest {listed} of {all} sweeps; --all lists the others"));
        }
        _ => {}
    }
    Ok(())
}

fn text(found: &[Found], screen: &mut Screen) -> Result<(), Failure> {
    if found.is_empty() {
        return Ok(());
    }
    let rows: Vec<[String; 5]> = found
        .iter()
        .map(|Found { sweep, findings }| {
            let mut remarks: Vec<String> = findings.iter().map(in_words).collect();
            remarks.extend(sweep.placement.as_deref().map(|placement| shown(placement).replace('_', " ")));
            let mut verdict = came_of_it(sweep);
            if sweep.practice {
                verdict.push_str(" (practice)");
            }
            let board = sweep.board.as_deref().map_or_else(|| "-".to_owned(), shown);
            [when(sweep), board, shown(&sweep.connector), verdict, remarks.join(", ")]
        })
        .collect();
    let head = ["started", "board", "connector", "verdict", "findings"].map(str::to_owned);
    let width = |column: usize| {
        rows.iter().chain([&head]).map(|row| row[column].chars().count()).max().unwrap_or_default()
    };
    let widths: Vec<usize> = (0..4).map(width).collect();
    for row in [&head].into_iter().chain(&rows) {
        let mut line = String::new();
        for (text, width) in row.iter().zip(&widths) {
            line.push_str(&format!("{text:<width$}  "));
        }
        line.push_str(&row[4]);
        screen.line(line.trim_end())?;
    }
    Ok(())
}

/// When a sweep began, to the second.
pub(super) fn when(sweep: &SweepRow) -> String {
    match sweep.started_us.and_then(|us| Timestamp::from_microsecond(us).ok()) {
        Some(time) => time.strftime("%Y-%m-%d %H:%M:%S").to_string(),
        None => shown(&sweep.started),
    }
}

/// The verdict, or what stands in its place.
pub(super) fn came_of_it(sweep: &SweepRow) -> String {
    match (&sweep.ending, &sweep.verdict) {
        (Some(Ending::Complete), Some(verdict)) => shown(verdict),
        (Some(Ending::Complete), None) => "not judged".to_owned(),
        (Some(Ending::Stopped), _) => "stopped".to_owned(),
        (Some(Ending::Failed), _) => "failed".to_owned(),
        (None, _) => "cut short".to_owned(),
    }
}

/// A sweep in one line, without its time.
pub(in crate::cli) fn line(Found { sweep, findings }: &Found) -> String {
    let mut remarks: Vec<String> = findings.iter().map(in_words).collect();
    remarks.extend(sweep.placement.as_deref().map(|placement| shown(placement).replace('_', " ")));
    let board = sweep.board.as_deref().map_or_else(|| "-".to_owned(), shown);
    let colon = if remarks.is_empty() { "" } else { ": " };
    format!("{board}  {}  {}{colon}{}", shown(&sweep.connector), came_of_it(sweep), remarks.join(", "))
}

/// A finding in a few words.
pub(super) fn in_words(finding: &FindingRow) -> String {
    let kind = Kind::ALL.into_iter().find(|kind| kind.code() == finding.kind);
    let kind = kind.map_or_else(|| shown(&finding.kind), |kind| kind.to_string());
    let pins: Vec<String> = finding.pins.iter().map(|pin| shown(pin)).collect();
    format!("{kind} {}", pins.join("+"))
}

/// A sweep as an object.
pub(in crate::cli) fn as_json(Found { sweep, findings }: &Found) -> serde_json::Value {
    let findings: Vec<_> = findings
        .iter()
        .map(|finding| {
            json!({
                "kind": finding.kind,
                "pins": finding.pins,
                "ohms": finding.ohms,
                "probability": finding.probability,
            })
        })
        .collect();
    json!({
        "session": sweep.session,
        "started": sweep.started,
        "board": sweep.board,
        "connector": sweep.connector,
        "batch": sweep.batch,
        "practice": sweep.practice,
        "ending": sweep.ending.map(ending_code),
        "took_seconds": sweep.took.as_secs_f64(),
        "verdict": sweep.verdict,
        "reason": sweep.words,
        "placement": sweep.placement,
        "flagged": sweep.flagged,
        "unread": sweep.unread,
        "findings": findings,
        "log_sha256": sweep.log.to_string(),
        "unusable_lines": sweep.troubles,
    })
}

/// Sweeps as a table with its head.
pub(in crate::cli) fn csv(found: &[Found]) -> Result<String, csv::Error> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record([
        "started",
        "board",
        "connector",
        "verdict",
        "flagged",
        "unread",
        "findings",
        "batch",
        "place",
        "practice",
        "session",
        "log_sha256",
    ])?;
    for Found { sweep, findings } in found {
        let batch = sweep.batch.as_ref();
        let findings: Vec<String> =
            findings.iter().map(|finding| format!("{} {}", finding.kind, finding.pins.join("+"))).collect();
        let row = [
            sweep.started.clone(),
            sweep.board.clone().unwrap_or_default(),
            sweep.connector.clone(),
            came_of_it(sweep),
            sweep.flagged.to_string(),
            sweep.unread.to_string(),
            findings.join("; "),
            batch.map(|batch| batch.name.clone()).unwrap_or_default(),
            batch.map(|batch| batch.place.to_string()).unwrap_or_default(),
            sweep.practice.to_string(),
            sweep.session.clone(),
            sweep.log.to_string(),
        ];
        writer.write_record(row.iter().map(|field| guarded(field).into_owned()))?;
    }
    let bytes = writer.into_inner().map_err(|error| error.into_error())?;
    // Everything that went in was text.
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

fn kind(text: &str) -> Result<Kind, String> {
    Kind::ALL.into_iter().find(|kind| kind.code() == text).ok_or_else(|| {
        let codes: Vec<&str> = Kind::ALL.into_iter().map(Kind::code).collect();
        format!("expected one of {}", codes.join(", "))
    })
}

fn from(text: &str) -> Result<i64, String> {
    day(text, 0)
}

fn until(text: &str) -> Result<i64, String> {
    day(text, 1)
}

/// A time in microseconds since 1970-01-01 UTC; of a date its midnight, so many days later.
fn day(text: &str, later: i64) -> Result<i64, String> {
    if let Ok(time) = text.parse::<Timestamp>() {
        return Ok(time.as_microsecond());
    }
    let date = text.parse::<Date>().and_then(|date| date.checked_add(later.days()));
    let midnight = date.and_then(|date| TimeZone::UTC.to_timestamp(date.at(0, 0, 0, 0)));
    let time =
        midnight.map_err(|_| "expected a date such as 2026-03-02, or a time with its zone".to_owned())?;
    Ok(time.as_microsecond())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_whole_days_in_utc() {
        assert_eq!(from("2026-03-04"), Ok(1_772_582_400_000_000));
        assert_eq!(until("2026-03-03"), Ok(1_772_582_400_000_000));
        assert_eq!(from("2026-03-04T01:00:00+01:00"), Ok(1_772_582_400_000_000));
        assert_eq!(until("2026-03-04T00:00:00Z"), Ok(1_772_582_400_000_000));
        for text in ["", "yesterday", "2026-02-30", "9999-12-31", "04.03.2026"] {
            assert!(until(text).is_err(), "{text}");
        }
        assert_eq!(kind("bridge"), Ok(Kind::Bridge));
        assert!(kind("Bridge").unwrap_err().contains("open_joint, short_to_ground"));
    }
}
