//! What reports say in words, whatever they are made of: the sign of a pin, conditions, cautions, what a check does not
//! show.

use super::{name, names};
use crate::{
    compare::{Finding, NotShown, PinJudgement, PinVerdict, Placement, Shared},
    connector::Connector,
    log::{Confirmation, Ending},
    meter::DiodeSource,
    record::SweepRecord,
    units::Volts,
};

/// What is said about one pin, in one word and one sign: never by colour alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sign {
    /// Within its limit.
    Sound,
    /// A finding blames it.
    AtFault,
    /// Another pin's fault moves it.
    Along,
    /// Differs, and nothing explains it.
    Unexplained,
    /// Not judged.
    Unjudged,
}

impl Sign {
    pub(super) const ALL: [Self; 5] =
        [Self::Sound, Self::AtFault, Self::Along, Self::Unexplained, Self::Unjudged];

    pub(super) fn of(pin: &PinJudgement) -> Self {
        match pin.verdict {
            PinVerdict::Matches => Self::Sound,
            PinVerdict::AtFault => Self::AtFault,
            PinVerdict::MovesAlong => Self::Along,
            PinVerdict::Unexplained => Self::Unexplained,
            PinVerdict::Unread(_) | PinVerdict::NoReference | PinVerdict::Misplaced => Self::Unjudged,
        }
    }

    pub(super) const fn word(self) -> &'static str {
        match self {
            Self::Sound => "matches",
            Self::AtFault => "at fault",
            Self::Along => "moved along",
            Self::Unexplained => "unexplained",
            Self::Unjudged => "not judged",
        }
    }

    /// Name of its style.
    pub(super) const fn class(self) -> &'static str {
        match self {
            Self::Sound => "sound",
            Self::AtFault => "fault",
            Self::Along => "along",
            Self::Unexplained => "odd",
            Self::Unjudged => "unjudged",
        }
    }
}

/// A verdict on a pin in a few words, with its reason where it was not judged.
pub(super) fn verdict(pin: &PinJudgement) -> String {
    match pin.verdict {
        PinVerdict::Unread(_) => "not read".to_owned(),
        PinVerdict::NoReference => "no reference".to_owned(),
        PinVerdict::Misplaced => "board misplaced".to_owned(),
        _ => Sign::of(pin).word().to_owned(),
    }
}

/// A difference with its sign, in millivolts.
pub(super) fn millivolts(volts: Volts) -> String {
    let value = volts.get() * 1e3;
    if value.abs() < 0.05 { "0.0".to_owned() } else { format!("{value:+.1}") }
}

/// Drop and kelvin that are worth telling: less is the ordinary difference of two days.
const WORTH_TELLING: (f64, f64) = (0.004, 4.0);

/// What all pins share and was taken out, as far as it is worth telling.
pub(super) fn shared(shared: &Shared) -> Vec<String> {
    let mut parts = Vec::new();
    if let Some(ratio) = shared.current_ratio {
        parts.push(format!("the test current is about {ratio:.2} of the reference's"));
    }
    if let Some(drop) = shared.drop.filter(|d| d.get().abs() >= WORTH_TELLING.0) {
        let way = if drop.get() > 0.0 { "more" } else { "less" };
        parts.push(format!("junctions drop {:.0} mV {way} than in the reference", drop.get().abs() * 1e3));
    }
    if let Some(warmer) = shared.warmer.filter(|k| k.get().abs() >= WORTH_TELLING.1) {
        let way = if warmer.get() > 0.0 { "warmer" } else { "colder" };
        parts.push(format!("the board is about {:.0} K {way}", warmer.get().abs()));
    }
    if let Some(path) = shared.path {
        parts.push(format!("leads and clip add about {path}"));
    }
    parts
}

/// What to do about a board that is wrongly connected as a whole.
pub(super) const fn remedy(placement: Placement) -> &'static str {
    match placement {
        Placement::LeadsReversed => "exchange the leads: red on ground, black to the pins; read again",
        Placement::Shifted { .. } | Placement::Turned => "take the connector off, seat it anew, read again",
        Placement::NoContact => "look at the ground clip and whether the connector is seated; read again",
        Placement::PoorGroundContact => "clean the ground clip and its place on the board; read again",
        Placement::Powered => {
            "stop: take the board off, disconnect battery and supply, discharge the capacitors, check with DC volts that \
             they are empty"
        }
        Placement::OtherMeterMode => "set the meter to diode test; read again",
        Placement::OtherConnector => "look whether the connector file and the reference belong to this board",
        Placement::OffTogether => {
            "clean the connector and seat it anew, let the board take the temperature of the room, see that the reference \
             is of this meter; read again"
        }
    }
}

