//! Path resistances: measured, written, subtracted, and refused where they do not belong.

use super::{readings, sweep};
use crate::run::Place;

fn zero(place: &Place, words: &str) -> crate::run::Outcome {
    let all = format!("jig zero --practice {words}");
    place.run(&all.split_whitespace().collect::<Vec<_>>())
}

fn paths(place: &Place, file: &str) -> Vec<f64> {
    let text = std::fs::read_to_string(place.path().join(file)).unwrap();
    let value: toml::Value = toml::from_str(&text).unwrap();
    value["paths"].as_array().unwrap().iter().map(|path| path[1].as_float().unwrap()).collect()
}

#[test]
fn what_was_put_in_is_measured() {
    let place = Place::new();
    assert_eq!(zero(&place, "--seed 4 -o sound.toml").status, Some(0));
    assert_eq!(zero(&place, "--seed 4 -o worn.toml --jig-trouble worn:14=7").status, Some(0));
    let (sound, worn) = (paths(&place, "sound.toml"), paths(&place, "worn.toml"));
    // The practice jig's paths lie from 0.4 to 0.6 ohm (`practice/jig.rs`). The plate is on ground by a milliohm; the meter
    // has noise of 0.2 mV and counts of 0.1 mV at 1 mA, a few of them averaged.
    assert!(sound[..40].iter().all(|path| (0.2..0.8).contains(path)), "{sound:?}");
    assert!((worn[14] - sound[14] - 7.0).abs() < 0.3, "{} {}", worn[14], sound[14]);
    let mean = |paths: &[f64]| paths.iter().sum::<f64>() / paths.len() as f64;
    assert!((mean(&sound[..40]) - 0.5).abs() < 0.05, "{}", mean(&sound[..40]));
}

#[test]
fn a_sweep_with_the_zero_takes_a_worn_path_out() {
    let place = Place::new();
    let trouble = "--jig-trouble worn:14=30 --jig-trouble worn:35=12";
    assert_eq!(zero(&place, &format!("--seed 5 -o z.toml {trouble}")).status, Some(0));
    let sound = readings(&sweep(&place, "--seed 5 --format json --log a.jsonl"));
    let without = readings(&sweep(&place, &format!("--seed 5 --format json --log b.jsonl {trouble}")));
    let with =
        readings(&sweep(&place, &format!("--seed 5 --format json --log c.jsonl {trouble} --zero z.toml")));
    for pin in [14, 35] {
        let volts = |list: &[(String, Option<f64>)]| list[pin].1.unwrap();
        assert!(volts(&without) - volts(&sound) > 0.010, "{} {}", volts(&without), volts(&sound));
        assert!((volts(&with) - volts(&sound)).abs() < 0.002, "{} {}", volts(&with), volts(&sound));
    }
}

#[test]
fn a_zero_is_shown_and_refused_where_it_does_not_belong() {
    let place = Place::new();
    assert_eq!(zero(&place, "--seed 5 -o z.toml").status, Some(0));
    let day = |text: &str| {
        text.lines().any(|line| line.starts_with("jig zero of 20") && line.ends_with("subtracted"))
    };
    let good = sweep(&place, "--seed 5 --zero z.toml --log a.jsonl");
    assert!(day(&good.stdout), "{}", good.text());
    assert!(day(&place.run(&["replay", "a.jsonl"]).stdout));
    let other = sweep(&place, "--seed 6 --zero z.toml --log b.jsonl");
    assert_eq!(other.status, Some(78), "{}", other.text());
    assert!(other.stderr.contains("expected the zero of switching board"), "{}", other.text());
    let meter = sweep(&place, "--seed 5 --zero z.toml --profile fs9721 --log c.jsonl");
    assert_eq!(meter.status, Some(78), "{}", meter.text());
    assert!(meter.stderr.contains("taken with the meter"), "{}", meter.text());
    let text = std::fs::read_to_string(place.path().join("z.toml")).unwrap();
    let old = text.lines().map(|line| match line.starts_with("measured") {
        true => "measured = \"2020-01-01T00:00:00Z\"",
        false => line,
    });
    place.file("old.toml", &old.collect::<Vec<_>>().join("\n"));
    let old = sweep(&place, "--seed 5 --zero old.toml --log d.jsonl");
    assert!(old.stderr.contains("days old"), "{}", old.text());
    assert_eq!(zero(&place, "--seed 5 -o z.toml").status, Some(64), "a zero that exists is kept");
    let dead = zero(&place, "--seed 5 -o y.toml --jig-trouble dead:3");
    assert_eq!(dead.status, Some(2), "{}", dead.text());
    assert!(dead.stderr.contains("channel 3"), "{}", dead.text());
}
