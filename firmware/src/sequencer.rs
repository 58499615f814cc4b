//! What is closed and when: requests and time in, movements of the contacts and messages out.
//!
//! One request at a time is under way; a later one takes its place. Every request is answered exactly
//! once, here or in [`board`](crate::Board), on each way out of each state.

use heapless::Vec;
use protocol::{Answer, BoardMessage, Channel, Event, Fault, OpenReason, PLAN_CHUNK, PLAN_STEPS, Pace};

use crate::Switch;
use crate::contacts::{Contacts, NotClosed};

/// Steps through channels.
#[derive(Debug)]
pub(crate) struct Sequencer<S> {
    contacts: Contacts<S>,
    state: State,
    plan: Vec<Channel, PLAN_STEPS>,
}

/// Where the sequencer is. The contacts know what is closed; this knows why.
#[derive(Debug, Clone, Copy)]
enum State {
    /// Nothing is under way and no plan runs; every channel is open.
    Open,
    /// Every channel is open until the break is over.
    Breaking(Goal),
    /// The channel is closed until its contact has settled.
    Settling(Goal),
    /// The channel is closed and settled.
    Settled { channel: Channel, at_us: u64, run: Option<Run> },
    /// The channel is closed with the bleed resistor on; the hold begins with the next reading of the
    /// clock.
    Bleeding { seq: u16, hold_us: u32, since_us: Option<u64> },
}

/// A channel to be closed, and what for.
#[derive(Debug, Clone, Copy)]
struct Goal {
    channel: Channel,
    settle_us: u32,
    /// The request that waits for it; `None` for the later steps of a plan with fixed dwell.
    waiting: Option<u16>,
    purpose: Purpose,
}

#[derive(Debug, Clone, Copy)]
enum Purpose {
    Select,
    Step(Run),
    Bleed { hold_us: u32 },
}

/// A running plan.
#[derive(Debug, Clone, Copy)]
struct Run {
    step: u16,
    settle_us: u32,
    pace: Pace,
}

impl<S: Switch> Sequencer<S> {
    pub(crate) fn new(switch: S) -> Self {
        Self { contacts: Contacts::new(switch), state: State::Open, plan: Vec::new() }
    }

    /// Opens every channel, ends the plan and forgets it: a conversation begins.
    pub(crate) fn reset(&mut self, now_us: u64, say: &mut impl FnMut(BoardMessage)) {
        self.supersede(now_us, say);
        self.open();
        self.plan.clear();
    }

    /// `OpenAll`.
    pub(crate) fn open_all(&mut self, seq: u16, now_us: u64, say: &mut impl FnMut(BoardMessage)) {
        self.supersede(now_us, say);
        let answer = if self.open() { Answer::Opened } else { Answer::Refused(Fault::SwitchFault) };
        say(BoardMessage::Answer { seq, at_us: now_us, answer });
    }

    /// `Select`.
    ///
    /// # Errors
    ///
    /// Why it is refused; the caller answers.
    pub(crate) fn select(
        &mut self,
        seq: u16,
        channel: Channel,
        settle_us: u32,
        now_us: u64,
        say: &mut impl FnMut(BoardMessage),
    ) -> Result<(), Fault> {
        self.in_range(channel)?;
        self.supersede(now_us, say);
        self.approach(Goal { channel, settle_us, waiting: Some(seq), purpose: Purpose::Select })
    }

    /// `LoadPlan`. Gives the number of steps loaded.
    ///
    /// # Errors
    ///
    /// Why it is refused; the caller answers.
    pub(crate) fn load_plan(
        &mut self,
        first: u16,
        channels: &Vec<Channel, PLAN_CHUNK>,
        now_us: u64,
        say: &mut impl FnMut(BoardMessage),
    ) -> Result<u16, Fault> {
        self.supersede(now_us, say);
        if !self.open() {
            return Err(Fault::SwitchFault);
        }
        if first == 0 {
            self.plan.clear();
        } else if first != self.steps() {
            return Err(Fault::PlanGap { expected: self.steps() });
        }
        for &channel in channels {
            self.in_range(channel)?;
        }
        self.plan
            .extend_from_slice(channels)
            .map_err(|_| Fault::PlanTooLong { capacity: PLAN_STEPS as u16 })?;
        Ok(self.steps())
    }

    /// `Start`.
    ///
    /// # Errors
    ///
    /// Why it is refused; the caller answers.
    pub(crate) fn start(
        &mut self,
        seq: u16,
        steps: u16,
        settle_us: u32,
        pace: Pace,
        now_us: u64,
        say: &mut impl FnMut(BoardMessage),
    ) -> Result<(), Fault> {
        if steps != self.steps() || self.plan.is_empty() {
            return Err(Fault::PlanMismatch { loaded: self.steps() });
        }
        self.supersede(now_us, say);
        self.approach_step(Run { step: 0, settle_us, pace }, Some(seq))
    }

