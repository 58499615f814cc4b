//! Both ends in memory and in simulated time: a switching board that only keeps the protocol, a simulated
//! meter, and a voltage on each channel. Faster than real time by four orders of magnitude.

use std::{
    collections::{BTreeMap, VecDeque},
    io,
    time::Duration,
};

use pintally::{
    meter::{DiodeSource, Profile},
    moment::Moment,
    practice::{
        meter::{MeterOptions, SimulatedMeter},
        random::Random,
    },
    sweep::{Devices, Heard},
    units::Volts,
};
use protocol::{
    Accumulator, Answer, BoardKind, BoardMessage, Channel, Event, Fault, Greeting, OpenReason, Parts,
    Request, RequestFrame, ResetCause, Timing, frame,
};

/// Time from a request to its effect, and from an event to its message: a USB frame.
const LINK: Duration = Duration::from_millis(1);

/// Break before make.
const BREAK: Duration = Duration::from_millis(2);

/// A switching board, a meter, and what hangs on the channels.
pub struct Rig {
    now: Moment,
    inputs: Vec<Option<Volts>>,
    open_leads: Volts,
    closed: Option<(Channel, Moment)>,
    plan: Vec<Channel>,
    /// Settle time of the plan's steps.
    step_settle_us: u32,
    is_greeted: bool,
    lid_is_open: bool,
    /// When the switching board started: its clock began at 0 then.
    started: Moment,
    /// The present step of the plan, and when its channel has settled.
    step: Option<(u16, Moment)>,
    /// When the latest message in each direction arrives: none overtakes another.
    arrivals: [Moment; 2],
    dice: Random,
    requests: Accumulator<RequestFrame>,
    meter: SimulatedMeter,
    byte_time: Duration,
    /// What will happen, in order of time.
    future: BTreeMap<(Moment, u64), Happening>,
    count: u64,
    /// Requests heard, for tests that look at them.
    pub heard: VecDeque<Request>,
    /// How the link to the switching board misbehaves.
    pub trouble: Trouble,
    /// Channels with a capacitor: volts when the channel closes, and how many a second it charges.
    pub ramps: BTreeMap<u8, (f64, f64)>,
}

/// What goes wrong on the link to the switching board.
#[derive(Debug, Clone, Copy, Default)]
pub struct Trouble {
    /// Answers are lost from this one on, counted from 0, for so many answers.
    pub lost_answers: Option<(u32, u32)>,
    /// The greeting is refused with these versions.
    pub speaks: Option<(u8, u8)>,
    /// Nothing is ever answered.
    pub is_silent: bool,
    /// Instead of answers comes this byte, over and over.
    pub babbles: Option<u8>,
    /// The first request of which this is true meets a switching board that has just started again.
    pub restarts_before: Option<fn(&Request) -> bool>,
    /// So many channels open by themselves while they are being closed.
    pub opens: u32,
    /// One message in three, to and fro, is late by up to so much.
    pub late: Option<Duration>,
    /// The channel that closes lies so many beyond the one that is asked for.
    pub strays: u8,
}

#[derive(Debug)]
enum Happening {
    Request(RequestFrame),
    Close(Channel),
    Open,
    ToHost(Vec<u8>),
    MeterBytes(Vec<u8>),
    ToMeter(Vec<u8>),
    LidOpens,
    /// The lid is shut afterwards, and nobody was told.
    Restart,
}

impl Rig {
    /// Puts `inputs` (one a channel, `None` for an open one) on a switching board and connects a meter.
    #[must_use]
    pub fn new(profile: &Profile, options: MeterOptions, inputs: Vec<Option<Volts>>, seed: u64) -> Self {
        let meter = SimulatedMeter::new(profile.clone(), options, seed, Moment::START);
        let open_leads = match meter.source() {
            DiodeSource::ConstantCurrent { compliance, .. } => compliance,
            DiodeSource::BehindResistance { open_circuit, .. } => open_circuit,
        };
        Self {
            now: Moment::START,
            inputs,
            open_leads,
            closed: None,
            plan: Vec::new(),
            step_settle_us: 0,
            is_greeted: false,
            lid_is_open: false,
            started: Moment::START,
            step: None,
            arrivals: [Moment::START; 2],
            dice: Random::from_state(seed ^ 0x4c49_4e4b),
            requests: Accumulator::new(),
            meter,
            byte_time: profile.port.byte_time(),
            future: BTreeMap::new(),
            count: 0,
            heard: VecDeque::new(),
            trouble: Trouble::default(),
            ramps: BTreeMap::new(),
        }
    }

