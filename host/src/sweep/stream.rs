//! Which readings of a meter were converted after a given moment.
//!
//! A reading belongs to a pin only if its conversion began after the switch had settled. Nobody tells when a
//! conversion began; what is known is when the frame arrived. With `T` the time from one conversion to the
//! next, `d` the most that the system may hand bytes over late, and `n` spoilt readings after a step (the one
//! in progress among them), a frame that arrived less than `d + n·T` after the step may still show the old
//! input. Besides, `n` distinct frames are dropped whatever the clock says, so that a jittering meter is not
//! trusted early. `T` is measured from the stream itself, since profiles can be wrong.
//!
//! A meter that is asked may send an answer twice, and the second one would pass for the answer to the next
//! question, and so on for ever. So questions wait in a queue: an answer belongs to the oldest one, and what comes
//! sooner after it than a conversion takes answers nothing.

use std::{collections::VecDeque, time::Duration};

use super::{Pacing, Timing};
use crate::{
    meter::{Reading, Stamped},
    moment::Moment,
};

/// A meter's stream and what is known of its rhythm.
#[derive(Debug, Clone)]
pub struct Stream {
    timing: Timing,
    gaps: VecDeque<Duration>,
    last_frame: Option<(Moment, Reading)>,
    /// Questions without an answer yet, oldest first.
    asked: VecDeque<Moment>,
    /// The latest frame's time on the line.
    on_air: Duration,
    step: Option<Moment>,
    spoilt: u8,
    dropped: u8,
}

/// Gaps between frames that are kept to measure the period: an odd number, so that the median is one of them.
const GAPS: usize = 9;

/// Gaps that must be known before the measured period replaces the profile's.
const GAPS_NEEDED: usize = 3;

/// An answer that took so many times longer than usual is lost.
const GIVEN_UP: u32 = 4;

/// No meter lags longer: a sinc4 filter with averaging over ten conversions spoils fourteen readings.
pub(super) const MOST_SPOILT: u8 = 30;

/// What a frame is to the pin that is selected now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Belongs {
    /// Its conversion began after the step.
    Yes,
    /// It may show what was there before the step.
    Spoilt,
    /// It is the frame before once more.
    Repeated,
}

impl Stream {
    /// A stream of which nothing has been heard yet.
    #[must_use]
    pub fn new(timing: Timing) -> Self {
        Self {
            timing,
            gaps: VecDeque::with_capacity(GAPS),
            last_frame: None,
            asked: VecDeque::new(),
            on_air: Duration::ZERO,
            step: None,
            spoilt: 0,
            dropped: 0,
        }
    }

    /// The input changed and had settled at `at`; so many readings are spoilt by that.
    pub fn step(&mut self, at: Moment, spoilt: u8) {
        self.step = Some(at);
        self.spoilt = spoilt;
        self.dropped = 0;
    }

    /// The meter was asked for a reading at `at`.
    pub fn asked(&mut self, at: Moment) {
        let given_up = self.given_up();
        while self.asked.front().is_some_and(|&oldest| at.since(oldest) >= given_up) {
            self.asked.pop_front();
        }
        self.asked.push_back(at);
    }

    /// Frames or questions are missing here: the next frame is not compared with the last one.
    pub(super) fn interrupt(&mut self) {
        self.asked.clear();
        self.last_frame = None;
    }

    /// Until when the meter is still to answer a question: asking again before would put it one answer behind.
    pub(super) fn busy_until(&self) -> Option<Moment> {
        self.asked
            .back()
            .filter(|_| self.timing.pacing == Pacing::Triggered)
            .map(|asked| asked.after(self.given_up()))
    }

    /// How long an answer is waited for.
    fn given_up(&self) -> Duration {
        self.gap() * GIVEN_UP + self.timing.delivery
    }

    /// Time from one conversion to the next: measured where enough frames were heard, else the profile's.
    #[must_use]
    pub fn period(&self) -> Duration {
        if self.timing.pacing == Pacing::Streaming { self.gap() } else { self.timing.period }
    }

    /// Median of the latest gaps between frames, or of the time that a triggered meter takes to answer; the
    /// profile's period while too few are known.
    fn gap(&self) -> Duration {
        if self.gaps.len() < GAPS_NEEDED {
            return self.timing.period;
        }
        let mut sorted: Vec<Duration> = self.gaps.iter().copied().collect();
        sorted.sort_unstable();
        sorted[sorted.len() / 2]
    }

    /// Whether the period has been measured.
    #[must_use]
    pub fn is_measured(&self) -> bool {
        self.gaps.len() >= GAPS_NEEDED
    }

