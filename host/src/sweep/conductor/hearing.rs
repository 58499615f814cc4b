//! The meter as the conductor hears it: whether it is ready, silent, or sends what nobody understands.

use super::{Conductor, Output, Phase, RATE_TOLERANCE};
use crate::{
    moment::Moment,
    sweep::{
        Guard, Notice, Pacing, SweepError,
        ear::{Message, Oddity},
    },
};

impl Conductor {
    pub(super) fn odd(&mut self, oddities: Vec<Oddity>, now: Moment) {
        for oddity in oddities {
            match oddity {
                Oddity::Noise(problem) => self.out.push_back(Output::Tell(Notice::MeterNoise(problem))),
                Oddity::Trouble(problem) => {
                    let port = self.score.meter_port.clone();
                    self.fail(SweepError::MeterUnreadable { port, problem }, now);
                }
            }
        }
    }

    /// Whether the meter has been silent for too long.
    pub(super) fn listen(&mut self, now: Moment) {
        let since = match self.phase {
            Phase::Preparing { meter_ready: false, .. } => self.started,
            Phase::Reading { since, .. } => since,
            _ => return,
        };
        let heard = self.observer.stream().last_heard().unwrap_or(since).max(since);
        let waited = now.since(heard);
        if waited >= self.score.setting.timing.silence {
            let port = self.score.meter_port.clone();
            let error = match self.ear.problem() {
                Some(problem) => SweepError::MeterUnreadable { port, problem },
                None if self.observer.stream().last_heard().is_some() => {
                    let was_announced = self.warned.contains(&Guard::AutoPowerOff);
                    SweepError::MeterStopped { port, waited, was_announced }
                }
                None => SweepError::MeterSilent { port, waited },
            };
            self.fail(error, now);
        }
    }

    pub(super) fn meter_prepared(&mut self, now: Moment) {
        let Phase::Preparing { greeted, meter_ready: false } = self.phase else { return };
        let stream = self.observer.stream();
        let is_ready = match self.score.setting.timing.pacing {
            Pacing::Streaming => stream.is_measured(),
            Pacing::Polled | Pacing::Triggered => self.ear.is_ready(),
        };
        if !is_ready {
            return;
        }
        let (expected, found) = (self.score.setting.timing.period, stream.period());
        let identity = self.ear.identity();
        self.out.push_back(Output::Tell(Notice::MeterReady { identity, period: found }));
        if (found.as_secs_f64() / expected.as_secs_f64() - 1.0).abs() > RATE_TOLERANCE {
            self.out.push_back(Output::Tell(Notice::OtherRate { expected, found }));
        }
        self.phase = Phase::Preparing { greeted, meter_ready: true };
        self.begin_if_prepared(now);
    }

    /// Sends what the meter's side wants to say.
    pub(super) fn flush_ear(&mut self, now: Moment) {
        if self.is_over() {
            return;
        }
        while let Some(message) = self.ear.next_output() {
            if message.asks_for_reading {
                self.observer.asked_meter(now);
                self.question = u32::try_from(message.bytes.len()).unwrap_or(u32::MAX);
            }
            let Message { bytes, asks_for_reading } = message;
            self.out.push_back(Output::ToMeter { bytes, asks_for_reading });
        }
    }
}
