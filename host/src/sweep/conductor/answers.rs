//! What the switching board's answers and events mean for the sweep.

use std::time::Duration;

use protocol::{Answer, Channel, Event, Fault, Light, OpenReason, Request, Sound, version};

use super::{Conductor, MOST_OPENINGS, Output, Phase};
use crate::{
    moment::Moment,
    sweep::{Notice, SweepError, Visit, trouble::describe_reason},
};

impl Conductor {
    pub(super) fn answer(&mut self, request: &Request, answer: Answer, now: Moment) {
        match (request, answer) {
            (_, Answer::Refused(fault)) => self.refused(request, fault, now),
            (Request::Greet { .. }, Answer::Greeting(greeting)) => {
                let missing = |visit: &&Visit| visit.channel.0 >= greeting.channels;
                if let Some(visit) = self.score.setting.plan.visits.iter().find(missing) {
                    let error =
                        SweepError::NoSuchChannel { channel: visit.channel, channels: greeting.channels };
                    self.fail(error, now);
                    return;
                }
                let (steps, capacity) = (self.score.setting.plan.visits.len(), greeting.plan_steps);
                if steps > usize::from(capacity) {
                    if self.is_walk() {
                        self.fail(SweepError::PlanTooLong { steps, capacity }, now);
                        return;
                    }
                    self.step_by_step();
                }
                let timing = greeting.timing;
                self.switch = Duration::from_micros(u64::from(timing.break_us) + u64::from(timing.make_us));
                match self.phase {
                    Phase::Preparing { meter_ready, .. } => {
                        self.out.push_back(Output::Tell(Notice::Greeted(greeting)));
                        self.phase = Phase::Preparing { greeted: true, meter_ready };
                        self.ask(Request::Indicate { light: Light::Busy, sound: Sound::Silent }, now);
                    }
                    // Greeted again after a restart.
                    _ => self.go_again(now),
                }
            }
            (Request::LoadPlan { .. }, Answer::PlanLoaded { steps }) => self.load(usize::from(steps), now),
            // The last pin is to be read once more.
            (Request::OpenAll, Answer::Opened) if matches!(self.phase, Phase::Moving { .. }) => {
                self.go_again(now);
            }
            (Request::Advance { .. }, Answer::PlanEnded) | (Request::OpenAll, Answer::Opened) => {
                if self.phase == Phase::Closing {
                    self.end(Ok(()));
                }
            }
            _ => self.begin_if_prepared(now),
        }
    }

    pub(super) fn refused(&mut self, request: &Request, fault: Fault, now: Moment) {
        match fault {
            // An indication is no part of the measurement.
            _ if matches!(request, Request::Indicate { .. }) => self.begin_if_prepared(now),
            Fault::Version { min, max } => {
                let port = self.score.jig_port.clone();
                let (host_min, host_max) = (version::MIN, version::CURRENT);
                self.end(Err(SweepError::JigVersion { port, host_min, host_max, min, max }));
            }
            Fault::NotGreeted => self.restarted(now),
            Fault::LidOpen => self.lid_opened(now),
            Fault::Superseded => {}
            Fault::Opened(reason) => {
                self.opening_told = Some(reason);
                self.opened(reason, now);
            }
            Fault::NoPlan | Fault::PlanMismatch { .. } | Fault::WrongStep { .. } | Fault::PlanGap { .. }
                if self.is_walk() =>
            {
                self.walk_refused(describe_request(request), fault, now);
            }
            Fault::NoPlan | Fault::PlanMismatch { .. } | Fault::WrongStep { .. } | Fault::PlanGap { .. } => {
                self.step_by_step();
                self.go_again(now);
            }
            _ => self.fail(SweepError::JigRefused { what: describe_request(request), fault }, now),
        }
    }

    pub(super) fn event(&mut self, event: &Event, now: Moment) {
        match event {
            Event::Lid { closed: false } => self.lid_opened(now),
            Event::Opened { reason } => self.opened(*reason, now),
            Event::Lid { closed: true } => {
                if let Phase::LidOpen { visit } = self.phase {
                    self.step_by_step();
                    self.go_to(visit, now);
                }
            }
            _ => {}
        }
    }

    pub(super) fn lid_opened(&mut self, now: Moment) {
        if self.is_walking() {
            self.walk_opened(OpenReason::LidOpen, now);
            return;
        }
        if let Phase::Moving { visit } | Phase::Reading { visit, .. } = self.phase {
            self.phase = Phase::LidOpen { visit };
            self.out.push_back(Output::Tell(Notice::LidOpen));
        }
    }

    /// Channels opened by themselves: the sweep goes on at the same pin, a limited number of times.
    pub(super) fn opened(&mut self, reason: OpenReason, now: Moment) {
        if reason == OpenReason::LidOpen {
            self.lid_opened(now);
            return;
        }
        if self.is_walking() {
            self.walk_opened(reason, now);
            return;
        }
        if !matches!(self.phase, Phase::Moving { .. } | Phase::Reading { .. }) {
            return;
        }
        self.openings += 1;
        if self.openings > MOST_OPENINGS || reason == OpenReason::OtherHost {
            self.fail(SweepError::JigOpened { times: self.openings, reason }, now);
            return;
        }
        let reason = format!("every channel opened because {}", describe_reason(&reason));
        self.out.push_back(Output::Tell(Notice::Resumed { reason }));
        self.step_by_step();
        self.go_again(now);
    }

    pub(super) fn restarted(&mut self, now: Moment) {
        self.openings += 1;
        if self.is_walking() || self.openings > MOST_OPENINGS {
            let what = match self.is_walk() {
                true => "it has started again in the middle of its walk".to_owned(),
                false => "it starts again and again".to_owned(),
            };
            self.end(Err(SweepError::JigSilent { port: self.score.jig_port.clone(), what }));
            return;
        }
        if matches!(self.phase, Phase::Moving { .. } | Phase::Reading { .. } | Phase::Loading { .. }) {
            let reason = "the switching board started again".to_owned();
            self.out.push_back(Output::Tell(Notice::Resumed { reason }));
        }
        self.step_by_step();
        self.ask(Request::Greet { min: version::MIN, max: version::CURRENT }, now);
    }
}

fn describe_request(request: &Request) -> String {
    match request {
        Request::Greet { .. } => "the greeting".to_owned(),
        Request::Ping => "a ping".to_owned(),
        Request::OpenAll => "to open every channel".to_owned(),
        Request::Select { channel: Channel(channel), .. } => format!("to close channel {channel}"),
        Request::LoadPlan { first, .. } => format!("the plan from step {first} on"),
        Request::Start { .. } => "to start the plan".to_owned(),
        Request::Advance { step } => format!("to go to step {step} of the plan"),
        Request::Indicate { .. } => "to show the state".to_owned(),
        Request::Sense => "to measure the common line".to_owned(),
        Request::Bleed { .. } => "to discharge a channel".to_owned(),
        Request::Status => "to tell its state".to_owned(),
    }
}