    /// When a reading may be believed.
    #[must_use]
    pub const fn timing(&self) -> Timing {
        self.timing
    }

    /// The check channel has shown that the meter lags more than was thought: drops as many readings more as
    /// must agree, since so many of the old input have just agreed.
    pub fn distrust(&mut self) {
        let more = self.timing.agree.max(1);
        self.timing.spoilt = self.timing.spoilt.saturating_add(more).min(MOST_SPOILT);
    }

    /// How long the latest frame was on the line.
    #[must_use]
    pub const fn on_air(&self) -> Duration {
        self.on_air
    }

    /// When the last frame came.
    #[must_use]
    pub fn last_heard(&self) -> Option<Moment> {
        self.last_frame.map(|(at, _)| at)
    }

    /// Takes a frame and tells whether it belongs to the input since the last step.
    pub(crate) fn frame(&mut self, frame: &Stamped<Reading>) -> Belongs {
        let at = frame.first_byte;
        let gap = match self.timing.pacing {
            Pacing::Triggered => self.asked.back().map(|&asked| at.since(asked)),
            Pacing::Streaming | Pacing::Polled => self.last_frame.map(|(last, _)| at.since(last)),
        };
        let question = self.asked.front().copied();
        let is_repeated = match self.timing.pacing {
            // The adapter or the meter sent one conversion twice; a copy may be damaged.
            Pacing::Streaming => gap.is_some_and(|gap| gap < self.period() / 2),
            // Asked faster than it converts, a meter sends the same conversion again.
            Pacing::Polled => question.is_none() || gap.is_some_and(|gap| gap < self.period()),
            // Nothing is converted in half a conversion's time.
            Pacing::Triggered => question.is_none_or(|asked| at.since(asked) < self.gap() / 2),
        };
        if self.timing.pacing == Pacing::Polled {
            self.asked.clear();
        }
        if let Some(gap) = gap
            && (!is_repeated || self.timing.pacing == Pacing::Triggered)
        {
            if self.gaps.len() == GAPS {
                self.gaps.pop_front();
            }
            self.gaps.push_back(gap);
        }
        if is_repeated {
            return Belongs::Repeated;
        }
        self.asked.pop_front();
        self.last_frame = Some((at, frame.item));
        self.on_air = frame.last_byte.since(frame.first_byte);

        let Some(step) = self.step else { return Belongs::Spoilt };
        if at < step {
            return Belongs::Spoilt;
        }
        let is_late_enough = match self.timing.pacing {
            Pacing::Triggered => question.is_some_and(|asked| asked >= step),
            Pacing::Streaming | Pacing::Polled => self.is_late_enough(at),
        };
        // A polled meter may be asked more often than it converts: counting its frames says nothing.
        let is_counted = self.timing.pacing == Pacing::Polled || self.dropped >= self.spoilt;
        if is_late_enough && is_counted {
            Belongs::Yes
        } else {
            self.dropped = self.dropped.saturating_add(1);
            Belongs::Spoilt
        }
    }

