//! What can happen during a session.

use protocol::{BoardMessage, Channel, RequestFrame};
use serde_json::Value;

use crate::{
    connector::{Connector, PinName, Wiring},
    fingerprint::Fingerprint,
    moment::Moment,
    sweep::{Device, PinResult, Record},
    units::{Amperes, Kelvin, Ohms, Volts},
};

/// An event with its number and time.
#[derive(Debug, Clone, PartialEq)]
pub struct LogLine {
    /// Counts from 1; the header has 1.
    pub number: u64,
    /// When it happened.
    pub at: Moment,
    /// What happened.
    pub event: LogEvent,
}

/// Something that happened during a session.
///
/// The events that a replay feeds to the pairing, in the order and at the times of the live run, are what was
/// heard and sent ([`MeterBytes`](Self::MeterBytes), [`JigMessage`](Self::JigMessage),
/// [`SentToMeter`](Self::SentToMeter), [`SentToJig`](Self::SentToJig)) and what the operator did
/// ([`Operator`](Self::Operator)); all others tell under which conditions that was, and what came of it.
#[derive(Debug, Clone, PartialEq)]
pub enum LogEvent {
    /// Opens the log: what is swept, with what, and how it will be judged.
    Header(Box<Header>),
    /// The meter sent these bytes; the time is that of their arrival.
    MeterBytes {
        /// Exactly as they came.
        bytes: Vec<u8>,
    },
    /// The switching board sent a message.
    JigMessage {
        /// The message, with the time of the switching board's own clock.
        message: BoardMessage,
    },
    /// Bytes came from the switching board that were no message.
    JigNoise {
        /// What was wrong with them.
        what: String,
    },
    /// These bytes were sent to the meter.
    SentToMeter {
        /// Exactly as they went.
        bytes: Vec<u8>,
        /// Whether the meter begins a conversion, or sends its latest, because of them.
        asks_for_reading: bool,
    },
    /// A request was sent to the switching board.
    SentToJig {
        /// The request with its number.
        frame: RequestFrame,
    },
    /// The conditions are known, or have changed.
    Conditions(Conditions),
    /// The path resistances were measured on a shorting plate.
    Zero(Zero),
    /// Somebody wrote something down.
    Note {
        /// What they wrote.
        text: String,
    },
    /// Somebody overrode a check. The report shows it.
    Override {
        /// Which check.
        what: String,
        /// Who.
        by: String,
        /// Their reason.
        why: String,
    },
    /// Before the first pin: the operator confirmed a precaution.
    Confirmed {
        /// Which one.
        what: Confirmation,
        /// Who, if known.
        by: Option<String>,
    },
    /// Before the first pin: a voltage was measured that must not be there.
    Measured {
        /// Where: a pin, or the common line of the switching board.
        what: String,
        /// What was there.
        volts: Volts,
        /// Whether it was low enough to go on.
        safe: bool,
    },
    /// The operator did something that the sweep acts on.
    Operator {
        /// What, in the words of the sweep: `start`, `skip`, `repeat`, ...
        action: String,
        /// What goes with it: the pin, or the name that was typed or scanned.
        detail: Option<String>,
    },
    /// A device does not answer any more.
    LinkLost {
        /// Which one.
        link: Link,
        /// How that showed.
        why: String,
    },
    /// A device is back.
    LinkRestored {
        /// Which one.
        link: Link,
    },
    /// The operator was told something.
    Told {
        /// As it was shown.
        text: String,
    },
    /// A pin is done.
    PinResult {
        /// The pin.
        name: PinName,
        /// What was read, and on what evidence.
        result: PinResult,
    },
    /// The board was judged.
    Judgement {
        /// The judgement as it was printed.
        value: Value,
    },
    /// Stands in place of an event that was removed on request.
    Redacted {
        /// What kind of event it was: `note`, ...
        was: String,
        /// When it was removed: RFC 3339 text.
        removed: String,
        /// Who removed it, if known.
        by: Option<String>,
    },
    /// The session is over. A log without it was cut short.
    End {
        /// How it ended.
        how: Ending,
        /// What there is to say about that.
        detail: Option<String>,
    },
}

/// What is swept, with what, and how it will be judged: all that an exact replay needs besides the events.
#[derive(Debug, Clone, PartialEq)]
pub struct Header {
    /// Version of the program that wrote the log.
    pub program: String,
    /// Names this session among all others.
    pub session: String,
    /// When the session began, on the wall clock: RFC 3339 text.
    pub started: String,
    /// Ticket number or other name of the board, if it was known then.
    pub board: Option<String>,
    /// Who swept, if known.
    pub operator: Option<String>,
    /// The connector, whole.
    pub connector: Connector,
    /// The wiring, whole.
    pub wiring: Wiring,
    /// The profile of the meter: TOML text.
    pub profile: String,
    /// The reference, if the board was to be judged.
    pub reference: Option<ReferenceSource>,
    /// Path resistances measured before the session, if they were.
    pub zero: Option<Zero>,
    /// Settings and assumptions.
    pub settings: Value,
    /// The emulated bench with its faults, if this is no real board.
    pub practice: Option<Value>,
}

