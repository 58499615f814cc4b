//! `pintally jig study`: plans and evaluates a gauge study.

use std::path::{Path, PathBuf};

use clap::{Args as Arguments, Subcommand, ValueEnum};
use serde_json::json;

use crate::{
    cli::{Screen, inputs},
    delimited::unguarded,
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    readings::typed,
    report::csv_field,
    study::{Fitness, LostContact, Measurement, Source, StudyResult, evaluate, plan},
};

/// Study how well jig, meter and operator read a pin, against the smallest fault to be found
///
/// Every operator reads every board several times and re-seats it each time. A few boards serve: good ones, since the
/// question is how much readings of one board scatter.
#[derive(Debug, Arguments)]
pub(super) struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Plan(PlanArgs),
    Evaluate(EvaluateArgs),
}

/// Say who reads which board, in which order
#[derive(Debug, Arguments)]
struct PlanArgs {
    /// How many boards
    #[arg(long, value_name = "COUNT", default_value_t = 10)]
    boards: usize,
    /// Who takes part; a single operator names sessions instead: monday,tuesday
    #[arg(long, value_name = "NAMES", value_delimiter = ',', required = true)]
    operators: Vec<String>,
    /// How often everybody reads every board
    #[arg(long, value_name = "COUNT", default_value_t = 3)]
    repeats: usize,
    /// How to print it
    #[arg(long, value_enum, default_value_t = PlanFormat::Text)]
    format: PlanFormat,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum PlanFormat {
    /// For a person
    Text,
    /// A list to tick off, with a column for the log
    Csv,
}

/// Evaluate the readings of a study
#[derive(Debug, Arguments)]
struct EvaluateArgs {
    /// Session logs of the study; board and operator are named in each
    #[arg(value_name = "LOG", required_unless_present = "readings", conflicts_with = "readings")]
    logs: Vec<PathBuf>,
    /// Readings instead of logs: CSV with board,operator,pin,reading
    #[arg(long, value_name = "FILE")]
    readings: Option<PathBuf>,
    /// Smallest fault that must be found, in millivolts: 30 mV is 30 ohm in a joint at 1 mA
    #[arg(long, value_name = "MILLIVOLTS", default_value_t = 30.0)]
    smallest: f64,
    /// How to print it
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// For a person
    Text,
    /// One JSON object
    Json,
    /// One row a pin
    Csv,
}

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    match &args.command {
        Command::Plan(args) => print_plan(args, screen),
        Command::Evaluate(args) => print_result(args, screen),
    }
}

fn print_plan(args: &PlanArgs, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let runs = plan(args.boards, &args.operators, args.repeats).map_err(|error| {
        Failure::new(ExitStatus::Usage, error)
            .hint("10 boards, 3 operators and 3 repeats are usual; 2 of each are the least")
    })?;
    match args.format {
        PlanFormat::Csv => {
            screen.line("run,board,operator,repeat,log")?;
            for run in &runs {
                screen.line(&format!(
                    "{},{},{},{},",
                    run.run,
                    run.board,
                    csv_field(&run.operator),
                    run.repeat
                ))?;
            }
        }
        PlanFormat::Text => {
            screen.line(&format!(
                "{} runs: {} boards, {} operators, {} repeats; take the board out and seat it again each time",
                runs.len(),
                args.boards,
                args.operators.len(),
                args.repeats
            ))?;
            for round in runs.chunks(args.boards) {
                let boards: Vec<String> = round.iter().map(|run| run.board.to_string()).collect();
                if let Some(first) = round.first() {
                    screen.line(&format!(
                        "  {}, repeat {}: boards {}",
                        first.operator,
                        first.repeat,
                        boards.join(" ")
                    ))?;
                }
            }
            screen.line("Each: pintally sweep --board BOARD --operator NAME --log FILE ...")?;
            screen.line("Then: pintally jig study evaluate FILE...")?;
        }
    }
    screen.flush()?;
    Ok(ExitStatus::Matches)
}

