//! Whether a charge goes away through the bleed resistor, whoever measures it: the sense input before the meter is
//! connected, or the meter itself in DC volts.

use crate::units::Volts;

/// More than this is refused (docs/facts.md 2.5).
pub const LIMIT: Volts = Volts::of(0.050);

/// More than this is not bled: at 5.5 V 330 Ω take 17 mA, which every switch of the guide bears; what is above belongs into
/// the hands of the operator.
pub const MOST_TO_BLEED: Volts = Volts::of(5.5);

/// One closing on the bleed resistor, in µs: 100 µF go from 5 V to 50 mV in 0.15 s through 330 Ω (docs/facts.md 4).
pub const HOLD_US: u32 = 200_000;

/// So often a channel is bled: 6 s are 1000 µF from 5 V to 50 mV four times over.
pub const MOST_BLEEDS: u32 = 30;

/// A charge falls by 45 % in a hold of 200 ms at 1000 µF; what falls by less in three of them is fed from somewhere.
const FALLS: f64 = 0.9;

/// Voltages of one channel, each but the first after one bleed more.
#[derive(Debug, Clone, Default)]
pub struct Bleeding {
    row: Vec<Volts>,
}

/// What a measured voltage means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outlook {
    /// A meter in diode test may be connected.
    Safe,
    /// Bleed, then measure again.
    Bleed,
    /// More than may be bled.
    TooMuch,
    /// It does not fall: something feeds it.
    Fed,
    /// It falls too slowly, or there is nothing to bleed it with.
    Charged,
}

impl Bleeding {
    /// Takes what was measured.
    pub fn measured(&mut self, volts: Volts, has_bleed: bool) -> Outlook {
        self.row.push(volts);
        let size = volts.get().abs();
        let stays = match self.row.as_slice() {
            [.., before, _, _, _] => size > FALLS * before.get().abs(),
            _ => false,
        };
        if is_safe(volts) {
            Outlook::Safe
        } else if size > MOST_TO_BLEED.get() {
            Outlook::TooMuch
        } else if stays {
            Outlook::Fed
        } else if !has_bleed || self.bleeds() >= MOST_BLEEDS {
            Outlook::Charged
        } else {
            Outlook::Bleed
        }
    }

    /// How often it was bled before the latest measurement.
    #[must_use]
    pub fn bleeds(&self) -> u32 {
        u32::try_from(self.row.len().saturating_sub(1)).unwrap_or(u32::MAX)
    }
}

/// Whether a meter in diode test may be connected to this voltage.
#[must_use]
pub const fn is_safe(volts: Volts) -> bool {
    volts.get().abs() <= LIMIT.get()
}
