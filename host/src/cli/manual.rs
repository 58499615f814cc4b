//! `pintally manual`: the manual pages, made from the same words as `--help`.

use std::{io, path::PathBuf};

use clap::{Args as Arguments, Command};
use clap_mangen::{
    Man,
    roff::{Roff, bold, roman},
};

use super::{
    Screen, examples,
    output::{Output, Overwrite},
};
use crate::{cautions::CAUTIONS, exit_status::ExitStatus, failure::Failure};

/// Write the manual pages, one a command, for `man`
#[derive(Debug, Arguments)]
pub(super) struct Args {
    /// Write them into this folder
    #[arg(long, value_name = "DIR")]
    output: PathBuf,
    #[command(flatten)]
    overwrite: Overwrite,
}

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    std::fs::create_dir_all(&args.output).map_err(|error| {
        Failure::new(ExitStatus::Io, format!("cannot make {}: {error}", args.output.display()))
            .hint("name another folder with --output DIR")
    })?;
    let mut root = super::command().disable_help_subcommand(true);
    root.build();
    let mut pages = Vec::new();
    gather(&root, "", &mut pages);
    let paths: Vec<PathBuf> = pages.iter().map(|(name, _)| args.output.join(name)).collect();
    // All names first, so that no page is written if one is refused.
    let outputs: Vec<Output<'_>> =
        paths.iter().map(|path| Output::new(path, args.overwrite, &[])).collect::<Result<_, _>>()?;
    for (output, (_, text)) in outputs.iter().zip(&pages) {
        output.write("the page", text)?;
    }
    screen.say(&format!("wrote {} manual pages to {}", pages.len(), args.output.display()));
    Ok(ExitStatus::Matches)
}

/// Pages of a command and of all below it: file name and text.
fn gather(command: &Command, words: &str, pages: &mut Vec<(String, Vec<u8>)>) {
    let man = Man::new(command.clone()).source(super::PROGRAM).manual("Pintally");
    let mut text = Vec::new();
    // Writing to a vector cannot fail.
    let _ = page(&man, command, words, &mut text);
    pages.push((man.get_filename(), text));
    for child in command.get_subcommands() {
        gather(child, format!("{words} {}", child.get_name()).trim(), pages);
    }
}

fn page(man: &Man, command: &Command, words: &str, out: &mut Vec<u8>) -> io::Result<()> {
    man.render_title(out)?;
    man.render_name_section(out)?;
    man.render_synopsis_section(out)?;
    man.render_description_section(out)?;
    man.render_options_section(out)?;
    if command.has_subcommands() {
        man.render_subcommands_section(out)?;
    }
    let mut roff = Roff::new();
    let shown = examples::of(words);
    if !shown.is_empty() {
        roff.control("SH", ["EXAMPLES"]);
        for (purpose, line) in shown {
            roff.control("TP", []);
            roff.text([roman(format!("{purpose}:"))]);
            // As it stands: a shell needs the line breaks where they are.
            roff.control("nf", []);
            for line in examples::folded(line) {
                roff.text([bold(line)]);
            }
            roff.control("fi", []);
        }
    }
    roff.control("SH", ["EXIT STATUS"]);
    for (status, meaning) in STATUS {
        roff.control("TP", []);
        roff.text([bold(*status)]);
        roff.text([roman(*meaning)]);
    }
    if words.is_empty() {
        roff.control("SH", ["CAUTIONS"]);
        for caution in CAUTIONS {
            roff.control("TP", []);
            roff.text([bold(caution.title)]);
            roff.text([roman(caution.text)]);
        }
    } else {
        roff.control("SH", ["SEE ALSO"]);
        roff.text([bold("pintally"), roman("(1)")]);
    }
    roff.to_writer(out)
}

/// As [`ExitStatus`] has them.
const STATUS: &[(&str, &str)] = &[
    ("0", "all pins match, or the command did what it was asked"),
    ("1", "some pins differ"),
    ("2", "nothing is condemned, but not all pins could be judged"),
    ("64", "the command line is wrong"),
    ("65", "a file has content that cannot be used"),
    ("66", "a file does not exist or cannot be read"),
    ("69", "a device does not answer or is not what was expected"),
    ("74", "reading or writing failed"),
    ("76", "the switching board speaks another version of the protocol"),
    ("78", "a setting, connector, wiring or profile does not fit"),
];
