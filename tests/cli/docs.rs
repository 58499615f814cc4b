//! The pages of the whole tree: links lead somewhere, and commands and options that they name exist.

use std::{
    collections::BTreeMap,
    fs,
    path::{Path, PathBuf},
};

use crate::run::Place;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize().unwrap()
}

/// Every page that a person reads, with its text.
fn pages() -> Vec<(PathBuf, String)> {
    fn walk(folder: &Path, pages: &mut Vec<(PathBuf, String)>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            // What is built or installed, and what is no page of ours.
            if name.starts_with('.') || ["target", "node_modules", "out"].contains(&name.as_str()) {
                continue;
            }
            if path.is_dir() {
                walk(&path, pages);
            } else if path.extension().is_some_and(|extension| extension == "md") {
                let text = fs::read_to_string(&path).unwrap();
                pages.push((path, text));
            }
        }
    }
    let mut pages = Vec::new();
    walk(&root(), &mut pages);
    assert!(pages.len() > 10, "{}", pages.len());
    pages
}

/// Lines outside fenced blocks.
fn prose(text: &str) -> impl Iterator<Item = &str> {
    let mut is_fenced = false;
    text.lines().filter(move |line| {
        let is_fence = line.trim_start().starts_with("```");
        is_fenced ^= is_fence;
        !is_fenced && !is_fence
    })
}

/// The anchor that a heading gets: lower case, blanks to hyphens, marks left out.
fn anchor(heading: &str) -> String {
    let letters = heading.trim_start_matches('#').trim().chars().filter_map(|c| match c {
        ' ' => Some('-'),
        c if c.is_alphanumeric() || matches!(c, '-' | '_') => Some(c.to_ascii_lowercase()),
        _ => None,
    });
    letters.collect()
}

#[test]
fn every_link_leads_somewhere() {
    let mut broken = Vec::new();
    let mut links = 0;
    for (page, text) in pages() {
        for line in prose(&text) {
            for target in line.split("](").skip(1).filter_map(|rest| rest.split(')').next()) {
                if target.contains("://") || target.starts_with("mailto:") {
                    continue;
                }
                links += 1;
                let (file, mark) =
                    target.split_once('#').map_or((target, None), |(file, mark)| (file, Some(mark)));
                let file = if file.is_empty() { page.clone() } else { page.parent().unwrap().join(file) };
                let leads = match (file.exists(), mark) {
                    (false, _) => false,
                    (true, None) => true,
                    (true, Some(mark)) => fs::read_to_string(&file).is_ok_and(|text| {
                        prose(&text).any(|line| line.starts_with('#') && anchor(line) == mark)
                    }),
                };
                if !leads {
                    broken.push(format!("{}: {target}", page.strip_prefix(root()).unwrap().display()));
                }
            }
        }
    }
    assert!(broken.is_empty(), "{broken:#?}");
    assert!(links > 20, "{links}");
}

/// Commands that a page tells to type: in back quotes, or at the beginning of a line of a block.
fn typed(text: &str) -> Vec<&str> {
    let mut is_fenced = false;
    let mut typed = Vec::new();
    for line in text.lines() {
        if line.trim_start().starts_with("```") {
            is_fenced = !is_fenced;
        } else if is_fenced || line.starts_with("    ") {
            typed.push(line.trim_start().trim_start_matches("$ "));
        } else {
            typed.extend(line.split('`').skip(1).step_by(2));
        }
    }
    typed.retain(|line| line.starts_with("pintally "));
    typed
}

#[test]
fn commands_and_options_exist() {
    let place = Place::new();
    let mut helps: BTreeMap<String, String> = BTreeMap::new();
    let mut help = |command: &[&str]| {
        let ask = || place.run(&[command, &["--help"]].concat()).stdout;
        helps.entry(command.join(" ")).or_insert_with(ask).clone()
    };
    let mut wrong = Vec::new();
    let mut seen = 0;
    for (page, text) in pages() {
        for line in typed(&text) {
            seen += 1;
            let mut words = line.split_whitespace().skip(1).peekable();
            let mut command: Vec<&str> = Vec::new();
            // A word is a command while the help above it lists it as one.
            while let Some(word) = words.peek().copied() {
                let above = help(&command);
                let listed = above.split("Commands:").nth(1).is_some_and(|list| {
                    list.lines().any(|line| {
                        line.strip_prefix("  ").is_some_and(|line| line.split(' ').next() == Some(word))
                    })
                });
                if !listed {
                    break;
                }
                command.push(word);
                words.next();
            }
            let known = help(&command);
            let is_command = !command.is_empty() || line.starts_with("pintally -");
            // What stands behind another command on the line is not ours.
            let options =
                words.take_while(|word| !matches!(*word, "|" | "&&")).filter(|word| word.starts_with("--"));
            let unknown: Vec<&str> = options
                .map(|option| {
                    option
                        .split('=')
                        .next()
                        .unwrap_or(option)
                        .trim_end_matches(|c: char| !c.is_alphanumeric())
                })
                .filter(|option| !known.split_whitespace().any(|word| word.trim_end_matches(',') == *option))
                .collect();
            if !is_command || !unknown.is_empty() {
                wrong.push(format!("{}: {line} {unknown:?}", page.strip_prefix(root()).unwrap().display()));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert!(seen > 50, "{seen}");
}