/// What a check with one reading a pin does not show.
pub(super) fn not_shown(connector: &Connector, limits: &NotShown) -> Vec<String> {
    let mut lines = Vec::new();
    let joints = limits.smallest_joint.iter().flatten();
    if let Some(worst) = joints.max_by(|a, b| a.get().total_cmp(&b.get())) {
        lines.push(format!("joints below about {worst} (the worst pin; JSON lists each)"));
    }
    if !limits.like_neighbours.is_empty() {
        let pairs: Vec<String> = limits
            .like_neighbours
            .iter()
            .map(|(a, b)| format!("{}-{}", name(connector, *a), name(connector, *b)))
            .collect();
        lines.push(format!("bridges between like neighbours: {}", pairs.join(" ")));
    }
    if !limits.open_by_design.is_empty() {
        lines.push(format!(
            "open joints where a good board reads OL: {}",
            names(connector, &limits.open_by_design)
        ));
    }
    if !limits.contested.is_empty() {
        lines.push(format!(
            "anything where known-good boards contradict each other or the drawing: {}",
            names(connector, &limits.contested)
        ));
    }
    if !limits.unread.is_empty() {
        lines.push(format!("anything at pins that were not read: {}", names(connector, &limits.unread)));
    }
    if limits.known_good == 1 {
        lines.push(
            "how far good boards differ: one known-good board was given, the spread is assumed".to_owned(),
        );
    }
    lines
}

/// What a reader must know before believing a report.
pub(super) fn cautions(record: &SweepRecord) -> Vec<String> {
    let mut lines = Vec::new();
    if let Some(practice) = &record.practice {
        let faults =
            if practice.faults.is_empty() { "no faults".to_owned() } else { practice.faults.join(", ") };
        lines.push(format!("Practice: this board is emulated and its readings are invented ({faults})."));
    }
    for over in &record.overrides {
        lines.push(format!("{} overrode the check \"{}\": {}", over.by, over.what, over.why));
    }
    for measured in record.measured.iter().filter(|measured| !measured.safe) {
        lines.push(format!("Before the sweep {} stood at {} V.", measured.what, measured.volts));
    }
    match record.ended.as_ref().map(|ended| ended.how) {
        Some(Ending::Complete) => {}
        Some(Ending::Stopped) => lines.push("The operator stopped this sweep before its end.".to_owned()),
        Some(Ending::Failed) => lines.push("This sweep failed before its end.".to_owned()),
        None => lines.push("The log ends before the sweep did; what it holds is judged.".to_owned()),
    }
    if !record.paired_otherwise.is_empty() {
        lines.push(format!(
            "This version pairs {} otherwise than the log says.",
            names(&record.connector, &record.paired_otherwise)
        ));
    }
    if !record.from_result_line.is_empty() {
        lines.push(format!(
            "Raw lines of the log are missing: its result line stands for {}.",
            names(&record.connector, &record.from_result_line)
        ));
    }
    lines.extend(record.troubles.iter().map(|trouble| format!("The log is not whole: {trouble}")));
    lines
}

/// Under which conditions the readings were taken.
pub(super) fn conditions(record: &SweepRecord) -> Vec<(&'static str, String)> {
    let mut lines = vec![("Meter", record.profile.title.clone()), ("Diode test", source(record))];
    if let Some(kelvin) = record.conditions.temperature {
        lines.push(("Board temperature", format!("{:.1} °C", kelvin.get() - 273.15)));
    }
    lines.push(("Jig", record.jig_name()));
    lines.push(("Jig zero", zero(record)));
    if let Some(checks) = record.checks {
        lines.push(("Check channel", format!("{} good, {} failed", checks.good, checks.failed)));
    }
    lines.push((
        "Reference",
        match &record.reference {
            None => "none: nothing was judged".to_owned(),
            Some(by) => {
                let boards = by.known_good.map_or_else(String::new, |n| {
                    format!("{n} known-good board{}, ", if n == 1 { "" } else { "s" })
                });
                let whole = by.fingerprint.to_string();
                format!("{boards}SHA-256 {}…", whole.get(..12).unwrap_or(&whole))
            }
        },
    ));
    if !record.settings.repaired.is_empty() {
        let pins: Vec<&str> = record.settings.repaired.iter().map(|pin| pin.as_str()).collect();
        lines.push(("Repaired pins", pins.join(", ")));
    }
    lines.push(("Settling", format!("{:.1} ms", f64::from(record.settings.settle_us) / 1e3)));
    if !record.took.is_zero() {
        lines.push(("Duration", format!("{:.1} s", record.took.as_secs_f64())));
    }
    let confirmed: Vec<&str> = record.confirmed.iter().map(|by| confirmation(by.what)).collect();
    if !confirmed.is_empty() {
        lines.push(("Confirmed", confirmed.join(", ")));
    }
    lines.push(("Swept by", record.program.clone()));
    lines
}

