//! The same channel failing on board after board: is it the jig?
//!
//! Faults of boards fall on pins by chance; a channel that is broken fails on every board. If a pin failed as often as
//! the others do, so many failures among its latest boards would have a binomial probability; where that is too small,
//! the channel is suspected before its boards. Assumed: boards fail independently and at each pin alike. Where one pin
//! fails often for a reason on the boards (a pad that always tears), the notice comes as well, and the check that it
//! names, the shorting plate, tells the two apart.

use super::PinState;
use crate::statistics::{binomial_tail, wilson};

/// Numbers of latest boards that are looked at: a few, for a channel that breaks, and more, for one that fails now and
/// then.
const WINDOWS: [usize; 2] = [4, 12];

/// Confidence of the interval whose upper end is taken for how often other pins fail.
const CONFIDENCE: f64 = 0.95;

/// Failures of every pin.
#[derive(Debug, Clone, Default)]
pub(super) struct Channels {
    pins: Vec<Record>,
    /// Highest alarm rate, in alarms a board, for all pins.
    rate: f64,
}

#[derive(Debug, Clone, Default)]
struct Record {
    /// Whether it was noticed and has not been sound for some boards since.
    is_noticed: bool,
    /// The latest boards, the newest last: failed or not.
    latest: Vec<bool>,
    failed: u64,
    judged: u64,
}

/// A pin that keeps failing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Keeps {
    pub(super) pin: usize,
    pub(super) failed: usize,
    pub(super) of: usize,
    pub(super) chance: f64,
}

impl Channels {
    /// Watches so many pins; sound boards raise at most one alarm in `run_length`.
    pub(super) fn new(pins: usize, run_length: f64) -> Self {
        Self { pins: vec![Record::default(); pins], rate: 1.0 / run_length.max(1.0) }
    }

    /// Takes the pins of the next board.
    pub(super) fn take(&mut self, states: &[PinState]) -> Vec<Keeps> {
        for (record, state) in self.pins.iter_mut().zip(states) {
            let failed = match state {
                PinState::Sound => false,
                PinState::Faulty => true,
                PinState::Unclear => continue,
            };
            record.judged += 1;
            record.failed += u64::from(failed);
            record.latest.push(failed);
            record.is_noticed &= !record.is_sound_again();
            let longest = WINDOWS[WINDOWS.len() - 1];
            if record.latest.len() > longest {
                record.latest.remove(0);
            }
        }
        let (failed, judged) = self.pins.iter().fold((0, 0), |(f, j), pin| (f + pin.failed, j + pin.judged));
        // The rate is shared by the pins and the windows.
        let each = self.rate / (self.pins.len().max(1) * WINDOWS.len()) as f64;
        let mut found = Vec::new();
        for (pin, record) in self.pins.iter_mut().enumerate() {
            if states.get(pin) != Some(&PinState::Faulty) || record.is_noticed {
                continue;
            }
            let others = wilson(failed - record.failed, judged - record.judged, CONFIDENCE);
            let often = others.map_or(1.0, |share| share.high);
            if let Some((failed, of, chance)) = record.unlikely(often, each) {
                found.push(Keeps { pin, failed, of, chance });
                record.latest.clear();
                record.is_noticed = true;
            }
        }
        found
    }
}

impl Record {
    /// Whether the latest boards were all sound here: whatever was noticed has been seen to.
    fn is_sound_again(&self) -> bool {
        let few = WINDOWS[0];
        self.latest.len() >= few && self.latest.iter().rev().take(few).all(|&failed| !failed)
    }

    /// The least likely of the windows, if it is less likely than `rate`: failures, boards, probability.
    fn unlikely(&self, often: f64, rate: f64) -> Option<(usize, usize, f64)> {
        WINDOWS
            .iter()
            .map(|&window| {
                let of = window.min(self.latest.len());
                let failed = self.latest.iter().rev().take(of).filter(|&&failed| failed).count();
                (failed, of, binomial_tail(failed as u64, of as u64, often))
            })
            .filter(|&(.., chance)| chance <= rate)
            .min_by(|a, b| a.2.total_cmp(&b.2))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Boards of 40 pins until the first notice: `fails(board, pin)`.
    fn first(fails: impl Fn(usize, usize) -> bool) -> Option<(usize, Keeps)> {
        let mut channels = Channels::new(40, 4000.0);
        (1..=200).find_map(|board| {
            let states: Vec<PinState> = (0..40)
                .map(|pin| if fails(board, pin) { PinState::Faulty } else { PinState::Sound })
                .collect();
            channels.take(&states).first().map(|&keeps| (board, keeps))
        })
    }

    #[test]
    fn a_channel_that_breaks_is_suspected_within_four_boards() {
        let (board, keeps) = first(|board, pin| pin == 7 && board > 100).unwrap();
        assert_eq!((keeps.pin, board <= 104), (7, true), "board {board}, {keeps:?}");
    }

    #[test]
    fn a_new_jig_with_a_dead_channel_is_suspected_at_once() {
        let (board, keeps) = first(|_, pin| pin == 7).unwrap();
        assert_eq!((board, keeps.failed, keeps.of), (4, 4, 4));
    }

    #[test]
    fn faults_that_wander_over_the_pins_suspect_nothing() {
        // One pin of every board, each in turn.
        assert_eq!(first(|board, pin| pin == board % 40), None);
    }
}