    /// Whether what arrives at `at` was converted after the step, by the time alone and for a meter that converts by
    /// itself.
    pub(super) fn is_late_enough(&self, at: Moment) -> bool {
        let (period, spoilt) = (self.period(), u32::from(self.spoilt));
        let wait = match self.timing.pacing {
            // What it sends may have ended a conversion's time ago, and a quarter for those that take longer.
            Pacing::Polled => period * (spoilt + 1) + period / 4,
            Pacing::Streaming | Pacing::Triggered => period * spoilt,
        };
        self.step.is_some_and(|step| at >= step.after(self.timing.delivery + wait))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::meter::{Flags, Number};

    fn timing(pacing: Pacing, spoilt: u8) -> Timing {
        Timing { pacing, spoilt, ..Timing::TEN_A_SECOND }
    }

    fn ms(value: u64) -> Moment {
        Moment::from_micros(value * 1000)
    }

    fn frame(at: Moment, count: i64) -> Stamped<Reading> {
        let reading =
            Reading { value: Ok(Number { count, exponent: -3 }), function: None, flags: Flags::default() };
        Stamped { first_byte: at, last_byte: at, item: reading }
    }

    /// Frames every 100 ms from 50 ms on; the step at `step`; which frame is the first to belong?
    fn first_belonging(spoilt: u8, step: u64) -> u64 {
        let mut stream = Stream::new(timing(Pacing::Streaming, spoilt));
        let mut stepped = false;
        for n in 0..40 {
            let at = 50 + n * 100;
            if at >= step && !stepped {
                stream.step(ms(step), spoilt);
                stepped = true;
            }
            if stream.frame(&frame(ms(at), n as i64)) == Belongs::Yes {
                return at;
            }
        }
        panic!("no frame was ever believed");
    }

    #[test]
    fn the_conversion_in_progress_is_dropped() {
        // A frame at 1050 converted from 950 to 1050. A step at 1000 spoils it; the next began at 1050.
        assert_eq!(first_belonging(1, 1000), 1150);
        // Right after a conversion ended: the next one, 1050 to 1150, is nearly whole but not whole.
        assert_eq!(first_belonging(1, 1060), 1250);
    }

    #[test]
    fn a_frame_handed_over_late_is_not_taken_for_a_new_one() {
        // The step comes 5 ms before a frame: that frame's conversion ended before, the next one was in
        // progress. Counting alone would drop the first and believe the second, whose conversion began early.
        assert_eq!(first_belonging(1, 1045), 1250);
    }

    #[test]
    fn lag_drops_more() {
        assert_eq!(first_belonging(3, 1000), 1350);
    }

    #[test]
    fn the_period_is_measured() {
        let mut stream = Stream::new(timing(Pacing::Streaming, 1));
        for n in 0..6 {
            stream.frame(&frame(ms(n * 330), n as i64));
        }
        assert_eq!(stream.period(), Duration::from_millis(330));
        // A lost frame and a doubled one do not move the median.
        stream.frame(&frame(ms(7 * 330), 9));
        stream.frame(&frame(ms(8 * 330), 10));
        stream.frame(&frame(ms(8 * 330 + 10), 10));
        assert_eq!(stream.period(), Duration::from_millis(330));
    }

    #[test]
    fn a_doubled_frame_counts_once() {
        let mut stream = Stream::new(timing(Pacing::Streaming, 2));
        for n in 0..5 {
            stream.frame(&frame(ms(n * 100), n as i64));
        }
        stream.step(ms(401), 2);
        assert_eq!(stream.frame(&frame(ms(500), 7)), Belongs::Spoilt);
        assert_eq!(stream.frame(&frame(ms(505), 7)), Belongs::Repeated);
        assert_eq!(stream.frame(&frame(ms(600), 7)), Belongs::Spoilt);
        assert_eq!(stream.frame(&frame(ms(700), 7)), Belongs::Yes);
    }

    #[test]
    fn a_triggered_meter_is_believed_when_it_was_asked_after_the_step() {
        let mut stream = Stream::new(timing(Pacing::Triggered, 0));
        stream.asked(ms(90));
        stream.step(ms(100), 0);
        assert_eq!(stream.frame(&frame(ms(190), 1)), Belongs::Spoilt);
        stream.asked(ms(191));
        assert_eq!(stream.frame(&frame(ms(291), 1)), Belongs::Yes);
    }

    /// Found by the pairing simulation: an answer sent twice passed for the answer to the next question, and every
    /// later pin of the sweep got the reading of the pin before it.
    #[test]
    fn a_doubled_answer_answers_no_other_question() {
        let mut stream = Stream::new(timing(Pacing::Triggered, 0));
        stream.step(ms(0), 0);
        stream.asked(ms(1));
        assert_eq!(stream.frame(&frame(ms(101), 1)), Belongs::Yes);
        stream.asked(ms(102));
        // The double; the conversation takes it for the answer and asks on.
        assert_eq!(stream.frame(&frame(ms(103), 1)), Belongs::Repeated);
        stream.asked(ms(104));
        stream.step(ms(110), 0);
        // The answers to the questions of 102 and 104 show the old input.
        assert_eq!(stream.frame(&frame(ms(202), 1)), Belongs::Spoilt);
        stream.asked(ms(203));
        assert_eq!(stream.frame(&frame(ms(302), 1)), Belongs::Spoilt);
        assert_eq!(stream.frame(&frame(ms(402), 2)), Belongs::Yes);
    }

    #[test]
    fn what_a_polled_meter_sends_ended_up_to_a_period_ago() {
        let mut stream = Stream::new(timing(Pacing::Polled, 1));
        stream.step(ms(0), 1);
        for (at, belongs) in [(110, Belongs::Spoilt), (215, Belongs::Spoilt), (320, Belongs::Yes)] {
            stream.asked(ms(at - 10));
            assert_eq!(stream.frame(&frame(ms(at), 1)), belongs, "{at}");
        }
    }
}