fn source(record: &SweepRecord) -> String {
    match record.profile.diode.source {
        DiodeSource::ConstantCurrent { current, compliance } => {
            format!("{current} up to {compliance:.1} V, red lead on board ground")
        }
        DiodeSource::BehindResistance { open_circuit, resistance } => {
            format!("{open_circuit:.1} V behind {resistance}, red lead on board ground")
        }
    }
}

/// What was measured on the shorting plate.
fn zero(record: &SweepRecord) -> String {
    let Some(zero) = &record.zero else { return "not measured: readings hold the path as well".to_owned() };
    let ohms = zero.paths.iter().map(|(_, ohms)| ohms.get());
    let (low, high) = ohms.fold((f64::MAX, f64::MIN), |(low, high), x| (low.min(x), high.max(x)));
    let when = zero.measured.as_deref().map_or_else(String::new, |when| format!(", {}", self::when(when)));
    match zero.paths.iter().max_by(|a, b| a.1.get().total_cmp(&b.1.get())) {
        None => "no paths".to_owned(),
        Some((worst, _)) => {
            format!("{} paths, {low:.2} to {high:.2} ohm (channel {worst}){when}", zero.paths.len())
        }
    }
}

const fn confirmation(what: Confirmation) -> &'static str {
    match what {
        Confirmation::BatteryOut => "battery out",
        Confirmation::PowerOff => "power off",
        Confirmation::Discharged => "discharged",
        Confirmation::StaticProtected => "protected against static discharge",
    }
}

/// A time of RFC 3339 as a person reads it: to the minute.
pub(super) fn when(text: &str) -> String {
    let (Some(date), Some(minute), Some("T" | "t" | " ")) =
        (text.get(..10), text.get(11..16), text.get(10..11))
    else {
        return text.to_owned();
    };
    let zone = text.get(16..).unwrap_or("");
    let zone = match zone.rfind(['Z', 'z', '+', '-']) {
        Some(at) if zone[at..].eq_ignore_ascii_case("z") => " UTC".to_owned(),
        Some(at) => format!(" {}", &zone[at..]),
        None => String::new(),
    };
    format!("{date} {minute}{zone}")
}

/// The name of the board, or that of its session where it has none.
pub(super) fn board(record: &SweepRecord) -> &str {
    record.board.as_deref().unwrap_or(&record.session)
}

/// A finding in a few words, with its resistance: `open joint at pin A4`.
pub(super) fn finding(connector: &Connector, finding: &Finding) -> String {
    let text = super::fault(connector, finding.kind, &finding.pins);
    match finding.ohms {
        Some(ohms) => format!("{text}, about {ohms}"),
        None => text,
    }
}

/// Style of a name in a table: one that is short is kept on one line.
pub(super) fn width(name: &str) -> &'static str {
    if name.chars().count() <= 12 { "short" } else { "long" }
}

/// So many of them: `1 board`, `2 boards`.
pub(super) fn count(count: usize, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}

/// A text with its first letter in upper case.
pub(super) fn sentence(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_told_to_the_minute() {
        for (text, expected) in [
            ("2031-05-06T08:09:10Z", "2031-05-06 08:09 UTC"),
            ("2031-05-06T08:09:10.123+02:00", "2031-05-06 08:09 +02:00"),
            ("yesterday", "yesterday"),
            ("ü031-05-06T08:09", "ü031-05-06T08:09"),
        ] {
            assert_eq!(when(text), expected);
        }
    }

    #[test]
    fn differences_have_a_sign() {
        assert_eq!(millivolts(Volts::of(0.0123)), "+12.3");
        assert_eq!(millivolts(Volts::of(-0.00001)), "0.0");
    }
}
