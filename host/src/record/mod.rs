//! A sweep as a record: what one session log says, distilled for the history, a batch and reports.
//!
//! Everything here follows from the lines of the log and from nothing else, so that a record made right after a
//! sweep and one made from its log years later by the same version of the program are the same. Pure: lines go in
//! one at a time ([`Recording`]), a [`SweepRecord`] comes out. This room pairs and judges nothing of its own; it
//! has the session do that again.

mod recording;

use std::{io::Read, time::Duration};

use protocol::{BoardKind, Greeting};

use crate::{
    compare::Judgement,
    connector::{Connector, Wiring},
    fingerprint::{Digested, Fingerprint, hex},
    log::{Conditions, Confirmation, Ending, LogReader, OpenError, Zero},
    meter::Profile,
    moment::Moment,
    readings::PinValue,
    session::{Checks, SessionError, Settings},
    sweep::PinResult,
    units::Volts,
};

pub use recording::Recording;

/// What one session log says. Lists of pins are in the order of the connector.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepRecord {
    /// SHA-256 of the bytes of the log.
    pub fingerprint: Fingerprint,
    /// Names the session among all others.
    pub session: String,
    /// Version of the program that wrote the log.
    pub program: String,
    /// When the session began: RFC 3339 text.
    pub started: String,
    /// Ticket number or other name of the board, if it was known.
    pub board: Option<String>,
    /// Who swept, if known.
    pub operator: Option<String>,
    /// The connector, whole.
    pub connector: Connector,
    /// The wiring: the channel of each pin.
    pub wiring: Wiring,
    /// The meter.
    pub profile: Profile,
    /// The switching board, as it introduced itself last.
    pub jig: Option<Greeting>,
    /// What the board was judged by.
    pub reference: Option<JudgedBy>,
    /// Path resistances that were taken out of the readings.
    pub zero: Option<Zero>,
    /// Conditions, as far as they are known.
    pub conditions: Conditions,
    /// Settings and assumptions.
    pub settings: Settings,
    /// What was put into the emulated bench; `None` for a real board.
    pub practice: Option<Practice>,
    /// What the meter showed.
    pub shown: Vec<PinValue>,
    /// The readings as judged: what the meter showed, less what leads, probe and switch add.
    pub readings: Vec<PinValue>,
    /// On what evidence; `None` where no visit ended.
    pub evidence: Vec<Option<PinResult>>,
    /// Pins that this version of the program pairs otherwise than the log says, by index.
    pub paired_otherwise: Vec<usize>,
    /// Pins whose raw lines are not all there, so that their result line in the log stands for them, by index.
    pub from_result_line: Vec<usize>,
    /// The judgement; `None` without a reference, or where it does not fit (see `troubles`).
    pub judgement: Option<Judgement>,
    /// The judgement as it was printed when the board was swept.
    pub printed: Option<serde_json::Value>,
    /// What was written down, in order.
    pub notes: Vec<Noted>,
    /// Checks that were overridden.
    pub overrides: Vec<Overridden>,
    /// Precautions that were confirmed before the first pin.
    pub confirmed: Vec<Confirmed>,
    /// Voltages that were measured before the first pin.
    pub measured: Vec<Measured>,
    /// What the operator did.
    pub actions: Vec<Action>,
    /// What the operator was told on the way.
    pub told: Vec<String>,
    /// What was removed from the log on request.
    pub removed: Vec<Removed>,
    /// How the sweep ended; `None` if its log was cut short.
    pub ended: Option<Ended>,
    /// From the first closed channel to the end of the last visit.
    pub took: Duration,
    /// What the check channel showed; `None` if the jig has none.
    pub checks: Option<Checks>,
    /// Lines of the log that cannot be used, and whatever else kept the record from being whole.
    pub troubles: Vec<String>,
}

/// The reference by which a board was judged.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JudgedBy {
    /// Names it by its content.
    pub fingerprint: Fingerprint,
    /// Where it was found.
    pub path: Option<String>,
    /// Known-good boards in it, where its text is in the log.
    pub known_good: Option<usize>,
}

