//! The stored form of the header.

use protocol::Channel;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::{
    connector::{CheckChannel, Connector, Pin, PinName, Role, Wiring},
    fingerprint::Fingerprint,
    units::Ohms,
};

use super::{
    event::{Header, ReferenceSource, Zero},
    format::VERSION,
    stored::StoredZero,
};

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct StoredHeader {
    version: u32,
    program: String,
    session: String,
    started: String,
    board: Option<String>,
    operator: Option<String>,
    connector: StoredConnector,
    wiring: StoredWiring,
    profile: String,
    reference: Option<StoredReference>,
    zero: Option<StoredZero>,
    settings: Value,
    practice: Option<Value>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredConnector {
    name: String,
    pins: Vec<StoredPin>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredPin {
    name: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    row: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    position: Option<u16>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    net: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    role: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pair: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    note: Option<String>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredWiring {
    name: String,
    /// In the order of the connector's pins.
    channels: Vec<Channel>,
    check: Option<StoredCheck>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredCheck {
    channel: Channel,
    ohms: Ohms,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredReference {
    sha256: Fingerprint,
    path: Option<String>,
    text: Option<String>,
}

impl StoredHeader {
    /// Version of the log, which may be newer than this program.
    pub(super) const fn version(&self) -> u32 {
        self.version
    }
}

impl From<Header> for StoredHeader {
    fn from(header: Header) -> Self {
        let Header { program, session, started, board, operator, .. } = header;
        let connector = StoredConnector {
            name: header.connector.name,
            pins: header.connector.pins.into_iter().map(StoredPin::from).collect(),
        };
        let wiring = StoredWiring {
            name: header.wiring.name().to_owned(),
            channels: header.wiring.channels().to_vec(),
            check: header
                .wiring
                .check()
                .map(|check| StoredCheck { channel: check.channel, ohms: check.resistor }),
        };
        let reference = header.reference.map(|ReferenceSource { fingerprint, path, text }| StoredReference {
            sha256: fingerprint,
            path,
            text,
        });
        Self {
            version: VERSION,
            program,
            session,
            started,
            board,
            operator,
            connector,
            wiring,
            profile: header.profile,
            reference,
            zero: header.zero.map(StoredZero::from),
            settings: header.settings,
            practice: header.practice,
        }
    }
}

impl TryFrom<StoredHeader> for Header {
    type Error = String;

    fn try_from(stored: StoredHeader) -> Result<Self, String> {
        if stored.version == 0 {
            return Err("expected log version 1 or newer, found 0".to_owned());
        }
        let pins = stored.connector.pins.into_iter().map(Pin::try_from).collect::<Result<_, _>>()?;
        let connector =
            Connector::new(&stored.connector.name, pins).map_err(|e| format!("connector: {e}"))?;
        let StoredWiring { name, channels, check } = stored.wiring;
        let check = check.map(|check| CheckChannel { channel: check.channel, resistor: check.ohms });
        let wiring = Wiring::new(&name, &connector, channels, check).map_err(|e| format!("wiring: {e}"))?;
        let reference = stored
            .reference
            .map(|StoredReference { sha256, path, text }| match &text {
                Some(text) if Fingerprint::of(text.as_bytes()) != sha256 => {
                    Err("reference: expected a text with the fingerprint beside it, found another".to_owned())
                }
                _ => Ok(ReferenceSource { fingerprint: sha256, path, text }),
            })
            .transpose()?;
        Ok(Self {
            program: stored.program,
            session: stored.session,
            started: stored.started,
            board: stored.board,
            operator: stored.operator,
            connector,
            wiring,
            profile: stored.profile,
            reference,
            zero: stored.zero.map(Zero::from),
            settings: stored.settings,
            practice: stored.practice,
        })
    }
}

impl From<Pin> for StoredPin {
    fn from(pin: Pin) -> Self {
        Self {
            name: pin.name.as_str().to_owned(),
            row: pin.row,
            position: pin.position,
            net: pin.net,
            role: pin.role.map(|role| role.word().to_owned()),
            pair: pin.pair.map(|pair| pair.as_str().to_owned()),
            note: pin.note,
        }
    }
}

impl TryFrom<StoredPin> for Pin {
    type Error = String;

    fn try_from(stored: StoredPin) -> Result<Self, String> {
        let role = match &stored.role {
            None => None,
            Some(word) => {
                Some(Role::from_word(word).ok_or_else(|| format!("connector: unknown role {word}"))?)
            }
        };
        Ok(Self {
            name: PinName::new(&stored.name),
            row: stored.row,
            position: stored.position,
            net: stored.net,
            role,
            pair: stored.pair.as_deref().map(PinName::new),
            note: stored.note,
        })
    }
}
