//! `pintally init`: a first connector and the configuration of a bench, from a few questions.

mod interview;

use std::{
    fs::OpenOptions,
    io::{ErrorKind, Write},
    path::{Path, PathBuf, absolute},
};

use clap::{Args as Arguments, ValueEnum};

use super::{Screen, config, inputs, options, output, place};
use crate::{
    configuration::Configuration,
    connector::{Connector, LAST_POSITION, Numbering, PinName, Role, rectangle},
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    label, meter,
    port::{self, Address, ListedPort},
};
use interview::{Interview, Question};

/// Write a first connector file and the configuration of this bench, from a few questions
///
/// Each question has an option; what is given is not asked, and --yes asks nothing and takes what stands in
/// brackets. Nothing that exists is overwritten without being asked. Nothing is sent to any port.
#[derive(Debug, Arguments)]
pub(super) struct Args {
    /// Name of the connector, as the drawing calls it
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
    /// Rows of the connector, as the drawing calls them: A,B
    #[arg(long, value_name = "ROWS", value_delimiter = ',')]
    rows: Vec<String>,
    /// Positions in a row
    #[arg(long, value_name = "NUMBER")]
    positions: Option<u16>,
    /// How the pins are counted
    #[arg(long, value_enum)]
    numbering: Option<Counting>,
    /// Pins that are board ground: A1,A4
    #[arg(long, value_name = "PINS", value_delimiter = ',')]
    ground: Vec<String>,
    /// Write the connector here; a file of its name in this folder where none is given
    #[arg(long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Write no connector
    #[arg(long, conflicts_with_all = ["name", "rows", "positions", "numbering", "ground", "output"])]
    no_connector: bool,
    /// Port of the switching board: a serial port or tcp:HOST:PORT
    #[arg(long, value_name = "PORT")]
    jig: Option<Address>,
    /// Port of the meter: a serial port or tcp:HOST:PORT
    #[arg(long, value_name = "PORT")]
    meter: Option<Address>,
    /// Meter profile: a shipped one by name, or a file
    #[arg(long, value_name = "PROFILE")]
    profile: Option<String>,
    /// Wiring file of the jig
    #[arg(long, value_name = "FILE")]
    wiring: Option<PathBuf>,
    /// Data directory, for session logs and history
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// Who works at this bench
    #[arg(long, value_name = "NAME")]
    operator: Option<String>,
    /// Write the configuration here instead of to the user's own
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Ask nothing: take what is not given from what stands in brackets
    #[arg(long)]
    yes: bool,
    /// Write over files that exist
    #[arg(long)]
    overwrite: bool,
}

/// How a drawing counts pins.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Counting {
    /// A1, A2, A3 ... B1, B2
    ByRow,
    /// 1, 2, 3 in the first row, 4, 5, 6 in the second
    RowAfterRow,
    /// 1, 3, 5 in the first row, 2, 4, 6 in the second
    Across,
    /// 1, 2, 3 in the first row, 6, 5, 4 in the second
    Around,
}

/// A file that is about to be written.
struct Draft {
    path: PathBuf,
    text: String,
    what: String,
}

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let config = match args.config.clone().or_else(config::place) {
        Some(path) => path,
        None => {
            let found = "expected a home directory to keep the configuration in, found none";
            return Err(
                Failure::new(ExitStatus::Configuration, found).hint("name a place with --config FILE")
            );
        }
    };
    let mut interview = Interview::new(screen, args.yes);
    interview.say("An empty answer takes what stands in brackets.");
    let connector = connector(args, &mut interview)?;
    let known = known(&config, &mut interview);
    let configuration = configuration(args, &known, &mut interview)?;

    let mut drafts = Vec::new();
    let drawn = connector.map(|connector| {
        let path = args.output.clone().unwrap_or_else(|| PathBuf::from(file_name(&connector.name)));
        drafts.push(Draft { path: path.clone(), text: with_comment(&connector), what: describe(&connector) });
        path
    });
    if configuration != known || !config.exists() {
        drafts.push(Draft {
            path: config,
            text: configuration.to_toml(),
            what: "the configuration of this bench".to_owned(),
        });
    }
    let mut chosen = Vec::new();
    for draft in drafts {
        output::refuse_session_log(&draft.path)?;
        if !draft.path.exists() || args.overwrite || interview.may_overwrite(&draft.path)? {
            chosen.push(draft);
        } else {
            interview.tell(&format!("kept {}", draft.path.display()));
        }
    }
    let data = place::data_folder(configuration.data.as_deref())?;
    make_folder(&data)?;
    for draft in &chosen {
        write(draft)?;
        interview.tell(&format!("wrote {}: {}", draft.path.display(), draft.what));
    }
    interview.advise("\nnext:");
    for (number, step) in next_steps(drawn.as_deref(), &configuration).iter().enumerate() {
        interview.advise(&format!("  {}. {step}", number + 1));
    }
    Ok(ExitStatus::Matches)
}

