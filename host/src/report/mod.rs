//! What is shown of judgements, sweeps, repairs and batches: text for a technician, JSON Lines and CSV for programs,
//! HTML, Markdown and JSON documents to keep and hand on. Pure: values go in, text comes out.

mod csv;
mod document;
mod html;
mod json;
mod markdown;
mod notice;
mod readings;
mod repair;
mod text;
mod words;

pub use csv::{CSV_HEADER, change_csv, csv, field as csv_field};
pub use document::{batch_document, change_document, in_brief, sweep_document};
pub use html::{BatchPage, SweepLine, before_and_after, customer, of_batch, of_sweep};
pub use json::json;
pub use markdown::{batch_markdown, change_markdown, sweep_markdown};
pub use notice::{NoticeText, notice};
pub use readings::{READINGS_HEADER, readings_csv, readings_json};
pub use repair::{checklist, repaired};
pub use text::text;

use crate::{
    compare::{Alternative, Check, Kind},
    connector::Connector,
};

/// Name of a pin, or its number in the list where the connector is another one.
fn name(connector: &Connector, pin: usize) -> String {
    connector.pins.get(pin).map_or_else(|| format!("#{}", pin + 1), |pin| pin.name.as_str().to_owned())
}

/// Names of pins, in a sentence.
fn names(connector: &Connector, pins: &[usize]) -> String {
    let names: Vec<String> = pins.iter().map(|&pin| name(connector, pin)).collect();
    match names.as_slice() {
        [] => String::new(),
        [one] => format!("pin {one}"),
        [first @ .., last] => format!("pins {} and {last}", first.join(", ")),
    }
}

/// What to do next, as an instruction.
fn instruction(connector: &Connector, check: &Check) -> String {
    match check {
        Check::Reflow(pin) => format!("reflow pin {} and read it again", name(connector, *pin)),
        Check::LookBetween(pins) => {
            format!("look for solder or debris between {}, clean, read again", names(connector, pins))
        }
        Check::LookForShort(pin) => {
            format!("look for solder between pin {} and ground, read again", name(connector, *pin))
        }
        Check::MeasureBehind(pin) => format!(
            "measure resistance from the contact of pin {} to the next point of its net",
            name(connector, *pin)
        ),
        Check::FollowJumpers(a, b) => {
            format!("follow the traces or jumpers of {} to their ends", names(connector, &[*a, *b]))
        }
        Check::Clean(pin) => {
            format!(
                "clean around pin {}, dry, read again; a leak that stays is a part",
                name(connector, *pin)
            )
        }
        Check::LookForPart(pin) => format!("look for the part on the net of pin {}", name(connector, *pin)),
    }
}

/// A fault in a few words: `bridge of pins 4 and 5`.
fn fault(connector: &Connector, kind: Kind, pins: &[usize]) -> String {
    let pins = names(connector, pins);
    match kind {
        Kind::Bridge => format!("bridge of {pins}"),
        Kind::Swapped => format!("{pins} swapped"),
        Kind::MissingPart => format!("missing part behind {pins}"),
        Kind::OpenJoint | Kind::ShortToGround | Kind::HighResistanceJoint | Kind::Leakage => {
            format!("{kind} at {pins}")
        }
    }
}

/// Another cause in a few words, with its probability.
fn alternative(connector: &Connector, other: &Alternative) -> String {
    format!("{} ({:.0} %)", fault(connector, other.kind, &other.pins), other.probability * 100.0)
}
