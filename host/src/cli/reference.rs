//! `pintally reference`: makes, extends and shows a reference.

use std::{fmt::Write as _, path::PathBuf};

use clap::{Args as Arguments, Subcommand};

use super::{
    Screen,
    inputs::{self, Rows},
    options,
    output::{self, Output, Overwrite},
};
use crate::{
    connector::Connector,
    exit_status::ExitStatus,
    failure::Failure,
    reference::{Conditions, Polarity, Reference, learn},
    statistics::tolerance_factor,
    units::{Kelvin, Volts},
};

/// Make, extend or show a reference from known-good boards
#[derive(Debug, Arguments)]
pub(super) struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Make a reference from readings of known-good boards
    Make(Make),
    /// Add known-good boards to a reference
    Extend(Extend),
    /// Show what a reference knows
    Show(Show),
}

#[derive(Debug, Arguments)]
struct Make {
    /// Connector file, TOML or CSV
    #[arg(long, value_name = "FILE")]
    connector: PathBuf,
    /// Readings of known-good boards, CSV with board,pin,reading
    #[arg(long, value_name = "FILE")]
    known_good: PathBuf,
    #[command(flatten)]
    rows: Rows,
    /// Where to write the reference; standard output if left out
    #[arg(long, value_name = "FILE")]
    output: Option<PathBuf>,
    #[command(flatten)]
    overwrite: Overwrite,
    /// Meter that took the readings
    #[arg(long, value_name = "TEXT")]
    meter: Option<String>,
    /// Test current of the meter in diode test, in milliamperes
    #[arg(long, value_name = "MILLIAMPERES")]
    test_current: Option<f64>,
    /// Highest voltage that the meter shows before OL
    #[arg(long, value_name = "VOLTS")]
    compliance: Option<f64>,
    /// The readings were taken with the black lead on ground and red on the pins; `compare` takes such a reference, a
    /// sweep refuses it, since sweeps have red on ground
    #[arg(long)]
    black_on_ground: bool,
    /// Temperature of the boards, in degrees Celsius
    #[arg(long, value_name = "CELSIUS", allow_negative_numbers = true)]
    temperature: Option<f64>,
    /// Date of the readings, as you write dates
    #[arg(long, value_name = "TEXT")]
    date: Option<String>,
    /// A remark for later readers
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
}

#[derive(Debug, Arguments)]
struct Extend {
    /// Connector file, TOML or CSV
    #[arg(long, value_name = "FILE")]
    connector: PathBuf,
    /// Reference file to extend
    #[arg(long, value_name = "FILE")]
    reference: PathBuf,
    /// Readings of further known-good boards, taken under the same conditions
    #[arg(long, value_name = "FILE")]
    known_good: PathBuf,
    #[command(flatten)]
    rows: Rows,
    /// Where to write the extended reference; over the old one if left out
    #[arg(long, value_name = "FILE")]
    output: Option<PathBuf>,
    #[command(flatten)]
    overwrite: Overwrite,
}

#[derive(Debug, Arguments)]
struct Show {
    /// Reference file
    #[arg(value_name = "FILE")]
    reference: PathBuf,
}

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    match &args.action {
        Action::Make(make) => {
            let read = [make.connector.as_path(), make.known_good.as_path()];
            let output = make.output.as_deref();
            let output = output.map(|path| Output::new(path, make.overwrite, &read)).transpose()?;
            let connector = inputs::connector(&make.connector)?;
            let boards = inputs::all_boards(&make.known_good, &connector, Some(make.rows), screen)?;
            let reference = learn(&connector, &boards, conditions(make)?)
                .map_err(|error| Failure::new(ExitStatus::Data, error))?;
            inputs::warn_of_known_good(&reference, screen);
            write(&reference, output.as_ref(), screen)
        }
        Action::Extend(extend) => {
            let read = [extend.connector.as_path(), extend.known_good.as_path()];
            let output = match extend.output.as_deref() {
                Some(path) if !output::is_same(path, &extend.reference) => {
                    Output::new(path, extend.overwrite, &read)?
                }
                _ => Output::in_place(&extend.reference)?,
            };
            let connector = inputs::connector(&extend.connector)?;
            let reference = inputs::reference(&extend.reference)?;
            let more = inputs::all_boards(&extend.known_good, &connector, Some(extend.rows), screen)?;
            let reference = extended(&connector, reference, more)?;
            inputs::warn_of_known_good(&reference, screen);
            write(&reference, Some(&output), screen)
        }
        Action::Show(show) => {
            let reference = inputs::reference(&show.reference)?;
            screen.line(shown(&reference).trim_end())?;
            screen.flush()?;
            Ok(ExitStatus::Matches)
        }
    }
}

