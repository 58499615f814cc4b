//! The description of a switching board: parts with pins, pins on nets.

use std::collections::BTreeMap;

use serde::Deserialize;

/// A switching board.
pub(crate) struct Board {
    pub(crate) title: String,
    /// Images whose table of pins it must agree with.
    pub(crate) firmware: Vec<String>,
    /// Every part, one by one.
    pub(crate) parts: Vec<Part>,
    /// The same as it is written, with pins and nets as ranges, for the drawing.
    pub(crate) groups: Vec<Group>,
}

/// One part.
pub(crate) struct Part {
    pub(crate) name: String,
    pub(crate) value: String,
    /// Pins with their nets.
    pub(crate) pins: Vec<(String, String)>,
}

/// Parts of one kind.
pub(crate) struct Group {
    pub(crate) names: String,
    pub(crate) value: String,
    pub(crate) pins: Vec<(String, String)>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    title: String,
    firmware: Vec<String>,
    part: Vec<Line>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Line {
    r#ref: String,
    #[serde(default = "one")]
    repeat: usize,
    value: String,
    pins: Vec<(String, String)>,
}

const fn one() -> usize {
    1
}

impl Board {
    pub(crate) fn from_toml(text: &str) -> Self {
        let file: File = toml::from_str(text).unwrap();
        let mut parts = Vec::new();
        let mut groups = Vec::new();
        for line in &file.part {
            let numbered: Vec<Part> = (0..line.repeat).map(|n| line.part(n)).collect();
            let shown = |text: &str| match line.repeat {
                1 => filled(text, 0),
                repeat => {
                    let (first, last) = (filled(text, 0), filled(text, repeat - 1));
                    if first == last { first } else { format!("{first} … {last}") }
                }
            };
            groups.push(Group {
                names: shown(&line.r#ref),
                value: shown(&line.value),
                pins: line
                    .pins
                    .iter()
                    .map(|(pin, net)| (pin.replace("..", "–"), shown_net(pin, net, &shown)))
                    .collect(),
            });
            parts.extend(numbered);
        }
        Self { title: file.title, firmware: file.firmware, parts, groups }
    }

    /// Pins by net.
    pub(crate) fn nets(&self) -> BTreeMap<String, Vec<(String, String)>> {
        let mut nets: BTreeMap<String, Vec<(String, String)>> = BTreeMap::new();
        for part in &self.parts {
            for (pin, net) in &part.pins {
                nets.entry(net.clone()).or_default().push((part.name.clone(), pin.clone()));
            }
        }
        nets
    }
}

impl Part {
    pub(crate) fn has(&self, net: &str) -> bool {
        self.pins.iter().any(|(_, on)| on == net)
    }
}

impl Line {
    fn part(&self, n: usize) -> Part {
        let pins = self.pins.iter().flat_map(|(pin, net)| {
            let pins = range(&filled(pin, n));
            let net = filled(net, n);
            let nets = match net.strip_suffix("..") {
                Some(first) => counted(first, pins.len()),
                None => vec![net; pins.len()],
            };
            pins.into_iter().zip(nets)
        });
        Part { name: filled(&self.r#ref, n), value: filled(&self.value, n), pins: pins.collect() }
    }
}

/// A net of the drawing: from the first to the last, over pins and repetitions.
fn shown_net(pin: &str, net: &str, shown: &dyn Fn(&str) -> String) -> String {
    let Some(first) = net.strip_suffix("..") else { return shown(net) };
    let first = shown(first);
    // From the start of the first part to the end of the last.
    let (start, end) = first.split_once(" … ").unwrap_or((&first, &first));
    let last = counted(end, range(pin).len()).pop().unwrap_or_default();
    format!("{start}–{last}")
}

/// Fills in `{n}`, `{16n}` and `{n+2}`, `{16n+15}`.
fn filled(text: &str, n: usize) -> String {
    let mut out = String::new();
    let mut rest = text;
    while let Some((before, after)) = rest.split_once('{') {
        let (inside, after) = after.split_once('}').unwrap();
        let (factor, plus) = inside.split_once('n').unwrap();
        let factor: usize = if factor.is_empty() { 1 } else { factor.parse().unwrap() };
        let plus: usize = plus.strip_prefix('+').map_or(0, |plus| plus.parse().unwrap());
        out.push_str(before);
        out.push_str(&(factor * n + plus).to_string());
        rest = after;
    }
    out + rest
}

/// `A0..A3` as four pins, `QA..QH` as eight.
fn range(text: &str) -> Vec<String> {
    let Some((first, last)) = text.split_once("..") else { return vec![text.to_owned()] };
    if let (Some(a), Some(b)) = (number(first), number(last)) {
        return (a.1..=b.1).map(|n| format!("{}{n}", a.0)).collect();
    }
    let ends = (first.chars().next_back().unwrap(), last.chars().next_back().unwrap());
    let stem = &first[..first.len() - 1];
    (ends.0..=ends.1).map(|letter| format!("{stem}{letter}")).collect()
}

/// `CH16` and the fifteen after it.
fn counted(first: &str, count: usize) -> Vec<String> {
    let (stem, from) = number(first).unwrap();
    (from..from + count).map(|n| format!("{stem}{n}")).collect()
}

fn number(text: &str) -> Option<(&str, usize)> {
    let at = text.len() - text.chars().rev().take_while(char::is_ascii_digit).count();
    text[at..].parse().ok().map(|number| (&text[..at], number))
}

#[test]
fn patterns_are_filled() {
    assert_eq!(filled("CH{16n}..", 2), "CH32..");
    assert_eq!(filled("U{n+2} {n}", 3), "U5 3");
    assert_eq!(range("S1..S3"), ["S1", "S2", "S3"]);
    assert_eq!(range("QA..QC"), ["QA", "QB", "QC"]);
    assert_eq!(range("1..3"), ["1", "2", "3"]);
    assert_eq!(counted("CH62", 2), ["CH62", "CH63"]);
}
