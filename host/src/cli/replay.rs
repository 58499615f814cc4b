//! `pintally replay`: pairs and judges a session log again.

use std::{
    io::Read,
    path::{Path, PathBuf},
};

use clap::Args as Arguments;

use super::{
    Screen, inputs, prepare,
    verdict::{self, Format},
};
use crate::{
    connector::Connector,
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    log::{Ending, Header, LogReader, OpenError, TroubleKind},
    session::{Replay, Replayed, Session},
};

/// Pair and judge a session log again, as it was or with other settings
///
/// The same version of the program prints the same as the live sweep did. With another reference or other
/// assumptions it answers what would have been said with those.
#[derive(Debug, Arguments)]
pub(super) struct Args {
    /// Session log
    log: PathBuf,
    /// How to print the judgement
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Judge by this reference instead of the one in the log
    #[arg(long, value_name = "FILE")]
    reference: Option<PathBuf>,
    /// Assume this standard deviation between good boards instead, in millivolts
    #[arg(long, value_name = "MILLIVOLTS")]
    assume_spread: Option<f64>,
    /// Let this share of good boards be flagged instead
    #[arg(long, value_name = "SHARE")]
    false_alarms: Option<f64>,
}

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let name = args.log.display();
    let reader = LogReader::open(&args.log).map_err(|error| {
        let status = match &error {
            OpenError::Io(_) => ExitStatus::NoInput,
            _ => ExitStatus::Data,
        };
        Failure::new(status, format!("{name}: {error}")).hint(error.hint())
    })?;
    let session = session(args, reader.header())?;
    if session.header.program != super::PROGRAM {
        screen.tell(&format!(
            "note: the log was written by {}, this is {}: readings may be paired differently",
            session.header.program,
            super::PROGRAM
        ));
    }
    let (replayed, damaged) = replay(&args.log, reader, &session, screen);
    tell(&args.log, &session.header.connector, &replayed, screen);
    let status = judge(&session, &replayed, args.format, screen)?;
    if damaged > 0 {
        return Err(Failure::new(
            ExitStatus::Data,
            format!("{name}: {damaged} damaged or missing lines: the judgement above stands on what is left"),
        )
        .hint("take the log from a backup; nothing in its place was guessed"));
    }
    Ok(status)
}

/// The session of the log, with what is to be assumed otherwise.
fn session(args: &Args, header: &Header) -> Result<Session, Failure> {
    let mut session = Session::new(header.clone()).or_fail(ExitStatus::Data)?;
    if let Some(path) = &args.reference {
        session.reference = Some(inputs::reference(path)?);
    }
    if let Some(spread) = prepare::spread(args.assume_spread)? {
        session.settings.assumed_spread = Some(spread);
    }
    if let Some(share) = prepare::false_alarms(args.false_alarms)? {
        session.settings.false_alarms = Some(share);
    }
    Ok(session)
}

/// Pairs all that is in the log; tells what came of it, and how many of its lines cannot be used.
fn replay(
    path: &Path,
    reader: LogReader<impl Read>,
    session: &Session,
    screen: &mut Screen,
) -> (Replayed, u32) {
    let mut replay = Replay::new(session);
    let mut damaged = 0;
    for item in reader {
        replay.item(&item);
        if let Err(trouble) = item {
            damaged += u32::from(!matches!(trouble.kind, TroubleKind::Torn));
            screen.tell(&format!("warning: {}: {trouble}", path.display()));
        }
    }
    (replay.finish(), damaged)
}

/// What is to be known of the log besides its readings.
fn tell(path: &Path, connector: &Connector, replayed: &Replayed, screen: &mut Screen) {
    let name = path.display();
    for why in &replayed.overrides {
        screen.tell(&format!("note: the operator overrode a check: {why}"));
    }
    match replayed.ended {
        Some(Ending::Complete) => {}
        Some(Ending::Stopped) => screen.tell("note: the operator stopped this sweep before its end"),
        Some(Ending::Failed) => screen.tell("note: this sweep failed before its end"),
        None => screen.tell("note: the log ends before the sweep did; what it holds is judged"),
    }
    let named = |pins: &[usize]| {
        let pins = pins.iter().filter_map(|&pin| connector.pins.get(pin));
        inputs::pin_list(&pins.map(|pin| pin.name.as_str()).collect::<Vec<_>>())
    };
    if !replayed.from_result_line.is_empty() {
        let pins = named(&replayed.from_result_line);
        screen.tell(&format!("note: {name}: raw lines are missing, the result line stands for {pins}"));
    }
    if !replayed.changed.is_empty() {
        screen.tell(&format!("warning: {name}: read otherwise than live: {}", named(&replayed.changed)));
    }
}

/// Judges and prints as the live sweep does.
fn judge(
    session: &Session,
    replayed: &Replayed,
    format: Format,
    screen: &mut Screen,
) -> Result<ExitStatus, Failure> {
    let (connector, notes) = (&session.header.connector, &session.settings.repair);
    let readings = session.readings(&replayed.values);
    let judgement = session.judge(&replayed.values).transpose()?;
    let status = verdict::print(connector, &readings, judgement.as_ref(), format, screen)?;
    verdict::print_repair(connector, notes, &readings, judgement.as_ref(), format, screen)?;
    if let Some(text) = verdict::unsettled(connector, &replayed.values) {
        screen.tell(&format!("note: {text}"));
    }
    verdict::print_zero(session, format, screen)?;
    Ok(status)
}
