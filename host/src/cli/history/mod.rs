//! `pintally history`: what was swept before.

mod list;
mod show;

pub(super) use list::{as_json as json, csv, line};

use std::path::{Path, PathBuf};

use clap::{Args as Arguments, Subcommand};

use super::{Screen, config, place, prepare, verdict::Format};
use crate::{
    exit_status::ExitStatus,
    failure::Failure,
    history::{self, FILE, History},
    label,
};

/// List what was swept before, and show one board over time
///
/// The history is made from the session logs in the data directory and can be made again from them at any time. Times
/// are in UTC.
#[derive(Debug, Arguments)]
pub(super) struct Args {
    #[command(subcommand)]
    command: Option<Command>,
    /// Data directory, with the session logs
    #[arg(long, value_name = "DIR", global = true)]
    data: Option<PathBuf>,
    #[command(flatten)]
    config: config::Args,
    #[command(flatten)]
    list: list::Args,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Show one board over time: its sweeps, what changed from one to the next, and its notes
    Show {
        /// Ticket number or other name of the board
        board: String,
        /// How to print; CSV has one row a pin and sweep
        #[arg(long, value_enum, default_value_t = Format::Text)]
        format: Format,
    },
    /// Write a note about a board into the log of its latest sweep
    Note {
        /// Ticket number or other name of the board
        board: String,
        /// The note, one line
        text: String,
    },
    /// Remove all notes about a board, for good
    ///
    /// Its session logs are rewritten without the words and say that something was removed, when and by whom. Readings,
    /// findings and what was noted of repaired pins stay. Copies that were made elsewhere, and reports that were printed,
    /// are not reached.
    Forget {
        /// Ticket number or other name of the board
        board: String,
        /// Who removes them
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
        /// Do not ask
        #[arg(long)]
        yes: bool,
    },
    /// Copy session logs from elsewhere into the data directory
    Add {
        /// The logs
        #[arg(required = true)]
        logs: Vec<PathBuf>,
    },
    /// Make the history again from the session logs
    ///
    /// Nothing is lost by it: the logs are the record. A database that cannot be used is set aside.
    Rebuild,
}

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    if args.command.is_some() && args.list.is_set() {
        return Err(Failure::new(
            ExitStatus::Usage,
            "expected options that belong to this command, found one of the list",
        )
        .hint("`pintally history --help` tells which options the list has"));
    }
    let named = args.data.clone().or(args.config.load()?.data);
    let data = place::data_folder(named.as_deref())?;
    match &args.command {
        None => list::run(&args.list, &open(&data, screen)?, screen)?,
        Some(Command::Show { board, format }) => show::run(board, *format, &open(&data, screen)?, screen)?,
        Some(Command::Note { board, text }) => note(board, text, &data, screen)?,
        Some(Command::Forget { board, by, yes }) => forget(board, by.as_deref(), *yes, &data, screen)?,
        Some(Command::Add { logs }) => return add(logs, &data, screen),
        Some(Command::Rebuild) => return rebuild(&data, screen),
    }
    screen.flush()?;
    Ok(ExitStatus::Matches)
}

/// Opens the history with everything that lies in the folder of the logs.
fn open(data: &Path, screen: &mut Screen) -> Result<History, Failure> {
    let mut history = History::open(data)?;
    for error in history.catch_up()?.unusable {
        screen.tell(&format!("warning: left out: {error}"));
    }
    Ok(history)
}

fn note(board: &str, text: &str, data: &Path, screen: &mut Screen) -> Result<(), Failure> {
    let text = match label::note(text) {
        Ok("") => return Err(Failure::new(ExitStatus::Usage, "expected a note, found no text")),
        Ok(text) => text,
        Err(problem) => return Err(Failure::new(ExitStatus::Usage, format!("the note: {problem}"))),
    };
    let noted = open(data, screen)?.note(board, text, place::now_us())?;
    screen.tell(&format!("noted in {}", history::log_of(data, &noted.session).display()));
    if let Some(error) = noted.left {
        screen.tell(&format!("note: the history will take it in when it is asked next: {error}"));
    }
    Ok(())
}

fn forget(board: &str, by: Option<&str>, yes: bool, data: &Path, screen: &mut Screen) -> Result<(), Failure> {
    let by = by.map(|name| prepare::checked_name("--by", name)).transpose()?;
    let mut history = open(data, screen)?;
    let entries = history.board(board)?;
    if !yes {
        let question = format!(
            "Remove all notes about board {} from {} logs for good?",
            label::shown(board),
            entries.len()
        );
        prepare::ask(&question, "--yes", screen)?;
    }
    let gone = history.forget(board, &place::now(), by.as_deref())?;
    let plural = |count: u32, one: &str| format!("{count} {one}{}", if count == 1 { "" } else { "s" });
    screen.tell(&format!(
        "removed {} from {} of {}",
        plural(gone.notes, "note"),
        plural(gone.logs, "log"),
        plural(gone.sweeps, "sweep")
    ));
    if gone.damaged > 0 {
        screen.tell(&format!("removed {} that may have been notes", plural(gone.damaged, "damaged line")));
    }
    if gone.missing > 0 {
        screen.tell(&format!("warning: {} not in the folder any more", plural(gone.missing, "log is")));
    }
    if history::set_aside(data).is_some() {
        screen.tell(&format!(
            "warning: {FILE}.unusable-... in {} may still hold the words: delete it when you no longer need it",
            data.display()
        ));
    }
    Ok(())
}

fn add(logs: &[PathBuf], data: &Path, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let mut history = open(data, screen)?;
    for path in logs {
        let added = history.add(path)?;
        let what = if added.is_new { "added" } else { "there already" };
        screen.tell(&format!("{}: {what}, session {}", path.display(), label::shown(&added.session)));
    }
    Ok(ExitStatus::Matches)
}

fn rebuild(data: &Path, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let bar = indicatif::ProgressBar::with_draw_target(None, indicatif::ProgressDrawTarget::stderr());
    let rebuilt = history::rebuild(data, &mut |done, all| {
        bar.set_length(all as u64);
        bar.set_position(done as u64);
    });
    bar.finish_and_clear();
    let rebuilt = rebuilt?;
    if let Some(aside) = &rebuilt.set_aside {
        screen.tell(&format!("the database could not be used and was set aside as {}", aside.display()));
    }
    for error in &rebuilt.unusable {
        screen.tell(&format!("warning: left out: {error}"));
    }
    let plural = if rebuilt.sessions == 1 { "" } else { "s" };
    screen.tell(&format!("the history holds {} sweep{plural} now", rebuilt.sessions));
    Ok(ExitStatus::Matches)
}
