//! The whole board: links, sequencer, silence and panel in one, driven by bytes and the time.

use protocol::{
    Answer, Channel, Event, Fault, FrameError, Greeting, OpenReason, PLAN_STEPS, Request, RequestFrame,
    Status, Timing, UnknownContent, version,
};

use crate::link::Link;
use crate::log::{debug, info};
use crate::panel::{Moved, Panel};
use crate::sequencer::{Run, Sequencer};
use crate::silence::{SILENCE_LIMIT_US, Silence};
use crate::time::Due;
use crate::voice::Voice;
use crate::{FIRMWARE_VERSION, Fittings, Identity, Switch};

/// A switching board with a switch `S`, optional parts `F` and `LINKS` links to hosts.
///
/// The owner of the board calls [`push`](Self::push) with bytes as they come, [`poll`](Self::poll) at
/// [`next_deadline_us`](Self::next_deadline_us) and after each push, and sends on what
/// [`take_output`](Self::take_output) gives. Each call is given a reading of the clock that was made just
/// before it; readings never run backwards.
// In this order, with the long arrays last: a small chip reaches only the first bytes of a struct in one
// instruction.
#[repr(C)]
#[derive(Debug)]
pub struct Board<S, F, const LINKS: usize> {
    silence: Silence,
    /// The link that greeted last: it rules the switch and gets the events.
    ruling: Option<usize>,
    panel: Panel<F>,
    identity: Identity,
    sequencer: Sequencer<S>,
    links: [Link; LINKS],
}

impl<S: Switch, F: Fittings, const LINKS: usize> Board<S, F, LINKS> {
    /// Takes the hardware over and opens every channel.
    pub fn new(switch: S, fittings: F, identity: Identity, now_us: u64) -> Self {
        Self {
            sequencer: Sequencer::new(switch),
            panel: Panel::new(fittings, now_us),
            links: [const { Link::new() }; LINKS],
            ruling: None,
            silence: Silence::new(now_us),
            identity,
        }
    }

    /// Takes bytes that came on a link. A link that does not exist is ignored.
    pub fn push(&mut self, link: usize, bytes: &[u8], now_us: u64) {
        for &byte in bytes {
            match self.links.get_mut(link).and_then(|link| link.push(byte)) {
                None => continue,
                Some(Ok(frame)) => self.request(link, frame, now_us),
                Some(Err(error)) => self.bad_frame(link, error, now_us),
            }
            self.follow(now_us);
        }
    }

    /// Does what has become due.
    pub fn poll(&mut self, now_us: u64) {
        // First, while nothing was moved since the clock was read.
        self.sequencer.observe(now_us);
        let Moved { lid_closed, button_pressed } = self.panel.poll(now_us);
        if let Some(closed) = lid_closed {
            self.voice(now_us).event(Event::Lid { closed });
            if !closed {
                self.open_for(OpenReason::LidOpen, now_us);
            }
        }
        if let Some(pressed) = button_pressed {
            self.voice(now_us).event(Event::Button { pressed });
        }
        if !self.sequencer.is_idle() && self.silence.is_over(now_us) {
            self.open_for(OpenReason::HostSilent, now_us);
        }
        self.sequencer.poll(&mut Voice::new(&mut self.links, self.ruling, now_us));
        self.follow(now_us);
        for link in &mut self.links {
            link.tell_lost(now_us);
        }
    }

    /// When [`poll`](Self::poll) wants to be called at the latest; a time that has passed means at once,
    /// `None` means not before more bytes come.
    pub fn next_deadline_us(&self) -> Option<u64> {
        let silence = self.silence.ends().only_if(!self.sequencer.is_idle());
        let lost = Due::NOW.only_if(self.links.iter().any(Link::can_tell_lost));
        self.sequencer.next_due().min(self.panel.next_due()).min(silence).min(lost).at_us()
    }

    /// Moves bytes for the host on a link into `out`; returns how many.
    pub fn take_output(&mut self, link: usize, out: &mut [u8]) -> usize {
        self.links.get_mut(link).map_or(0, |link| link.take_output(out))
    }

    /// Whether there are bytes for the host on a link.
    pub fn has_output(&self, link: usize) -> bool {
        self.links.get(link).is_some_and(Link::has_output)
    }

    /// The closed channel, settled or not.
    pub fn closed(&self) -> Option<Channel> {
        self.sequencer.closed()
    }

    /// The switch, to look at.
    pub fn switch(&self) -> &S {
        self.sequencer.switch()
    }

    /// The optional parts, to look at or to move in a test.
    pub fn fittings(&mut self) -> &mut F {
        &mut self.panel.fittings
    }

    /// A frame with a good checksum that holds a request.
    fn request(&mut self, link: usize, frame: RequestFrame, now_us: u64) {
        let RequestFrame { seq, request } = frame;
        debug!("link {}: request {} {}", link, seq, request);
        let rules = self.ruling == Some(link);
        if rules {
            self.silence.heard(now_us);
        }
        let outcome = if rules || matches!(request, Request::Greet { .. }) {
            self.carry_out(link, seq, request, now_us)
        } else {
            Err(Fault::NotGreeted)
        };
        if let Err(fault) = outcome {
            Voice::new(&mut self.links, Some(link), now_us).refuse(seq, fault);
        }
    }

