//! What is closed and when: requests and time in, movements of the contacts and messages out.
//!
//! One request at a time is under way; a later one takes its place. Every request is answered exactly
//! once, here or in [`board`](crate::Board), on each way out of each state.

use heapless::Vec;
use protocol::{Answer, Channel, Event, Fault, OpenReason, PLAN_CHUNK, PLAN_STEPS, Pace};

use crate::Switch;
use crate::contacts::{Contacts, NotClosed};
use crate::time::Due;
use crate::voice::Voice;

/// Steps through channels.
// As in `Board`: the long array last.
#[repr(C)]
#[derive(Debug)]
pub(crate) struct Sequencer<S> {
    state: State,
    contacts: Contacts<S>,
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
pub(crate) struct Run {
    pub(crate) step: u16,
    pub(crate) settle_us: u32,
    pub(crate) pace: Pace,
}

/// Requests. An error is the answer to the request; otherwise it was answered, or will be when it is done.
impl<S: Switch> Sequencer<S> {
    pub(crate) fn new(switch: S) -> Self {
        Self { contacts: Contacts::new(switch), state: State::Open, plan: Vec::new() }
    }

    /// Opens every channel, ends the plan and forgets it: a conversation begins.
    pub(crate) fn reset(&mut self, voice: &mut Voice<'_>) {
        self.supersede(voice);
        // A failure is told when a channel is to be closed.
        let _ = self.open();
        self.plan.clear();
    }

    /// `OpenAll`.
    pub(crate) fn open_all(&mut self, voice: &mut Voice<'_>) -> Result<(), Fault> {
        self.supersede(voice);
        self.open()
    }

    /// `Select`.
    pub(crate) fn select(
        &mut self,
        seq: u16,
        channel: Channel,
        settle_us: u32,
        voice: &mut Voice<'_>,
    ) -> Result<(), Fault> {
        self.in_range(channel)?;
        self.supersede(voice);
        self.approach(Goal { channel, settle_us, waiting: Some(seq), purpose: Purpose::Select })
    }

    /// `LoadPlan`. Gives the number of steps loaded.
    pub(crate) fn load_plan(
        &mut self,
        first: u16,
        channels: &Vec<Channel, PLAN_CHUNK>,
        voice: &mut Voice<'_>,
    ) -> Result<u16, Fault> {
        self.supersede(voice);
        self.open()?;
        if first == 0 {
            self.plan.clear();
        } else if first != self.steps() {
            return Err(Fault::PlanGap { expected: self.steps() });
        }
        for &channel in channels {
            self.in_range(channel)?;
        }
        if channels.len() > PLAN_STEPS.saturating_sub(self.plan.len()) {
            return Err(Fault::PlanTooLong { capacity: PLAN_STEPS as u16 });
        }
        for &channel in channels {
            let _ = self.plan.push(channel);
        }
        Ok(self.steps())
    }

    /// `Start`: `run` is at its first step.
    pub(crate) fn start(
        &mut self,
        seq: u16,
        steps: u16,
        run: Run,
        voice: &mut Voice<'_>,
    ) -> Result<(), Fault> {
        if steps != self.steps() || steps == 0 {
            return Err(Fault::PlanMismatch { loaded: self.steps() });
        }
        self.supersede(voice);
        self.approach_step(run, Some(seq))
    }

    /// `Advance`.
    pub(crate) fn advance(&mut self, seq: u16, step: u16, voice: &mut Voice<'_>) -> Result<(), Fault> {
        let run = self.run().filter(|run| run.pace == Pace::Advance).ok_or(Fault::NoPlan)?;
        let next = run.step.saturating_add(1);
        if step == run.step {
            self.supersede(voice);
            match &mut self.state {
                // Asked again because the answer was lost: the same answer, with the same time.
                State::Settled { channel, at_us, .. } => {
                    voice.answer_at(*at_us, seq, Answer::Settled { step: Some(step), channel: *channel });
                }
                State::Breaking(goal) | State::Settling(goal) => goal.waiting = Some(seq),
                State::Open | State::Bleeding { .. } => return Err(Fault::NoPlan),
            }
            return Ok(());
        }
        if step != next {
            return Err(Fault::WrongStep { expected: next });
        }
        self.supersede(voice);
        if step < self.steps() {
            return self.approach_step(Run { step, ..run }, Some(seq));
        }
        self.open()?;
        voice.answer(seq, Answer::PlanEnded);
        Ok(())
    }

    /// `Bleed`.
    pub(crate) fn bleed(
        &mut self,
        seq: u16,
        channel: Channel,
        hold_us: u32,
        voice: &mut Voice<'_>,
    ) -> Result<(), Fault> {
        self.in_range(channel)?;
        self.supersede(voice);
        let purpose = Purpose::Bleed { hold_us };
        self.approach(Goal { channel, settle_us: 0, waiting: Some(seq), purpose })
    }
}

/// Time, and what is asked by nobody.
impl<S: Switch> Sequencer<S> {
    /// Opens every channel because something is wrong, and tells the host if anything was under way.
    pub(crate) fn open_for(&mut self, reason: OpenReason, voice: &mut Voice<'_>) {
        let was_idle = self.is_idle();
        self.interrupt(reason, voice);
        if !was_idle {
            voice.event(Event::Opened { reason });
        }
    }

