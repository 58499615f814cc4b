//! What the pages show is what the command prints.

use crate::{
    beside::Beside,
    run::{Outcome, Place},
};

const README: &str = include_str!("../../README.md");
const FIRST_HOUR: &str = include_str!("../../docs/first-hour.md");

/// Where the person lives who typed what the first hour shows.
const HOME: &str = "/home/kim";

/// A command of a page's console blocks with the output that stands below it.
struct Shown {
    command: &'static str,
    lines: Vec<&'static str>,
}

fn commands(page: &'static str) -> Vec<Shown> {
    let mut commands: Vec<Shown> = Vec::new();
    let mut is_console = false;
    for line in page.lines() {
        match line {
            "```console" => is_console = true,
            "```" => is_console = false,
            _ if is_console => match line.strip_prefix("$ ") {
                Some(command) => commands.push(Shown { command, lines: Vec::new() }),
                None => commands.last_mut().unwrap().lines.push(line),
            },
            _ => {}
        }
    }
    commands
}

/// Runs the commands of a page one after the other in one place, as a reader would, with `more` words where they
/// practise. Returns how many ran.
fn check(page: &'static str, place: &Place, more: &[&str]) -> usize {
    let mut bench = None;
    let mut ran = 0;
    for shown in commands(page) {
        let command = shown.command;
        let Some(typed) =
            command.strip_prefix("cargo run --release -- ").or_else(|| command.strip_prefix("pintally "))
        else {
            continue;
        };
        let (typed, file) =
            typed.split_once(" > ").map_or((typed, None), |(typed, file)| (typed, Some(file)));
        let mut words = words(typed);
        if words.iter().any(|word| word == "--tcp") {
            bench = Some(Bench::start(place, &words));
            continue;
        }
        if words.iter().any(|word| word == "--practice") {
            words.extend(more.iter().map(|&word| word.to_owned()));
        }
        if let Some(bench) = &bench {
            words.iter_mut().for_each(|word| *word = bench.real(word));
        }
        let words: Vec<&str> = words.iter().map(String::as_str).collect();
        let outcome = place.type_into(&words, &answers(&shown.lines));
        let text = outcome.text().replace("FOLDER", HOME);
        let text = bench.as_ref().map_or_else(|| text.clone(), |bench| bench.shown(&text));
        assert!(ended_well(&outcome, &shown.lines), "{command}\n{text}");
        // `...` stands for lines that the page leaves out; long lines may be cut at their end.
        let printed: Vec<&str> = text.lines().map(str::trim_end).collect();
        for line in shown.lines.iter().filter(|line| **line != "..." && !line.is_empty()) {
            assert!(
                printed.iter().any(|printed| printed == line || is_part(printed, line)),
                "{command}\nthe page shows\n{line}\nbut this was printed\n{text}"
            );
        }
        if let Some(file) = file {
            place.file(file, &outcome.stdout);
        }
        ran += 1;
    }
    ran
}

/// The words of a line, with double quotes as a shell takes them.
fn words(line: &str) -> Vec<String> {
    let split = |(index, part): (usize, &str)| -> Vec<String> {
        if index % 2 == 1 {
            vec![part.to_owned()]
        } else {
            part.split_whitespace().map(str::to_owned).collect()
        }
    };
    line.split('"').enumerate().flat_map(split).collect()
}

/// What stands behind the colons of questions.
fn answers(lines: &[&str]) -> String {
    let answer = |line: &&str| {
        let (_, answer) = line
            .split_once("]:")
            .or_else(|| line.strip_prefix("Positions in a row").map(|rest| rest.split_at(1)))?;
        Some(format!("{}\n", answer.trim()))
    };
    lines.iter().filter_map(answer).collect()
}

/// With a verdict, or with the error that the page shows.
fn ended_well(outcome: &Outcome, lines: &[&str]) -> bool {
    let is_error = lines.iter().any(|line| line.starts_with("error: "));
    outcome.status.is_some_and(|status| if is_error { status > 2 } else { status <= 2 })
}

/// Whether a shown line is a clause of a longer one.
fn is_part(printed: &str, line: &str) -> bool {
    ["next: pintally", "tcp:", "opens everything"].iter().any(|start| line.starts_with(start))
        && printed.contains(line)
}

/// A practice bench that stays while the page goes on, on ports that are free here.
struct Bench {
    ports: [(&'static str, String); 2],
    _beside: Beside,
}

impl Bench {
    fn start(place: &Place, words: &[String]) -> Self {
        let words: Vec<&str> =
            words.iter().map(|word| if word == "4001,4002" { "0,0" } else { word.as_str() }).collect();
        let (beside, [jig, meter]) = Beside::bench(place, &words);
        let ports = [("tcp:127.0.0.1:4001", jig), ("tcp:127.0.0.1:4002", meter)];
        Self { ports, _beside: beside }
    }

    fn real(&self, word: &str) -> String {
        self.ports.iter().fold(word.to_owned(), |word, (shown, real)| word.replace(shown, real))
    }

    fn shown(&self, text: &str) -> String {
        self.ports.iter().fold(text.to_owned(), |text, (shown, real)| text.replace(real, shown))
    }
}

#[test]
fn commands_print_what_the_readme_shows() {
    // The same sweeps without the waiting.
    let ran = check(README, &Place::new(), &["--instant"]);
    assert!(ran >= 2, "the README shows no commands");
}

#[test]
fn commands_print_what_the_first_hour_shows() {
    // Word for word: on a bench by the clock, times and last digits would differ.
    let ran = check(FIRST_HOUR, &Place::at_home(), &[]);
    assert!(ran >= 15, "the page shows {ran} commands");
}
