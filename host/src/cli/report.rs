//! `pintally report`: what session logs say, as a page to keep, print and hand on.

mod gather;

use std::{
    collections::HashSet,
    fs,
    path::{Path, PathBuf},
};

use clap::{Args as Arguments, ValueEnum};

use super::{
    Screen, config, inputs,
    output::{Output, Overwrite},
    place, verdict,
};
use crate::{
    batch::Tuning,
    compare::{Change, Judgement},
    exit_status::ExitStatus,
    failure::Failure,
    history::{Filter, History, log_of},
    label::Found,
    record::SweepRecord,
    report,
};

/// Make a report of session logs: of one sweep, of a batch, or before and after a repair
///
/// One log gives the report of a sweep, several that of a batch. The page is one file without scripts; it needs no
/// network and prints well.
#[derive(Debug, Arguments)]
pub(super) struct Args {
    /// Session logs: one sweep, or all sweeps of a batch
    #[arg(value_name = "LOG", required_unless_present_any = ["before", "batch"], conflicts_with_all = ["before", "batch"])]
    logs: Vec<PathBuf>,
    /// All sweeps of this batch, from the history
    #[arg(long, value_name = "NAME", conflicts_with = "before")]
    batch: Option<String>,
    /// Data directory, with the history
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    #[command(flatten)]
    config: config::Args,
    /// Session log of the board before its repair
    #[arg(long, value_name = "LOG", requires = "after")]
    before: Option<PathBuf>,
    /// Session log of the board after its repair
    #[arg(long, value_name = "LOG", requires = "before")]
    after: Option<PathBuf>,
    /// How to write it
    #[arg(long, value_enum, default_value_t = Format::Html)]
    format: Format,
    /// Write the report here instead of standard output
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
    #[command(flatten)]
    overwrite: Overwrite,
    /// One page in plain words for the owner of the board
    #[arg(long, conflicts_with = "before")]
    customer: bool,
    /// In a batch: sound boards per false notice about jig or meter
    #[arg(long, value_name = "BOARDS", default_value_t = 1000)]
    run_length: u32,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// One page for a browser or a printer
    Html,
    /// For tickets and wikis
    Markdown,
    /// For programs; docs/schema/report.json describes it
    Json,
    /// One row a pin, for a spreadsheet
    Csv,
}

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    if args.customer && args.format != Format::Html {
        let found = "expected --customer with --format html, found another format";
        return Err(Failure::new(ExitStatus::Usage, found).hint(
            "the owner's page is HTML: leave --format out, or leave --customer out for a full report",
        ));
    }
    if args.customer && args.logs.len() != 1 {
        let found = format!("expected one session log with --customer, found {}", args.logs.len());
        return Err(Failure::new(ExitStatus::Usage, found).hint("name one log: each board has its own page"));
    }
    // What cannot be read tells so itself, below.
    let read: Vec<&Path> =
        args.logs.iter().chain(&args.before).chain(&args.after).map(PathBuf::as_path).collect();
    let output = args.output.as_deref().map(|path| Output::new(path, args.overwrite, &read)).transpose()?;
    let (text, status) = match (&args.before, &args.after, &args.batch, args.logs.as_slice()) {
        (Some(before), Some(after), ..) => repair(before, after, args.format, screen)?,
        (_, _, Some(name), _) => batch(&logs_of(name, args, screen)?, args, screen)?,
        (_, _, None, [one]) => sweep(one, args, screen)?,
        (_, _, None, logs) => batch(logs, args, screen)?,
    };
    write(&text, output.as_ref(), screen)?;
    Ok(status)
}

fn sweep(path: &Path, args: &Args, screen: &mut Screen) -> Result<(String, ExitStatus), Failure> {
    let record = read(path, screen)?;
    let text = match args.format {
        Format::Html if args.customer => report::customer(&record),
        Format::Html => report::of_sweep(&record),
        Format::Markdown => report::sweep_markdown(&record),
        Format::Json => pretty(&report::sweep_document(&record)),
        Format::Csv => {
            let judgement = judged(&record, path)?;
            tell_overrides(&record, path, screen);
            format!("{}\n{}", report::CSV_HEADER, report::csv(&record.connector, judgement))
        }
    };
    if record.judgement.is_none() {
        screen.tell("note: the sweep had no reference: its readings are reported, not judged");
    }
    Ok((text, verdict::status(&record.readings, record.judgement.as_ref())))
}

