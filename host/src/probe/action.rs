//! What the walk wants said, sounded or written down.

use protocol::{Light, Sound};

use super::Known;
use crate::{
    readings::PinValue,
    sweep::{AliveSign, Guard, PinResult},
};

/// Something that came of an input.
#[derive(Debug, Clone, PartialEq)]
pub enum Action {
    /// Touch this pin now.
    Ask {
        /// The pin, by its index.
        pin: usize,
        /// What it should read; `None` where nobody knows.
        expected: Option<PinValue>,
    },
    /// A reading was taken: write it down.
    Took {
        /// The reading and its evidence.
        result: PinResult,
        /// How it stands to what was expected.
        how: How,
    },
    /// The reading differs: touch the pin again before it counts.
    Again {
        /// The pin.
        pin: usize,
        /// What it should read.
        expected: PinValue,
        /// What was seen.
        seen: PinValue,
        /// A neighbour that the reading fits far better.
        neighbour: Option<usize>,
        /// Touches that differed so far.
        touches: usize,
    },
    /// The reading fits the pin and its neighbour alike: touch the pin again before it counts.
    Either {
        /// The pin.
        pin: usize,
        /// What was seen.
        seen: PinValue,
        /// The neighbour that it fits too.
        neighbour: usize,
        /// Touches of the pin so far that did not count; none where the doubt came later.
        touches: usize,
    },
    /// The touch never settled and is not taken.
    Unsettled {
        /// The pin.
        pin: usize,
    },
    /// Nothing shows at a pin that should read: prove the probe at a known one.
    Prove {
        /// The pin that shows nothing.
        pin: usize,
        /// Where to touch instead.
        known: Known,
        /// It was confirmed to show nothing once already, and a slip would have looked the same.
        once_more: bool,
    },
    /// What was touched is not the known pin.
    NotProof {
        /// The pin that is to be read.
        pin: usize,
        /// What was seen.
        seen: PinValue,
    },
    /// The probe reads: hold it on the pin again and confirm that nothing shows.
    Proven {
        /// The pin that shows nothing.
        pin: usize,
    },
    /// Nothing shows at the known pin either.
    Dead {
        /// Where nothing shows.
        known: Known,
    },
    /// Hold the probe on the pin a moment longer: it is being confirmed that nothing shows.
    Confirming {
        /// The pin.
        pin: usize,
    },
    /// A confirmation makes no sense while the meter shows a number.
    ShowsNumber,
    /// The latest reading was taken back.
    Undone {
        /// The pin.
        pin: usize,
    },
    /// There is nothing to take back, or no pin before.
    NothingBefore,
    /// The meter's display shows a sign that makes its readings useless.
    Guard(Guard),
    /// The sign is gone.
    GuardGone,
    /// The board shows a sign of life.
    Alive {
        /// The pin.
        pin: usize,
        /// The sign.
        sign: AliveSign,
    },
    /// The meter says nothing.
    MeterSilent {
        /// For so long.
        waited: std::time::Duration,
    },
    /// Nothing is taken until the operator goes on.
    Paused,
    /// Every pin has been read or passed over.
    Done,
}

/// How a reading that was taken stands to what was expected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum How {
    /// It is within the limits.
    Fits,
    /// It differs, in more touches than one.
    Differs,
    /// Nobody knows what to expect here.
    Unjudged,
    /// The pin was passed over.
    Skipped,
}

/// What the ear tells apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Tone {
    /// Taken: on to the next pin.
    Taken,
    /// Taken, and it differs.
    Differs,
    /// Touch again.
    Again,
    /// All pins are done.
    Done,
    /// The meter, the probe or the board needs attention.
    Trouble,
}

impl Tone {
    /// Its signal on the jig: the buzzer's patterns are those of a sweep, each with a rhythm of its own.
    #[must_use]
    pub const fn signal(self) -> (Light, Sound) {
        match self {
            Self::Taken => (Light::Ready, Sound::Ready),
            Self::Differs => (Light::Differs, Sound::Differs),
            Self::Again => (Light::Inconclusive, Sound::Inconclusive),
            Self::Done => (Light::Matches, Sound::Matches),
            Self::Trouble => (Light::Trouble, Sound::Trouble),
        }
    }
}

impl Action {
    /// The tone that goes with it, if any.
    #[must_use]
    pub const fn tone(&self) -> Option<Tone> {
        Some(match self {
            Self::Took { how: How::Differs, .. } => Tone::Differs,
            Self::Took { .. } | Self::Proven { .. } => Tone::Taken,
            Self::Again { .. }
            | Self::Either { .. }
            | Self::Unsettled { .. }
            | Self::Prove { .. }
            | Self::NotProof { .. } => Tone::Again,
            Self::Done => Tone::Done,
            Self::Guard(guard) if !guard.blocks() => return None,
            Self::Guard(_)
            | Self::Alive { .. }
            | Self::Dead { .. }
            | Self::ShowsNumber
            | Self::MeterSilent { .. } => Tone::Trouble,
            Self::Ask { .. }
            | Self::Confirming { .. }
            | Self::Undone { .. }
            | Self::NothingBefore
            | Self::GuardGone
            | Self::Paused => return None,
        })
    }
}
