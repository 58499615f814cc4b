//! `pintally meter`: find, identify and watch meters, measure their lag, and show the profiles.

mod identify;
mod lag;
mod watch;

use clap::{Args as Arguments, Subcommand};

use super::{
    Screen, inputs,
    ports::{FindArgs, Format, find},
};
use crate::{
    exit_status::ExitStatus,
    failure::Failure,
    meter::{Origin, Profile, Talk},
};

/// Find, identify and watch meters, measure their lag, and show the profiles
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
    Lag(lag::Args),
    Profiles(ProfilesArgs),
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
        Command::Find(args) => find(args, "meter", "pintally meter identify PORT", screen),
        Command::Identify(args) => identify::run(args, screen),
        Command::Watch(args) => watch::run(args, screen),
        Command::Lag(args) => lag::run(args, screen),
        Command::Profiles(args) => profiles(args, screen),
    }
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
    screen.say("show one to copy and change: pintally meter profiles NAME > my-meter.toml");
    Ok(ExitStatus::Matches)
}

fn row(name: &str, talk: &str, rate: &str, origin: &str, title: &str) -> String {
    format!("{name:<13} {talk:<19} {rate:>10}  {origin:<12}  {title}")
}