    /// The lid will be opened at this moment, and shut at the other while the switching board starts again.
    pub fn lid_opens(&mut self, at: Moment, restart: Moment) {
        self.later(at, Happening::LidOpens);
        self.later(restart, Happening::Restart);
    }

    fn restart(&mut self) {
        (self.closed, self.is_greeted, self.lid_is_open, self.started) = (None, false, false, self.now);
        self.plan.clear();
        // What was under way is forgotten with it.
        self.future.retain(|_, happening| !matches!(happening, Happening::Close(_)));
    }

    fn event(&mut self, event: Event) {
        let message = BoardMessage::Event { at_us: self.now.since(self.started).as_micros() as u64, event };
        let arrival = self.arrival(self.now, 0);
        self.later(arrival, Happening::ToHost(frame::encode(&message).to_vec()));
    }

    fn later(&mut self, at: Moment, happening: Happening) {
        self.count += 1;
        self.future.insert((at, self.count), happening);
    }

    fn advance_meter(&mut self, until: Moment) {
        let (steady, ramp) = match self.closed {
            Some((Channel(channel), since)) => (
                self.inputs.get(usize::from(channel)).copied().flatten().unwrap_or(self.open_leads),
                self.ramps.get(&channel).map(|ramp| (since, *ramp)),
            ),
            None => (self.open_leads, None),
        };
        let mut input = |at: Moment| match ramp {
            Some((since, (from, slope))) => {
                let volts = from + slope * at.since(since).as_secs_f64();
                // What charges it ends at the pin's own voltage; what discharges it does not.
                Volts::of(if slope > 0.0 { volts.min(steady.get()) } else { volts })
            }
            None => steady,
        };
        for (at, bytes) in self.meter.advance(until, &mut input) {
            // The last byte has arrived when the line is done with it; the port hands the frame over whole.
            let count = u32::try_from(bytes.len()).unwrap_or(u32::MAX);
            self.later(at.after(self.byte_time * count), Happening::MeterBytes(bytes));
        }
    }

    fn answer(&mut self, at: Moment, seq: u16, answer: Answer) {
        let number = self.heard.len() as u32;
        let is_lost =
            self.trouble.lost_answers.is_some_and(|(first, many)| (first..first + many).contains(&number));
        if self.trouble.is_silent || is_lost {
            return;
        }
        if let Some(byte) = self.trouble.babbles {
            self.later(at.after(LINK), Happening::ToHost(vec![byte, byte, byte, 0]));
            return;
        }
        let message = BoardMessage::Answer { seq, at_us: at.since(self.started).as_micros() as u64, answer };
        let arrival = self.arrival(at.max(self.now), 0);
        self.later(arrival, Happening::ToHost(frame::encode(&message).to_vec()));
    }

    /// When a message that leaves now or then arrives: `way` is 0 to the host, 1 to the switching board.
    fn arrival(&mut self, leaves: Moment, way: usize) -> Moment {
        let mut arrival = leaves.after(LINK);
        if let Some(late) = self.trouble.late.filter(|_| self.dice.unit() < 1.0 / 3.0) {
            arrival = arrival.after(late.mul_f64(self.dice.unit()));
        }
        self.arrivals[way] = arrival.max(self.arrivals[way]);
        self.arrivals[way]
    }

    fn request(&mut self, frame: RequestFrame) {
        let (at, seq) = (self.now, frame.seq);
        self.heard.push_back(frame.request.clone());
        if self.trouble.restarts_before.is_some_and(|is_it| is_it(&frame.request)) {
            self.trouble.restarts_before = None;
            self.restart();
        }
        match frame.request {
            Request::Greet { .. } => {
                (self.closed, self.is_greeted) = (None, true);
                let answer = match self.trouble.speaks {
                    Some((min, max)) => Answer::Refused(Fault::Version { min, max }),
                    None => Answer::Greeting(self.greeting()),
                };
                self.answer(at, seq, answer);
            }
            _ if !self.is_greeted => self.answer(at, seq, Answer::Refused(Fault::NotGreeted)),
            Request::Ping => self.answer(at, seq, Answer::Pong),
            Request::OpenAll => {
                self.step = None;
                self.later(at, Happening::Open);
                self.answer(at, seq, Answer::Opened);
            }
            Request::LoadPlan { first, channels } => {
                self.plan.truncate(usize::from(first));
                self.plan.extend(channels);
                let steps = self.plan.len() as u16;
                self.answer(at, seq, Answer::PlanLoaded { steps });
            }
            Request::Select { channel, settle_us } => self.close(seq, None, channel, settle_us),
            Request::Start { settle_us, .. } => match self.plan.first() {
                Some(&channel) => {
                    self.step_settle_us = settle_us;
                    self.close(seq, Some(0), channel, settle_us);
                }
                None => self.answer(at, seq, Answer::Refused(Fault::PlanMismatch { loaded: 0 })),
            },
            // Asked again: the same answer, with the same time, as the firmware does it.
            Request::Advance { step } if self.step.is_some_and(|(at, _)| at == step) => {
                let settled = self.step.map_or(at, |(_, settled)| settled);
                let channel = self.plan[usize::from(step)];
                self.answer(settled, seq, Answer::Settled { step: Some(step), channel });
            }
            Request::Advance { step } => match self.plan.get(usize::from(step)) {
                Some(&channel) => self.close(seq, Some(step), channel, self.step_settle_us),
                None => {
                    self.later(at, Happening::Open);
                    self.answer(at, seq, Answer::PlanEnded);
                }
            },
            _ => self.answer(at, seq, Answer::Indicated),
        }
    }

