//! What was observed at the present visit, and which visit comes next.

use protocol::Channel;

use super::{Conductor, GUARD_WAIT, MOST_CHECK_FAILURES, MOST_OPENINGS, Output, Phase, Stepping};
use crate::{
    connector::PinName,
    moment::Moment,
    readings::{PinValue, Unread},
    sweep::{Guard, Notice, Observation, SweepError, Target, Visit},
};

impl Conductor {
    /// Reports what was observed and moves on when a visit is over.
    pub(super) fn observe(&mut self, observations: Vec<Observation>, now: Moment) {
        for observation in observations {
            let is_taken_back = matches!(observation, Observation::TakenBack { .. });
            if self.phase == Phase::Ended || (self.phase == Phase::Closing && !is_taken_back) {
                return;
            }
            match observation {
                Observation::Began(target, channel) => self.began(target, channel, now),
                Observation::Decided(result) => {
                    self.guard = None;
                    let total = self.score.setting.plan.pins();
                    let (pin, value) = (result.pin, result.value);
                    self.out.push_back(Output::Pin(result));
                    let done = self.decided();
                    self.out.push_back(Output::Tell(Notice::Decided { pin, value, done, total }));
                    self.visit_over(now);
                }
                Observation::Alive { pin, sign } if self.score.override_alive => {
                    self.out.push_back(Output::Tell(Notice::AliveOverridden { pin, sign }));
                }
                Observation::Alive { pin, sign } => {
                    let pin = self.score.names.get(pin).cloned().unwrap_or_else(|| PinName::new("?"));
                    self.fail(SweepError::BoardAlive { pin, sign }, now);
                }
                Observation::Checked => self.visit_over(now),
                Observation::CheckFailed { expected, seen, voided } => {
                    self.check_failed(&voided, now);
                    self.out.push_back(Output::Tell(Notice::CheckFailed {
                        expected,
                        seen,
                        voided: voided.len(),
                    }));
                }
                Observation::TakenBack { pin } => self.read_again(pin),
                Observation::Guard(guard) => self.guarded(guard, now),
                Observation::Unplanned(channel) => self.strayed(channel, now),
            }
        }
    }

    fn began(&mut self, target: Target, channel: Channel, now: Moment) {
        if let Phase::Moving { visit } | Phase::Reading { visit, .. } = self.phase {
            let is_next = match self.is_walking() {
                true => self.stepped(channel, now),
                false => visit.channel == channel,
            };
            if !is_next {
                self.strayed(channel, now);
                return;
            }
            if !self.is_walking() {
                self.phase = Phase::Reading { visit, since: now };
                self.stepped = now;
            }
            let total = self.score.setting.plan.visits.len();
            self.span.get_or_insert((now, now));
            self.out.push_back(Output::Tell(Notice::Visiting { target, done: self.done, total }));
            self.ear.want(true, now);
        }
    }

    /// A pin that was decided is visited once more, before the rest. A walk does not go back.
    pub(super) fn read_again(&mut self, pin: usize) {
        let mut visits = self.score.setting.plan.visits.iter();
        let found = visits.find(|visit| visit.target == Target::Pin(pin)).copied();
        let Some(visit) = found.filter(|_| !self.is_walk()) else { return };
        self.stepping = Stepping::Direct;
        match self.phase {
            // When the switching board has done what it was asked last, which is to open every channel or to greet.
            Phase::Closing => self.phase = Phase::Moving { visit },
            _ => self.todo.push_front(visit),
        }
    }

    /// Another channel closed than the one that was asked for: nothing is read on it.
    fn strayed(&mut self, closed: Channel, now: Moment) {
        let (Phase::Moving { visit } | Phase::Reading { visit, .. }) = self.phase else { return };
        let asked = visit.channel;
        self.openings += 1;
        if self.is_walking() || self.openings > MOST_OPENINGS {
            self.fail(SweepError::OtherChannel { asked, closed }, now);
            return;
        }
        let reason =
            format!("the switching board closed channel {closed} where channel {asked} was asked for");
        self.out.push_back(Output::Tell(Notice::Resumed { reason }));
        self.step_by_step();
        self.go_again(now);
    }

