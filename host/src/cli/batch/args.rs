//! What was typed after `pintally batch`.

use std::path::PathBuf;

use clap::Args as Arguments;

use crate::{
    cli::{config, emulation, options, verdict::Format},
    failure::Failure,
};

/// Sweep boards one after another, started by the jig's button or a key
///
/// Before each board is connected: battery out, power off, capacitors discharged. Put it on the jig, scan or type its
/// name where none is counted, and press the button or the return key. The light and the sound of the jig tell the
/// verdict. A connector that leaves a doubt is read once more and then, as a last resort, asked to be seated anew: each
/// mating wears it.
///
/// Everything is in the session logs: a batch that was stopped or killed goes on with --resume.
#[derive(Debug, Clone, Arguments)]
pub(crate) struct Args {
    #[command(flatten)]
    pub(super) bench: options::Bench,
    /// Connector file, TOML or CSV; on the practice bench a demonstration connector stands ready
    #[arg(long, value_name = "FILE", required_unless_present_any = ["practice", "kind"], conflicts_with = "kind")]
    pub(super) connector: Option<PathBuf>,
    /// Wiring file: which pin lies on which channel; pin by pin from channel 0 on where none is given
    #[arg(long, value_name = "FILE", conflicts_with = "kind")]
    pub(super) wiring: Option<PathBuf>,
    /// Board kind file: all its connectors are swept, in its order
    #[arg(long, value_name = "FILE")]
    pub(super) kind: Option<PathBuf>,
    /// The connector of the board kind that was repaired: it comes first, then its neighbours
    #[arg(long, value_name = "NAME", requires = "kind")]
    pub(super) repaired: Option<String>,
    /// Judge by this reference; one a connector, told apart by the connector's name in it
    #[arg(long = "reference", value_name = "FILE")]
    pub(super) references: Vec<PathBuf>,
    /// Subtract the path resistances in this file (`pintally jig zero` writes it); one a wiring
    #[arg(long = "zero", value_name = "FILE", conflicts_with = "practice")]
    pub(super) zeros: Vec<PathBuf>,
    /// What this switching board is called, where its microcontroller has no number of its own
    #[arg(long, value_name = "NAME", conflicts_with = "practice")]
    pub(super) jig_name: Option<String>,
    /// Name the boards by counting up from here: T100, T101, ...
    #[arg(long, value_name = "NAME", value_parser = counted)]
    pub(super) count_from: Option<String>,
    /// A scanned or typed name starts the sweep: put the board on the jig first
    #[arg(long, conflicts_with = "count_from")]
    pub(super) name_starts: bool,
    /// End after so many boards
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u32).range(1..))]
    pub(super) boards: Option<u32>,
    /// How often a connector may be asked to be seated anew for the sake of a doubt
    #[arg(long, value_name = "COUNT", default_value_t = 1)]
    pub(super) reseats: u32,
    /// Name of the batch; the time where none is given
    #[arg(long, value_name = "NAME", conflicts_with = "resume")]
    pub(super) name: Option<String>,
    /// Go on with this batch; give the other options as when it began
    #[arg(long, value_name = "NAME")]
    pub(super) resume: Option<String>,
    /// Who sweeps
    #[arg(long, value_name = "NAME")]
    pub(super) operator: Option<String>,
    /// Confirm, without being asked, that every board will be dead: battery and power off, discharged
    #[arg(long)]
    pub(super) unpowered: bool,
    /// Data directory, for session logs and history
    #[arg(long, value_name = "DIR")]
    pub(super) data: Option<PathBuf>,
    /// Show the rows, the prompts and the verdicts on a live screen
    #[arg(long)]
    pub(super) live: bool,
    /// How to print the verdicts, one line a sweep
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub(super) format: Format,
    #[command(flatten)]
    pub(super) assumptions: options::Assumptions,
    /// A batch on the practice bench, in simulated time, with hands that do what they are asked
    #[arg(long, requires = "boards")]
    pub(super) practice: bool,
    #[command(flatten)]
    pub(super) config: config::Args,
    #[command(flatten)]
    pub(super) wear: Wear,
    #[command(flatten)]
    pub(super) emulation: emulation::Args,
}

/// What changes over a practice batch
#[derive(Debug, Clone, Arguments)]
#[command(next_help_heading = "Practice batch")]
#[group(id = "wear")]
pub(crate) struct Wear {
    /// Put one to three random faults into this share of the boards, drawn by the seed
    #[arg(long, value_name = "SHARE", default_value_t = 0.0, value_parser = share)]
    pub(super) faulty: f64,
    /// Let this channel of the practice jig wear
    #[arg(long, value_name = "CHANNEL")]
    pub(super) wear_channel: Option<u8>,
    /// From this board on
    #[arg(long, value_name = "BOARD", default_value_t = 1, requires = "wear_channel")]
    pub(super) wear_from: u32,
    /// By so many ohms a board
    #[arg(long, value_name = "OHMS", default_value_t = 0.5, requires = "wear_channel", value_parser = ohms)]
    pub(super) wear_ohms: f64,
    /// Let the practice meter show so many percent more on the last board than on the first, evenly in between
    #[arg(long, value_name = "PERCENT", default_value_t = 0.0, allow_hyphen_values = true, value_parser = percent)]
    pub(super) meter_drift: f64,
}

impl Args {
    /// What was typed, and what the configuration says where nothing was.
    pub(super) fn filled(&self) -> Result<Self, Failure> {
        let defaults = self.config.defaults(self.practice)?;
        let mut args = self.clone();
        args.bench.fill(&defaults)?;
        defaults.operator(&mut args.operator);
        defaults.data(&mut args.data);
        // A board kind names the wirings of its connectors itself, and a zero is that of a wiring.
        if args.kind.is_none() {
            defaults.wiring(&mut args.wiring);
            if args.zeros.is_empty() {
                let mut zero = None;
                defaults.zero(&mut zero);
                args.zeros.extend(zero);
            }
        }
        Ok(args)
    }
}

fn counted(text: &str) -> Result<String, String> {
    let name = crate::label::name(text).map_err(|problem| problem.to_string())?;
    match crate::batch_run::next_name(name) {
        Some(_) => Ok(name.to_owned()),
        None => Err("expected a name that ends in digits, such as T100".to_owned()),
    }
}

fn share(text: &str) -> Result<f64, String> {
    within(text, 0.0, 1.0)
}

fn ohms(text: &str) -> Result<f64, String> {
    within(text, 0.0, 1e6)
}

fn percent(text: &str) -> Result<f64, String> {
    within(text, -50.0, 50.0)
}

fn within(text: &str, low: f64, high: f64) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|value| (low..=high).contains(value))
        .ok_or_else(|| format!("expected a number from {low} to {high}"))
}
