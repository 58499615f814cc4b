//! Reports and gauge studies as a person types them.

use std::fs;

use pintally::log::LogEvent;

use crate::run::Place;

/// A place with one swept practice board.
fn swept() -> Place {
    let place = Place::new();
    let sweep = ["sweep", "--practice", "--instant", "--quiet", "--seed", "3", "--board", "T-1042"];
    let outcome = place.run(&[&sweep[..], &["--fault", "open:A5", "--log", "first.jsonl"]].concat());
    assert_eq!(outcome.status, Some(1), "{}", outcome.text());
    place
}

#[test]
fn what_cannot_be_reported_is_told() {
    let place = swept();
    place.file("no.jsonl", "no log\n");
    let mut text = String::new();
    for words in [
        &["report"][..],
        &["report", "missing.jsonl"],
        &["report", "no.jsonl"],
        &["report", "first.jsonl", "first.jsonl", "--customer"],
        &["report", "first.jsonl", "--customer", "--format", "markdown"],
        &["report", "first.jsonl", "--output", "first.jsonl"],
        &["report", "--before", "first.jsonl"],
        &["report", "first.jsonl", "first.jsonl", "--run-length", "0"],
        &["report", "--batch", "none", "--data", "data"],
    ] {
        let outcome = place.run(words);
        text.push_str(&format!("$ pintally {}\n{}\n", words.join(" "), outcome.text()));
    }
    insta::assert_snapshot!(text);
    assert!(place.run(&["replay", "first.jsonl"]).status == Some(1), "the log is whole");
}

#[test]
fn a_report_as_markdown_and_as_tables() {
    let place = swept();
    let mut text = String::new();
    for words in [
        &["report", "first.jsonl", "--format", "markdown"][..],
        &["report", "--before", "first.jsonl", "--after", "first.jsonl", "--format", "csv"],
        &["report", "first.jsonl", "--format", "csv"],
    ] {
        let outcome = place.run(words);
        assert_eq!((outcome.status, outcome.stderr.as_str()), (Some(1), ""), "{words:?}");
        let lines: Vec<&str> = outcome.stdout.lines().take(24).collect();
        text.push_str(&format!("$ pintally {}\n{}\n\n", words.join(" "), lines.join("\n")));
    }
    insta::with_settings!({filters => vec![(r"\d{4}-\d\d-\d\d \d\d:\d\d UTC", "2031-05-06 08:09 UTC")]}, {
        insta::assert_snapshot!(text);
    });
}

#[test]
fn repair_notes_are_shown_with_what_became_of_the_pins() {
    let place = Place::new();
    place.file(
        "repair.toml",
        "checklist = [\"picture\"]\n[[pin]]\nname = \"A5\"\npad = \"lifted\"\njumper = \"planned\"\n\
         [[pin]]\nname = \"B8\"\nunconnected = true\n[[pin]]\nname = \"A2\"\nunconnected = true\n",
    );
    let sweep = ["sweep", "--practice", "--instant", "--quiet", "--seed", "3", "--repair", "repair.toml"];
    let faults = ["--fault", "open:A5", "--fault", "open:B8", "--log", "a.jsonl"];
    assert_eq!(place.run(&[&sweep[..], &faults].concat()).status, Some(1));
    let part = |format: &str| {
        let outcome = place.run(&["report", "a.jsonl", "--format", format]);
        assert_eq!(outcome.status, Some(1), "{}", outcome.text());
        outcome.stdout
    };
    let markdown = part("markdown");
    let shown: Vec<&str> = markdown.lines().skip_while(|line| *line != "## Repaired pins").take(9).collect();
    insta::assert_snapshot!(shown.join("\n"));
    assert!(markdown.contains("- ☐ picture"), "{markdown}");
    let html = part("html");
    for text in [
        "lifted pad, jumper planned",
        "Jumpers planned and not noted as done: A5.",
        "Once the board has power",
    ] {
        assert!(html.contains(text), "{text}");
    }
}