    /// Carries out a request. An error is the answer to it; otherwise it was answered, or the sequencer
    /// will do so when it is done.
    fn carry_out(&mut self, link: usize, seq: u16, request: Request, now_us: u64) -> Result<(), Fault> {
        let lid_closed = self.panel.lid_closed();
        let parts = self.panel.parts();
        let shut = || if lid_closed { Ok(()) } else { Err(Fault::LidOpen) };
        let Self { sequencer, panel, links, .. } = self;
        let voice = &mut Voice::new(links, Some(link), now_us);
        let answer = match request {
            Request::Greet { min, max } => {
                let version = self.greet(link, min, max, now_us)?;
                Answer::Greeting(self.greeting(version))
            }
            Request::Ping => Answer::Pong,
            Request::OpenAll => {
                sequencer.open_all(voice)?;
                Answer::Opened
            }
            Request::Select { channel, settle_us } => {
                shut()?;
                return sequencer.select(seq, channel, settle_us, voice);
            }
            Request::LoadPlan { first, channels } => {
                Answer::PlanLoaded { steps: sequencer.load_plan(first, &channels, voice)? }
            }
            Request::Start { steps, settle_us, pace } => {
                shut()?;
                return sequencer.start(seq, steps, Run { step: 0, settle_us, pace }, voice);
            }
            Request::Advance { step } => {
                shut()?;
                return sequencer.advance(seq, step, voice);
            }
            Request::Bleed { channel, hold_us } => {
                if !parts.bleed {
                    return Err(Fault::NotFitted);
                }
                shut()?;
                return sequencer.bleed(seq, channel, hold_us, voice);
            }
            Request::Indicate { light, sound } => {
                if !parts.light && !parts.buzzer {
                    return Err(Fault::NotFitted);
                }
                panel.indicate(light, sound, now_us);
                Answer::Indicated
            }
            Request::Sense => {
                let sensed = if parts.sense { panel.fittings.sense_millivolts() } else { None };
                Answer::SenseVoltage { millivolts: sensed.ok_or(Fault::NotFitted)? }
            }
            Request::Status => Answer::Status(self.status(link)),
        };
        Voice::new(&mut self.links, Some(link), now_us).answer(seq, answer);
        Ok(())
    }

    /// Lets a link rule, and gives the version to be spoken.
    fn greet(&mut self, link: usize, min: u8, max: u8, now_us: u64) -> Result<u8, Fault> {
        if self.ruling.is_some_and(|ruling| ruling != link) {
            // Told even if nothing was closed: that host must know that it no longer rules.
            let reason = OpenReason::OtherHost;
            let voice = &mut Voice::new(&mut self.links, self.ruling, now_us);
            self.sequencer.interrupt(reason, voice);
            voice.event(Event::Opened { reason });
        }
        self.sequencer.reset(&mut Voice::new(&mut self.links, Some(link), now_us));
        self.ruling = None;
        let newest = max.min(version::CURRENT);
        if newest < min.max(version::MIN) {
            return Err(Fault::Version { min: version::MIN, max: version::CURRENT });
        }
        info!("link {} rules, protocol {}", link, newest);
        self.ruling = Some(link);
        self.silence.heard(now_us);
        Ok(newest)
    }

    fn greeting(&self, version: u8) -> Greeting {
        let waits = self.switch().waits();
        Greeting {
            version,
            kind: self.switch().kind(),
            boot_id: self.identity.boot_id,
            reset: self.identity.reset,
            channels: self.switch().channels(),
            plan_steps: PLAN_STEPS as u16,
            firmware: FIRMWARE_VERSION,
            unique_id: self.identity.unique_id,
            parts: self.panel.parts(),
            timing: Timing { break_us: waits.break_us, make_us: waits.make_us, silence_us: SILENCE_LIMIT_US },
        }
    }

    fn status(&self, link: usize) -> Status {
        let parts = self.panel.parts();
        Status {
            closed: self.closed(),
            step: self.sequencer.step(),
            lid_closed: parts.lid.then(|| self.panel.lid_closed()),
            button_pressed: parts.button.then(|| self.panel.button_pressed()),
            bad_frames: self.links.get(link).map_or(0, Link::bad_frames),
        }
    }

    /// A frame that holds no request. On the ruling link it opens everything: the link can't be trusted
    /// with a closed channel.
    fn bad_frame(&mut self, link: usize, error: FrameError, now_us: u64) {
        debug!("link {}: {}", link, error);
        let rules = self.ruling == Some(link);
        let mut numbered = None;
        if let FrameError::Unknown(UnknownContent { seq }) = error {
            numbered = seq;
            if rules {
                self.silence.heard(now_us);
            }
        }
        if numbered.is_none()
            && let Some(link) = self.links.get_mut(link)
        {
            link.bad_frame(error.trouble(), now_us);
        }
        if rules {
            self.open_for(OpenReason::BadFrame, now_us);
        }
        if let Some(seq) = numbered {
            let fault = if rules { Fault::UnknownRequest } else { Fault::NotGreeted };
            Voice::new(&mut self.links, Some(link), now_us).refuse(seq, fault);
        }
    }

    fn open_for(&mut self, reason: OpenReason, now_us: u64) {
        info!("open: {}", reason);
        self.sequencer.open_for(reason, &mut Voice::new(&mut self.links, self.ruling, now_us));
    }

    /// What must follow whatever was done: everything opens if the ruling host misses a message, and the
    /// bleed resistor is as the sequencer wants it.
    fn follow(&mut self, now_us: u64) {
        let ruling = self.ruling.and_then(|ruling| self.links.get(ruling));
        if ruling.is_some_and(Link::has_lost) && !self.sequencer.is_idle() {
            self.open_for(OpenReason::HostDeaf, now_us);
        }
        let wanted = self.sequencer.bleeds();
        self.panel.bleed(wanted);
    }

    /// Speaks to the host that rules.
    fn voice(&mut self, now_us: u64) -> Voice<'_> {
        Voice::new(&mut self.links, self.ruling, now_us)
    }
}
