//! A walk at a fixed dwell: the switching board goes on by itself, and every pin is left when its time is over,
//! decided or not. What a sweep looks after, a walk does too; but it cannot wait or go back, so that what makes a
//! sweep wait ends a walk.

use std::time::Duration;

use protocol::{Channel, Fault, OpenReason};

use super::{Conductor, Output, Phase, Stepping};
use crate::{
    moment::Moment,
    readings::{PinValue, Unread},
    sweep::SweepError,
};

/// How much later than twice its time a step may be told: the line and this computer.
const LATE: Duration = Duration::from_secs(1);

impl Conductor {
    /// Whether the switching board walks alone, and is on its way.
    pub(super) fn is_walking(&self) -> bool {
        self.is_walk() && matches!(self.phase, Phase::Reading { .. })
    }

    /// Whether the switching board is to walk alone.
    pub(super) const fn is_walk(&self) -> bool {
        matches!(self.stepping, Stepping::Dwell)
    }

    /// From here on one by one; a walk stays one.
    pub(super) fn step_by_step(&mut self) {
        if !self.is_walk() {
            self.stepping = Stepping::Direct;
        }
    }

    /// The next channel of the walk is closed. False for one that does not lie ahead.
    pub(super) fn stepped(&mut self, channel: Channel, now: Moment) -> bool {
        let Some(ahead) = self.todo.iter().position(|visit| visit.channel == channel) else { return false };
        // What was told of the steps between is lost, and their pins have no reading.
        self.todo.drain(..ahead);
        let Some(visit) = self.todo.pop_front() else { return false };
        self.done += 1 + ahead;
        if let Phase::Reading { since, .. } = self.phase {
            // The meter's silence is measured over the whole walk.
            self.phase = Phase::Reading { visit, since };
        }
        self.stepped = now;
        true
    }

    /// The switching board has opened every channel while it walked.
    pub(super) fn walk_opened(&mut self, reason: OpenReason, now: Moment) {
        match reason {
            OpenReason::PlanEnded => self.walk_over(now),
            reason => self.fail(SweepError::WalkCut { reason }, now),
        }
    }

    /// Whether the next step, or the end, should long have been told.
    pub(super) fn watch_walk(&mut self, now: Moment) {
        let Some(dwell) = self.score.dwell.filter(|_| self.is_walking()) else { return };
        let step = dwell + self.score.settle + self.switch;
        if now.since(self.stepped) <= step * 2 + LATE {
            return;
        }
        if self.todo.is_empty() {
            // Its word for the end was lost.
            self.walk_over(now);
        } else {
            let port = self.score.jig_port.clone();
            let what = "expected it to walk to the end of its plan, found it still on the way".to_owned();
            self.fail(SweepError::JigSilent { port, what }, now);
        }
    }

    /// What the switching board refuses of a walk that has not begun: a plan that it has lost is handed over again.
    pub(super) fn walk_refused(&mut self, what: String, fault: Fault, now: Moment) {
        if let (Fault::NoPlan | Fault::PlanMismatch { .. } | Fault::PlanGap { .. }, Phase::Moving { visit }) =
            (fault, self.phase)
            && self.openings > 0
        {
            self.todo.push_front(visit);
            self.load(0, now);
            return;
        }
        self.fail(SweepError::JigRefused { what, fault }, now);
    }

    fn walk_over(&mut self, now: Moment) {
        self.done += 1;
        if let Some((_, last)) = &mut self.span {
            *last = now;
        }
        // Every channel is open, so that the last visit is over.
        self.close(now);
        let is_undecided = |value| matches!(value, PinValue::Unread(unread) if unread != Unread::Voided);
        let undecided = self.observer.results().iter().flatten().filter(|result| is_undecided(result.value));
        self.out.extend(undecided.cloned().map(Output::Pin).collect::<Vec<_>>());
    }
}
