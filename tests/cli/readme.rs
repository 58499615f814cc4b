//! What the README shows is what the command prints.

use crate::run::Place;

const README: &str = include_str!("../../README.md");

/// Commands of the README's console blocks with the output that stands below each.
fn commands() -> Vec<(String, Vec<&'static str>)> {
    let mut commands: Vec<(String, Vec<&str>)> = Vec::new();
    let mut is_console = false;
    for line in README.lines() {
        match line {
            "```console" => is_console = true,
            "```" => is_console = false,
            _ if is_console => match line.strip_prefix("$ ") {
                Some(command) => commands.push((command.to_owned(), Vec::new())),
                None => commands.last_mut().unwrap().1.push(line),
            },
            _ => {}
        }
    }
    commands
}

#[test]
fn commands_print_what_the_readme_shows() {
    let place = Place::new();
    let mut ran = 0;
    for (command, shown) in commands() {
        let Some(words) =
            command.strip_prefix("cargo run --release -- ").or_else(|| command.strip_prefix("pintally "))
        else {
            continue;
        };
        let mut words: Vec<&str> = words.split_whitespace().collect();
        if words.contains(&"--practice") {
            // The same sweep without the waiting.
            words.push("--instant");
        }
        let outcome = place.run(&words);
        assert!(outcome.status.is_some_and(|status| status <= 2), "{command}\n{}", outcome.text());
        // `...` stands for lines that the README leaves out.
        let printed: Vec<&str> = outcome.stdout.lines().chain(outcome.stderr.lines()).collect();
        for line in shown.iter().filter(|line| **line != "..." && !line.is_empty()) {
            assert!(
                printed.contains(line),
                "{command}\nthe README shows\n{line}\nbut this was printed\n{}",
                outcome.text()
            );
        }
        ran += 1;
    }
    assert!(ran >= 2, "the README shows no commands");
}