/// What was put into an emulated bench.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Practice {
    /// Faults of the board, as they are typed: `open:A4`, ...
    pub faults: Vec<String>,
    /// Troubles of the jig: `worn:14=50`, ...
    pub jig_troubles: Vec<String>,
    /// Everything, as it stands in the log.
    pub whole: serde_json::Value,
}

/// Something that was written down.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Noted {
    /// Number of its line, which names it in this log.
    pub line: u64,
    /// When: long after the sweep, if it was added later.
    pub at: Moment,
    /// The words.
    pub text: String,
}

/// A check that was overridden.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Overridden {
    /// Which check.
    pub what: String,
    /// Who did it.
    pub by: String,
    /// Their reason.
    pub why: String,
}

/// A precaution that was confirmed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Confirmed {
    /// Which one.
    pub what: Confirmation,
    /// Who, if known.
    pub by: Option<String>,
}

/// A voltage that must not be there was looked for.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// Where.
    pub what: String,
    /// What was there.
    pub volts: Volts,
    /// Whether it was low enough to go on.
    pub safe: bool,
}

/// Something that the operator did.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Action {
    /// What.
    pub action: String,
    /// What goes with it.
    pub detail: Option<String>,
}

/// Something that was removed from the log on request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Removed {
    /// What kind of event it was.
    pub was: String,
    /// When it was removed: RFC 3339 text.
    pub removed: String,
    /// Who removed it, if known.
    pub by: Option<String>,
}

/// How a sweep ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ended {
    /// How.
    pub how: Ending,
    /// What there is to say about that.
    pub detail: Option<String>,
}

/// Why there is no record of a log.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RecordError {
    /// It cannot be read, or is no log.
    #[error(transparent)]
    Log(#[from] OpenError),
    /// Its header cannot be used.
    #[error(transparent)]
    Session(#[from] SessionError),
}

impl RecordError {
    /// What to do about it.
    #[must_use]
    pub const fn hint(&self) -> &'static str {
        match self {
            Self::Log(error) => error.hint(),
            Self::Session(_) => "read it with the version of Pintally that wrote it",
        }
    }
}

impl SweepRecord {
    /// Makes the record of a log.
    ///
    /// Lines that cannot be used are left out and told in [`troubles`](Self::troubles).
    ///
    /// # Errors
    /// [`RecordError`] if it is no log or its header cannot be used.
    pub fn read(log: impl Read) -> Result<Self, RecordError> {
        let mut bytes = Digested::new(log);
        let mut reader = LogReader::new(&mut bytes)?;
        let mut recording = Recording::new(reader.header().clone())?;
        for item in &mut reader {
            recording.item(&item);
        }
        Ok(recording.finish(bytes.fingerprint()))
    }

    /// Whether every pin was visited.
    #[must_use]
    pub fn is_complete(&self) -> bool {
        self.ended.as_ref().is_some_and(|ended| ended.how == Ending::Complete)
    }

    /// The number that the switching board carries, as hexadecimal digits; `None` if it has none of its own.
    #[must_use]
    pub fn jig_id(&self) -> Option<String> {
        let greeting = self.jig.as_ref()?;
        (greeting.unique_id != [0; 8]).then(|| hex(&greeting.unique_id))
    }

    /// What tells this jig from others: the number of its switching board, else how it switches, and the wiring.
    #[must_use]
    pub fn jig_name(&self) -> String {
        let board = self
            .jig_id()
            .unwrap_or_else(|| self.jig.map_or("unknown", |greeting| kind_word(greeting.kind)).to_owned());
        format!("{board} with wiring {}", self.wiring.name())
    }
}

/// How a switching board switches, in one word.
const fn kind_word(kind: BoardKind) -> &'static str {
    match kind {
        BoardKind::Multiplexer => "multiplexer",
        BoardKind::ShiftRegister => "shift register",
        BoardKind::Expander => "expander",
        BoardKind::Practice => "practice",
    }
}