fn repair(
    before: &Path,
    after: &Path,
    format: Format,
    screen: &mut Screen,
) -> Result<(String, ExitStatus), Failure> {
    let (first, second) = (read(before, screen)?, read(after, screen)?);
    if first.connector != second.connector {
        return Err(Failure::new(
            ExitStatus::Data,
            format!(
                "expected two sweeps of one connector, found {} in {} and {} in {}",
                first.connector.name,
                before.display(),
                second.connector.name,
                after.display()
            ),
        )
        .hint("name the logs of the same connector, drawn alike"));
    }
    if first.started > second.started {
        screen.tell("warning: the sweep before the repair began after the one after it; are they exchanged?");
    }
    let text = match format {
        Format::Html => report::before_and_after(&first, &second),
        Format::Markdown => report::change_markdown(&first, &second),
        Format::Json => pretty(&report::change_document(&first, &second)),
        Format::Csv => {
            tell_overrides(&first, before, screen);
            tell_overrides(&second, after, screen);
            let change = Change::between(judged(&first, before)?, judged(&second, after)?);
            report::change_csv(&first, &second, &change)
        }
    };
    let status = verdict::status(&second.readings, second.judgement.as_ref());
    Ok((text, status))
}

fn batch(logs: &[PathBuf], args: &Args, screen: &mut Screen) -> Result<(String, ExitStatus), Failure> {
    if args.run_length == 0 {
        return Err(Failure::new(ExitStatus::Usage, "expected --run-length of at least 1 board, found 0"));
    }
    let tuning = Tuning { run_length: f64::from(args.run_length) };
    let mut gathered = gather::Gathered::new(tuning);
    let mut rows = format!("{}\n", report::CSV_HEADER);
    // Two passes, so that thousands of logs in any order need no more memory than one record: the first tells when each
    // began, the second takes them in that order.
    let mut order = Vec::new();
    let mut seen = HashSet::new();
    for path in logs {
        // By another name it is the same sweep all the same.
        if !seen.insert(fs::canonicalize(path).unwrap_or_else(|_| path.clone())) {
            screen.tell(&format!("warning: {} is named twice and counted once", path.display()));
            continue;
        }
        order.push((gather::began(path)?, path));
    }
    order.sort_by(|a, b| a.0.cmp(&b.0));
    for (_, path) in order {
        let record = read(path, screen)?;
        if let (Format::Csv, Some(judgement)) = (args.format, &record.judgement) {
            rows.push_str(&report::csv(&record.connector, judgement));
            tell_overrides(&record, path, screen);
        }
        gathered.take(&record);
    }
    let pages = gathered.pages();
    let status = gather::status(&pages);
    let text = match args.format {
        Format::Html => report::of_batch(&pages),
        Format::Markdown => report::batch_markdown(&pages),
        Format::Json => pretty(&report::batch_document(&pages)),
        Format::Csv => rows,
    };
    Ok((text, status))
}

/// The logs of a batch, as the history knows them.
fn logs_of(name: &str, args: &Args, screen: &mut Screen) -> Result<Vec<PathBuf>, Failure> {
    let named = args.data.clone().or(args.config.load()?.data);
    let data = place::data_folder(named.as_deref())?;
    let mut history = History::open(&data)?;
    for error in history.catch_up()?.unusable {
        screen.tell(&format!("warning: left out: {error}"));
    }
    let filter = Filter { batch: Some(name.to_owned()), ..Filter::default() };
    let (found, _) = history.sweeps(&filter)?;
    if found.is_empty() {
        return Err(Failure::new(
            ExitStatus::NoInput,
            format!("expected sweeps of batch {} in the history, found none", Found(name)),
        )
        .hint("`pintally history` lists what was swept"));
    }
    Ok(found.iter().map(|found| log_of(&data, &found.sweep.session)).collect())
}

/// Says of a table what its rows have no place for.
fn tell_overrides(record: &SweepRecord, path: &Path, screen: &mut Screen) {
    for over in &record.overrides {
        screen.tell(&format!(
            "warning: {}: {} overrode a check, {}: {}",
            path.display(),
            over.by,
            over.what,
            over.why
        ));
    }
}

/// The record of a log.
fn read(path: &Path, screen: &mut Screen) -> Result<SweepRecord, Failure> {
    let record = inputs::record(path)?;
    for trouble in &record.troubles {
        screen.tell(&format!("warning: {}: {trouble}", path.display()));
    }
    Ok(record)
}

fn judged<'a>(record: &'a SweepRecord, path: &Path) -> Result<&'a Judgement, Failure> {
    record.judgement.as_ref().ok_or_else(|| {
        Failure::new(
            ExitStatus::Data,
            format!("expected a judged sweep in {}, found one without a reference", path.display()),
        )
        .hint("judge it: pintally replay LOG --reference FILE; or take --format json, which has the readings")
    })
}

fn pretty(value: &serde_json::Value) -> String {
    // A value of texts and finite numbers always has a text.
    let mut text = serde_json::to_string_pretty(value).unwrap_or_default();
    text.push('\n');
    text
}

fn write(text: &str, output: Option<&Output<'_>>, screen: &mut Screen) -> Result<(), Failure> {
    // A name that turns the direction of writing would do so in a browser as well.
    let text = &*crate::label::plain(text);
    let Some(output) = output else {
        screen.line(text.trim_end())?;
        return screen.flush();
    };
    output.write("the report", text.as_bytes())?;
    screen.tell(&format!("report written to {}", output.path().display()));
    Ok(())
}
