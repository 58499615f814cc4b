//! Completions, manual pages, quiet and colour.

use std::{
    fs,
    process::{Command, Stdio},
};

use crate::run::Place;

/// Starts each of these ways to see whether the program is there; a test that needs it is skipped aloud otherwise.
fn has(program: &str) -> bool {
    let tried = Command::new(program).arg("--version").stdout(Stdio::null()).stderr(Stdio::null()).status();
    let is_there = tried.is_ok();
    if !is_there {
        println!("SKIPPED: {program} is not installed");
    }
    is_there
}

#[test]
fn bash_completes_commands_and_options() {
    let place = Place::new();
    let script = place.run(&["completions", "bash"]);
    assert_eq!(script.status, Some(0), "{}", script.text());
    place.file("pintally.bash", &script.stdout);
    if !has("bash") {
        return;
    }
    // What readline asks of a completion function: the words of the line and which of them is being typed.
    let ask = |words: &[&str]| {
        let line = format!(
            "source ./pintally.bash && complete -p pintally >&2 && COMP_WORDS=(pintally {}) && COMP_CWORD={} \
             && _pintally pintally \"${{COMP_WORDS[COMP_CWORD]}}\" \"${{COMP_WORDS[COMP_CWORD-1]}}\" \
             && printf '%s\\n' \"${{COMPREPLY[@]}}\"",
            words.join(" "),
            words.len()
        );
        let output =
            Command::new("bash").args(["--norc", "-c", &line]).current_dir(place.path()).output().unwrap();
        let (stdout, stderr) =
            (String::from_utf8(output.stdout).unwrap(), String::from_utf8_lossy(&output.stderr).into_owned());
        assert!(output.status.success() && stderr.contains("complete"), "{stderr}");
        stdout
    };
    assert_eq!(ask(&["sw"]), "sweep\n");
    assert_eq!(ask(&["sweep", "--known"]), "--known-good\n");
    assert_eq!(ask(&["meter", "wa"]), "watch\n");
    assert_eq!(ask(&["sweep", "--format", ""]), "text\njson\ncsv\n");
}

#[test]
fn every_shell_gets_a_script() {
    let place = Place::new();
    for shell in ["bash", "elvish", "fish", "powershell", "zsh"] {
        let script = place.run(&["completions", shell]);
        assert_eq!((script.status, script.stderr.as_str()), (Some(0), ""), "{shell}");
        assert!(script.stdout.contains("known-good"), "{shell}");
    }
}

#[test]
fn manual_pages_are_complete_and_render_without_warnings() {
    let place = Place::new();
    let written = place.run(&["manual", "--output", "man"]);
    assert_eq!(written.status, Some(0), "{}", written.text());
    let pages: Vec<_> =
        fs::read_dir(place.path().join("man")).unwrap().map(|page| page.unwrap().path()).collect();
    assert!(written.stderr.contains(&format!("wrote {} manual pages", pages.len())), "{}", written.text());
    assert!(pages.iter().any(|page| page.ends_with("pintally-meter-watch.1")), "{pages:?}");
    if !has("groff") {
        return;
    }
    for page in &pages {
        let text = fs::read_to_string(page).unwrap();
        for section in ["NAME", "SYNOPSIS", "DESCRIPTION", "OPTIONS", "\"EXIT STATUS\""] {
            assert!(text.contains(&format!(".SH {section}")), "{page:?} has no {section}");
        }
        // All warnings; the text itself is thrown away.
        let output = Command::new("groff").args(["-man", "-Tutf8", "-ww", "-z"]).arg(page).output().unwrap();
        assert!(output.status.success(), "{page:?}");
        assert_eq!(String::from_utf8_lossy(&output.stderr), "", "{page:?}");
    }
    let page = place.path().join("man/pintally-sweep.1");
    let shown = Command::new("groff").args(["-man", "-Tascii", "-P-cbou"]).arg(page).output().unwrap();
    let shown = String::from_utf8(shown.stdout).unwrap();
    assert!(shown.contains("pintally sweep --practice --fault open:B8"), "{shown}");
}