/// The crossed study of the AIAG manual (Measurement Systems Analysis, 4th ed. 2010, chapter III, section B) through the
/// whole command: EV 0.199933, AV 0.226838, GRR 0.302373, PV 1.042327 as printed, in volts.
#[test]
fn the_study_of_the_aiag_manual() {
    let place = Place::new();
    let published = concat!(env!("CARGO_MANIFEST_DIR"), "/../fixtures/published/gauge_rr/aiag_msa4.csv");
    let mut readings = String::from("board,operator,pin,reading\n");
    for line in fs::read_to_string(published).unwrap().lines().skip(1) {
        let fields: Vec<&str> = line.split(',').collect();
        readings.push_str(&format!("{},{},1,{}V\n", fields[0], fields[1], fields[3]));
    }
    place.file("study.csv", &readings);
    let words =
        ["jig", "study", "evaluate", "--readings", "study.csv", "--smallest", "8000", "--format", "json"];
    let outcome = place.run(&words);
    // 6 × 0.302372 / 8 = 22.68 %, as Minitab prints for a tolerance of 8: doubtful.
    assert_eq!((outcome.status, outcome.stderr.as_str()), (Some(2), ""), "{}", outcome.text());
    let found: serde_json::Value = serde_json::from_str(&outcome.stdout).unwrap();
    let pin = &found["pins"][0];
    for (key, printed, tolerance) in [
        ("repeatability_volts", 0.199_933, 5e-6),
        ("reproducibility_volts", 0.226_838, 5e-6),
        ("gauge_volts", 0.302_373, 2e-6),
        ("boards_volts", 1.042_327, 5e-6),
        ("share_of_smallest_fault", 0.2268, 5e-5),
    ] {
        let found = pin[key].as_f64().unwrap();
        assert!((found - printed).abs() < tolerance, "{key}: {found}, printed {printed}");
    }
    assert_eq!(pin["categories"].as_f64().unwrap().floor(), 4.0);
}

/// A practice bench repeats itself exactly, but for one channel, whose contact has another resistance each time the board
/// is seated: the study must find that pin and no other.
#[test]
fn a_study_finds_the_contact_that_scatters() {
    let place = Place::new();
    let plan = ["jig", "study", "plan", "--boards", "3", "--operators", "ann,ben", "--repeats", "2"];
    let mut text = place.run(&plan).text();
    let mut logs = Vec::new();
    for run in 0..12 {
        let (board, operator) = (run % 3, ["ann", "ben"][run / 3 % 2]);
        let (log, name, seed) = (format!("run{run:02}.jsonl"), format!("B{board}"), (40 + board).to_string());
        let trouble = format!("worn:14={}", 1 + run * 5 % 7);
        let words =
            ["sweep", "--practice", "--instant", "--quiet", "--seed", &seed, "--jig-trouble", &trouble];
        let more = ["--board", &name, "--operator", operator, "--log", &log];
        let outcome = place.run(&[&words[..], &more].concat());
        assert_eq!(outcome.status, Some(0), "{}", outcome.text());
        logs.push(log);
    }
    let logs: Vec<&str> = logs.iter().map(String::as_str).collect();
    let outcome = place.run(&[&["jig", "study", "evaluate"], &logs[..]].concat());
    assert_eq!((outcome.status, outcome.stderr.as_str()), (Some(1), ""), "{}", outcome.text());
    let noticed: Vec<&str> = outcome.stdout.lines().filter(|line| line.ends_with("fails")).collect();
    assert!(matches!(noticed.as_slice(), [one] if one.trim_start().starts_with("A15")), "{noticed:?}");
    text.push_str(&outcome.stdout.lines().take(4).chain(noticed).collect::<Vec<_>>().join("\n"));
    let short = place.run(&[&["jig", "study", "evaluate"], &logs[..11]].concat());
    text.push_str(&format!("\n{}", short.text()));
    insta::assert_snapshot!(text);
}

