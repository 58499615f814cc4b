//! `pintally meter`: find, identify and watch meters, and show the profiles.

mod identify;
mod line;
mod watch;

use clap::{Args as Arguments, Subcommand, ValueEnum};
use serde_json::json;

use super::{Screen, inputs};
use crate::{
    exit_status::ExitStatus,
    failure::Failure,
    meter::{Origin, Profile, Talk},
    port::{self, ListedPort},
};

/// Find, identify and watch meters, and show the profiles
#[derive(Debug, Arguments)]
pub(super) struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Find(FindArgs),
    Identify(identify::Args),
    Watch(watch::Args),
    Profiles(ProfilesArgs),
}

/// How to print results.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// For people
    Text,
    /// JSON Lines
    Json,
}

/// List the serial ports and what is known of them
#[derive(Debug, Arguments)]
struct FindArgs {
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

/// List the meter profiles that come with the program, or show one as TOML to copy and change
#[derive(Debug, Arguments)]
struct ProfilesArgs {
    /// Profile to show: a shipped one by name, or a file
    profile: Option<String>,
}

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    match &args.command {
        Command::Find(args) => find(args, screen),
        Command::Identify(args) => identify::run(args, screen),
        Command::Watch(args) => watch::run(args, screen),
        Command::Profiles(args) => profiles(args, screen),
    }
}

fn find(args: &FindArgs, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let ports = port::list().map_err(|reason| {
        Failure::new(ExitStatus::Io, format!("the system does not tell its serial ports: {reason}"))
    })?;
    for port in &ports {
        screen.line(&match args.format {
            Format::Text => text(port),
            Format::Json => json(port),
        })?;
    }
    if ports.is_empty() {
        screen.tell("no serial port was found: plug in the meter's cable, then look again");
    } else {
        screen.tell("next: pintally meter identify PORT");
    }
    Ok(ExitStatus::Matches)
}

fn text(port: &ListedPort) -> String {
    let Some(usb) = &port.usb else { return port.name.clone() };
    let mut words = vec![format!("{:<16} USB {:04x}:{:04x}", port.name, usb.vendor_id, usb.product_id)];
    words.extend(usb.maker.clone());
    words.extend(usb.product.clone());
    words.extend(usb.serial.as_ref().map(|serial| format!("serial {serial}")));
    words.join(" ")
}

fn json(port: &ListedPort) -> String {
    let usb = port.usb.as_ref().map(|usb| {
        json!({
            "vendor_id": usb.vendor_id,
            "product_id": usb.product_id,
            "maker": usb.maker,
            "product": usb.product,
            "serial": usb.serial,
        })
    });
    json!({ "port": port.name, "usb": usb }).to_string()
}

fn profiles(args: &ProfilesArgs, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    if let Some(name) = &args.profile {
        screen.line(inputs::profile(name)?.to_toml().trim_end())?;
        return Ok(ExitStatus::Matches);
    }
    screen.line(&row("name", "talk", "readings/s", "known from", "meter"))?;
    for profile in Profile::all_shipped() {
        let talk = match profile.talk {
            Talk::Streaming => "streams",
            Talk::Polled { .. } => "is polled",
            Talk::Triggered { .. } => "measures when asked",
        };
        let origin = match profile.origin {
            Origin::Documented => "documents",
            Origin::FromMemory => "memory",
            Origin::Tried => "a real meter",
        };
        let rate = profile.timing.readings_per_second.to_string();
        screen.line(&row(&profile.name, talk, &rate, origin, &profile.title))?;
    }
    screen.tell("show one to copy and change: pintally meter profiles NAME > my-meter.toml");
    Ok(ExitStatus::Matches)
}

fn row(name: &str, talk: &str, rate: &str, origin: &str, title: &str) -> String {
    format!("{name:<13} {talk:<19} {rate:>10}  {origin:<12}  {title}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::port::UsbDevice;

    #[test]
    fn a_port_is_shown_with_what_is_known() {
        let usb = UsbDevice {
            vendor_id: 0x0403,
            product_id: 0x6001,
            serial: Some("A1".into()),
            maker: None,
            product: Some("USB adapter".into()),
        };
        let port = ListedPort { name: "COM7".into(), usb: Some(usb) };
        assert_eq!(text(&port), "COM7             USB 0403:6001 USB adapter serial A1");
        assert_eq!(text(&ListedPort { name: "COM1".into(), usb: None }), "COM1");
    }
}