/// The reference by which a board was judged.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReferenceSource {
    /// Names it by its content.
    pub fingerprint: Fingerprint,
    /// Where it was found.
    pub path: Option<String>,
    /// Its whole text; where it is there, its fingerprint is `fingerprint`.
    pub text: Option<String>,
}

/// Conditions of a measurement, as far as they are known.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Conditions {
    /// Temperature of the board.
    pub temperature: Option<Kelvin>,
    /// Current that the meter drives into a short in diode test.
    pub meter_current: Option<Amperes>,
}

/// Resistances of the paths through leads, probe and switch, measured on a shorting plate.
#[derive(Debug, Clone, PartialEq)]
pub struct Zero {
    /// When they were measured: RFC 3339 text, if known.
    pub measured: Option<String>,
    /// One resistance a channel.
    pub paths: Vec<(Channel, Ohms)>,
}

/// A precaution that the operator confirms before the meter is connected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Confirmation {
    /// The battery is disconnected.
    BatteryOut,
    /// External power is disconnected.
    PowerOff,
    /// Stored charge is drained.
    Discharged,
    /// Person, mat and jig are protected against static discharge.
    StaticProtected,
}

/// A device at the end of a cable.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Link {
    /// The meter.
    Meter,
    /// The switching board.
    Jig,
}

/// How a session ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Ending {
    /// Every pin was visited.
    Complete,
    /// The operator stopped it.
    Stopped,
    /// Something failed.
    Failed,
}

impl From<Device> for Link {
    fn from(device: Device) -> Self {
        match device {
            Device::Jig => Self::Jig,
            Device::Meter => Self::Meter,
        }
    }
}

impl From<Link> for Device {
    fn from(link: Link) -> Self {
        match link {
            Link::Jig => Self::Jig,
            Link::Meter => Self::Meter,
        }
    }
}

impl LogEvent {
    /// The event of a live sweep; `None` where it follows from others. `names` are those of the connector's pins.
    #[must_use]
    pub fn of(record: Record<'_>, names: &[PinName]) -> Option<Self> {
        Some(match record {
            Record::MeterBytes(bytes) => Self::MeterBytes { bytes: bytes.to_vec() },
            Record::Jig(message) => Self::JigMessage { message: message.clone() },
            Record::JigDamaged(what) => Self::JigNoise { what: what.to_owned() },
            Record::SentToJig(frame) => Self::SentToJig { frame: frame.clone() },
            Record::SentToMeter { bytes, asks_for_reading } => {
                Self::SentToMeter { bytes: bytes.to_vec(), asks_for_reading }
            }
            Record::Told(notice) if notice.is_progress() => return None,
            Record::Told(notice) => Self::Told { text: notice.to_string() },
            Record::Operator { action, detail } => {
                Self::Operator { action: action.to_owned(), detail: detail.map(str::to_owned) }
            }
            Record::Said(text) => Self::Told { text: text.to_owned() },
            Record::Pin(result) => {
                let name = names.get(result.pin).cloned().unwrap_or_else(|| PinName::new("?"));
                Self::PinResult { name, result: result.clone() }
            }
            Record::LinkLost { device, why } => Self::LinkLost { link: device.into(), why: why.to_owned() },
            Record::LinkRestored(device) => Self::LinkRestored { link: device.into() },
        })
    }

    /// The name under which the event is stored.
    #[must_use]
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::Header(_) => "header",
            Self::MeterBytes { .. } => "meter_bytes",
            Self::JigMessage { .. } => "jig_message",
            Self::JigNoise { .. } => "jig_noise",
            Self::SentToMeter { .. } => "sent_to_meter",
            Self::SentToJig { .. } => "sent_to_jig",
            Self::Conditions(_) => "conditions",
            Self::Zero(_) => "zero",
            Self::Note { .. } => "note",
            Self::Override { .. } => "override",
            Self::Confirmed { .. } => "confirmed",
            Self::Measured { .. } => "measured",
            Self::Operator { .. } => "operator",
            Self::LinkLost { .. } => "link_lost",
            Self::LinkRestored { .. } => "link_restored",
            Self::Told { .. } => "told",
            Self::PinResult { .. } => "pin_result",
            Self::Judgement { .. } => "judgement",
            Self::Redacted { .. } => "redacted",
            Self::End { .. } => "end",
        }
    }
}
