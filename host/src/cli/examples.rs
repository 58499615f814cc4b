//! What `--help` and the manual show of each command: commands that a person would type.
//!
//! A test parses every one of them, and wants at least one for each command.

use std::fmt::Write as _;

use clap::Command;

/// What a command is good for, and what to type.
type Example = (&'static str, &'static str);

/// Each command by its words, in the order of `pintally --help`.
const EXAMPLES: &[(&str, &[Example])] = &[
    (
        "init",
        &[
            ("answer questions", "pintally init"),
            (
                "give every answer at once",
                "pintally init --yes --name J5 --rows A,B --positions 20 --ground A1,A4,B4 --profile fs9721",
            ),
        ],
    ),
    (
        "sweep",
        &[
            (
                "a practice board with an open joint; nothing needs to be connected",
                "pintally sweep --practice --fault open:B8",
            ),
            (
                "write down what a known-good board reads; ports from the configuration",
                "pintally sweep --connector J5.toml --board G1 > good.csv",
            ),
            (
                "judge a repaired board, the pins that were repaired first",
                "pintally sweep --connector J5.toml --reference J5-reference.toml --board T1042 --repaired A4,A5",
            ),
            (
                "name the ports and the meter",
                "pintally sweep --jig /dev/ttyACM0 --meter /dev/ttyUSB0 --profile fs9721 --connector J5.toml",
            ),
        ],
    ),
    (
        "probe",
        &[
            (
                "watch a simulated hand probe a practice board; nothing needs to be connected",
                "pintally probe --practice --fault open:B8",
            ),
            (
                "probe a repaired board, the pins of the repair notes first",
                "pintally probe --meter /dev/ttyUSB0 --profile fs9721 --connector J5.toml --reference \
                 J5-reference.toml --repair T1042-repair.toml",
            ),
            ("go on where you stopped", "pintally probe --resume T1042.jsonl"),
            (
                "learn a known-good board, each pin spoken",
                "pintally probe --connector J5.toml --board G1 --learn --speak > good.csv",
            ),
        ],
    ),
    (
        "practice",
        &[
            ("a bench with a shorted pin, on two ports until Ctrl-C", "pintally practice --fault short:B1"),
            ("on TCP ports, say on Windows", "pintally practice --tcp 4001,4002"),
            (
                "readings of five good boards, to make a reference",
                "pintally practice --known-good 5 > good.csv",
            ),
        ],
    ),
    (
        "compare",
        &[
            (
                "readings that were typed from notes",
                "pintally compare --connector J5.toml --reference J5-reference.toml --readings notes.csv",
            ),
            (
                "a whole batch, one line of JSON a board",
                "pintally compare --connector J5.toml --known-good good.csv --readings batch.csv --together --format json",
            ),
        ],
    ),
    ("reference", &[("what a reference knows", "pintally reference show J5-reference.toml")]),
    (
        "reference make",
        &[(
            "from readings of known-good boards; the test current stands in the meter's manual",
            "pintally reference make --connector J5.toml --known-good good.csv --test-current 1.0 --output J5-reference.toml",
        )],
    ),
    (
        "reference extend",
        &[(
            "with boards that turned out to be good",
            "pintally reference extend --connector J5.toml --reference J5-reference.toml --known-good more.csv",
        )],
    ),
    (
        "reference show",
        &[("conditions, and each pin's evidence", "pintally reference show J5-reference.toml")],
    ),
    (
        "replay",
        &[
            ("judge it again as it was", "pintally replay first.jsonl"),
            (
                "what would another reference have said",
                "pintally replay first.jsonl --reference J5-reference.toml",
            ),
        ],
    ),
    (
        "batch",
        &[
            ("see how it goes, five practice boards", "pintally batch --practice --boards 5 --data try"),
            (
                "boards T100, T101 and so on, each started by the jig's button",
                "pintally batch --connector J5.toml --reference J5-reference.toml --count-from T100",
            ),
        ],
    ),
    (
        "report",
        &[
            ("a page about one sweep", "pintally report first.jsonl --output T1042.html"),
            (
                "what a repair changed and what it broke",
                "pintally report --before before.jsonl --after after.jsonl --output T1042.html",
            ),
            (
                "a batch: yield, faults, and whether jig or meter drift",
                "pintally report T1001.jsonl T1002.jsonl T1003.jsonl --output batch.html",
            ),
            ("for the owner of the board", "pintally report first.jsonl --customer --output owner.html"),
        ],
    ),
    ("cautions", &[("before the first board", "pintally cautions")]),
    ("history", &[("what was swept", "pintally history")]),
    ("history show", &[("one board over time", "pintally history show T1042")]),
    (
        "history note",
        &[("what the log cannot know", "pintally history note T1042 \"came back, no picture\"")],
    ),
    ("history forget", &[("words about a customer", "pintally history forget T1042 --by Kim")]),
    ("history add", &[("logs of another machine", "pintally history add old/20260302-091500.jsonl")]),
    ("history rebuild", &[("after logs were moved by hand", "pintally history rebuild")]),
    ("jig", &[("the first look", "pintally jig find")]),
    ("jig find", &[("list ports", "pintally jig find")]),
    ("jig identify", &[("which switching board is it", "pintally jig identify /dev/ttyACM0")]),
    (
        "jig self-test",
        &[
            (
                "see how it goes, with a broken contact",
                "pintally jig self-test --practice --jig-trouble dead:3",
            ),
            (
                "on the bench, plate by plate, no board connected",
                "pintally jig self-test --jig /dev/ttyACM0 --meter /dev/ttyUSB0 --profile fs9721",
            ),
        ],
    ),
    ("jig study", &[("what to read, in which order", "pintally jig study plan --operators ann,ben")]),
    (
        "jig study plan",
        &[("five boards, two people, three times", "pintally jig study plan --boards 5 --operators ann,ben")],
    ),
    (
        "jig study evaluate",
        &[
            ("from the session logs", "pintally jig study evaluate run1.jsonl run2.jsonl"),
            (
                "from a table of readings; 10 mV must be found",
                "pintally jig study evaluate --readings study.csv --smallest 10",
            ),
        ],
    ),
    (
        "jig zero",
        &[(
            "on a short plate, no board connected",
            "pintally jig zero --jig /dev/ttyACM0 --meter /dev/ttyUSB0 --profile fs9721 --output zero.toml",
        )],
    ),
    ("jig study", &[("who reads which board", "pintally jig study plan --operators kim,robin")]),
    ("jig study plan", &[("two people, ten boards", "pintally jig study plan --operators kim,robin")]),
    (
        "jig study evaluate",
        &[("boards and operators that were typed in", "pintally jig study evaluate --readings study.csv")],
    ),
    ("jig wear", &[("what is nearly worn", "pintally jig wear")]),
    ("meter", &[("the first look", "pintally meter find")]),
    ("meter find", &[("list ports", "pintally meter find")]),
    ("meter identify", &[("which meter is it", "pintally meter identify /dev/ttyUSB0")]),
    (
        "meter watch",
        &[
            (
                "leads together, then apart: near 0.000, then OL",
                "pintally meter watch /dev/ttyUSB0 --profile fs9721",
            ),
            (
                "ten readings for a script",
                "pintally meter watch tcp:127.0.0.1:4002 --profile bench-stream --count 10 --format json",
            ),
        ],
    ),
    (
        "meter lag",
        &[
            ("see how it goes", "pintally meter lag --practice --profile fs9721"),
            (
                "channel 40 leads to the check resistor, nothing to channel 0",
                "pintally meter lag --profile my-meter.toml --channels 40,0 --write my-meter.toml",
            ),
        ],
    ),
    (
        "meter profiles",
        &[
            ("all of them", "pintally meter profiles"),
            ("one to copy and change", "pintally meter profiles fs9721 > my-meter.toml"),
        ],
    ),
    (
        "completions",
        &[
            ("bash", "pintally completions bash > ~/.local/share/bash-completion/completions/pintally"),
            ("fish", "pintally completions fish > ~/.config/fish/completions/pintally.fish"),
            ("zsh, in a folder of $fpath", "pintally completions zsh > ~/.zfunc/_pintally"),
            ("PowerShell, in the file that $PROFILE names", "pintally completions powershell > pintally.ps1"),
        ],
    ),
    ("manual", &[("then: man pintally-sweep", "pintally manual --output ~/.local/share/man/man1")]),
];

