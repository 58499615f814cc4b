//! What stays the same at the bench: ports, profile, people and places.

use std::path::{Path, PathBuf, absolute};

use super::{
    Args,
    interview::{Interview, NONE, Question, name, optional},
};
use crate::{
    cli::{config, inputs, options, place, ports},
    configuration::Configuration,
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    meter,
    port::{self, Address, ListedPort},
};

/// The configuration that is there already: its values stand in brackets.
pub(super) fn known(path: &Path, interview: &mut Interview<'_>) -> Configuration {
    if !path.exists() {
        return Configuration::default();
    }
    let named = config::Args { config: Some(path.to_owned()) };
    named.load().unwrap_or_else(|failure| {
        // It is about to be replaced, if the operator agrees.
        interview.tell(&failure.to_string().replacen("error:", "warning:", 1));
        Configuration::default()
    })
}

/// Asks for what stays the same at the bench.
pub(super) fn configuration(
    args: &Args,
    known: &Configuration,
    interview: &mut Interview<'_>,
) -> Result<Configuration, Failure> {
    // A system that does not tell its ports leaves their names to be typed.
    let ports = port::list().unwrap_or_default();
    if args.jig.is_none() || args.meter.is_none() {
        match ports.as_slice() {
            [] => interview.say("No serial port was found; a port can be named later."),
            _ => interview.say("Serial ports:"),
        }
        for (number, port) in ports.iter().enumerate() {
            interview.say(&format!("  {}  {}", number + 1, ports::text(port)));
        }
    }
    let mut port =
        |question: Question, given: &Option<Address>, known: &Option<Address>, taken: Option<&Address>| {
            let shown = |port: &Option<Address>| port.as_ref().map(Address::to_string);
            let question = question.or(shown(known).as_deref().unwrap_or(NONE));
            interview.ask(question, shown(given).as_deref(), |text| {
                optional(text, |text| free(listed(text, &ports)?, taken))
            })
        };
    let question = Question::new("--jig", "Port of the switching board, by number or name");
    let jig = port(question, &args.jig, &known.jig, None)?;
    let question = Question::new("--meter", "Port of the meter, by number or name");
    let meter = port(question, &args.meter, &known.meter, jig.as_ref())?;
    let profile = interview.ask(
        Question::new("--profile", "Meter profile (`pintally meter profiles` lists them)")
            .or(known.profile.as_deref().unwrap_or(options::PROFILE)),
        args.profile.as_deref(),
        |text| inputs::profile(text).map(|_| text.to_owned()).map_err(|failure| failure.error.to_string()),
    )?;
    let operator = Question::new("--operator", "Your name, for the logs");
    let operator = interview.ask(
        operator.or(known.operator.as_deref().unwrap_or(NONE)),
        args.operator.as_deref(),
        |text| optional(text, name),
    )?;
    let usual = place::data_folder(None).ok();
    let shown = |folder: &PathBuf| folder.display().to_string();
    let mut question = Question::new("--data", "Folder for logs and history");
    question.default = known.data.as_ref().or(usual.as_ref()).map(shown);
    let data =
        interview.ask(question, args.data.as_ref().map(shown).as_deref(), |text| whole(Path::new(text)))?;
    Ok(Configuration {
        jig,
        meter,
        // A profile of one's own is found from every folder.
        profile: Some(match meter::shipped(&profile) {
            Some(_) => profile,
            None => whole(Path::new(&profile)).or_fail(ExitStatus::Io)?.display().to_string(),
        }),
        wiring: match &args.wiring {
            Some(wiring) => Some(whole(wiring).or_fail(ExitStatus::Io)?),
            None => known.wiring.clone(),
        },
        zero: known.zero.clone(),
        // The usual place may be another after a move to a new machine: it is left to the system.
        data: Some(data).filter(|data| usual.as_ref() != Some(data)),
        operator,
    })
}

/// A port by its number in the list, or by its name.
fn listed(text: &str, ports: &[ListedPort]) -> Result<Address, String> {
    match text.parse::<usize>() {
        Ok(number) => match number.checked_sub(1).and_then(|index| ports.get(index)) {
            Some(port) => Ok(Address::Serial(port.name.clone())),
            None => Err(format!("expected a number from the list or the name of a port, found `{text}`")),
        },
        Err(_) => text.parse().map_err(|error: port::AddressError| error.to_string()),
    }
}

/// A port that is not the switching board's.
fn free(port: Address, taken: Option<&Address>) -> Result<Address, String> {
    match taken.filter(|taken| port.is_same_as(taken)) {
        Some(_) => {
            Err(format!("expected another port for the meter, found that of the switching board: {port}"))
        }
        None => Ok(port),
    }
}

/// A path that means the same from every folder.
fn whole(path: &Path) -> Result<PathBuf, String> {
    absolute(path).map_err(|error| format!("cannot use {}: {error}", path.display()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_port_is_taken_by_number_or_name() {
        let ports = [ListedPort { name: "COM7".to_owned(), usb: None }];
        assert_eq!(listed("1", &ports), Ok(Address::Serial("COM7".to_owned())));
        assert_eq!(listed("COM9", &ports), Ok(Address::Serial("COM9".to_owned())));
        for wrong in ["0", "2", "tcp:"] {
            assert!(listed(wrong, &ports).is_err(), "{wrong}");
        }
    }
}
