//! `pintally jig identify`: what a switching board is and can do.

use clap::Args as Arguments;
use protocol::{BoardKind, Greeting, Parts, ResetCause};
use serde_json::json;

use super::talk::greeting;
use crate::{
    cli::{Screen, config, line::Line, ports::Format},
    exit_status::ExitStatus,
    failure::Failure,
    fingerprint,
    jig::PATIENCE,
    moment::Moment,
    port::{Address, SWITCHING_BOARD},
    sweep::{Record, Recorder, Talk, Unanswered},
};

/// Greet the switching board at a port and say what it is and can do
///
/// A greeting opens every channel. If the meter hangs on the port instead, it may show an error for the bytes that it
/// does not know; nothing else happens.
#[derive(Debug, Arguments)]
#[group(id = "jig_identify")]
pub(super) struct Args {
    /// A serial port or tcp:HOST:PORT; that of the configuration where none is given
    port: Option<Address>,
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    #[command(flatten)]
    config: config::Args,
}

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let port = args.config.jig(args.port.clone())?;
    let greeting = greet(&port)?;
    match args.format {
        Format::Text => {
            for line in describe(&greeting) {
                screen.line(&line)?;
            }
        }
        Format::Json => screen.line(&as_json(&port, &greeting))?,
    }
    Ok(ExitStatus::Matches)
}

fn greet(address: &Address) -> Result<Greeting, Failure> {
    let mut line = Line::open(address, &SWITCHING_BOARD)?;
    let mut damaged = Damaged::default();
    let mut talk = Talk::new(&line);
    match talk.greet(&mut line, &mut damaged) {
        Ok(answer) => greeting(answer)
            .map_err(|failure| Failure { error: format!("{address}: {}", failure.error).into(), ..failure }),
        Err(Unanswered::Lost(_, error)) => Err(line.lost(&error)),
        Err(Unanswered::Silent(_)) => {
            let found = damaged.0.unwrap_or_else(|| "silence".to_owned());
            let waited = PATIENCE.as_secs();
            Err(Failure::new(
                ExitStatus::Unavailable,
                format!("{address}: expected a switching board to answer within {waited} s, found {found}"),
            )
            .hint("check that the board has power and that no meter hangs on this port")
            .hint("`pintally jig find` lists the ports"))
        }
        Err(unanswered) => Err(unanswered.into()),
    }
}

/// What was wrong with the latest frame that could not be read.
#[derive(Default)]
struct Damaged(Option<String>);

impl Recorder for Damaged {
    fn record(&mut self, _: Moment, record: Record<'_>) {
        if let Record::JigDamaged(problem) = record {
            self.0 = Some(problem.to_owned());
        }
    }
}

/// What a switching board is and can do, line by line.
pub(super) fn describe(greeting: &Greeting) -> Vec<String> {
    let (major, minor, patch) = greeting.firmware;
    let reset = match greeting.reset {
        ResetCause::Power => "power or its reset line",
        ResetCause::Watchdog => "its watchdog: the program hung",
        ResetCause::Panic => "itself, from a state that must not be: please report it",
        ResetCause::Unknown => "something that it does not tell",
    };
    vec![
        match unique_id(greeting) {
            Some(id) => format!("switching board {id}: {}", kind(greeting.kind)),
            None => format!("switching board without a number of its own: {}", kind(greeting.kind)),
        },
        format!("firmware {major}.{minor}.{patch}, protocol {}", greeting.version),
        format!("{} channels, 0 to {}", greeting.channels, greeting.channels.saturating_sub(1)),
        format!("plans of up to {} steps", greeting.plan_steps),
        format!(
            "break {} µs, make {} µs, opens everything after {:.1} s of silence",
            greeting.timing.break_us,
            greeting.timing.make_us,
            f64::from(greeting.timing.silence_us) / 1e6
        ),
        format!("fitted: {}", parts(greeting.parts)),
        format!("last started by {reset}"),
    ]
}

fn as_json(port: &Address, greeting: &Greeting) -> String {
    let (major, minor, patch) = greeting.firmware;
    json!({
        "port": port.to_string(),
        "unique_id": unique_id(greeting),
        "kind": kind(greeting.kind),
        "firmware": format!("{major}.{minor}.{patch}"),
        "protocol": greeting.version,
        "channels": greeting.channels,
        "plan_steps": greeting.plan_steps,
        "break_us": greeting.timing.break_us,
        "make_us": greeting.timing.make_us,
        "silence_us": greeting.timing.silence_us,
        "fitted": parts(greeting.parts),
    })
    .to_string()
}

/// The number of this one unit, if it has one.
fn unique_id(greeting: &Greeting) -> Option<String> {
    let has_one = greeting.unique_id != [0; 8];
    has_one.then(|| fingerprint::hex(&greeting.unique_id))
}

const fn kind(kind: BoardKind) -> &'static str {
    match kind {
        BoardKind::Multiplexer => "analog multiplexers",
        BoardKind::ShiftRegister => "relays or PhotoMOS on shift registers",
        BoardKind::Expander => "relays or PhotoMOS on I2C expanders",
        BoardKind::Practice => "practice bench",
    }
}

fn parts(parts: Parts) -> String {
    let names = [
        (parts.sense, "sense input"),
        (parts.bleed, "bleed resistor"),
        (parts.button, "start button"),
        (parts.lid, "lid contact"),
        (parts.light, "light"),
        (parts.buzzer, "buzzer"),
    ];
    let fitted: Vec<&str> = names.iter().filter(|(is_fitted, _)| *is_fitted).map(|&(_, name)| name).collect();
    if fitted.is_empty() { "nothing besides the switch".to_owned() } else { fitted.join(", ") }
}