    /// `Advance`.
    ///
    /// # Errors
    ///
    /// Why it is refused; the caller answers.
    pub(crate) fn advance(
        &mut self,
        seq: u16,
        step: u16,
        now_us: u64,
        say: &mut impl FnMut(BoardMessage),
    ) -> Result<(), Fault> {
        let run = self.run().filter(|run| run.pace == Pace::Advance).ok_or(Fault::NoPlan)?;
        let next = run.step.saturating_add(1);
        if step == run.step {
            self.supersede(now_us, say);
            match &mut self.state {
                // Asked again because the answer was lost: the same answer, with the same time.
                State::Settled { channel, at_us, .. } => {
                    let answer = Answer::Settled { step: Some(step), channel: *channel };
                    say(BoardMessage::Answer { seq, at_us: *at_us, answer });
                }
                State::Breaking(goal) | State::Settling(goal) => goal.waiting = Some(seq),
                State::Open | State::Bleeding { .. } => return Err(Fault::NoPlan),
            }
            Ok(())
        } else if step == next {
            self.supersede(now_us, say);
            if step < self.steps() {
                return self.approach_step(Run { step, ..run }, Some(seq));
            }
            if !self.open() {
                return Err(Fault::SwitchFault);
            }
            say(BoardMessage::Answer { seq, at_us: now_us, answer: Answer::PlanEnded });
            Ok(())
        } else {
            Err(Fault::WrongStep { expected: next })
        }
    }

    /// `Bleed`.
    ///
    /// # Errors
    ///
    /// Why it is refused; the caller answers.
    pub(crate) fn bleed(
        &mut self,
        seq: u16,
        channel: Channel,
        hold_us: u32,
        now_us: u64,
        say: &mut impl FnMut(BoardMessage),
    ) -> Result<(), Fault> {
        self.in_range(channel)?;
        self.supersede(now_us, say);
        let purpose = Purpose::Bleed { hold_us };
        self.approach(Goal { channel, settle_us: 0, waiting: Some(seq), purpose })
    }

    /// Opens every channel because something is wrong, and tells the host if anything was under way.
    pub(crate) fn open_for(&mut self, reason: OpenReason, now_us: u64, say: &mut impl FnMut(BoardMessage)) {
        let was_idle = self.is_idle();
        let waiting = self.waiting();
        self.open();
        if let Some(seq) = waiting {
            let answer = Answer::Refused(Fault::Opened(reason));
            say(BoardMessage::Answer { seq, at_us: now_us, answer });
        }
        if !was_idle {
            say(BoardMessage::Event { at_us: now_us, event: Event::Opened { reason } });
        }
    }

    /// Takes a reading of the clock, made after everything that moved pins so far: waits begin with it.
    pub(crate) fn observe(&mut self, now_us: u64) {
        self.contacts.observe(now_us);
        if let State::Bleeding { since_us, .. } = &mut self.state {
            since_us.get_or_insert(now_us);
        }
    }

    /// Does what has become due. At most one movement of the contacts happens in each call: the wait that
    /// follows it begins with the next [`observe`](Self::observe).
    pub(crate) fn poll(&mut self, now_us: u64, say: &mut impl FnMut(BoardMessage)) {
        if self.contacts.is_unknown() {
            // Opening failed before: try again.
            let _ = self.contacts.open();
        }
        if self.state_ends_at_us().is_none_or(|due_us| now_us < due_us) {
            return;
        }
        match self.state {
            State::Open => {}
            State::Breaking(goal) => self.close(goal, now_us, say),
            State::Settling(goal) => self.settled(goal, now_us, say),
            State::Settled { run, .. } => self.next_step(run, now_us, say),
            State::Bleeding { seq, .. } => {
                let opened = self.open();
                let answer = if opened { Answer::Bled } else { Answer::Refused(Fault::SwitchFault) };
                say(BoardMessage::Answer { seq, at_us: now_us, answer });
            }
        }
    }

    /// When [`poll`](Self::poll) has something to do; 0 means at once.
    pub(crate) fn next_deadline_us(&self) -> Option<u64> {
        let clock_wanted =
            self.contacts.wants_the_time() || matches!(self.state, State::Bleeding { since_us: None, .. });
        if clock_wanted { Some(0) } else { self.state_ends_at_us() }
    }

    /// Whether the bleed resistor belongs on the common line.
    pub(crate) fn bleeds(&self) -> bool {
        matches!(self.state, State::Bleeding { .. })
    }

    /// Whether nothing is closed and nothing is under way.
    pub(crate) fn is_idle(&self) -> bool {
        matches!(self.state, State::Open)
    }

    /// Present step of a running plan.
    pub(crate) fn step(&self) -> Option<u16> {
        self.run().map(|run| run.step)
    }

    pub(crate) fn closed(&self) -> Option<Channel> {
        self.contacts.closed()
    }

    pub(crate) fn switch(&self) -> &S {
        self.contacts.switch()
    }

    fn steps(&self) -> u16 {
        // At most PLAN_STEPS, which is proven to fit.
        self.plan.len() as u16
    }

    fn in_range(&self, channel: Channel) -> Result<(), Fault> {
        let channels = self.switch().channels();
        if channel.0 < channels { Ok(()) } else { Err(Fault::ChannelOutOfRange { channel, channels }) }
    }

