//! `pintally cautions`: what can hurt a person or a board, and what to do about it.

use std::{io::Read, path::Path};

use clap::Args as Arguments;

use super::{Screen, place};
use crate::{
    cautions::{CAUTIONS, EDITION},
    exit_status::ExitStatus,
    failure::Failure,
};

/// Print the cautions for work at this bench
///
/// They are also shown before the first real board that is swept, probed or put into a batch, once for each data directory.
#[derive(Debug, Arguments)]
pub(super) struct Args {}

/// Width of the text, for screens of any kind.
const WIDTH: usize = 100;

/// Runs the command.
pub(super) fn run(_: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    for line in lines() {
        screen.line(&line)?;
    }
    screen.flush()?;
    Ok(ExitStatus::Matches)
}

/// Shows the cautions if nobody was shown this edition of them in this data directory.
pub(super) fn at_first_board(data: Option<&Path>, screen: &mut Screen) {
    let folder = place::data_folder(data).ok();
    let shown = folder.as_ref().map(|folder| folder.join("cautions-shown"));
    let edition = EDITION.to_string();
    if shown.as_deref().and_then(remembered).is_some_and(|text| text.trim() == edition) {
        return;
    }
    screen.tell("Before the first real board (`pintally cautions` shows this again):");
    for line in lines() {
        screen.tell(&line);
    }
    if let (Some(folder), Some(path)) = (folder, shown) {
        // A directory that cannot be written has them shown once more: better than not at all.
        let _ = std::fs::create_dir_all(folder).and_then(|()| std::fs::write(path, format!("{edition}\n")));
    }
}

/// What the file in the data directory says, which is a number; whatever has taken its place is not read to its end.
fn remembered(path: &Path) -> Option<String> {
    let mut text = String::new();
    std::fs::File::open(path).ok()?.take(32).read_to_string(&mut text).ok()?;
    Some(text)
}

fn lines() -> Vec<String> {
    let mut lines = Vec::new();
    for caution in CAUTIONS {
        lines.push(format!("- {}", caution.title));
        let mut line = String::new();
        for word in caution.text.split_whitespace() {
            if !line.is_empty() && line.len() + 1 + word.len() > WIDTH - 2 {
                lines.push(format!("  {}", std::mem::take(&mut line)));
            }
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(word);
        }
        lines.push(format!("  {line}"));
    }
    lines
}
