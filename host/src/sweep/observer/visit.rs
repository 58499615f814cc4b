//! One visit of one channel, from the moment it has settled.

use protocol::Channel;

use super::PinResult;
use crate::{
    moment::Moment,
    readings::PinValue,
    sweep::{Settling, Target, Timing, alive::AliveSign, check::Look, observer::Setting},
};

/// A channel is closed and settled, and readings are taken.
#[derive(Debug)]
pub(super) struct OpenVisit {
    pub(super) target: Target,
    pub(super) channel: Channel,
    pub(super) settled: Moment,
    /// When the switching board opens it by itself.
    ends: Option<Moment>,
    pub(super) settling: Settling,
    pub(super) spoilt: u16,
    /// For the check that closes the sweep: readings that must agree from the first on.
    closing: Option<u8>,
    pub(super) is_decided: bool,
}

impl OpenVisit {
    /// A visit without a reading.
    pub(super) fn new(
        target: Target,
        channel: Channel,
        settled: Moment,
        ends: Option<Moment>,
        closing: Option<u8>,
    ) -> Self {
        let settling = match target {
            Target::Check => Settling::of_check(),
            Target::Pin(_) => Settling::default(),
        };
        Self { target, channel, settled, ends, settling, spoilt: 0, closing, is_decided: false }
    }

    /// How many readings its step spoils. The check channel drops one fewer than the pins do, so that a lag shows
    /// there before it can reach a pin: agreement still rejects what is merely mixed.
    pub(super) const fn spoils(&self, timing: &Timing) -> u8 {
        match self.target {
            // It must agree from its first reading on, so that one must be whole.
            Target::Check if self.closing.is_some() => timing.spoilt,
            Target::Check => timing.spoilt.saturating_sub(1),
            Target::Pin(_) => timing.spoilt,
        }
    }

    /// Whether a frame that ended then may still decide it.
    pub(super) fn is_open_at(&self, moment: Moment) -> bool {
        !self.is_decided && self.ends.is_none_or(|ends| moment <= ends)
    }

    /// How many readings must agree here; one more on a line that damages frames.
    pub(super) fn timing(&self, mut timing: Timing, is_line_damaged: bool) -> Timing {
        if is_line_damaged {
            timing.agree = timing.agree.saturating_add(1);
            timing.agree_overload = timing.agree_overload.saturating_add(1);
        }
        if self.target == Target::Check {
            // The check channel is never open: overloads are readings of the pin before it, and it must notice them
            // as soon as it would notice numbers.
            timing.agree = timing.agree.max(self.closing.unwrap_or(0));
            timing.agree_overload = timing.agree;
        }
        timing
    }

    /// How the check channel was looked at.
    pub(super) fn look(&self, timing: &Timing) -> Look {
        match self.closing {
            None => Look::Passing,
            Some(_) if self.settling.taken() <= u32::from(timing.agree) => Look::Closing,
            Some(_) => Look::ClosingMixed,
        }
    }

    /// Whether what was decided at a pin shows a board that is not dead.
    pub(super) fn alive(&self, pin: usize, value: PinValue, setting: &Setting) -> Option<AliveSign> {
        let is_ground = setting.grounds.contains(&pin);
        AliveSign::of_decided(value, &self.settling, is_ground, setting.compliance)
    }

    /// What it gave for a pin, after so many visits that gave nothing.
    pub(super) fn result(&self, pin: usize, value: PinValue, decided: Moment, retries: u16) -> PinResult {
        PinResult {
            pin,
            channel: self.channel,
            value,
            settled: self.settled,
            decided,
            spoilt: self.spoilt,
            used: self.settling.recent().collect(),
            retries,
        }
    }
}