    fn run(&self) -> Option<Run> {
        match self.state {
            State::Breaking(goal) | State::Settling(goal) => match goal.purpose {
                Purpose::Step(run) => Some(run),
                Purpose::Select | Purpose::Bleed { .. } => None,
            },
            State::Settled { run, .. } => run,
            State::Open | State::Bleeding { .. } => None,
        }
    }

    /// The request that is under way.
    fn waiting(&self) -> Option<u16> {
        match self.state {
            State::Breaking(goal) | State::Settling(goal) => goal.waiting,
            State::Bleeding { seq, .. } => Some(seq),
            State::Open | State::Settled { .. } => None,
        }
    }

    fn state_ends_at_us(&self) -> Option<u64> {
        match self.state {
            State::Open => None,
            State::Breaking(_) => self.contacts.rested_at_us(),
            State::Settling(goal) => {
                self.contacts.made_at_us().map(|made_us| made_us.saturating_add(goal.settle_us.into()))
            }
            State::Settled { at_us, run: Some(Run { pace: Pace::Dwell { dwell_us }, .. }), .. } => {
                Some(at_us.saturating_add(dwell_us.into()))
            }
            State::Settled { .. } => None,
            State::Bleeding { hold_us, since_us, .. } => {
                since_us.map(|since_us| since_us.saturating_add(hold_us.into()))
            }
        }
    }

    /// Answers the request that is under way: a later one takes its place.
    fn supersede(&mut self, now_us: u64, say: &mut impl FnMut(BoardMessage)) {
        if let Some(seq) = self.waiting() {
            let answer = Answer::Refused(Fault::Superseded);
            say(BoardMessage::Answer { seq, at_us: now_us, answer });
        }
    }

    fn open(&mut self) -> bool {
        self.state = State::Open;
        self.contacts.open().is_ok()
    }

    fn approach_step(&mut self, run: Run, waiting: Option<u16>) -> Result<(), Fault> {
        let channel = *self.plan.get(usize::from(run.step)).ok_or(Fault::NoPlan)?;
        self.approach(Goal { channel, settle_us: run.settle_us, waiting, purpose: Purpose::Step(run) })
    }

    /// Opens everything on the way to a channel.
    fn approach(&mut self, goal: Goal) -> Result<(), Fault> {
        if !self.open() {
            return Err(Fault::SwitchFault);
        }
        self.state = State::Breaking(goal);
        Ok(())
    }

    fn close(&mut self, goal: Goal, now_us: u64, say: &mut impl FnMut(BoardMessage)) {
        match self.contacts.close(goal.channel, now_us) {
            Ok(()) => self.state = State::Settling(goal),
            Err(NotClosed::NotRested) => {}
            Err(NotClosed::Fault) => self.switch_fault(now_us, say),
        }
    }

    fn settled(&mut self, goal: Goal, now_us: u64, say: &mut impl FnMut(BoardMessage)) {
        let channel = goal.channel;
        // The settle time was over when it was due, even if this comes a little later.
        let at_us = self.state_ends_at_us().unwrap_or(now_us);
        let (step, run) = match goal.purpose {
            Purpose::Select => (None, None),
            Purpose::Step(run) => (Some(run.step), Some(run)),
            Purpose::Bleed { hold_us } => {
                if let Some(seq) = goal.waiting {
                    self.state = State::Bleeding { seq, hold_us, since_us: None };
                }
                return;
            }
        };
        self.state = State::Settled { channel, at_us, run };
        match (goal.waiting, step) {
            (Some(seq), step) => {
                say(BoardMessage::Answer { seq, at_us, answer: Answer::Settled { step, channel } });
            }
            (None, Some(step)) => say(BoardMessage::Event { at_us, event: Event::Settled { step, channel } }),
            (None, None) => {}
        }
    }

    /// Moves a plan with fixed dwell on.
    fn next_step(&mut self, run: Option<Run>, now_us: u64, say: &mut impl FnMut(BoardMessage)) {
        let Some(run) = run else { return };
        let next = Run { step: run.step.saturating_add(1), ..run };
        if next.step >= self.steps() {
            self.open_for(OpenReason::PlanEnded, now_us, say);
        } else if self.approach_step(next, None).is_err() {
            self.switch_fault_event(now_us, say);
        }
    }

    fn switch_fault(&mut self, now_us: u64, say: &mut impl FnMut(BoardMessage)) {
        let waiting = self.waiting();
        self.open();
        match waiting {
            Some(seq) => {
                let answer = Answer::Refused(Fault::SwitchFault);
                say(BoardMessage::Answer { seq, at_us: now_us, answer });
            }
            None => self.switch_fault_event(now_us, say),
        }
    }

    fn switch_fault_event(&mut self, now_us: u64, say: &mut impl FnMut(BoardMessage)) {
        let event = Event::Opened { reason: OpenReason::SwitchFault };
        say(BoardMessage::Event { at_us: now_us, event });
    }
}
