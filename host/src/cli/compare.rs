//! `pintally compare`: judges readings that exist already.

use std::path::PathBuf;

use clap::{Args as Arguments, ValueEnum};

use super::{Screen, inputs, options};
use crate::{
    compare::{Assumptions, Batch, Engine, Verdict},
    connector::Connector,
    exit_status::ExitStatus,
    failure::Failure,
    readings::csv::Strictness,
    reference::{Conditions, Reference, learn},
    report,
    units::Amperes,
};

/// Judge readings that exist already against known-good boards
#[derive(Debug, Arguments)]
pub(super) struct Args {
    /// Connector file, TOML or CSV
    #[arg(long, value_name = "FILE")]
    connector: PathBuf,
    /// Readings of known-good boards, CSV with board,pin,reading
    #[arg(long, value_name = "FILE", required_unless_present = "reference", conflicts_with = "reference")]
    known_good: Option<PathBuf>,
    /// Reference file made from known-good boards
    #[arg(long, value_name = "FILE")]
    reference: Option<PathBuf>,
    /// Readings to judge, CSV with board,pin,reading; the rows of a board stand together
    #[arg(long, value_name = "FILE")]
    readings: PathBuf,
    /// How to print the judgements
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Learn from all boards together what they share, such as another meter's current
    #[arg(long)]
    together: bool,
    /// Pins that were repaired: findings there come first: A4,A5
    #[arg(long, value_name = "PINS", value_delimiter = ',')]
    repaired: Vec<String>,
    /// Test current of the meter that read the boards to judge, in milliamperes: what it drives into a short
    #[arg(long, value_name = "MILLIAMPERES")]
    test_current: Option<f64>,
    /// List every pin in JSON
    #[arg(long)]
    pins: bool,
    /// Leave bad rows out instead of stopping at the first
    #[arg(long)]
    keep_good_rows: bool,
    #[command(flatten)]
    assumptions: options::Assumptions,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// For a person
    Text,
    /// One JSON object a board and line
    Json,
    /// One row a pin
    Csv,
}

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let connector = inputs::connector(&args.connector)?;
    let strictness = if args.keep_good_rows { Strictness::KeepGoodRows } else { Strictness::StopAtBadRow };
    let reference = reference(args, &connector, strictness, screen)?;
    for odd in &reference.odd {
        let pins: Vec<&str> = odd.pins.iter().map(|pin| pin.name.as_str()).collect();
        screen.tell(&format!(
            "warning: known-good board {} stands apart from the others at pin {}",
            odd.board,
            pins.join(", ")
        ));
    }
    let mut engine = Engine::new(&connector, &reference, &assumptions(args)?).map_err(|error| {
        Failure::new(ExitStatus::Configuration, error).hint("make a reference for this connector")
    })?;
    if args.together {
        let mut batch = Batch::default();
        for board in inputs::boards(&args.readings, &connector, strictness)? {
            let board = board.map_err(|error| inputs::bad_row(&args.readings, error))?;
            engine.observe(&mut batch, &board);
        }
        engine = engine.together(&batch);
    }
    judge_all(args, &connector, &engine, strictness, screen)
}

fn judge_all(
    args: &Args,
    connector: &Connector,
    engine: &Engine,
    strictness: Strictness,
    screen: &mut Screen,
) -> Result<ExitStatus, Failure> {
    let repaired = inputs::pins("--repaired", &args.repaired, connector)?;
    let mut status = ExitStatus::Matches;
    let mut boards = inputs::boards(&args.readings, connector, strictness)?;
    let mut first = true;
    if args.format == Format::Csv {
        screen.line(report::CSV_HEADER)?;
    }
    while let Some(board) = boards.next() {
        let board = board.map_err(|error| inputs::bad_row(&args.readings, error))?;
        inputs::warn(&args.readings, &mut boards, screen);
        let mut judgement = engine.judge(&board);
        judgement.put_first(&repaired);
        match args.format {
            Format::Text => {
                if !std::mem::take(&mut first) {
                    screen.line("")?;
                }
                screen.line(report::text(connector, &judgement).trim_end())?;
            }
            Format::Json => screen.line(&report::json(connector, &judgement, args.pins))?,
            Format::Csv => screen.line(report::csv(connector, &judgement).trim_end())?,
        }
        status = worse(status, &judgement.verdict);
    }
    inputs::warn(&args.readings, &mut boards, screen);
    inputs::warn_of_more(&args.readings, &boards, screen);
    screen.flush()?;
    Ok(status)
}

fn reference(
    args: &Args,
    connector: &Connector,
    strictness: Strictness,
    screen: &mut Screen,
) -> Result<Reference, Failure> {
    match (&args.reference, &args.known_good) {
        (Some(path), _) => inputs::reference(path),
        (None, Some(path)) => {
            let boards = inputs::all_boards(path, connector, strictness, screen)?;
            learn(connector, &boards, Conditions::default()).map_err(|error| {
                Failure::new(ExitStatus::Data, error).hint("give at least one known-good board")
            })
        }
        (None, None) => {
            Err(Failure::new(ExitStatus::Usage, "expected --known-good or --reference, found neither"))
        }
    }
}

fn assumptions(args: &Args) -> Result<Assumptions, Failure> {
    let mut assumptions = Assumptions::default();
    if let Some(spread) = args.assumptions.spread()? {
        assumptions.spread = spread;
    }
    if let Some(milliamperes) = args.test_current {
        if !(0.001..=100.0).contains(&milliamperes) {
            return Err(Failure::new(
                ExitStatus::Usage,
                format!("expected --test-current from 0.001 to 100 milliamperes, found {milliamperes}"),
            ));
        }
        assumptions.board_current = Some(Amperes::of(milliamperes * 1e-3));
    }
    if let Some(share) = args.assumptions.false_alarms()? {
        assumptions.false_alarms = share;
    }
    Ok(assumptions)
}

/// A differing board outweighs an inconclusive one, which outweighs a match.
const fn worse(status: ExitStatus, verdict: &Verdict) -> ExitStatus {
    match (status, verdict) {
        (ExitStatus::Differs, _) | (_, Verdict::Differs(_)) => ExitStatus::Differs,
        (ExitStatus::Inconclusive, _) | (_, Verdict::Inconclusive(_)) => ExitStatus::Inconclusive,
        _ => ExitStatus::Matches,
    }
}
