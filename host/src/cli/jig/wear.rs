//! `pintally jig wear`: how often channels were closed and connectors mated.

use std::path::{Path, PathBuf};

use clap::Args as Arguments;
use serde_json::json;

use crate::{
    cli::{Screen, config, place, ports::Format},
    exit_status::ExitStatus,
    failure::Failure,
    jig::wear::{CARRIER_LIMIT, CHANNEL_LIMIT, CONNECTOR_LIMIT, Limits, NAMED, Session, Wear},
    log::{LogEvent, LogReader},
};

/// Count from the session logs how often each channel was closed and each connector mated, and warn of what is worn
///
/// Every session counts as one mating of the carrier, and of the board's connector where the session names a board.
/// Fine-pitch connectors last tens of matings: seating a board again is the last thing to try. What happened without
/// a session log is not counted: self-test and zero close every channel once for each plate, `meter lag` two of them
/// once for each change, and a meter that measures DC volts before diode test each power pin once. Ends with 1 if
/// something is worn or nearly so.
#[derive(Debug, Arguments)]
#[group(id = "jig_wear")]
pub(super) struct Args {
    /// Data directory with the session logs
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// Closings of one channel after which it is called worn
    #[arg(long, value_name = "TIMES", default_value_t = CHANNEL_LIMIT)]
    channel_limit: u64,
    /// Matings after which a carrier is called worn
    #[arg(long, value_name = "TIMES", default_value_t = CARRIER_LIMIT)]
    carrier_limit: u64,
    /// Matings after which the connector of a board is called worn: look it up in its data sheet
    #[arg(long, value_name = "TIMES", default_value_t = CONNECTOR_LIMIT)]
    connector_limit: u64,
    /// Also count practice sessions
    #[arg(long)]
    practice: bool,
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    #[command(flatten)]
    config: config::Args,
}

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let data = args.data.clone().or(args.config.load()?.data);
    let folder = place::data_folder(data.as_deref())?.join("logs");
    let wear = count(&folder, args.practice, screen)?;
    let limits =
        Limits { channel: args.channel_limit, carrier: args.carrier_limit, connector: args.connector_limit };
    let warnings = wear.warnings(limits);
    match args.format {
        Format::Text => {
            screen.line(&format!("{} sessions in {}", wear.sessions, folder.display()))?;
            for (board, channels) in &wear.closings {
                let all: u64 = channels.values().sum();
                if let Some((channel, most)) = channels.iter().max_by_key(|(_, closings)| **closings) {
                    screen.line(&format!("{board}: {all} closings, channel {channel} most with {most}"))?;
                }
            }
            for (mate, matings) in &wear.matings {
                let times = if *matings == 1 { "time" } else { "times" };
                screen.line(&format!("{mate}: mated {matings} {times}"))?;
            }
            for warning in &warnings {
                screen.line(&format!("warning: {warning}"))?;
            }
        }
        Format::Json => {
            let boards: Vec<_> = wear
                .closings
                .iter()
                .map(
                    |(board, channels)| json!({ "switching_board": board.to_string(), "closings": channels }),
                )
                .collect();
            let matings: Vec<_> = wear
                .matings
                .iter()
                .map(|(mate, matings)| json!({ "mate": mate.to_string(), "matings": matings }))
                .collect();
            let warnings: Vec<_> = warnings.iter().map(ToString::to_string).collect();
            let all = json!({ "sessions": wear.sessions, "boards": boards, "matings": matings, "warnings": warnings });
            screen.line(&all.to_string())?;
        }
    }
    Ok(if warnings.is_empty() { ExitStatus::Matches } else { ExitStatus::Differs })
}

/// Counts every log of a folder.
fn count(folder: &Path, practice: bool, screen: &mut Screen) -> Result<Wear, Failure> {
    let mut wear = Wear::default();
    let mut practised = 0_u32;
    let mut logs: Vec<PathBuf> = match std::fs::read_dir(folder) {
        Ok(entries) => entries.filter_map(|entry| entry.ok().map(|entry| entry.path())).collect(),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Vec::new(),
        Err(error) => {
            let found = format!("cannot read the folder {}: {error}", folder.display());
            return Err(
                Failure::new(ExitStatus::NoInput, found).hint("name the data directory with --data DIR")
            );
        }
    };
    logs.retain(|path| path.extension().is_some_and(|extension| extension == "jsonl"));
    logs.sort();
    for path in logs {
        let reader = match LogReader::open(&path) {
            Ok(reader) => reader,
            Err(error) => {
                screen.tell(&format!("warning: {} is not counted: {error}", path.display()));
                continue;
            }
        };
        let header = reader.header().clone();
        if header.practice.is_some() && !practice {
            practised += 1;
            continue;
        }
        let mut session = Session::default();
        let mut damaged = 0_u32;
        for line in reader {
            match line.map(|line| line.event) {
                Ok(LogEvent::SentToJig { frame }) => session.sent(&frame),
                Ok(LogEvent::JigMessage { message }) => session.heard(&message),
                Ok(LogEvent::Operator { action, detail: Some(name) }) if action == NAMED => {
                    session.named(&name);
                }
                Ok(_) => {}
                Err(_) => damaged += 1,
            }
        }
        if damaged > 0 {
            screen.tell(&format!(
                "warning: {}: {damaged} lines cannot be read and are not counted",
                path.display()
            ));
        }
        let board = header.board.as_deref().map(|board| (board, header.connector.name.as_str()));
        wear.add(session, header.wiring.name(), board);
    }
    if practised > 0 {
        screen.tell(&format!("logs of the practice bench wear nothing and are not counted: {practised}"));
    }
    Ok(wear)
}