/// The examples of the command with these words after the program's name; none where none are known.
pub(super) fn of(words: &str) -> &'static [Example] {
    EXAMPLES.iter().find(|(known, _)| *known == words).map_or(&[], |(_, examples)| examples)
}

/// Characters in a line of an example at most: with its margin it fits a terminal of 80.
const WIDTH: usize = 72;

/// Breaks a long example before an option or the file that takes its output, as shells other than PowerShell take it.
pub(super) fn folded(line: &str) -> Vec<String> {
    let mut parts: Vec<String> = Vec::new();
    for word in line.split(' ') {
        match parts.last_mut() {
            Some(part) if !word.starts_with("--") && word != ">" => part.push_str(&format!(" {word}")),
            _ => parts.push(word.to_owned()),
        }
    }
    let mut lines: Vec<String> = Vec::new();
    for part in parts {
        match lines.last_mut() {
            Some(last) if last.len() + part.len() < WIDTH => last.push_str(&format!(" {part}")),
            Some(last) => {
                last.push_str(" \\");
                lines.push(part);
            }
            None => lines.push(part),
        }
    }
    lines
}

/// Puts the examples below the long help of every command.
pub(super) fn taught(command: Command) -> Command {
    below(command, "")
}

fn below(command: Command, words: &str) -> Command {
    let names: Vec<String> = command.get_subcommands().map(|child| child.get_name().to_owned()).collect();
    let mut command = command;
    for name in names {
        let words = format!("{words} {name}");
        command = command.mut_subcommand(name, |child| below(child, words.trim()));
    }
    match of(words) {
        [] => command,
        examples => {
            let header = *command.get_styles().get_header();
            let mut text = format!("{header}Examples:{header:#}\n");
            for (purpose, line) in examples {
                // Writing to a string cannot fail.
                let _ = writeln!(text, "  {purpose}:\n    {}", folded(line).join("\n      "));
            }
            command.after_long_help(text.trim_end().to_owned())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Splits a line at blanks that are not quoted.
    fn shell_words(line: &str) -> Vec<String> {
        let parts = line.split('"').enumerate();
        let words = parts.flat_map(|(index, part)| match index % 2 {
            0 => part.split_whitespace().map(str::to_owned).collect(),
            _ => vec![part.to_owned()],
        });
        words.collect()
    }

    /// Words of all commands that can be typed.
    fn commands(command: &Command, words: &str, all: &mut Vec<String>) {
        for child in command.get_subcommands().filter(|child| child.get_name() != "help") {
            let words = format!("{words} {}", child.get_name()).trim().to_owned();
            commands(child, &words, all);
            all.push(words);
        }
    }

    #[test]
    fn a_folded_line_is_the_same_to_a_shell() {
        let folds = |line: &str| folded(line).len();
        let long = format!("pintally sweep --connector {} --board G1 > good.csv", "J".repeat(60));
        assert_eq!(folded(&long).join("\n").replace("\\\n", ""), long);
        assert_eq!((folds("pintally sweep --practice"), folds(&long)), (1, 3));
        let lines = EXAMPLES.iter().flat_map(|(_, examples)| *examples).flat_map(|(_, line)| folded(line));
        assert!(lines.clone().all(|line| line.len() <= WIDTH + 2), "{:?}", lines.max_by_key(String::len));
    }

    #[test]
    fn every_command_has_examples_that_can_be_typed() {
        let command = crate::cli::command();
        let mut known = Vec::new();
        commands(&command, "", &mut known);
        for words in &known {
            assert!(!of(words).is_empty(), "`pintally {words}` has no example in cli/examples.rs");
        }
        for (words, examples) in EXAMPLES {
            assert!(known.iter().any(|known| known == words), "there is no command `{words}`");
            for (_, line) in *examples {
                let typed = line.split(" > ").next().unwrap_or(line);
                assert!(typed.starts_with("pintally "), "{line}");
                let parsed = command.clone().try_get_matches_from(shell_words(typed));
                assert!(parsed.is_ok(), "{line}\n{}", parsed.unwrap_err());
                let first = words.split(' ').next().unwrap();
                assert!(
                    typed.split_whitespace().any(|word| word == first),
                    "{line} is no example of {words}"
                );
            }
        }
    }
}