/// A pin that reads OL at two of twelve seatings is what a study is made to find; an operator who reads 3 mV more is not
/// told to clean contacts.
#[test]
fn a_study_names_lost_contacts_and_operators_who_differ() {
    let place = Place::new();
    let mut readings = String::from("board,operator,pin,reading\n");
    for (seating, board, operator) in (0..12).map(|n| (n, n % 3, ["ann", "ben"][n / 3 % 2])) {
        let wobble = [0.0, 0.0002][seating / 6];
        let bias = if operator == "ben" { 0.003 } else { 0.0 };
        let loose =
            if seating == 4 || seating == 9 { "OL".to_owned() } else { format!("{:.4}", 0.61 + wobble) };
        readings.push_str(&format!("{board},{operator},A1,OL\n{board},{operator},A2,{loose}\n"));
        readings.push_str(&format!("{board},{operator},A3,{:.4}\n", 0.7 + wobble + bias));
    }
    place.file("study.csv", &readings);
    let words = ["jig", "study", "evaluate", "--readings", "study.csv"];
    let mut text = String::new();
    for more in [&[][..], &["--format", "csv"]] {
        let outcome = place.run(&[&words[..], more].concat());
        assert_eq!(outcome.status, Some(1), "{}", outcome.text());
        text.push_str(&outcome.text());
    }
    let json = place.run(&[&words[..], &["--format", "json"]].concat());
    let json: serde_json::Value = serde_json::from_str(&json.stdout).unwrap();
    let lost = serde_json::json!([{ "pin": "A2", "readings": 12, "overloads": 2, "unread": 0 }]);
    assert_eq!((&json["lost_contact"], &json["fitness"]), (&lost, &"fails".into()));
    insta::assert_snapshot!(text);
}

/// A board that was seated wrongly is in no yield, of the live batch or of its report, and is not forgotten either.
#[test]
fn misplaced_boards_are_counted_apart_and_alike_everywhere() {
    let place = Place::new();
    for (board, more) in [("T1", &[][..]), ("T2", &["--fault", "placement:turned"])] {
        let log = format!("{board}.jsonl");
        let words = ["sweep", "--practice", "--instant", "--quiet", "--seed", "3", "--board", board];
        let outcome = place.run(&[&words[..], &["--log", &log], more].concat());
        assert_eq!(outcome.status, Some(i32::from(board == "T2")), "{}", outcome.text());
    }
    let report = |format| place.run(&["report", "T1.jsonl", "T2.jsonl", "--format", format]);
    let markdown = report("markdown");
    // Nothing is known of the pins of T2.
    assert_eq!(markdown.status, Some(2), "{}", markdown.text());
    for line in ["# Batch of 2 boards, connector J5", "- **100.0 %** match now: 1 of 1"] {
        assert!(markdown.stdout.contains(line), "{line}: {}", markdown.text());
    }
    let told =
        "- 1 matches, 0 differ, 1 misplaced; what was misplaced is in no share until it is swept again";
    assert!(markdown.stdout.contains(told), "{}", markdown.text());
    let html = report("html");
    assert_eq!(html.status, Some(2));
    assert!(html.stdout.contains("1 seated wrongly") && html.stdout.contains(", 1 of 1"));
    let json: serde_json::Value = serde_json::from_str(&report("json").stdout).unwrap();
    let yields = &json["batches"][0]["yield"];
    assert_eq!((&yields["boards"], &yields["misplaced"]), (&1.into(), &1.into()), "{yields}");

    // A later sweep that is seated wrongly takes nothing back that is known.
    let words = ["sweep", "--practice", "--instant", "--quiet", "--seed", "3", "--board", "T1"];
    let again = place.run(&[&words[..], &["--fault", "placement:turned", "--log", "again.jsonl"]].concat());
    assert_eq!(again.status, Some(1));
    let both = place.run(&["report", "T1.jsonl", "again.jsonl", "--format", "markdown"]);
    assert_eq!(both.status, Some(0), "{}", both.text());

    let batch = ["batch", "--practice", "--boards", "2", "--faulty", "0", "--data", "d", "--seed", "1"];
    let live = place.run(&[&batch[..], &["--fault", "placement:turned"]].concat());
    assert_eq!(live.status, Some(2), "{}", live.text());
    assert!(live.stderr.contains("2 boards: 0 match, 0 differ, 2 misplaced\n"), "{}", live.text());
    let truth = "practice: of 0 sound boards 0 match; of 0 boards with faults 0 do not match; 2 misplaced or not judged";
    assert!(live.stderr.contains(truth), "{}", live.text());
}

