//! Reports as JSON documents. docs/schema/report.json is their schema; a test holds real reports against it.

use serde_json::{Map, Value, json};

use super::{BatchPage, json::judgement_value, name, names, notice, repair::repaired_pins, words};
use crate::{
    batch::{Notice, Outcome, Suspicion},
    compare::{Change, Verdict},
    connector::Connector,
    readings::PinValue,
    record::SweepRecord,
    statistics::Share,
};

/// Version of the documents; docs/schema/report.json describes it.
const VERSION: u32 = 1;

/// The report of one sweep.
#[must_use]
pub fn sweep_document(record: &SweepRecord) -> Value {
    document("sweep", json!({ "sweep": sweep(record) }))
}

/// The report on two sweeps of one board.
#[must_use]
pub fn change_document(before: &SweepRecord, after: &SweepRecord) -> Value {
    let change = before.judgement.as_ref().zip(after.judgement.as_ref()).map(|(first, second)| {
        let change = Change::between(first, second);
        let pins: Vec<Value> = change
            .pins
            .iter()
            .enumerate()
            .map(|(pin, what)| {
                json!({
                    "pin": name(&after.connector, pin),
                    "before": reading(first.pins[pin].reading),
                    "after": reading(second.pins[pin].reading),
                    "change": what.code(),
                })
            })
            .collect();
        let list = |judgement: &crate::compare::Judgement, indices: &[usize]| -> Vec<Value> {
            indices
                .iter()
                .map(|&index| {
                    let finding = &judgement.findings[index];
                    json!({ "kind": finding.kind.code(), "pins": finding.pins.iter().map(|&pin| name(&after.connector, pin)).collect::<Vec<_>>() })
                })
                .collect()
        };
        json!({
            "pins": pins,
            "gone": list(first, &change.gone),
            "left": list(second, &change.left),
            "new": list(second, &change.new),
        })
    });
    document("before_and_after", json!({ "before": sweep(before), "after": sweep(after), "change": change }))
}

/// The report of batches.
#[must_use]
pub fn batch_document(pages: &[BatchPage]) -> Value {
    document("batch", json!({ "batches": pages.iter().map(batch).collect::<Vec<_>>() }))
}

fn document(kind: &str, content: Value) -> Value {
    let mut whole = Map::new();
    whole.insert("format".to_owned(), json!("pintally-report"));
    whole.insert("version".to_owned(), json!(VERSION));
    whole.insert("kind".to_owned(), json!(kind));
    whole.insert("program".to_owned(), json!(concat!("pintally ", env!("CARGO_PKG_VERSION"))));
    if let Value::Object(content) = content {
        whole.extend(content);
    }
    Value::Object(whole)
}

fn sweep(record: &SweepRecord) -> Value {
    let connector = &record.connector;
    let verdict = record.judgement.as_ref().map_or("not_judged", |judgement| match judgement.verdict {
        Verdict::Matches { .. } => "matches",
        Verdict::Differs(_) => "differs",
        Verdict::Inconclusive(_) => "inconclusive",
    });
    let readings: Vec<Value> = connector
        .pins
        .iter()
        .zip(&record.readings)
        .map(|(pin, &value)| json!({ "pin": pin.name, "reading": reading(value) }))
        .collect();
    let smallest: Vec<Value> = record
        .judgement
        .iter()
        .flat_map(|judgement| judgement.not_shown.smallest_joint.iter().enumerate())
        .filter_map(|(pin, ohms)| ohms.map(|ohms| json!({ "pin": name(connector, pin), "ohms": ohms.get() })))
        .collect();
    let not_shown = record
        .judgement
        .as_ref()
        .map_or_else(Vec::new, |judgement| words::not_shown(connector, &judgement.not_shown));
    json!({
        "board": record.board,
        "session": record.session,
        "started": record.started,
        "operator": record.operator,
        "complete": record.is_complete(),
        "swept_by": record.program,
        "log_sha256": record.fingerprint.to_string(),
        "connector": drawn(connector),
        "wiring": { "name": record.wiring.name(), "channels": record.wiring.channels() },
        "verdict": verdict,
        "judgement": record.judgement.as_ref().map(|judgement| judgement_value(connector, judgement)),
        "readings": readings,
        "not_shown": not_shown,
        "smallest_joints": smallest,
        "zero": record.zero.as_ref().map(|zero| json!({
            "measured": zero.measured,
            "paths": zero.paths.iter().map(|(channel, ohms)| json!({ "channel": channel, "ohms": ohms.get() })).collect::<Vec<_>>(),
        })),
        "conditions": words::conditions(record).into_iter().map(|(name, value)| json!({ "name": name, "value": value })).collect::<Vec<_>>(),
        "cautions": words::cautions(record),
        "repair": {
            "pins": repaired_pins(record).iter().map(|pin| json!({
                "pin": pin.pin,
                "pad": pin.noted.pad,
                "trace": pin.noted.trace,
                "jumper": pin.noted.jumper,
                "unconnected": pin.noted.unconnected,
                "note": pin.noted.note,
                "reads": pin.reads,
                "became": pin.became,
            })).collect::<Vec<_>>(),
            "checklist": record.settings.repair.checklist,
        },
        "notes": record.notes.iter().map(|note| &note.text).collect::<Vec<_>>(),
        "is_practice": record.practice.is_some(),
    })
}

