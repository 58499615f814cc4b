//! A device that goes away in the middle of a sweep and comes back, and other ends of a link.

use std::time::Duration;

use protocol::{Request, version};

use super::{Conductor, Output, Phase};
use crate::{
    label,
    moment::Moment,
    sweep::{Device, Notice, Observation, SweepError, Visit, ear::Ear},
};

/// How long a device may be away before the sweep gives up: time to find the cable and to plug it in again.
const AWAY_AT_MOST: Duration = Duration::from_secs(120);

/// Bytes that are shown of what came from the jig's port and is no message.
const EXCERPT: usize = 32;

/// What the sweep waits for while a device is away.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Away {
    since: Moment,
    jig: bool,
    meter: bool,
    greeted: bool,
    meter_ready: bool,
    /// The visit that was cut short, if there was one.
    visit: Option<Visit>,
}

impl Conductor {
    /// A device went away: every channel is opened, as far as anybody still listens, and the sweep waits for it.
    /// False if that is known already or does not matter any more.
    pub fn lost(&mut self, device: Device, reason: &str, now: Moment) -> bool {
        if self.is_walking() {
            let (port, reason) = (self.port_of(device), reason.to_owned());
            self.observer.lost(device);
            self.fail(SweepError::Lost { device, port, reason }, now);
            return true;
        }
        let ready = |visit| Away { visit, ..Away::new(now, true, true) };
        let mut away = match self.phase {
            Phase::Ended => return false,
            // Every pin is decided; the switching board opens by itself when it hears nothing.
            Phase::Closing => {
                if device == Device::Jig {
                    self.end(Ok(()));
                }
                return false;
            }
            Phase::Away(away)
                if (device == Device::Jig && away.jig) || (device == Device::Meter && away.meter) =>
            {
                return false;
            }
            Phase::Away(away) => away,
            Phase::Preparing { greeted, meter_ready } => Away::new(now, greeted, meter_ready),
            Phase::Loading { .. } => ready(None),
            Phase::Moving { visit } | Phase::Reading { visit, .. } | Phase::LidOpen { visit } => {
                ready(Some(visit))
            }
        };
        for taken in self.observer.lost(device) {
            if let Observation::TakenBack { pin } = taken {
                self.read_again(pin);
            }
        }
        self.ear.want(false, now);
        match device {
            Device::Jig => {
                (away.jig, away.greeted) = (true, false);
                self.client.forget();
            }
            Device::Meter => (away.meter, away.meter_ready) = (true, false),
        }
        self.phase = Phase::Away(away);
        if away.greeted {
            self.ask(Request::OpenAll, now);
        }
        let (port, reason) = (self.port_of(device), reason.to_owned());
        self.out.push_back(Output::Tell(Notice::LinkLost { device, port, reason }));
        true
    }

    /// A device is back: when none is missing any more, the sweep goes on at the same pin.
    pub fn back(&mut self, device: Device, now: Moment) {
        let Phase::Away(mut away) = self.phase else { return };
        match device {
            Device::Jig => away.jig = false,
            Device::Meter => away.meter = false,
        }
        self.out.push_back(Output::Tell(Notice::LinkRestored { device, port: self.port_of(device) }));
        if away.jig || away.meter {
            self.phase = Phase::Away(away);
            return;
        }
        let Away { greeted, meter_ready, visit, .. } = away;
        if let Some(visit) = visit {
            // The switching board may have started again without its plan: the rest is asked for one by one.
            self.todo.push_front(visit);
            self.step_by_step();
        }
        let reason = format!("the {device} came back");
        self.out.push_back(Output::Tell(Notice::Resumed { reason }));
        self.phase = Phase::Preparing { greeted, meter_ready };
        if !meter_ready {
            self.ear = Ear::new(&self.score.profile, now);
            self.started = now;
        }
        if !greeted {
            self.ask(Request::Greet { min: version::MIN, max: version::CURRENT }, now);
        }
        self.begin_if_prepared(now);
        self.flush_ear(now);
    }

    /// Time has passed while a device is away.
    pub(super) fn tick_away(&mut self, away: Away, now: Moment) {
        if now.since(away.since) < AWAY_AT_MOST {
            if !away.jig {
                self.keep_jig_awake(now);
            }
            return;
        }
        let device = if away.jig { Device::Jig } else { Device::Meter };
        let reason = format!("it did not come back within {} s", AWAY_AT_MOST.as_secs());
        self.fail(SweepError::Lost { device, port: self.port_of(device), reason }, now);
    }

    /// When [`tick_away`](Self::tick_away) has something to do.
    pub(super) fn deadline_away(&self, away: Away, now: Moment) -> Moment {
        let end = away.since.after(AWAY_AT_MOST);
        if away.jig { end } else { end.min(self.client.wake(now)) }
    }

    /// The record has a gap: nothing more is read that would be shown as if it were recorded.
    pub fn unrecorded(&mut self, problem: String, now: Moment) {
        let (done, total) = (self.decided(), self.score.setting.plan.pins());
        self.fail(SweepError::Unrecorded { problem, done, total }, now);
    }

    /// A device sends far more than any meter or switching board does.
    pub fn flooded(&mut self, device: Device, now: Moment) {
        self.fail(SweepError::Flooded { device, port: self.port_of(device) }, now);
    }

    /// Bytes came from the jig's port; the first of them are kept until a message is among them.
    pub fn jig_bytes(&mut self, bytes: &[u8]) {
        if !self.jig_speaks {
            let room = EXCERPT.saturating_sub(self.jig_babble.len());
            self.jig_babble.extend(bytes.iter().take(room));
        }
    }

    /// What came from the jig's port so far, for a message.
    pub(super) fn babble(&self) -> String {
        format!("`{}`", label::printable(&self.jig_babble.escape_ascii().to_string()))
    }

    fn port_of(&self, device: Device) -> String {
        match device {
            Device::Jig => self.score.jig_port.clone(),
            Device::Meter => self.score.meter_port.clone(),
        }
    }
}

impl Away {
    const fn new(since: Moment, greeted: bool, meter_ready: bool) -> Self {
        Self { since, jig: false, meter: false, greeted, meter_ready, visit: None }
    }
}