/// The owner of a board is told of no contact that it is sound if it could not be checked.
#[test]
fn the_page_for_the_owner_counts_what_was_checked() {
    let place = Place::new();
    let sweep = ["sweep", "--practice", "--instant", "--quiet", "--seed", "3", "--log", "sound.jsonl"];
    assert_eq!(place.run(&sweep).status, Some(0));
    let outcome = place.run(&["report", "sound.jsonl", "--customer"]);
    assert_eq!(outcome.status, Some(0), "{}", outcome.stderr);
    let replayed = place.run(&["replay", "sound.jsonl"]);
    let open =
        replayed.stdout.lines().find_map(|line| line.split_once("a good board reads OL: pins ")).unwrap().1;
    let open = open.replace(" and ", ", ").split(", ").count();
    for told in [
        format!("All is well: {} contacts could be checked", 40 - open),
        format!("{open} contacts read as open on a good board too: they are not used, or"),
    ] {
        assert!(outcome.stdout.contains(&told), "{told}");
    }
}

#[test]
fn a_log_that_is_named_twice_counts_once() {
    let place = swept();
    let outcome = place.run(&["report", "first.jsonl", "./first.jsonl", "--format", "markdown"]);
    assert!(outcome.stdout.contains("\n1 sweep on "), "{}", outcome.text());
    assert!(
        outcome.stderr.contains("warning: ./first.jsonl is named twice and counted once"),
        "{}",
        outcome.text()
    );
}

/// Without a reference the readings are the result: live, again and in a report.
#[test]
fn a_sweep_without_a_reference_ends_alike_everywhere() {
    let place = swept();
    // A log of the practice bench, as a sweep without a reference writes it.
    let log = fs::read_to_string(place.path().join("first.jsonl")).unwrap();
    place.file("bare.jsonl", &without_reference(&log));
    let replayed = place.run(&["replay", "bare.jsonl"]);
    assert_eq!(replayed.status, Some(0), "{}", replayed.text());
    let rows = replayed.stdout.strip_prefix("board,pin,reading\n").unwrap();
    assert!(rows.lines().all(|row| row.starts_with("\"T1, rev B\",")), "{rows}");
    // The practice meter shows more than millivolts, and so does the table.
    let decimals = |row: &str| row.rsplit_once('.').map_or(0, |(_, decimals)| decimals.len());
    assert!(rows.lines().map(decimals).max() > Some(3), "{rows}");
    place.file("readings.csv", &replayed.stdout);
    place.file("j5.toml", include_str!("../../fixtures/connectors/j5-display.toml"));
    let make = ["reference", "make", "--connector", "j5.toml", "--known-good", "readings.csv"];
    let made = place.run(&make);
    assert_eq!(made.status, Some(0), "{}", made.text());
    let json = place.run(&["replay", "bare.jsonl", "--format", "json"]);
    let json: serde_json::Value = serde_json::from_str(&json.stdout).unwrap();
    assert_eq!((&json["board"], &json["verdict"]), (&"T1, rev B".into(), &"not_judged".into()));
    assert_eq!(json["pins"].as_array().unwrap().len(), 40);
    for format in ["html", "markdown", "json"] {
        let report = place.run(&["report", "bare.jsonl", "--format", format]);
        assert_eq!(report.status, Some(0), "{format}: {}", report.stderr);
        assert!(report.stderr.contains("reported, not judged"), "{}", report.stderr);
    }
}

/// The same log with another header: no reference, and a board whose name needs quotes in a table.
fn without_reference(log: &str) -> String {
    let (first, rest) = log.split_once('\n').unwrap();
    let mut header = pintally::log::decode(first.as_bytes()).unwrap();
    if let LogEvent::Header(header) = &mut header.event {
        header.reference = None;
        header.board = Some("T1, rev B".to_owned());
    }
    pintally::log::encode(&header).unwrap() + rest
}