fn drawn(connector: &Connector) -> Value {
    let pins: Vec<Value> = connector
        .pins
        .iter()
        .map(|pin| {
            json!({ "name": pin.name, "row": pin.row, "position": pin.position, "net": pin.net, "role": pin.role.map(|role| role.word()) })
        })
        .collect();
    json!({ "name": connector.name, "pins": pins })
}

fn batch(page: &BatchPage) -> Value {
    let (summary, boards) = (&page.summary, &page.summary.of_boards);
    json!({
        "connector": page.connector.name,
        "jig": page.jig,
        "yield": {
            "boards": boards.count.judged(),
            "sweeps": boards.sweeps,
            "matching": boards.count.matching,
            "differing": boards.count.differing,
            "inconclusive": boards.count.inconclusive,
            "misplaced": boards.count.misplaced,
            "now": boards.now.map(share),
            "at_first": boards.at_first.map(share),
        },
        "by_kind": summary.by_kind.iter().map(|by| json!({ "kind": by.kind.code(), "faults": by.faults })).collect::<Vec<_>>(),
        "by_pin": summary.by_pin.iter().map(|by| json!({ "pin": name(&page.connector, by.pin), "boards": by.boards })).collect::<Vec<_>>(),
        "notices": summary.notices.iter().map(|found| noticed(page, found)).collect::<Vec<_>>(),
        "false_alarms": { "boards_per_notice_at_least": summary.stated.run_length, "pins_charted": summary.stated.charted },
        "shift": summary.shift.points.iter().map(|(at, volts)| json!({ "after_board": at, "volts": volts })).collect::<Vec<_>>(),
        "slope": summary.slope.points.iter().map(|(at, slope)| json!({ "after_board": at, "volts_per_volt": slope })).collect::<Vec<_>>(),
        "cautions": page.cautions,
        "sweeps": page.sweeps.iter().map(|line| json!({
            "board": line.board,
            "when": line.when,
            "verdict": line.outcome.map_or("not_judged", Outcome::code),
            "what": line.what,
            "log_sha256": line.fingerprint,
        })).collect::<Vec<_>>(),
    })
}

fn share(share: Share) -> Value {
    json!({ "hits": share.hits, "trials": share.trials, "share": share.value(), "low": share.low, "high": share.high, "confidence": 0.95 })
}

fn noticed(page: &BatchPage, found: &Notice) -> Value {
    let text = notice(&page.connector, page.wiring.as_ref(), found);
    let mut value = json!({
        "after_board": found.at,
        "board": found.board,
        "when": found.when,
        "kind": found.what.code(),
        "pin": found.what.pin().map(|pin| name(&page.connector, pin)),
        "what": text.what,
        "next": text.next,
    });
    let more = match found.what {
        Suspicion::PinDrifts { by, since, chart, .. } => {
            json!({ "volts": by.get(), "since_board": since, "chart": chart.code() })
        }
        Suspicion::AllDrift { what, by, since, chart } => {
            json!({ "common": what.code(), "by": by, "since_board": since, "chart": chart.code() })
        }
        Suspicion::KeepsFailing { failed, of, chance, .. } => {
            json!({ "failed": failed, "of": of, "chance": chance })
        }
    };
    if let (Value::Object(value), Value::Object(more)) = (&mut value, more) {
        value.extend(more);
    }
    value
}

/// A number of volts, `"OL"`, or `null` where there is none.
fn reading(value: PinValue) -> Value {
    match value {
        PinValue::Volts(volts) => json!(super::json::millivolts(volts)),
        PinValue::Overload => json!("OL"),
        PinValue::Unread(_) => Value::Null,
    }
}

/// Findings of a sweep in a few words, for a list of sweeps.
#[must_use]
pub fn in_brief(record: &SweepRecord) -> String {
    let Some(judgement) = &record.judgement else { return "no reference that fits".to_owned() };
    if let Some(placement) = judgement.placement {
        return placement.to_string();
    }
    let mut parts: Vec<String> = judgement
        .findings
        .iter()
        .map(|finding| super::fault(&record.connector, finding.kind, &finding.pins))
        .collect();
    let unexplained: Vec<usize> = (0..judgement.pins.len())
        .filter(|&pin| judgement.pins[pin].verdict == crate::compare::PinVerdict::Unexplained)
        .collect();
    if !unexplained.is_empty() {
        parts.push(format!("{} unexplained", names(&record.connector, &unexplained)));
    }
    if parts.is_empty() && !judgement.verdict.matches() {
        let whole = judgement.verdict.to_string();
        return whole.split_once(": ").map_or(whole.as_str(), |(_, reason)| reason).to_owned();
    }
    parts.join("; ")
}