fn print_result(args: &EvaluateArgs, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    if !(args.smallest > 0.0 && args.smallest <= 10_000.0) {
        return Err(Failure::new(
            ExitStatus::Usage,
            format!("expected --smallest above 0 and up to 10000 millivolts, found {}", args.smallest),
        ));
    }
    let measurements = match &args.readings {
        Some(path) => from_csv(path)?,
        None => from_logs(&args.logs)?,
    };
    let result = evaluate(&measurements, args.smallest * 1e-3).map_err(|error| {
        Failure::new(ExitStatus::Data, error)
            .hint("everybody reads every board equally often; `pintally jig study plan` says in which order")
    })?;
    match args.format {
        Format::Text => text(&result, screen)?,
        Format::Json => screen.line(&document(&result).to_string())?,
        Format::Csv => {
            screen.line(
                "pin,repeatability_mv,reproducibility_mv,gauge_mv,boards_mv,share_of_smallest_fault,categories,fitness",
            )?;
            for pin in &result.pins {
                let gauge = &pin.gauge;
                screen.line(&format!(
                    "{},{:.4},{:.4},{:.4},{:.4},{:.4},{},{}",
                    csv_field(&pin.pin),
                    gauge.repeatability.sqrt() * 1e3,
                    gauge.reproducibility().sqrt() * 1e3,
                    gauge.sigma() * 1e3,
                    gauge.part.sqrt() * 1e3,
                    pin.share,
                    gauge.categories().map_or_else(String::new, |n| format!("{:.0}", n.floor())),
                    pin.fitness.word()
                ))?;
            }
            for lost in &result.lost {
                screen.line(&format!("{},,,,,,,lost contact", csv_field(&lost.pin)))?;
            }
        }
    }
    screen.flush()?;
    Ok(match result.fitness() {
        Fitness::Serves => ExitStatus::Matches,
        Fitness::Doubtful => ExitStatus::Inconclusive,
        Fitness::Fails => ExitStatus::Differs,
    })
}

fn text(result: &StudyResult, screen: &mut Screen) -> Result<(), Failure> {
    let (boards, operators, repeats) = result.size;
    screen.line(&format!(
        "Gauge study of {boards} boards, {operators} operators, {repeats} repeats; smallest fault {:.1} mV",
        result.smallest * 1e3
    ))?;
    for lost in &result.lost {
        screen.line(&format!(
            "! pin {} lost contact: {}; clean its contact, look at its wire and its channel, then study again",
            lost.pin,
            times(lost)
        ))?;
    }
    if let Some(worst) = result.worst() {
        let verdict = match worst.fitness {
            Fitness::Serves if result.lost.is_empty() => "the gauge shows that fault at every pin",
            Fitness::Serves => "the gauge shows that fault at the other pins",
            Fitness::Doubtful => {
                "doubtful: the gauge takes more than a tenth of that fault; look twice at small differences"
            }
            Fitness::Fails => match worst.source() {
                Source::Seating => {
                    "the gauge hides faults of that size: it reads otherwise at each seating; clean the contacts, zero the \
                     jig, study again"
                }
                Source::Operators => {
                    "the gauge hides faults of that size: it reads otherwise for each operator; agree on leads, meter, \
                     warming up and how a board is seated, study again"
                }
            },
        };
        screen.line(&format!(
            "{verdict} (worst pin {}: six deviations are {:.0} % of the fault)",
            worst.pin,
            100.0 * worst.share
        ))?;
    }
    let width = result.pins.iter().map(|pin| pin.pin.chars().count()).max().unwrap_or(0).max(3);
    screen.line(&format!("  {:>width$}  repeat  operator  gauge   boards  share  categories", "pin"))?;
    for pin in &result.pins {
        let gauge = &pin.gauge;
        let sign = match pin.fitness {
            Fitness::Serves => "",
            Fitness::Doubtful => "  ~ doubtful",
            Fitness::Fails => "  ! fails",
        };
        let categories = gauge.categories().map_or_else(|| "-".to_owned(), |n| format!("{:.0}", n.floor()));
        let row = format!(
            "  {:>width$}  {:>6.2}  {:>8.2}  {:>6.2}  {:>6.2}  {:>4.0} %  {categories:>10}{sign}",
            pin.pin,
            gauge.repeatability.sqrt() * 1e3,
            gauge.reproducibility().sqrt() * 1e3,
            gauge.sigma() * 1e3,
            gauge.part.sqrt() * 1e3,
            100.0 * pin.share,
        );
        screen.line(row.trim_end())?;
    }
    screen.line(
        "Standard deviations in millivolts: repeat is one operator who seats one board again and again, operator is what",
    )?;
    screen.line("differs between operators. Categories are kinds of board that the gauge tells apart: for information, since")?;
    screen.line("good boards hardly differ.")?;
    if !result.left_out.is_empty() {
        screen.line(&format!("Left out, for they read OL every time: {}", result.left_out.join(" ")))?;
    }
    Ok(())
}