#[test]
fn quiet_leaves_results_and_warnings() {
    let place = Place::new();
    let sweep = ["sweep", "--practice", "--instant", "--seed", "3", "--fault", "open:B8", "--log"];
    let loud = place.run(&[&sweep[..], &["loud.jsonl"]].concat());
    let quiet = place.run(&[&sweep[..], &["quiet.jsonl", "--quiet"]].concat());
    assert_eq!((loud.status, &loud.stdout), (quiet.status, &quiet.stdout));
    assert!(loud.stderr.contains("session log:"), "{}", loud.text());
    assert_eq!(quiet.stderr, "");

    let loud = place.run(&["meter", "profiles"]);
    // In front of the command as well as behind it.
    let quiet = place.run(&["--quiet", "meter", "profiles"]);
    assert_eq!(loud.stdout, quiet.stdout);
    assert!(!loud.stderr.is_empty());
    assert_eq!(quiet.stderr, "");

    let init = ["init", "--quiet", "--yes", "--no-connector"];
    assert!(!place.run(&init).stderr.contains("next:"));
    place.file("config/pintally/config.toml", "jgi = 3\n");
    let warned = place.run(&[&init[..], &["--overwrite"]].concat());
    assert!(warned.stderr.contains("warning: cannot use configuration"), "{}", warned.text());
}

const ESCAPE: char = '\u{1b}';

/// What the command prints with these variables set.
fn printed(place: &Place, words: &[&str], variables: &[(&str, &str)]) -> String {
    let mut command = place.command(words);
    command.env_remove("NO_COLOR").envs(variables.iter().copied());
    let output = command.output().unwrap();
    String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned()
}

#[test]
fn no_colour_where_nobody_sees_it_or_nobody_wants_it() {
    let place = Place::new();
    let help: &[&str] = &["sweep", "--help"];
    let commands: &[&[&str]] = &[
        help,
        &["--help"],
        &["swep"],
        &["sweep", "--practice", "--instant", "--fault", "random", "--log", "a.jsonl"],
        &["sweep", "--practice", "--instant", "--fault", "melted:A4"],
        &["replay", "none.jsonl"],
        &["meter", "profiles"],
        &["practice", "--known-good", "1"],
        &["init", "--yes", "--positions", "2"],
        &["completions", "zsh"],
        &["manual", "--output", "man"],
    ];
    for words in commands {
        let text = printed(&place, words, &[]);
        assert!(!text.is_empty() && !text.contains(ESCAPE), "{words:?} into a pipe: {text:?}");
    }
    // The test can fail: forced colours are seen.
    assert!(printed(&place, help, &[("CLICOLOR_FORCE", "1")]).contains(ESCAPE));
    assert!(!printed(&place, help, &[("CLICOLOR_FORCE", "1"), ("NO_COLOR", "1")]).contains(ESCAPE));
}

/// On a terminal: util-linux' `script` gives the command one.
#[cfg(target_os = "linux")]
#[test]
fn colour_on_a_terminal_and_none_with_no_color() {
    let place = Place::new();
    if !has("script") {
        return;
    }
    let on_a_terminal = |no_color: Option<&str>| {
        let command = format!("{} --help", env!("CARGO_BIN_EXE_pintally"));
        let mut script = Command::new("script");
        script
            .args(["-qec", &command, "/dev/null"])
            .current_dir(place.path())
            .env("TERM", "xterm")
            .env_remove("NO_COLOR");
        script.envs(no_color.map(|value| ("NO_COLOR", value))).stdin(Stdio::null());
        String::from_utf8(script.output().unwrap().stdout).unwrap()
    };
    assert!(on_a_terminal(None).contains(ESCAPE));
    let plain = on_a_terminal(Some("1"));
    assert!(plain.contains("Usage:") && !plain.contains(ESCAPE), "{plain:?}");
}