/// Draws the connector; `None` if no connector is wanted, or its size is not known and may not be asked for.
fn connector(args: &Args, interview: &mut Interview<'_>) -> Result<Option<Connector>, Failure> {
    if args.no_connector {
        return Ok(None);
    }
    if args.yes && args.positions.is_none() {
        interview
            .tell("no connector is drawn: that needs --positions, and --rows where they are not A and B");
        return Ok(None);
    }
    let named = Question::new("--name", "Connector, as the drawing calls it").or("J1");
    let named = interview.ask(named, args.name.as_deref(), name)?;
    let rows = Question::new("--rows", "Its rows, as the drawing calls them").or("A,B");
    let rows = interview.ask(rows, joined(&args.rows).as_deref(), |text| {
        list(text).map(name).collect::<Result<Vec<_>, _>>()
    })?;
    let positions = Question::new("--positions", "Positions in a row");
    let given = args.positions.map(|positions| positions.to_string());
    let positions = interview.ask(positions, given.as_deref(), |text| {
        let found = || format!("expected a number from 1 to {}, found `{text}`", LAST_POSITION);
        text.parse().ok().filter(|n| (1..=LAST_POSITION).contains(n)).ok_or_else(found)
    })?;
    let numbering = match args.numbering {
        Some(numbering) => numbering,
        None => {
            interview.say("Pins are counted");
            interview.say("  by-row         A1, A2, A3 ... then B1, B2, B3");
            interview.say("  row-after-row  1, 2, 3 ... then on from the same end of the next row");
            interview.say("  across         1, 3, 5 ... with 2, 4, 6 in the next row");
            interview.say("  around         1, 2, 3 ... then back along the next row");
            interview.ask(
                Question::new("--numbering", "How are yours counted").or("by-row"),
                None,
                |text| {
                    let found = |_| format!("expected one of the words on the left, found `{text}`");
                    Counting::from_str(text, true).map_err(found)
                },
            )?
        }
    };
    let ground = Question::new("--ground", "Ground pins, such as A1,A4").or(NONE);
    let drawn = interview.ask(ground, joined(&args.ground).as_deref(), |text| {
        let ground: Vec<PinName> = list(text).map(PinName::new).collect();
        rectangle(&named, &rows, positions, numbering.into(), &ground).map_err(|error| error.to_string())
    })?;
    Ok(Some(drawn))
}

/// The configuration that is there already: its values stand in brackets.
fn known(path: &Path, interview: &mut Interview<'_>) -> Configuration {
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
fn configuration(
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
            interview.say(&format!("  {}  {}", number + 1, super::ports::text(port)));
        }
    }
    let mut port = |question: Question, given: &Option<Address>, known: &Option<Address>| {
        let shown = |port: &Option<Address>| port.as_ref().map(Address::to_string);
        let question = question.or(shown(known).as_deref().unwrap_or(NONE));
        interview.ask(question, shown(given).as_deref(), |text| optional(text, |text| listed(text, &ports)))
    };
    let question = Question::new("--jig", "Port of the switching board, by number or name");
    let jig = port(question, &args.jig, &known.jig)?;
    let question = Question::new("--meter", "Port of the meter, by number or name");
    let meter = port(question, &args.meter, &known.meter)?;
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

/// What stands in brackets where nothing is needed.
const NONE: &str = "none";

fn list(text: &str) -> impl Iterator<Item = &str> {
    text.split(',').map(str::trim).filter(|part| !part.is_empty() && !part.eq_ignore_ascii_case(NONE))
}