fn extended(
    connector: &Connector,
    reference: Reference,
    more: Vec<crate::readings::BoardReadings>,
) -> Result<Reference, Failure> {
    reference.fits(connector)?;
    let mut boards = reference.boards;
    boards.extend(more);
    learn(connector, &boards, reference.conditions).map_err(|error| {
        Failure::new(ExitStatus::Data, error).hint("give each board its own name, such as its ticket number")
    })
}

fn conditions(make: &Make) -> Result<Conditions, Failure> {
    let number = |name: &str, value: Option<f64>, low: f64, high: f64| match value {
        Some(value) if !(low..=high).contains(&value) => Err(Failure::new(
            ExitStatus::Usage,
            format!("expected {name} from {low} to {high}, found {value}"),
        )),
        value => Ok(value),
    };
    Ok(Conditions {
        meter: make.meter.clone(),
        test_current: options::test_current(make.test_current)?,
        compliance: number("--compliance", make.compliance, 0.1, 100.0)?.map(Volts::of),
        polarity: if make.black_on_ground { Polarity::BlackOnGround } else { Polarity::RedOnGround },
        temperature: number("--temperature", make.temperature, -60.0, 150.0)?.and_then(Kelvin::from_celsius),
        date: make.date.clone(),
        note: make.note.clone(),
    })
}

fn write(
    reference: &Reference,
    output: Option<&Output<'_>>,
    screen: &mut Screen,
) -> Result<ExitStatus, Failure> {
    let text = reference.to_toml();
    match output {
        None => screen.line(text.trim_end())?,
        Some(output) => {
            output.write("the reference", text.as_bytes())?;
            let boards = match reference.boards.len() {
                1 => "1 board".to_owned(),
                boards => format!("{boards} boards"),
            };
            screen.say(&format!("wrote {} from {boards}", output.path().display()));
        }
    }
    screen.flush()?;
    Ok(ExitStatus::Matches)
}

fn shown(reference: &Reference) -> String {
    let mut out = String::new();
    let conditions = &reference.conditions;
    // Writing to a string cannot fail.
    let _ = writeln!(
        out,
        "Reference for {} from {} known-good board{}",
        reference.connector,
        reference.boards.len(),
        if reference.boards.len() == 1 { "" } else { "s" }
    );
    let facts = [
        conditions.meter.as_ref().map(|meter| format!("meter {meter}")),
        conditions.test_current.map(|current| format!("test current {current}")),
        conditions.compliance.map(|volts| format!("compliance {volts:.1} V")),
        conditions.temperature.map(|kelvin| format!("{:.0} °C", kelvin.get() - 273.15)),
        conditions.date.clone(),
        conditions.note.clone(),
        (conditions.polarity == Polarity::BlackOnGround).then(|| "black lead on ground".to_owned()),
    ];
    for fact in facts.into_iter().flatten() {
        let _ = writeln!(out, "  {fact}");
    }
    for odd in &reference.odd {
        let pins: Vec<&str> = odd.pins.iter().map(|pin| pin.name.as_str()).collect();
        let _ = writeln!(out, "  ! board {} stands apart at {}", odd.board, inputs::pin_list(&pins));
    }
    // What so many boards are worth: the exact factor of ISO 16269-6, without moderation.
    let boards = reference.boards.len();
    match tolerance_factor(boards, boards.saturating_sub(1) as f64, 0.99, 0.95) {
        Some(factor) => {
            let _ = writeln!(
                out,
                "  99 % of good boards lie within {factor:.1} spreads of the centre of a pin, 95 % sure; pins teach each other, \
                 so limits are narrower"
            );
        }
        None => {
            let _ = writeln!(out, "  one board tells no spread: comparisons assume it (--assume-spread)");
        }
    }
    let width = reference.pins.iter().map(|pin| pin.name.as_str().chars().count()).max().unwrap_or(0).max(3);
    let _ = writeln!(out, "  {:>width$}  centre   spread  boards  OL  role", "pin");
    for pin in &reference.pins {
        let centre = pin.value().to_string();
        let spread = pin.spread.map_or_else(|| "-".to_owned(), |spread| format!("{spread:.4}"));
        let role = pin.role.map_or_else(String::new, |role| role.to_string());
        let row = format!(
            "  {:>width$}  {centre:>6}  {spread:>7}  {:>6}  {:>2}  {role}",
            pin.name, pin.count, pin.overloads
        );
        let _ = writeln!(out, "{}", row.trim_end());
    }
    out
}
