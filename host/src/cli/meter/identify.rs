//! `pintally meter identify`: which meter stands at a port.
//!
//! Listens first, with the settings of every profile that streams. Only if nothing is understood does it send, and
//! then only `*IDN?`, which changes nothing on any instrument that knows it.

use std::time::Duration;

use clap::Args as Arguments;
use serde_json::json;

use super::Format;
use crate::{
    cli::{Screen, config, line::Line},
    exit_status::ExitStatus,
    failure::Failure,
    meter::{self, Candidate, DataBits, Identity, Parity, PortSettings, Profile, Recogniser, StopBits, Talk},
    port::Address,
};

/// Listen to a port, ask `*IDN?` if nothing is understood, and say which profile fits
#[derive(Debug, Arguments)]
pub(super) struct Args {
    /// A serial port or tcp:HOST:PORT; that of the configuration where none is given
    port: Option<Address>,
    /// How long to listen with each port setting, in seconds
    #[arg(long, value_name = "SECONDS", default_value_t = 4, value_parser = clap::value_parser!(u64).range(1..=60))]
    listen: u64,
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    #[command(flatten)]
    config: config::Args,
}

/// How long an instrument may take to say who it is.
const ANSWER: Duration = Duration::from_secs(2);

/// Bytes that were heard and not understood.
#[derive(Debug, Default)]
struct Unknown {
    heard: u64,
    first: Vec<u8>,
}

pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let port = &args.config.meter(args.port.clone())?;
    let mut unknown = Unknown::default();
    for (settings, profiles) in listening_groups(port) {
        screen.say(&format!("listening for {} s at {}", args.listen, describe(&settings)));
        let candidates = listen(port, args.listen, &settings, profiles, &mut unknown)?;
        if !candidates.is_empty() {
            return show(port, args.format, &candidates, screen);
        }
    }
    for settings in asking_settings(port) {
        screen.say(&format!("asking *IDN? at {}", describe(&settings)));
        if let Some(identity) = ask(port, &settings)? {
            return show_identity(port, args.format, &settings, &identity, screen);
        }
    }
    Err(nothing(port, &unknown))
}

/// Profiles that stream, by the settings that they need. A `tcp:` port has no settings, so all listen at once.
fn listening_groups(address: &Address) -> Vec<(PortSettings, Vec<Profile>)> {
    let mut groups: Vec<(PortSettings, Vec<Profile>)> = Vec::new();
    for profile in Profile::all_shipped().filter(|profile| profile.talk == Talk::Streaming) {
        let is_tcp = matches!(address, Address::Tcp { .. });
        match groups.iter_mut().find(|(settings, _)| is_tcp || *settings == profile.port) {
            Some((_, profiles)) => profiles.push(profile),
            None => groups.push((profile.port.clone(), vec![profile])),
        }
    }
    groups
}

/// The settings of the 34401A class: 8N2, then the factory's 7E2 (from memory), then that of most USB instruments.
fn asking_settings(address: &Address) -> Vec<PortSettings> {
    let port = |baud, data_bits, parity, stop_bits| PortSettings {
        baud,
        data_bits,
        parity,
        stop_bits,
        dtr: true,
        rts: true,
    };
    let mut settings = vec![
        port(9600, DataBits::Eight, Parity::None, StopBits::Two),
        port(9600, DataBits::Seven, Parity::Even, StopBits::Two),
        port(115_200, DataBits::Eight, Parity::None, StopBits::One),
    ];
    if matches!(address, Address::Tcp { .. }) {
        settings.truncate(1);
    }
    settings
}

fn describe(settings: &PortSettings) -> String {
    let parity = match settings.parity {
        Parity::None => 'N',
        Parity::Odd => 'O',
        Parity::Even => 'E',
    };
    format!("{} {}{parity}{}", settings.baud, u8::from(settings.data_bits), u8::from(settings.stop_bits))
}

fn listen(
    port: &Address,
    seconds: u64,
    settings: &PortSettings,
    profiles: Vec<Profile>,
    unknown: &mut Unknown,
) -> Result<Vec<Candidate>, Failure> {
    let line = Line::open(port, settings)?;
    let mut recogniser = Recogniser::new(profiles);
    let end = line.now().after(Duration::from_secs(seconds));
    while line.now() < end {
        if let Some((at, bytes)) = line.hear(end.since(line.now()))? {
            recogniser.push(&bytes, at);
        }
    }
    if recogniser.heard() > unknown.heard {
        *unknown = Unknown { heard: recogniser.heard(), first: recogniser.first().to_vec() };
    }
    Ok(recogniser.candidates())
}

fn ask(address: &Address, settings: &PortSettings) -> Result<Option<Identity>, Failure> {
    let mut line = Line::open(address, settings)?;
    line.send(b"*IDN?\n")?;
    let end = line.now().after(ANSWER);
    let mut answer = Vec::new();
    while line.now() < end {
        if let Some((_, bytes)) = line.hear(end.since(line.now()))? {
            answer.extend(bytes);
        }
        // An answer is at most 72 characters (IEEE 488.2, from memory).
        let mut lines = answer.split(|byte| matches!(byte, b'\r' | b'\n')).rev().skip(1);
        let identity = lines.find_map(|line| Identity::parse(std::str::from_utf8(line).ok()?));
        if identity.is_some() || answer.len() > 1024 {
            return Ok(identity);
        }
    }
    Ok(None)
}

