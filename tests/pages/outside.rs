//! Texts from outside that try to be markup: names of boards, connectors, pins and nets, notes, operators.

use std::fs;

use crate::made::Bench;

/// Each tries another way out of where it stands in a page.
const PAYLOADS: [&str; 6] = [
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(1)>",
    "'-->]]></style><b>bold</b>",
    "</td></table><i>loose</i>",
    "&lt;u&gt; &amp; {{7*7}} ${7*7}",
    "[click](javascript:alert(1)) `x` | **b**",
];

/// A connector whose every name is hostile, swept and noted with hostile words.
pub(crate) fn hostile() -> Bench {
    let bench = Bench::new();
    let quote = |text: &str| text.replace('\\', "\\\\").replace('"', "\\\"");
    let mut connector = format!("name = \"{}\"\n", quote(PAYLOADS[0]));
    for (index, payload) in PAYLOADS.iter().cycle().take(24).enumerate() {
        connector.push_str(&format!(
            "[[pin]]\nname = \"{index}{}\"\nrow = \"{}\"\nposition = {}\nnet = \"{}{index}\"\nnote = \"{}\"\n",
            quote(payload),
            ["A", "<b>B</b>"][index % 2],
            index / 2 + 1,
            quote(payload),
            quote(payload)
        ));
    }
    fs::write(bench.path("hostile.toml"), connector).unwrap();
    let mut notes = format!("checklist = [\"{}\"]\n", quote(PAYLOADS[0]));
    for (index, payload) in PAYLOADS.iter().enumerate() {
        let payload = quote(payload);
        notes.push_str(&format!(
            "[[pin]]\nname = \"{index}{payload}\"\ntrace = \"{payload}\"\njumper = \"planned\"\nnote = \"{payload}\"\n"
        ));
    }
    fs::write(bench.path("notes.toml"), notes).unwrap();
    let pin = format!("open:3{}", PAYLOADS[3]);
    let mut words = vec!["--connector", "hostile.toml", "--seed", "2", "--fault", &pin];
    words.extend([
        "--repair",
        "notes.toml",
        "--board",
        PAYLOADS[1],
        "--operator",
        PAYLOADS[2],
        "--note",
        PAYLOADS[0],
    ]);
    bench.sweep("hostile.jsonl", &words);
    bench
}

#[test]
fn texts_from_outside_never_become_markup() {
    let bench = hostile();
    let log = "hostile.jsonl";
    for words in [&[log][..], &[log, "--customer"], &["--before", log, "--after", log], &[log, log]] {
        let page = bench.report(words);
        for tag in ["<script", "<img", "<b>", "<i>", "</td></table><", "]]></style"] {
            assert!(!page.contains(tag), "{words:?}: {tag} reached the page");
        }
        // The texts are there all the same, harmless.
        assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt;"), "{words:?}");
        // A text that looks escaped already is shown as it was typed.
        if words.len() == 1 {
            assert!(page.contains("&amp;lt;u&amp;gt;"), "{words:?}");
        }
        let markdown: Vec<&str> = words.iter().copied().filter(|word| *word != "--customer").collect();
        let text = bench.report(&[&markdown[..], &["--format", "markdown"]].concat());
        for markup in ["<script", "<img", "[click](", "`x`", "**b**"] {
            assert!(!text.contains(markup), "{markdown:?}: {markup} reached the text");
        }
    }
}
