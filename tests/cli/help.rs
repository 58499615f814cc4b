//! Help is part of the product.

use crate::run::Place;

#[test]
fn help_of_every_command() {
    let place = Place::new();
    let mut text = String::new();
    for words in [
        &["--help"][..],
        &["init", "--help"],
        &["sweep", "--help"],
        &["completions", "--help"],
        &["manual", "--help"],
        &["batch", "--help"],
        &["history", "--help"],
        &["history", "show", "--help"],
        &["history", "forget", "--help"],
        &["practice", "--help"],
        &["compare", "--help"],
        &["reference", "--help"],
        &["reference", "make", "--help"],
        &["reference", "extend", "--help"],
        &["reference", "show", "--help"],
        &["replay", "--help"],
        &["jig", "--help"],
        &["jig", "find", "--help"],
        &["jig", "identify", "--help"],
        &["jig", "self-test", "--help"],
        &["jig", "zero", "--help"],
        &["jig", "study", "plan", "--help"],
        &["jig", "study", "evaluate", "--help"],
        &["report", "--help"],
        &["history", "--help"],
        &["history", "show", "--help"],
        &["meter", "--help"],
        &["meter", "find", "--help"],
        &["meter", "watch", "--help"],
        &["meter", "identify", "--help"],
        &["meter", "lag", "--help"],
        &["meter", "profiles", "--help"],
    ] {
        let outcome = place.run(words);
        assert_eq!(outcome.status, Some(0), "{words:?}");
        assert_eq!(outcome.stderr, "");
        text.push_str(&format!("$ pintally {}\n{}\n", words.join(" "), outcome.stdout));
    }
    insta::assert_snapshot!(text);
}

#[test]
fn a_wrong_word_is_a_usage_error() {
    let place = Place::new();
    let mut text = String::new();
    for words in [&["swep"][..], &["sweep", "--practise"], &["sweep"], &["compare", "--connector", "x"]] {
        let outcome = place.run(words);
        assert_eq!(outcome.status, Some(64), "{words:?}");
        text.push_str(&format!("$ pintally {}\n{}\n", words.join(" "), outcome.text()));
    }
    insta::assert_snapshot!(text);
}
