//! `pintally compare`: judges readings that exist already.

use std::path::PathBuf;

use clap::{Args as Arguments, ValueEnum};

use super::{
    Screen,
    inputs::{self, Rows},
    options,
};
use crate::{
    compare::{Assumptions, Batch, Engine, Verdict},
    connector::Connector,
    exit_status::ExitStatus,
    failure::Failure,
    reference::{Conditions, Polarity, Reference, learn},
    report,
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
    #[command(flatten)]
    rows: Rows,
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
    let reference = reference(args, &connector, screen)?;
    let mut engine = Engine::new(&connector, &reference, &assumptions(args)?)?;
    inputs::warn_of_known_good(&reference, screen);
    if reference.conditions.polarity == Polarity::BlackOnGround {
        screen.tell("note: the reference was taken with black on ground: so must the readings be");
    }
    if args.together {
        let mut batch = Batch::default();
        for board in inputs::boards(&args.readings, &connector, Some(args.rows))? {
            let board = board.map_err(|error| inputs::bad_row(&args.readings, error, Some(args.rows)))?;
            engine.observe(&mut batch, &board);
        }
        engine = engine.together(&batch);
    }
    judge_all(args, &connector, &engine, screen)
}

fn judge_all(
    args: &Args,
    connector: &Connector,
    engine: &Engine,
    screen: &mut Screen,
) -> Result<ExitStatus, Failure> {
    let repaired = inputs::pins("--repaired", &args.repaired, connector)?;
    let mut status = ExitStatus::Matches;
    let mut boards = inputs::boards(&args.readings, connector, Some(args.rows))?;
    let mut first = true;
    while let Some(board) = boards.next() {
        let board = board.map_err(|error| inputs::bad_row(&args.readings, error, Some(args.rows)))?;
        inputs::warn(&args.readings, &mut boards, screen);
        let mut judgement = engine.judge(&board);
        judgement.put_first(&repaired);
        let is_first = std::mem::take(&mut first);
        match args.format {
            Format::Text => {
                if !is_first {
                    screen.line("")?;
                }
                screen.line(report::text(connector, &judgement).trim_end())?;
            }
            Format::Json => screen.line(&report::json(connector, &judgement, args.pins))?,
            Format::Csv => {
                if is_first {
                    screen.line(report::CSV_HEADER)?;
                }
                screen.line(report::csv(connector, &judgement).trim_end())?;
            }
        }
        status = worse(status, &judgement.verdict);
    }
    inputs::warn(&args.readings, &mut boards, screen);
    inputs::warn_of_more(&args.readings, &boards, screen);
    screen.flush()?;
    if first {
        // No board that differs is not the same as boards that match.
        return Err(Failure::new(
            ExitStatus::Data,
            format!("expected readings of at least one board in {}, found none", args.readings.display()),
        )
        .hint("one row a pin under the line board,pin,reading: T-1042,A1,0.318"));
    }
    Ok(status)
}

fn reference(args: &Args, connector: &Connector, screen: &mut Screen) -> Result<Reference, Failure> {
    match (&args.reference, &args.known_good) {
        (Some(path), _) => inputs::reference(path),
        (None, Some(path)) => {
            let boards = inputs::all_boards(path, connector, Some(args.rows), screen)?;
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
    assumptions.board_current = options::test_current(args.test_current)?;
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