    fn close(&mut self, seq: u16, step: Option<u16>, channel: Channel, settle_us: u32) {
        let at = self.now;
        let channel = Channel(channel.0 + self.trouble.strays);
        if usize::from(channel.0) >= self.inputs.len() {
            let channels = self.inputs.len() as u8;
            self.answer(at, seq, Answer::Refused(Fault::ChannelOutOfRange { channel, channels }));
            return;
        }
        if self.lid_is_open {
            self.answer(at, seq, Answer::Refused(Fault::LidOpen));
            return;
        }
        if self.trouble.opens > 0 {
            self.trouble.opens -= 1;
            let reason = OpenReason::BadFrame;
            self.answer(at, seq, Answer::Refused(Fault::Opened(reason)));
            self.event(Event::Opened { reason });
            return;
        }
        let settled = at.after(BREAK + Duration::from_micros(u64::from(settle_us)));
        self.step = step.map(|step| (step, settled));
        self.later(at, Happening::Open);
        self.later(at.after(BREAK), Happening::Close(channel));
        self.answer(settled, seq, Answer::Settled { step, channel });
    }

    fn greeting(&self) -> Greeting {
        Greeting {
            version: protocol::version::CURRENT,
            kind: BoardKind::Practice,
            boot_id: 1,
            reset: ResetCause::Power,
            channels: self.inputs.len() as u8,
            plan_steps: protocol::PLAN_STEPS as u16,
            firmware: (0, 1, 0),
            unique_id: [0; 8],
            parts: Parts::default(),
            timing: Timing { break_us: 2000, make_us: 0, silence_us: 2_000_000 },
        }
    }
}

impl Devices for Rig {
    fn now(&self) -> Moment {
        self.now
    }

    fn wait(&mut self, until: Moment) -> Heard {
        loop {
            // The meter may send before the next thing that is known, so it goes first, step by step.
            let known = self.future.keys().next().map_or(until, |(at, _)| (*at).min(until));
            let step = self.meter.next_event().map_or(known, |at| at.min(known)).max(self.now);
            self.advance_meter(step);
            self.now = step;
            let due = self.future.first_entry().filter(|entry| entry.key().0 <= step);
            match due.map(|entry| entry.remove()) {
                Some(Happening::Request(frame)) => self.request(frame),
                Some(Happening::Close(channel)) => self.closed = Some((channel, step)),
                Some(Happening::Open) => self.closed = None,
                Some(Happening::LidOpens) => {
                    // As the firmware does it, no step is taken up again after that.
                    (self.closed, self.step, self.lid_is_open) = (None, None, true);
                    self.event(Event::Opened { reason: OpenReason::LidOpen });
                    self.event(Event::Lid { closed: false });
                }
                Some(Happening::Restart) => self.restart(),
                Some(Happening::ToMeter(bytes)) => self.meter.receive(&bytes, step),
                Some(Happening::ToHost(bytes)) => return Heard::Jig(step, bytes),
                Some(Happening::MeterBytes(bytes)) => return Heard::Meter(step, bytes),
                None if step >= until => return Heard::Nothing,
                None => {}
            }
        }
    }

    fn to_jig(&mut self, bytes: &[u8]) -> io::Result<()> {
        let at = self.arrival(self.now, 1);
        let mut requests = std::mem::take(&mut self.requests);
        for frame in requests.items(bytes).flatten() {
            self.later(at, Happening::Request(frame));
        }
        self.requests = requests;
        Ok(())
    }

    fn to_meter(&mut self, bytes: &[u8]) -> io::Result<()> {
        let count = u32::try_from(bytes.len()).unwrap_or(u32::MAX);
        let at = self.now.after(self.byte_time * count);
        self.later(at, Happening::ToMeter(bytes.to_vec()));
        Ok(())
    }
}
