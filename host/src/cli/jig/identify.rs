//! `pintally jig identify`: what a switching board is and can do.

use std::time::Duration;

use clap::Args as Arguments;
use protocol::{
    Accumulator, Answer, BoardKind, BoardMessage, Fault, Greeting, Parts, Request, ResetCause, frame, version,
};
use serde_json::json;

use crate::{
    cli::{Screen, config, line::Line, ports::Format},
    exit_status::ExitStatus,
    failure::Failure,
    jig::{Client, Heard},
    port::{Address, SWITCHING_BOARD},
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

/// A board on USB needs a moment after its port was opened.
const PATIENCE: Duration = Duration::from_secs(2);

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

/// Greets until the patience is over: the first bytes after opening may be lost.
fn greet(address: &Address) -> Result<Greeting, Failure> {
    let mut line = Line::open(address, &SWITCHING_BOARD)?;
    let mut client = Client::default();
    let mut frames = Accumulator::<BoardMessage>::new();
    let mut damaged = None;
    let until = line.now().after(PATIENCE);
    loop {
        let now = line.now();
        if now >= until {
            let found = damaged.unwrap_or_else(|| "silence".to_owned());
            return Err(Failure::new(
                ExitStatus::Unavailable,
                format!(
                    "{address}: expected a switching board to answer within {} s, found {found}",
                    PATIENCE.as_secs()
                ),
            )
            .hint("check that the board has power and that no meter hangs on this port")
            .hint("`pintally jig find` lists the ports"));
        }
        if client.check(now).is_err() || !client.is_waiting() {
            let request = client.send(Request::Greet { min: version::MIN, max: version::CURRENT }, now);
            // An empty frame first parts the request from whatever stands in the board's buffer.
            let bytes = [&[0][..], &frame::encode(&request)[..]].concat();
            line.send(&bytes)?;
        }
        let Some((at, bytes)) = line.hear(Duration::from_millis(100))? else { continue };
        for item in frames.items(&bytes) {
            match item {
                Err(error) => damaged = Some(error.to_string()),
                Ok(message) => match client.receive(&message, at) {
                    Heard::Answer { answer: Answer::Greeting(greeting), .. } => return Ok(greeting),
                    Heard::Answer { answer: Answer::Refused(Fault::Version { min, max }), .. } => {
                        return Err(Failure::new(
                            ExitStatus::Protocol,
                            format!(
                                "{address}: expected a switching board that speaks version {} to {} of the protocol, found one that speaks {min} to {max}",
                                version::MIN,
                                version::CURRENT
                            ),
                        )
                        .hint("flash the firmware that came with this program, see docs/flashing.md"));
                    }
                    _ => {}
                },
            }
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
        format!("switching board {}: {}", unique_id(greeting), kind(greeting.kind)),
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

fn unique_id(greeting: &Greeting) -> String {
    greeting.unique_id.iter().map(|byte| format!("{byte:02x}")).collect()
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
