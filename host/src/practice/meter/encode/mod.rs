//! Frames as a meter would send them, one format a file.

mod fs9721;
mod scpi;

use crate::meter::{Format, Function, Profile};

/// What stands on the display.
#[derive(Debug, Clone, Copy)]
pub(super) struct Display {
    pub(super) shown: Shown,
    pub(super) function: Function,
    pub(super) hold: bool,
    pub(super) relative: bool,
    pub(super) low_battery: bool,
}

/// The number on the display.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Shown {
    Count { count: i64, decimals: i32 },
    Overload,
}

/// The frame of a display.
pub(super) fn encode(profile: &Profile, display: &Display) -> Vec<u8> {
    match profile.format {
        Format::Scpi => scpi::encode(display),
        Format::Fs9721 => fs9721::encode(display),
    }
}

impl Shown {
    /// The count with this many decimals; the last digit is rounded away from zero at one half.
    pub(super) const fn with_decimals(self, wanted: i32) -> Option<i64> {
        let Self::Count { mut count, mut decimals } = self else { return None };
        while decimals < wanted {
            count = count.saturating_mul(10);
            decimals += 1;
        }
        while decimals > wanted {
            count = (count + 5 * count.signum()) / 10;
            decimals -= 1;
        }
        Some(count)
    }
}