fn show(
    port: &Address,
    format: Format,
    candidates: &[Candidate],
    screen: &mut Screen,
) -> Result<ExitStatus, Failure> {
    for candidate in candidates {
        screen.line(&match format {
            Format::Json => json!({
                "port": port.to_string(),
                "profile": candidate.profile,
                "readings": candidate.readings,
                "dropped_bytes": candidate.dropped,
                "certain": !candidate.is_ambiguous,
            })
            .to_string(),
            Format::Text => format!(
                "{} fits {} ({}): {} readings, {} bytes left over",
                port, candidate.profile, candidate.title, candidate.readings, candidate.dropped
            ),
        })?;
        if candidate.is_ambiguous {
            screen.tell(
                "other chips send blocks of this length with another meaning: name this profile only if you know \
                 that the meter has this chip",
            );
        }
    }
    if let Some(best) = candidates.first() {
        screen.say(&format!(
            "next: pintally meter watch {} --profile {}; hold the leads together (near 0.000), apart (OL), and on \
             one diode, and compare with the display",
            port, best.profile
        ));
    }
    Ok(ExitStatus::Matches)
}

fn show_identity(
    port: &Address,
    format: Format,
    settings: &PortSettings,
    identity: &Identity,
    screen: &mut Screen,
) -> Result<ExitStatus, Failure> {
    let Identity { maker, model, serial, firmware } = identity;
    screen.line(&match format {
        Format::Json => json!({
            "port": port.to_string(),
            "profile": "scpi-bench",
            "settings": describe(settings),
            "maker": maker,
            "model": model,
            "serial": serial,
            "firmware": firmware,
        })
        .to_string(),
        Format::Text => format!(
            "{} is {} {}, serial number {}, firmware {}, at {}",
            port,
            printable(maker),
            printable(model),
            printable(serial),
            printable(firmware),
            describe(settings)
        ),
    })?;
    let same = meter::shipped("scpi-bench").is_some_and(|profile| profile.port == *settings);
    screen.say(&format!("next: pintally meter watch {} --profile scpi-bench", port));
    if !same {
        screen.tell(
            "its port settings differ from the profile's: pintally meter profiles scpi-bench > my-meter.toml, and \
             change [port] there",
        );
    }
    Ok(ExitStatus::Matches)
}

/// Text from a port, safe for a terminal.
fn printable(text: &str) -> String {
    text.escape_debug().to_string()
}

fn nothing(port: &Address, unknown: &Unknown) -> Failure {
    if unknown.heard == 0 {
        return Failure::new(
            ExitStatus::Unavailable,
            format!("expected a meter at {port}, found silence"),
        )
        .hint("switch the meter on, in diode test, and its output on (a key named RS232, USB or REL on many)")
        .hint("a meter that speaks only when polled is not asked here: try --profile d14 or hm8012 with `meter watch`");
    }
    Failure::new(
        ExitStatus::Unavailable,
        format!(
            "expected a known meter at {port}, found {} bytes that fit no profile: {}",
            unknown.heard,
            excerpt(&unknown.first)
        ),
    )
    .hint(
        "if the meter sends lines of text, describe them: pintally meter profiles text-lines > my-meter.toml",
    )
    .hint("the meter may use another baud rate than those tried")
}

/// Lines of text as such, since whoever describes them must see them; other bytes as numbers.
fn excerpt(bytes: &[u8]) -> String {
    if bytes.iter().all(|byte| byte.is_ascii_graphic() || matches!(byte, b' ' | b'\t' | b'\r' | b'\n')) {
        return format!("`{}`", bytes.escape_ascii());
    }
    let bytes: Vec<String> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
    bytes.join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_known_is_shown_as_what_it_is() {
        assert_eq!(excerpt(b"DIODE;0,543;V\r\n"), r"`DIODE;0,543;V\r\n`");
        assert_eq!(excerpt(b"\x1127"), "11 32 37");
    }

    #[test]
    fn every_streaming_profile_is_listened_for_once() {
        let serial: Address = "COM7".parse().unwrap();
        let names = |address: &Address| {
            let groups = listening_groups(address);
            let mut names: Vec<String> =
                groups.iter().flat_map(|(_, profiles)| profiles.iter().map(|p| p.name.clone())).collect();
            names.sort();
            names
        };
        let tcp: Address = "tcp:localhost:1".parse().unwrap();
        assert_eq!(names(&serial), names(&tcp));
        assert_eq!(listening_groups(&tcp).len(), 1);
        assert!(listening_groups(&serial).len() > 1);
        for (settings, profiles) in listening_groups(&serial) {
            assert!(profiles.iter().all(|profile| profile.port == settings));
        }
    }
}
