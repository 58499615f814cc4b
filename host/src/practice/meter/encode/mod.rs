//! Frames as a meter would send them, one family a file.

mod cyrustek;
mod fs9721;
mod fs9922;
mod scpi;
mod text;

use crate::meter::{DataBits, Format, Function, Profile};

/// What stands on the display.
#[derive(Debug, Clone, Copy)]
pub(super) struct Display {
    pub(super) shown: Shown,
    pub(super) function: Function,
    pub(super) hold: bool,
    pub(super) relative: bool,
    pub(super) extreme: bool,
    pub(super) auto_power_off: bool,
    pub(super) low_battery: bool,
}

/// The number on the display.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Shown {
    Count { count: i64, decimals: u8 },
    Overload { minus: bool },
}

/// The frame of a display. What a format cannot say, such as HOLD in most texts, is left out.
pub(super) fn encode(profile: &Profile, display: &Display) -> Vec<u8> {
    let is_eight_bits = profile.port.data_bits == DataBits::Eight;
    match profile.format {
        Format::Scpi => scpi::encode(display),
        Format::Fs9721 => fs9721::encode(display),
        Format::Fs9922 => fs9922::encode(display),
        Format::Es14 => cyrustek::encode14(display, is_eight_bits),
        Format::Es11 => cyrustek::encode11(display, is_eight_bits),
        Format::D14 => text::d14(display),
        Format::T16 => text::t16(display),
        Format::Tpi183 => text::tpi183(display),
        Format::Tpi196 => text::tpi196(display),
        Format::Hm8012 => text::hm8012(display),
        Format::Line => profile.line.as_ref().map_or_else(Vec::new, |line| text::line(display, line)),
    }
}

impl Shown {
    pub(super) const fn is_minus(self) -> bool {
        match self {
            Self::Count { count, .. } => count < 0,
            Self::Overload { minus } => minus,
        }
    }

    /// The digits with this many decimals, without their sign; the last is rounded away from zero at one half.
    /// `None` for an overload and for a number of more digits than the display has.
    pub(super) fn digits(self, decimals: u8, width: usize) -> Option<String> {
        let Self::Count { count, decimals: have } = self else { return None };
        let mut count = count.unsigned_abs();
        for _ in have..decimals {
            count = count.saturating_mul(10);
        }
        for _ in decimals..have {
            count = (count + 5) / 10;
        }
        let text = format!("{count:0width$}");
        (text.len() == width).then_some(text)
    }

    /// The number as text with its point, such as `-0.543`.
    pub(super) fn text(self) -> Option<String> {
        let Self::Count { count, decimals } = self else { return None };
        let decimals = usize::from(decimals);
        let digits = format!("{:0width$}", count.unsigned_abs(), width = decimals + 1);
        let (whole, fraction) = digits.split_at(digits.len() - decimals);
        let sign = if count < 0 { "-" } else { "" };
        let point = if fraction.is_empty() { "" } else { "." };
        Some(format!("{sign}{whole}{point}{fraction}"))
    }
}