    /// Opens every channel; only the request that is under way is told.
    pub(crate) fn interrupt(&mut self, reason: OpenReason, voice: &mut Voice<'_>) {
        if let Some(seq) = self.waiting() {
            voice.refuse(seq, Fault::Opened(reason));
        }
        // A failure is told when a channel is to be closed; until then it is tried again, with a break between.
        let _ = self.open();
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
    pub(crate) fn poll(&mut self, voice: &mut Voice<'_>) {
        let Some(due_us) = self.state_ends().at_us().filter(|&due_us| voice.now_us >= due_us) else { return };
        match self.state {
            // Opening failed before: try again.
            State::Open => {
                let _ = self.contacts.open();
            }
            State::Breaking(goal) => self.close(goal, voice),
            // The settle time was over when it was due, even if this comes a little later.
            State::Settling(goal) => self.settled(goal, due_us, voice),
            State::Settled { run, .. } => self.next_step(run, voice),
            State::Bleeding { seq, .. } => match self.open() {
                Ok(()) => voice.answer(seq, Answer::Bled),
                Err(fault) => voice.refuse(seq, fault),
            },
        }
    }

    /// When [`poll`](Self::poll) has something to do.
    pub(crate) fn next_due(&self) -> Due {
        let clock_wanted =
            self.contacts.wants_the_time() || matches!(self.state, State::Bleeding { since_us: None, .. });
        if clock_wanted { Due::NOW } else { self.state_ends() }
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

    fn state_ends(&self) -> Due {
        match self.state {
            State::Open if self.contacts.is_unknown() => self.contacts.rested(),
            State::Open => Due::NEVER,
            State::Breaking(_) => self.contacts.rested(),
            State::Settling(goal) => self.contacts.settled(goal.settle_us),
            State::Settled { at_us, run: Some(Run { pace: Pace::Dwell { dwell_us }, .. }), .. } => {
                Due::after(Some(at_us), dwell_us.into())
            }
            State::Settled { .. } => Due::NEVER,
            State::Bleeding { hold_us, since_us, .. } => Due::after(since_us, hold_us.into()),
        }
    }

    /// Answers the request that is under way: a later one takes its place.
    fn supersede(&mut self, voice: &mut Voice<'_>) {
        if let Some(seq) = self.waiting() {
            voice.refuse(seq, Fault::Superseded);
        }
    }

    /// Never inlined: it stands in a dozen places, and a small chip has little flash.
    #[inline(never)]
    fn open(&mut self) -> Result<(), Fault> {
        self.state = State::Open;
        self.contacts.open().map_err(|_| Fault::SwitchFault)
    }

    fn approach_step(&mut self, run: Run, waiting: Option<u16>) -> Result<(), Fault> {
        let channel = *self.plan.get(usize::from(run.step)).ok_or(Fault::NoPlan)?;
        self.approach(Goal { channel, settle_us: run.settle_us, waiting, purpose: Purpose::Step(run) })
    }

    /// Opens everything on the way to a channel.
    fn approach(&mut self, goal: Goal) -> Result<(), Fault> {
        self.open()?;
        self.state = State::Breaking(goal);
        Ok(())
    }

    fn close(&mut self, goal: Goal, voice: &mut Voice<'_>) {
        match self.contacts.close(goal.channel, voice.now_us) {
            Ok(()) => self.state = State::Settling(goal),
            Err(NotClosed::NotRested) => {}
            Err(NotClosed::Fault) => self.switch_fault(goal.waiting, voice),
        }
    }

    fn settled(&mut self, goal: Goal, at_us: u64, voice: &mut Voice<'_>) {
        let Goal { channel, waiting, purpose, .. } = goal;
        let run = match purpose {
            Purpose::Select => None,
            Purpose::Step(run) => Some(run),
            Purpose::Bleed { hold_us } => {
                if let Some(seq) = waiting {
                    self.state = State::Bleeding { seq, hold_us, since_us: None };
                }
                return;
            }
        };
        self.state = State::Settled { channel, at_us, run };
        let step = run.map(|run| run.step);
        match (waiting, step) {
            (Some(seq), step) => voice.answer_at(at_us, seq, Answer::Settled { step, channel }),
            (None, Some(step)) => voice.event_at(at_us, Event::Settled { step, channel }),
            (None, None) => {}
        }
    }

    /// Moves a plan with fixed dwell on.
    fn next_step(&mut self, run: Option<Run>, voice: &mut Voice<'_>) {
        let Some(run) = run else { return };
        let next = Run { step: run.step.saturating_add(1), ..run };
        if next.step >= self.steps() {
            self.open_for(OpenReason::PlanEnded, voice);
        } else if self.approach_step(next, None).is_err() {
            self.switch_fault(None, voice);
        }
    }

    /// Tells of a switch that failed: in the answer to the request that waits, or else as an event.
    fn switch_fault(&mut self, waiting: Option<u16>, voice: &mut Voice<'_>) {
        let _ = self.open();
        match waiting {
            Some(seq) => voice.refuse(seq, Fault::SwitchFault),
            None => voice.event(Event::Opened { reason: OpenReason::SwitchFault }),
        }
    }
}