/// How often a pin had no voltage.
fn times(lost: &LostContact) -> String {
    let LostContact { readings, overloads, unread, .. } = lost;
    match (overloads, unread) {
        (_, 0) => format!("OL in {overloads} of {readings} readings"),
        (0, _) => format!("no reading in {unread} of {readings}"),
        _ => format!("OL in {overloads} and no reading in {unread} of {readings}"),
    }
}

fn document(result: &StudyResult) -> serde_json::Value {
    let (boards, operators, repeats) = result.size;
    let pins: Vec<serde_json::Value> = result
        .pins
        .iter()
        .map(|pin| {
            let gauge = &pin.gauge;
            json!({
                "pin": pin.pin,
                "repeatability_volts": gauge.repeatability.sqrt(),
                "reproducibility_volts": gauge.reproducibility().sqrt(),
                "gauge_volts": gauge.sigma(),
                "boards_volts": gauge.part.sqrt(),
                "interaction_pooled": gauge.pooled,
                "interaction_p": gauge.test.map(|test| test.p),
                "share_of_smallest_fault": pin.share,
                "categories": gauge.categories(),
                "fitness": pin.fitness.word(),
            })
        })
        .collect();
    let lost: Vec<serde_json::Value> = result
        .lost
        .iter()
        .map(|lost| {
            json!({
                "pin": lost.pin,
                "readings": lost.readings,
                "overloads": lost.overloads,
                "unread": lost.unread,
            })
        })
        .collect();
    json!({
        "boards": boards,
        "operators": operators,
        "repeats": repeats,
        "smallest_fault_volts": result.smallest,
        "fitness": result.fitness().word(),
        "pins": pins,
        "lost_contact": lost,
        "left_out": result.left_out,
    })
}

/// Readings of session logs: board and operator stand in each.
fn from_logs(paths: &[PathBuf]) -> Result<Vec<Measurement>, Failure> {
    let mut all = Vec::new();
    for path in paths {
        let name = path.display();
        let record = inputs::record(path)?;
        let (Some(board), Some(operator)) = (record.board, record.operator) else {
            return Err(Failure::new(
                ExitStatus::Data,
                format!("{name}: expected a board and an operator, found a sweep that does not name both"),
            )
            .hint("sweep with --board and --operator"));
        };
        all.extend(record.connector.pins.iter().zip(&record.readings).map(|(pin, &value)| Measurement {
            board: board.clone(),
            operator: operator.clone(),
            pin: pin.name.to_string(),
            value,
        }));
    }
    Ok(all)
}

/// Readings of a table.
fn from_csv(path: &Path) -> Result<Vec<Measurement>, Failure> {
    let name = path.display();
    let text = inputs::text(path)?;
    let mut table = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(text.as_bytes());
    let header = table.headers().or_fail(ExitStatus::Data)?.clone();
    let column = |wanted: &str| {
        header.iter().position(|name| name.eq_ignore_ascii_case(wanted)).ok_or_else(|| {
            Failure::new(ExitStatus::Data, format!("{name}: expected a column {wanted}, found none"))
                .hint("the first line is: board,operator,pin,reading")
        })
    };
    let columns = [column("board")?, column("operator")?, column("pin")?, column("reading")?];
    let mut all = Vec::new();
    for row in table.records() {
        let row = row.or_fail(ExitStatus::Data)?;
        let line = row.position().map_or(0, csv::Position::line);
        let [board, operator, pin, reading] = columns.map(|at| row.get(at).unwrap_or_default());
        let value = typed::parse(reading).map_err(|error| {
            let hint = error.hint();
            Failure::new(ExitStatus::Data, format!("{name}, line {line}: {error}")).hint(hint)
        })?;
        let owned = |text: &str| crate::label::shown(unguarded(text));
        all.push(Measurement { board: owned(board), operator: owned(operator), pin: owned(pin), value });
    }
    Ok(all)
}