fn joined(parts: &[String]) -> Option<String> {
    if parts.is_empty() { None } else { Some(parts.join(",")) }
}

fn name(text: &str) -> Result<String, String> {
    label::name(text).map(str::to_owned).map_err(|problem| problem.to_string())
}

fn optional<T>(text: &str, check: impl Fn(&str) -> Result<T, String>) -> Result<Option<T>, String> {
    if text.eq_ignore_ascii_case(NONE) { Ok(None) } else { check(text).map(Some) }
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

/// A path that means the same from every folder.
fn whole(path: &Path) -> Result<PathBuf, String> {
    absolute(path).map_err(|error| format!("cannot use {}: {error}", path.display()))
}

/// A file name that every system takes.
fn file_name(connector: &str) -> String {
    let keep = |c: char| if c.is_ascii_alphanumeric() || matches!(c, '-' | '_') { c } else { '_' };
    format!("{}.toml", connector.chars().map(keep).collect::<String>())
}

fn describe(connector: &Connector) -> String {
    let ground = connector.pins.iter().filter(|pin| pin.role == Some(Role::Ground)).count();
    format!("connector {}, {} pins, {ground} of them ground", connector.name, connector.pins.len())
}

fn with_comment(connector: &Connector) -> String {
    format!(
        "# Drawn by `pintally init`. Add what you know, and leave the rest out: it is learned from known-good boards.\n\
         #   net = \"VLED\"      pins with the same net share it\n\
         #   role = \"power\"    ground, power, signal or unconnected\n\
         #   pair = \"A3\"       the other leg of a differential pair, which names this one in return\n\
         #   note = \"...\"      one line for yourself\n\
         {}",
        connector.to_toml()
    )
}

fn make_folder(folder: &Path) -> Result<(), Failure> {
    std::fs::create_dir_all(folder).map_err(|error| {
        Failure::new(ExitStatus::Io, format!("cannot make the folder {}: {error}", folder.display()))
            .hint("name another place")
    })
}

fn write(draft: &Draft) -> Result<(), Failure> {
    if let Some(folder) = draft.path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        make_folder(folder)?;
    }
    let mut file = OpenOptions::new();
    file.write(true).create(true).truncate(true);
    file.open(&draft.path).and_then(|mut file| file.write_all(draft.text.as_bytes())).map_err(|error| {
        let hint = match error.kind() {
            ErrorKind::PermissionDenied => "name a file that you may write",
            _ => "name another place",
        };
        Failure::new(ExitStatus::Io, format!("cannot write {}: {error}", draft.path.display())).hint(hint)
    })
}

/// What to do with what was written.
fn next_steps(connector: Option<&Path>, configuration: &Configuration) -> Vec<String> {
    let connector = connector.map(|path| path.display().to_string());
    let file = connector.as_deref().unwrap_or("CONNECTOR.toml");
    let mut steps = Vec::new();
    if connector.is_some() {
        steps.push(format!("add the nets, roles and pairs that you know to {file}"));
    }
    let practice = connector.as_ref().map_or(String::new(), |file| format!(" --connector {file}"));
    steps.push(format!("practise without hardware: pintally sweep --practice{practice} --fault random"));
    steps.push(match &configuration.meter {
        Some(port) => format!(
            "hold the meter's leads together, then apart: pintally meter watch {port} --profile {}",
            configuration.profile.as_deref().unwrap_or(options::PROFILE)
        ),
        None => "find the meter: pintally meter find".to_owned(),
    });
    steps.push(match &configuration.jig {
        Some(port) => format!("see that the switching board answers: pintally jig identify {port}"),
        None => "find the switching board: pintally jig find".to_owned(),
    });
    steps.push(format!("sweep a known-good board: pintally sweep --connector {file} --board G1 > good.csv"));
    steps
}

impl From<Counting> for Numbering {
    fn from(counting: Counting) -> Self {
        match counting {
            Counting::ByRow => Self::ByRow,
            Counting::RowAfterRow => Self::RowAfterRow,
            Counting::Across => Self::Across,
            Counting::Around => Self::Around,
        }
    }
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

    #[test]
    fn a_file_name_is_safe_in_every_file_system() {
        assert_eq!(file_name("J5"), "J5.toml");
        assert_eq!(file_name("../J 5/µ"), "___J_5__.toml");
    }
}
