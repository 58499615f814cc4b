//! The stored form of events.
//!
//! These structs are the file format; the ones in `event.rs` are what the program works with. They are
//! turned into each other by hand, so that the program can change without changing old logs.

use protocol::{BoardMessage, Channel, RequestFrame};
use serde::{Deserialize, Serialize, Serializer, ser::Error as _};
use serde_json::Value;

use crate::{
    connector::PinName,
    fingerprint::{hex, unhex},
    meter::{NoValue, Number, Sign},
    moment::Moment,
    readings::{PinValue, Unread},
    sweep::PinResult,
    units::{Amperes, Kelvin, Ohms, Volts},
};

use super::{
    event::{Conditions, Confirmation, Ending, Link, LogEvent, Zero},
    jig::{StoredFrame, StoredMessage},
    stored_header::StoredHeader,
};

/// The event of a line.
#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub(super) enum Stored {
    Header(Box<StoredHeader>),
    MeterBytes { hex: Hex },
    JigMessage(#[serde(with = "StoredMessage")] BoardMessage),
    JigNoise { what: String },
    SentToMeter { hex: Hex, asks_for_reading: bool },
    SentToJig(#[serde(with = "StoredFrame")] RequestFrame),
    Conditions(StoredConditions),
    Zero(StoredZero),
    Note { text: String },
    Override { what: String, by: String, why: String },
    Confirmed { what: StoredConfirmation, by: Option<String> },
    Measured { what: String, volts: Volts, safe: bool },
    Operator { action: String, detail: Option<String> },
    LinkLost { link: StoredLink, why: String },
    LinkRestored { link: StoredLink },
    Told { text: String },
    PinResult(StoredPinResult),
    Judgement { value: Value },
    Redacted { was: String, removed: String, by: Option<String> },
    End { how: StoredEnding, detail: Option<String> },
}

/// A number as `318e-3`, or why there is none as `OL`, `-OL` or `none`.
#[derive(Serialize, Deserialize, Clone)]
#[serde(try_from = "String", into = "String")]
struct StoredReading(Result<Number, NoValue>);

/// Bytes as hexadecimal digits.
#[derive(Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
#[derive(Clone)]
pub(super) struct Hex(Vec<u8>);

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct StoredConditions {
    temperature_kelvin: Option<Kelvin>,
    meter_current_amperes: Option<Amperes>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct StoredZero {
    measured: Option<String>,
    /// Pairs of channel and ohms.
    paths: Vec<(Channel, Ohms)>,
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum StoredConfirmation {
    BatteryOut,
    PowerOff,
    Discharged,
    StaticProtected,
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum StoredLink {
    Meter,
    Jig,
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum StoredEnding {
    Complete,
    Stopped,
    Failed,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct StoredPinResult {
    index: usize,
    pin: String,
    channel: Channel,
    #[serde(with = "StoredValue")]
    value: PinValue,
    settled_us: Moment,
    decided_us: Moment,
    spoilt: u16,
    used: Vec<StoredReading>,
    retries: u16,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "PinValue", rename_all = "snake_case")]
enum StoredValue {
    Volts(Volts),
    Overload,
    Unread(#[serde(with = "StoredUnread")] Unread),
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Unread", rename_all = "snake_case", deny_unknown_fields)]
enum StoredUnread {
    NotListed,
    Skipped,
    NoReading,
    NotSettled {
        #[serde(serialize_with = "finite")]
        slope: f64,
    },
    Voided,
}

impl From<&LogEvent> for Stored {
    fn from(event: &LogEvent) -> Self {
        match event.clone() {
            LogEvent::Header(header) => Self::Header(Box::new((*header).into())),
            LogEvent::MeterBytes { bytes } => Self::MeterBytes { hex: Hex(bytes) },
            LogEvent::JigMessage { message } => Self::JigMessage(message),
            LogEvent::JigNoise { what } => Self::JigNoise { what },
            LogEvent::SentToMeter { bytes, asks_for_reading } => {
                Self::SentToMeter { hex: Hex(bytes), asks_for_reading }
            }
            LogEvent::SentToJig { frame } => Self::SentToJig(frame),
            LogEvent::Conditions(Conditions { temperature, meter_current }) => {
                Self::Conditions(StoredConditions {
                    temperature_kelvin: temperature,
                    meter_current_amperes: meter_current,
                })
            }
            LogEvent::Zero(zero) => Self::Zero(zero.into()),
            LogEvent::Note { text } => Self::Note { text },
            LogEvent::Override { what, by, why } => Self::Override { what, by, why },
            LogEvent::Confirmed { what, by } => Self::Confirmed { what: what.into(), by },
            LogEvent::Measured { what, volts, safe } => Self::Measured { what, volts, safe },
            LogEvent::Operator { action, detail } => Self::Operator { action, detail },
            LogEvent::LinkLost { link, why } => Self::LinkLost { link: link.into(), why },
            LogEvent::LinkRestored { link } => Self::LinkRestored { link: link.into() },
            LogEvent::Told { text } => Self::Told { text },
            LogEvent::PinResult { name, result } => {
                let PinResult { pin, channel, value, settled, decided, spoilt, used, retries } = result;
                Self::PinResult(StoredPinResult {
                    index: pin,
                    pin: name.as_str().to_owned(),
                    channel,
                    value,
                    settled_us: settled,
                    decided_us: decided,
                    spoilt,
                    used: used.into_iter().map(StoredReading).collect(),
                    retries,
                })
            }
            LogEvent::Judgement { value } => Self::Judgement { value },
            LogEvent::Redacted { was, removed, by } => Self::Redacted { was, removed, by },
            LogEvent::End { how, detail } => Self::End { how: how.into(), detail },
        }
    }
}

impl TryFrom<Stored> for LogEvent {
    /// What is wrong with the content.
    type Error = String;

    fn try_from(stored: Stored) -> Result<Self, String> {
        Ok(match stored {
            Stored::Header(header) => Self::Header(Box::new((*header).try_into()?)),
            Stored::MeterBytes { hex } => Self::MeterBytes { bytes: hex.0 },
            Stored::JigMessage(message) => Self::JigMessage { message },
            Stored::JigNoise { what } => Self::JigNoise { what },
            Stored::SentToMeter { hex, asks_for_reading } => {
                Self::SentToMeter { bytes: hex.0, asks_for_reading }
            }
            Stored::SentToJig(frame) => Self::SentToJig { frame },
            Stored::Conditions(stored) => Self::Conditions(Conditions {
                temperature: stored.temperature_kelvin,
                meter_current: stored.meter_current_amperes,
            }),
            Stored::Zero(zero) => Self::Zero(zero.into()),
            Stored::Note { text } => Self::Note { text },
            Stored::Override { what, by, why } => Self::Override { what, by, why },
            Stored::Confirmed { what, by } => Self::Confirmed { what: what.into(), by },
            Stored::Measured { what, volts, safe } => Self::Measured { what, volts, safe },
            Stored::Operator { action, detail } => Self::Operator { action, detail },
            Stored::LinkLost { link, why } => Self::LinkLost { link: link.into(), why },
            Stored::LinkRestored { link } => Self::LinkRestored { link: link.into() },
            Stored::Told { text } => Self::Told { text },
            Stored::PinResult(stored) => Self::PinResult {
                name: PinName::new(&stored.pin),
                result: PinResult {
                    pin: stored.index,
                    channel: stored.channel,
                    value: stored.value,
                    settled: stored.settled_us,
                    decided: stored.decided_us,
                    spoilt: stored.spoilt,
                    used: stored.used.into_iter().map(|reading| reading.0).collect(),
                    retries: stored.retries,
                },
            },
            Stored::Judgement { value } => Self::Judgement { value },
            Stored::Redacted { was, removed, by } => Self::Redacted { was, removed, by },
            Stored::End { how, detail } => Self::End { how: how.into(), detail },
        })
    }
}

impl From<Zero> for StoredZero {
    fn from(Zero { measured, paths }: Zero) -> Self {
        Self { measured, paths }
    }
}

impl From<StoredZero> for Zero {
    fn from(StoredZero { measured, paths }: StoredZero) -> Self {
        Self { measured, paths }
    }
}

impl From<Hex> for String {
    fn from(bytes: Hex) -> Self {
        hex(&bytes.0)
    }
}

impl TryFrom<String> for Hex {
    type Error = &'static str;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        unhex(&text).map(Self).ok_or("expected pairs of hexadecimal digits in lower case")
    }
}

impl From<StoredReading> for String {
    fn from(StoredReading(reading): StoredReading) -> Self {
        match reading {
            Ok(Number { count, exponent }) => format!("{count}e{exponent}"),
            Err(NoValue::Overload(Sign::Plus)) => "OL".to_owned(),
            Err(NoValue::Overload(Sign::Minus)) => "-OL".to_owned(),
            Err(NoValue::NotMeasured) => "none".to_owned(),
        }
    }
}

impl TryFrom<String> for StoredReading {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        let reading = match text.as_str() {
            "OL" => Err(NoValue::Overload(Sign::Plus)),
            "-OL" => Err(NoValue::Overload(Sign::Minus)),
            "none" => Err(NoValue::NotMeasured),
            number => {
                let parts = number.split_once('e').and_then(|(count, exponent)| {
                    Some(Number { count: count.parse().ok()?, exponent: exponent.parse().ok()? })
                });
                Ok(parts
                    .ok_or_else(|| format!("expected a reading such as 318e-3, OL or none, found {text}"))?)
            }
        };
        Ok(Self(reading))
    }
}

/// Stored and domain enums with the same variants.
macro_rules! mirrored {
    ($domain:ident, $stored:ident: $($variant:ident),+) => {
        impl From<$domain> for $stored {
            fn from(value: $domain) -> Self {
                match value { $($domain::$variant => Self::$variant),+ }
            }
        }

        impl From<$stored> for $domain {
            fn from(value: $stored) -> Self {
                match value { $($stored::$variant => Self::$variant),+ }
            }
        }
    };
}

mirrored!(Confirmation, StoredConfirmation: BatteryOut, PowerOff, Discharged, StaticProtected);
mirrored!(Link, StoredLink: Meter, Jig);
mirrored!(Ending, StoredEnding: Complete, Stopped, Failed);

/// JSON has no NaN: without this it would silently become `null`.
#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde passes fields by reference")]
fn finite<S: Serializer>(value: &f64, serializer: S) -> Result<S::Ok, S::Error> {
    if value.is_finite() {
        serializer.serialize_f64(*value)
    } else {
        Err(S::Error::custom("expected a finite number, found NaN or infinity"))
    }
}