    fn check_failed(&mut self, voided: &[usize], now: Moment) {
        // A walk does not go back: what is void stays so.
        if self.is_walk() {
            return;
        }
        self.check_failures += 1;
        self.stepping = Stepping::Direct;
        if self.check_failures < MOST_CHECK_FAILURES {
            if let Phase::Reading { visit, .. } = self.phase {
                self.todo.push_front(visit);
            }
            let again = self.score.setting.plan.visits.iter().rev();
            let is_void = |visit: &&Visit| matches!(visit.target, Target::Pin(pin) if voided.contains(&pin));
            for visit in again.filter(is_void) {
                self.todo.push_front(*visit);
            }
            // No pin is read again before the display has moved.
            if let Phase::Reading { visit, .. } = self.phase
                && self.observer.is_still()
            {
                self.todo.push_front(visit);
            }
        }
        self.visit_over(now);
    }

    fn guarded(&mut self, guard: Guard, now: Moment) {
        // A walk does not wait for a key to be pressed.
        if guard.ends_sweep() || (self.is_walk() && guard.blocks()) {
            self.fail(SweepError::MeterBlocked(guard), now);
            return;
        }
        if !guard.blocks() {
            // The sign of a low battery stands in every reading; once is enough.
            if !self.warned.contains(&guard) {
                self.warned.push(guard);
                self.out.push_back(Output::Tell(Notice::Guard(guard)));
            }
            return;
        }
        match self.guard {
            Some((known, since)) if known == guard => {
                if now.since(since) >= GUARD_WAIT {
                    self.fail(SweepError::MeterBlocked(guard), now);
                }
            }
            _ => {
                self.guard = Some((guard, now));
                self.out.push_back(Output::Tell(Notice::Guard(guard)));
            }
        }
    }

    /// Goes to the next visit, or repeats what did not settle, or ends.
    fn visit_over(&mut self, now: Moment) {
        if !matches!(self.phase, Phase::Reading { .. }) || self.is_walk() {
            return;
        }
        self.done += 1;
        if let Some((_, last)) = &mut self.span {
            *last = now;
        }
        if self.todo.is_empty() {
            self.repeat_unsettled();
        }
        if self.todo.is_empty() {
            self.prove();
        }
        self.check_if_still();
        match self.todo.pop_front() {
            Some(visit) => {
                if let Stepping::Plan { step } = self.stepping {
                    self.stepping = Stepping::Plan { step: step + 1 };
                }
                self.go_to(visit, now);
            }
            None => self.close(now),
        }
    }

    /// A pin that did not settle gets one more visit at the end, when all others are done.
    fn repeat_unsettled(&mut self) {
        for visit in &self.score.setting.plan.visits {
            let Target::Pin(pin) = visit.target else { continue };
            let value = self.observer.results().get(pin).and_then(Option::as_ref).map(|result| result.value);
            let is_unsettled = matches!(value, Some(PinValue::Unread(Unread::NotSettled { .. })));
            if is_unsettled && !self.repeated.contains(&pin) {
                self.repeated.push(pin);
                self.stepping = Stepping::Direct;
                self.todo.push_back(*visit);
            }
        }
    }

    /// Looks at the check channel before its turn where the display has not moved for some time.
    fn check_if_still(&mut self) {
        let is_next = self.todo.front().is_some_and(|visit| visit.target == Target::Check);
        if is_next || !self.observer.wants_check() {
            return;
        }
        let visits = &self.score.setting.plan.visits;
        if let Some(check) = visits.iter().find(|visit| visit.target == Target::Check) {
            self.stepping = Stepping::Direct;
            self.todo.push_front(*check);
        }
    }

    /// Looks at the check channel once more, after a pin that it can be told from, where the last look showed nothing.
    fn prove(&mut self) {
        let visits = &self.score.setting.plan.visits;
        let Some(check) = visits.iter().find(|visit| visit.target == Target::Check) else { return };
        let Some(wanted) = self.observer.wants_proof() else { return };
        if self.proofs >= MOST_CHECK_FAILURES {
            return;
        }
        self.proofs += 1;
        self.stepping = Stepping::Direct;
        self.todo.extend(visits.iter().find(|visit| visit.target == Target::Pin(wanted)));
        self.todo.push_back(*check);
    }
}
