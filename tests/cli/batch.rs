//! Batches: on the practice bench, through real ports, and killed at any moment.

use std::{
    collections::BTreeMap,
    fs,
    path::Path,
    process::Stdio,
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    thread,
    time::{Duration, Instant},
};

use serde_json::Value;

use crate::{
    beside::Beside,
    run::{Outcome, Place},
};

/// Six pins, so that a sweep takes no time. Invented.
const SIX: &str = r#"name = "J6"
pin = [
  { name = "1", net = "GND", role = "ground" },
  { name = "2", net = "SDA", role = "signal" },
  { name = "3", net = "SCL", role = "signal" },
  { name = "4", net = "VDD", role = "power" },
  { name = "5", net = "INT", role = "signal" },
  { name = "6", net = "RESET", role = "signal" },
]
"#;

/// Its pins on the channels in another order. Invented.
const WIRED: &str = r#"name = "carrier-1"
channels = { 1 = 5, 2 = 4, 3 = 3, 4 = 2, 5 = 1, 6 = 0 }
"#;

fn batch(place: &Place, words: &[&str]) -> Outcome {
    place.run(&[&["batch", "--practice", "--data", "d"], words].concat())
}

/// What the history says of a batch, the latest sweep first.
fn listed(place: &Place, name: &str) -> Vec<Value> {
    let words = ["history", "--data", "d", "--batch", name, "--all", "--format", "json"];
    let outcome = place.run(&words);
    outcome.stdout.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

#[test]
fn what_a_batch_prints() {
    let place = Place::new();
    let words = ["--boards", "8", "--seed", "4", "--faulty", "0.4", "--count-from", "T098", "--name", "May"];
    let mut told = batch(&place, &words).text();
    for words in [
        &["--boards", "8", "--seed", "4", "--name", "May"][..],
        &["--boards", "8", "--resume", "June"],
        &["--boards", "8", "--count-from", "Tx"],
        &["--boards", "2", "--resume", "May", "--connector", "six.toml"],
    ] {
        place.file("six.toml", SIX);
        let outcome = batch(&place, words);
        told.push_str(&format!("\n$ pintally batch --practice {}\n{}", words.join(" "), outcome.text()));
    }
    insta::assert_snapshot!(told);
    let places: Vec<u64> =
        listed(&place, "May").iter().rev().map(|sweep| sweep["batch"]["place"].as_u64().unwrap()).collect();
    assert!(places.is_sorted() && *places.last().unwrap() == 8, "{places:?}");
}

#[test]
fn all_connectors_of_a_kind_are_swept_the_repaired_one_first() {
    let place = Place::new();
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures/connectors");
    let kind = folder.join("larkspur-12.toml");
    let words =
        ["--boards", "2", "--kind", kind.to_str().unwrap(), "--repaired", "J9", "--format", "csv", "--quiet"];
    let outcome = batch(&place, &words);
    assert!(matches!(outcome.status, Some(0..=2)), "{}", outcome.text());
    let mut order: Vec<String> = Vec::new();
    for line in outcome.stdout.lines().skip(1) {
        let columns: Vec<&str> = line.split(',').collect();
        order.push(format!("{} {}", columns[1], columns[2]));
    }
    // Another look at a doubtful connector is no other step.
    order.dedup();
    // J5 and J9 are neighbours.
    assert_eq!(order, ["P001 J9", "P001 J5", "P001 J7", "P002 J9", "P002 J5", "P002 J7"]);
    let wrong = batch(&place, &["--boards", "1", "--kind", kind.to_str().unwrap(), "--repaired", "J1"]);
    assert!(
        wrong.status == Some(64) && wrong.stderr.contains("expected one of J5, J7, J9"),
        "{}",
        wrong.text()
    );
}

#[test]
fn wear_of_the_jig_and_drift_of_the_meter_are_put_in_and_noticed() {
    let place = Place::new();
    place.file("six.toml", SIX);
    let words = [
        "--connector",
        "six.toml",
        "--boards",
        "90",
        "--seed",
        "1",
        "--wear-channel",
        "1",
        "--wear-from",
        "40",
        "--wear-ohms",
        "0.5",
        "--name",
        "worn",
    ];
    let outcome = batch(&place, &words);
    assert!(matches!(outcome.status, Some(0..=2)), "{}", outcome.text());
    let noticed = outcome.stderr.lines().find(|line| line.starts_with("notice: ")).unwrap();
    assert!(noticed.contains("pin 2, channel 1"), "{noticed}");
    // The log of the last board says what was put in: 51 boards of half an ohm.
    let last = &listed(&place, "worn")[0];
    let log =
        fs::read_to_string(place.path().join(format!("d/logs/{}.jsonl", last["session"].as_str().unwrap())));
    assert!(log.unwrap().contains("worn:1=25.5"));
}

#[test]
fn killed_at_any_moment_a_batch_loses_at_most_the_board_on_the_jig() {
    const BOARDS: usize = 40;
    let place = Place::new();
    place.file("six.toml", SIX);
    let words = |more: &[&'static str]| -> Vec<&'static str> {
        let all = [
            "batch",
            "--practice",
            "--data",
            "d",
            "--connector",
            "six.toml",
            "--boards",
            "40",
            "--seed",
            "9",
            "--faulty",
            "0.3",
            "--count-from",
            "T1",
        ];
        [&all[..], more].concat()
    };
    let whole = place.run(&[&words(&["--name", "whole"])[..]].concat());
    let whole_verdicts = verdicts(&listed(&place, "whole"));
    assert_eq!(whole_verdicts.len(), BOARDS, "{}", whole.text());
    let log_size = written(&place) / BOARDS as u64;

    // Killed when so many more bytes stand in the logs: anywhere in the next three boards, however busy the machine is.
    // Chance repeats; what the program is doing just then does not.
    let mut random: u64 = 0x9e37_79b9_7f4a_7c15;
    let (mut done, mut torn, mut has_begun) = (0, 0, false);
    let (mut killed, mut cut) = (0, 0);
    for kill in 0..20 {
        random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let mut child = place
            .command(&words(if has_begun { &["--resume", "cut"] } else { &["--name", "cut"] }))
            .stdout(Stdio::null())
            .stderr(fs::File::create(place.path().join("told")).unwrap())
            .spawn()
            .unwrap();
        let until = written(&place) + (random >> 33) % (3 * log_size);
        while written(&place) < until && child.try_wait().unwrap().is_none() {
            thread::sleep(Duration::from_millis(1));
        }
        // And a little later: while nothing is written, boards are judged and go into the history.
        thread::sleep(Duration::from_millis(random >> 24 & 0x1F));
        let _ = child.kill();
        let status = child.wait().unwrap();
        let stderr = fs::read_to_string(place.path().join("told")).unwrap();
        // Nobody fails but by being killed, or after the end.
        assert!(status.code().is_none_or(|code| code <= 2), "kill {kill}: {status} {stderr}");
        // What the run before had left on the jig was told, if this one came so far.
        if torn > 0 && stderr.contains("goes on") && stderr.lines().count() > 1 {
            assert!(stderr.contains("was on the jig when the batch ended"), "kill {kill}: {stderr}");
        }
        let sweeps = listed(&place, "cut");
        has_begun = !sweeps.is_empty();
        let now = sweeps.iter().filter(|sweep| !sweep["ending"].is_null()).count();
        assert!(now >= done, "kill {kill}: {now} whole sweeps after {done}");
        // At most the board on the jig is cut short: the last one, and no other since the last kill.
        let open: Vec<u64> = sweeps
            .iter()
            .filter(|sweep| sweep["ending"].is_null())
            .map(|sweep| sweep["batch"]["place"].as_u64().unwrap())
            .collect();
        let last = sweeps.first().map_or(0, |sweep| sweep["batch"]["place"].as_u64().unwrap());
        let now_torn =
            open.iter().filter(|&&place| place == last && !verdicts(&sweeps).contains_key(&last)).count();
        killed += u32::from(status.code().is_none());
        cut = open.len();
        done = now;
        torn = now_torn;
    }
    println!(
        "{killed} of 20 runs were killed before their end; {done} sweeps were whole by then, {cut} logs cut short"
    );
    let end = place.run(&words(if has_begun { &["--resume", "cut"] } else { &["--name", "cut"] }));
    assert!(matches!(end.status, Some(0..=2)), "{}", end.text());
    assert_eq!(verdicts(&listed(&place, "cut")), whole_verdicts);
}

/// Bytes in all logs.
fn written(place: &Place) -> u64 {
    let Ok(folder) = fs::read_dir(place.path().join("d/logs")) else { return 0 };
    folder.map(|entry| entry.unwrap().metadata().map_or(0, |metadata| metadata.len())).sum()
}

/// Name and verdict of each board by its place, from its last whole sweep. Each place has one name only.
fn verdicts(sweeps: &[Value]) -> BTreeMap<u64, (String, String)> {
    let mut boards = BTreeMap::new();
    for sweep in sweeps.iter().rev().filter(|sweep| sweep["ending"] == "complete") {
        let at = sweep["batch"]["place"].as_u64().unwrap();
        let name = sweep["board"].as_str().unwrap().to_owned();
        let verdict = sweep["verdict"].as_str().unwrap_or("none").to_owned();
        if let Some((before, _)) = boards.insert(at, (name.clone(), verdict)) {
            assert_eq!(before, name, "place {at}");
        }
    }
    boards
}

#[test]
fn the_button_and_the_keyboard_start_boards_through_real_ports() {
    let place = Place::new();
    place.file("six.toml", SIX);
    let (mut bench, [jig, meter]) =
        Beside::bench(&place, &["practice", "--tcp", "--connector", "six.toml", "--speed", "1"]);
    let words = [
        "batch",
        "--jig",
        &jig,
        "--meter",
        &meter,
        "--connector",
        "six.toml",
        "--unpowered",
        "--data",
        "d",
        "--boards",
        "2",
        "--name",
        "real",
    ];
    let mut batch = Beside::start(&place, &words);
    batch.type_line("scanned-1");
    // The button counts once the batch listens; until then it is pressed again.
    let is_over = Arc::new(AtomicBool::new(false));
    let seen = Arc::clone(&is_over);
    let pressing = thread::spawn(move || {
        while !seen.load(Ordering::Relaxed) {
            bench.type_line("button");
            thread::sleep(Duration::from_millis(500));
        }
        bench
    });
    assert_eq!(batch.line(), "scanned-1  J6  not judged");
    batch.type_line("typed 2");
    batch.type_line("");
    assert_eq!(batch.line(), "typed 2  J6  not judged");
    assert_eq!(batch.wait().code(), Some(0));
    is_over.store(true, Ordering::Relaxed);
    let names: Vec<String> = listed(&place, "real")
        .iter()
        .map(|sweep| format!("{} {}", sweep["board"].as_str().unwrap(), sweep["ending"].as_str().unwrap()))
        .collect();
    assert_eq!(names, ["typed 2 complete", "scanned-1 complete"]);
    drop(pressing.join().unwrap());
}

#[test]
fn a_batch_subtracts_the_zero_of_its_jig_and_refuses_another() {
    let place = Place::new();
    place.file("six.toml", SIX);
    place.file("w.toml", WIRED);
    let zeroed = |seed: &str, file: &str| {
        let words = ["jig", "zero", "--practice", "--connector", "six.toml", "--wiring", "w.toml"];
        place.run(&[&words[..], &["--seed", seed, "-o", file]].concat())
    };
    assert_eq!(zeroed("5", "z5.toml").status, Some(0));
    assert_eq!(zeroed("6", "z6.toml").status, Some(0));
    let (_bench, [jig, meter]) = Beside::bench(
        &place,
        &["practice", "--tcp", "--connector", "six.toml", "--wiring", "w.toml", "--seed", "5"],
    );
    let words = ["batch", "--jig", &jig, "--meter", &meter, "--unpowered", "--data", "d", "--boards", "1"];
    let here = ["--connector", "six.toml", "--wiring", "w.toml", "--count-from", "T1"];

    let other = place.type_into(&[&words[..], &here, &["--zero", "z6.toml"]].concat(), "\n");
    assert_eq!(other.status, Some(78), "{}", other.text());
    assert!(other.stderr.contains("expected the zero of switching board"), "{}", other.text());
    let straight = ["--connector", "six.toml", "--count-from", "T1", "--zero", "z5.toml"];
    let wiring = place.type_into(&[&words[..], &straight].concat(), "\n");
    assert_eq!(wiring.status, Some(78), "{}", wiring.text());
    assert!(wiring.stderr.contains("expected a zero of the wiring `straight`"), "{}", wiring.text());

    // Typed, or from the configuration: the sweep's header holds it.
    place.file("bench.toml", "zero = \"z5.toml\"\n");
    for (name, zero) in [("typed", ["--zero", "z5.toml"]), ("kept", ["--config", "bench.toml"])] {
        let swept = place.type_into(&[&words[..], &here, &["--name", name], &zero].concat(), "\n");
        assert_eq!(swept.status, Some(0), "{}", swept.text());
        let session = listed(&place, name)[0]["session"].as_str().unwrap().to_owned();
        let log = place.path().join(format!("d/logs/{session}.jsonl"));
        let head: Value =
            serde_json::from_str(fs::read_to_string(log).unwrap().lines().next().unwrap()).unwrap();
        assert!(head.to_string().contains("\"zero\":{"), "{head}");
    }
}

/// Killed right after the operator's decision: a board that was decided about is not asked for again.
#[test]
fn a_decision_before_a_kill_is_read_back() {
    let place = Place::new();
    place.file("six.toml", SIX);
    place.file("good.csv", &place.run(&["practice", "--connector", "six.toml", "--known-good", "5"]).stdout);
    let words = ["reference", "make", "--connector", "six.toml", "--known-good", "good.csv"];
    assert_eq!(place.run(&[&words[..], &["--output", "ref.toml"]].concat()).status, Some(0));
    let reversed = ["--connector", "six.toml", "--fault", "placement:reversed"];
    let (_bench, [jig, meter]) = Beside::bench(&place, &[&["practice", "--tcp"], &reversed[..]].concat());
    let words = ["batch", "--jig", &jig, "--meter", &meter, "--connector", "six.toml", "--unpowered"];
    let words = [&words[..], &["--reference", "ref.toml", "--data", "d"]].concat();
    for decision in ["keep", "skip"] {
        let mut batch = Beside::start(&place, &[&words[..], &["--name", decision, "--boards", "2"]].concat());
        batch.type_line("R1");
        batch.type_line("");
        assert_eq!(batch.line(), "R1  J6  differs: leads reversed");
        batch.type_line(&format!("/{decision}"));
        let session = listed(&place, decision)[0]["session"].as_str().unwrap().to_owned();
        let log = place.path().join(format!("d/logs/{session}.jsonl"));
        let began = Instant::now();
        while !fs::read_to_string(&log).unwrap().contains(&format!("\"action\":\"{decision}\"")) {
            assert!(began.elapsed() < Duration::from_secs(120), "/{decision} is not in the log");
            thread::sleep(Duration::from_millis(20));
        }
        drop(batch);
        // Asked all the same, it would wait: it is told to stop.
        let resumed =
            place.type_into(&[&words[..], &["--resume", decision, "--boards", "1"]].concat(), "/stop\n");
        assert!(
            resumed.stderr.contains(&format!("batch {decision} goes on: 1 board is done\n")),
            "{}",
            resumed.text()
        );
        assert!(!resumed.stderr.contains("was on the jig"), "{}", resumed.text());
    }
}
