//! `pintally init`: a first connector and the configuration of a bench, from a few questions.

mod bench;
mod drawing;
mod interview;

use std::{
    fs::OpenOptions,
    io::{ErrorKind, Write},
    path::{Path, PathBuf},
};

use clap::Args as Arguments;

use super::{Screen, config, options, output, place};
use crate::{configuration::Configuration, exit_status::ExitStatus, failure::Failure, port::Address};
use drawing::Counting;
use interview::Interview;

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
    let connector = drawing::connector(args, &mut interview)?;
    let known = bench::known(&config, &mut interview);
    let configuration = bench::configuration(args, &known, &mut interview)?;

    let mut drafts = Vec::new();
    let drawn = connector.map(|connector| {
        let path = args.output.clone().unwrap_or_else(|| PathBuf::from(drawing::file_name(&connector.name)));
        drafts.push(Draft {
            path: path.clone(),
            text: drawing::with_comment(&connector),
            what: drawing::describe(&connector),
        });
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
