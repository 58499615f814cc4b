//! What the switching board is asked for: the plan, the next channel, and the end.

use std::time::Duration;

use protocol::{Pace, Request, RequestFrame};

use super::{Conductor, Output, Phase, Stepping};
use crate::{
    moment::Moment,
    sweep::{SweepError, Visit},
};

impl Conductor {
    /// Begins, or goes on, once the switching board has answered and the meter can be read.
    pub(super) fn begin_if_prepared(&mut self, now: Moment) {
        if self.phase == (Phase::Preparing { greeted: true, meter_ready: true }) && !self.client.is_waiting()
        {
            match self.stepping {
                Stepping::Plan { .. } | Stepping::Dwell => self.load(0, now),
                Stepping::Direct => self.start(now),
            }
        }
    }

    /// Hands over the plan from this step on, or starts it if all is loaded.
    pub(super) fn load(&mut self, first: usize, now: Moment) {
        let visits = &self.score.setting.plan.visits;
        if first >= visits.len() {
            self.start(now);
            return;
        }
        let channels =
            visits.iter().skip(first).take(protocol::PLAN_CHUNK).map(|visit| visit.channel).collect();
        self.phase = Phase::Loading { first };
        self.ask(Request::LoadPlan { first: first as u16, channels }, now);
    }

    /// Goes to the first visit that is left.
    pub(super) fn start(&mut self, now: Moment) {
        match self.todo.pop_front() {
            Some(visit) => self.go_to(visit, now),
            None => self.close(now),
        }
    }

    /// Asks once more for the channel that was asked for.
    pub(super) fn go_again(&mut self, now: Moment) {
        match self.phase {
            // With the lid still open this is refused, and the lid waited for again.
            Phase::Moving { visit } | Phase::Reading { visit, .. } | Phase::LidOpen { visit } => {
                self.go_to(visit, now);
            }
            Phase::Loading { .. } => self.start(now),
            Phase::Closing => self.close(now),
            Phase::Preparing { .. } => self.begin_if_prepared(now),
            // Nothing is asked for before the device is back, or any more.
            Phase::Away(_) | Phase::Ended => {}
        }
    }

    /// Asks for the channel of a visit.
    pub(super) fn go_to(&mut self, visit: Visit, now: Moment) {
        self.ear.want(false, now);
        self.phase = Phase::Moving { visit };
        let micros = |time: Duration| u32::try_from(time.as_micros()).unwrap_or(u32::MAX);
        let settle_us = micros(self.score.settle);
        let steps = self.score.setting.plan.visits.len() as u16;
        let request = match self.stepping {
            Stepping::Plan { step: 0 } => Request::Start { steps, settle_us, pace: Pace::Advance },
            Stepping::Dwell => {
                let dwell_us = self.score.dwell.map_or(0, micros);
                Request::Start { steps, settle_us, pace: Pace::Dwell { dwell_us } }
            }
            Stepping::Plan { step } => Request::Advance { step },
            Stepping::Direct => Request::Select { channel: visit.channel, settle_us },
        };
        self.ask(request, now);
    }

    /// Has every channel opened after the last visit.
    pub(super) fn close(&mut self, now: Moment) {
        self.phase = Phase::Closing;
        self.ask(Request::OpenAll, now);
    }

    /// Ends early: what was asked is taken back, and every channel opened if anybody still listens.
    pub(super) fn fail(&mut self, error: SweepError, now: Moment) {
        if self.is_over() {
            return;
        }
        // The switching board also opens by itself when it hears nothing more.
        self.ask(Request::OpenAll, now);
        self.end(Err(error));
    }

    pub(super) fn end(&mut self, result: Result<(), SweepError>) {
        if self.is_over() {
            return;
        }
        for message in self.ear.leave() {
            self.out.push_back(Output::ToMeter { bytes: message.bytes, asks_for_reading: false });
        }
        self.phase = Phase::Ended;
        self.out.push_back(Output::Ended(result));
    }

    pub(super) fn ask(&mut self, request: Request, now: Moment) {
        let frame = self.client.send(request, now);
        self.say(frame, now);
    }

    pub(super) fn say(&mut self, frame: RequestFrame, now: Moment) {
        self.observer.sent_to_jig(&frame, now);
        self.out.push_back(Output::ToJig(frame));
    }
}
