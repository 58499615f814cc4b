//! A hand with a probe on a practice board, and the meter that it holds: for practice and for trials of probing.
//!
//! The hand hears what it is told and does it, as well as hands do: it needs time, trembles, has bad contact, slips to a
//! neighbour, lifts too early, drags, pauses. The board is read where it has settled: how rails charge is tried on the
//! jig's bench. Sans-IO and the same for the same seed.

use std::{collections::VecDeque, io, time::Duration};

use super::{meter::SimulatedMeter, random::Random};
use crate::{
    connector::Connector,
    meter::{DiodeSource, Profile},
    moment::Moment,
    practice::meter::MeterOptions,
    probe::{Action, Bench, Deed, Expects, Heard, How, Known},
    readings::PinValue,
    units::{Ohms, Volts},
};

/// How steady a hand is. Shares are of touches.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Habits {
    /// Touches that land on the pin beside.
    pub slips: f64,
    /// Touches that land beside and drag to the right pin without lifting.
    pub drags: f64,
    /// Touches that end before anything can be read.
    pub lifts_early: f64,
    /// Touches whose contact blinks.
    pub bad_contact: f64,
    /// Touches with some tens of ohms too much, as on a dirty pad.
    pub dirty: f64,
    /// Pins before which the hand rests without saying so.
    pub rests: f64,
    /// Resistance of a good contact, with the tremble: between nothing and this.
    pub tremble: Ohms,
}

/// A hand on a practice board, with its meter.
#[derive(Debug)]
pub struct HandBench {
    meter: SimulatedMeter,
    source: DiodeSource,
    byte_time: Duration,
    period: Duration,
    drops: Vec<Volts>,
    beside: Vec<Vec<usize>>,
    habits: Habits,
    random: Random,
    now: Moment,
    contact: Contact,
    /// What the tip will do, in order of time.
    plan: VecDeque<(Moment, Contact)>,
    deed: Option<(Moment, Deed)>,
    /// What the hand does if it hears nothing by then.
    impatient: Option<(Moment, Aim)>,
    bytes: VecDeque<(Moment, Vec<u8>)>,
    /// Where the tip was, with the moments at which it came there.
    been: Vec<(Moment, Option<usize>)>,
}

/// What the hand wants.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Aim {
    /// Touch a pin until a tone is heard.
    Touch(usize),
    /// Hold a pin and press the foot switch.
    Hold(usize),
    /// Touch the clip of the red lead.
    Clip,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Contact {
    Lifted,
    On { pin: usize, ohms: f64 },
    Clip,
}

impl Default for Habits {
    /// A practised hand under a microscope. All shares are assumptions: nobody has counted them for us.
    fn default() -> Self {
        Self {
            slips: 0.01,
            drags: 0.01,
            lifts_early: 0.02,
            bad_contact: 0.05,
            dirty: 0.003,
            rests: 0.001,
            tremble: Ohms::of(2.0),
        }
    }
}

impl HandBench {
    /// A hand over a board whose settled drops are known, with a meter of this kind, from `now` on.
    #[must_use]
    pub fn new(
        connector: &Connector,
        drops: Vec<Volts>,
        profile: &Profile,
        options: MeterOptions,
        habits: Habits,
        seed: u64,
        now: Moment,
    ) -> Self {
        let rows = Expects::new(connector, None);
        let meter = SimulatedMeter::new(profile.clone(), options, seed, now);
        Self {
            source: meter.source(),
            meter,
            byte_time: profile.port.byte_time(),
            period: profile.period(),
            beside: (0..connector.pins.len()).map(|pin| rows.beside(pin).to_vec()).collect(),
            drops,
            habits,
            random: Random::new(seed, "hand"),
            now,
            contact: Contact::Lifted,
            plan: VecDeque::new(),
            deed: None,
            impatient: None,
            bytes: VecDeque::new(),
            been: Vec::new(),
        }
    }

    /// The pin that the tip touched last by a moment, if any.
    #[must_use]
    pub fn touched_by(&self, at: Moment) -> Option<usize> {
        let index = self.been.partition_point(|(since, _)| *since <= at);
        self.been[..index].iter().rev().find_map(|(_, pin)| *pin)
    }

    fn seconds(&mut self, low: f64, high: f64) -> Duration {
        Duration::from_secs_f64(self.random.between(low, high))
    }

    /// Forgets what it was about to do and begins something else.
    fn set_about(&mut self, aim: Aim, now: Moment) {
        self.deed = None;
        self.plan.clear();
        // It hears, lifts, and moves over.
        let mut at = now.after(self.seconds(0.15, 0.40));
        self.plan.push_back((at, Contact::Lifted));
        // A practised hand sees its meter show OL before it touches again: over a slow meter it moves more slowly.
        at = at.after(self.seconds(0.45, 1.1).max(self.period * 8 / 5));
        if self.been.is_empty() {
            // It reads the first sentence before it begins.
            at = at.after(self.seconds(1.5, 3.0));
        }
        if self.random.chance(self.habits.rests) {
            at = at.after(self.seconds(5.0, 25.0));
        }
        let (pin, hold) = match aim {
            Aim::Touch(pin) => (pin, false),
            Aim::Hold(pin) => (pin, true),
            Aim::Clip => {
                self.plan.push_back((at, Contact::Clip));
                self.impatient = Some((at.after(self.seconds(4.0, 7.0)), aim));
                return;
            }
        };
        let landed = if self.random.chance(self.habits.slips) { self.slip(pin) } else { pin };
        if self.random.chance(self.habits.drags) {
            let over = self.slip(pin);
            self.touch(over, at);
            at = at.after(self.seconds(0.03, 0.3));
        }
        self.touch(landed, at);
        if self.random.chance(self.habits.bad_contact) {
            for _ in 0..=self.random.below(3) {
                at = at.after(self.seconds(0.05, 0.4));
                self.plan.push_back((at, Contact::Lifted));
                at = at.after(self.seconds(0.01, 0.15));
                self.touch(landed, at);
            }
        }
        if self.random.chance(self.habits.lifts_early) {
            at = at.after(self.seconds(0.02, 0.25));
            self.plan.push_back((at, Contact::Lifted));
        } else if hold {
            self.deed = Some((at.after(self.seconds(0.3, 0.8)), Deed::Confirm));
        }
        // No tone: it lifts and tries once more.
        self.impatient = Some((at.after(self.seconds(2.5, 4.0)), aim));
    }

    fn touch(&mut self, pin: usize, at: Moment) {
        let dirty = if self.random.chance(self.habits.dirty) { self.random.between(5.0, 60.0) } else { 0.0 };
        // It presses down within a tenth of a second, and what remains differs from touch to touch.
        let rest = self.random.between(0.0, self.habits.tremble.get());
        for (step, ohms) in [8.0, 3.0, 1.0, 0.0].into_iter().enumerate() {
            let at = at.after(Duration::from_millis(30) * step as u32);
            self.plan.push_back((at, Contact::On { pin, ohms: rest + dirty + ohms * self.random.unit() }));
        }
    }

    fn slip(&mut self, pin: usize) -> usize {
        let beside = self.beside.get(pin).cloned().unwrap_or_default();
        self.random.pick(&beside).copied().unwrap_or(pin)
    }

    /// Lets the meter convert what the tip touches until `now`.
    fn pass(&mut self, now: Moment) {
        let Self { meter, plan, contact, drops, source, been, .. } = self;
        let frames = meter.advance(now, &mut |at| {
            follow(plan, contact, been, at);
            seen(*contact, drops, *source)
        });
        follow(plan, contact, been, now);
        for (begins, bytes) in frames {
            let on_air = self.byte_time.saturating_mul(u32::try_from(bytes.len()).unwrap_or(u32::MAX));
            let at = begins.after(on_air);
            let index = self.bytes.partition_point(|(other, _)| *other <= at);
            self.bytes.insert(index, (at, bytes));
        }
        self.now = self.now.max(now);
    }
}

impl Bench for HandBench {
    fn now(&self) -> Moment {
        self.now
    }

    fn wait(&mut self, until: Moment) -> Heard {
        loop {
            let bytes = self.bytes.front().map(|(at, _)| *at);
            let deed = self.deed.as_ref().map(|(at, _)| *at);
            let impatient = self.impatient.map(|(at, _)| at);
            let inside = self.meter.next_event();
            let next = [bytes, deed, impatient, inside].into_iter().flatten().min().unwrap_or(until);
            if next > until {
                self.pass(until);
                return Heard::Nothing;
            }
            let next = next.max(self.now);
            self.pass(next);
            if bytes.is_some_and(|at| at <= next)
                && let Some((at, bytes)) = self.bytes.pop_front()
            {
                return Heard::Meter(at, bytes);
            }
            if deed.is_some_and(|at| at <= next)
                && let Some((at, deed)) = self.deed.take()
            {
                return Heard::Deed(at, deed);
            }
            if let Some((at, aim)) = self.impatient.take_if(|(at, _)| *at <= next) {
                self.set_about(aim, at);
            }
        }
    }

    fn to_meter(&mut self, bytes: &[u8]) -> io::Result<()> {
        let at = self.now;
        self.meter.receive(bytes, at);
        Ok(())
    }

    fn to_jig(&mut self, _: &[u8]) -> io::Result<()> {
        Ok(())
    }

    fn told(&mut self, action: &Action, now: Moment) {
        let aim = match action {
            Action::Ask { pin, expected: Some(PinValue::Overload) }
            | Action::Again { pin, expected: PinValue::Overload, .. }
            | Action::Proven { pin } => Aim::Hold(*pin),
            Action::Ask { pin, .. }
            | Action::Again { pin, .. }
            | Action::Either { pin, .. }
            | Action::Unsettled { pin }
            | Action::NotProof { pin, .. } => Aim::Touch(*pin),
            Action::Prove { known: Known::Pin { pin, .. }, .. } => Aim::Touch(*pin),
            Action::Prove { known: Known::GroundClip, .. } => Aim::Clip,
            Action::Took { how: How::Skipped, .. } | Action::Confirming { .. } => return,
            // It lifts and tries what it was about once more.
            Action::ShowsNumber | Action::Dead { .. } => match self.impatient {
                Some((_, aim)) => aim,
                None => return,
            },
            _ => return,
        };
        self.set_about(aim, now);
    }
}

/// Moves the tip along its plan.
fn follow(
    plan: &mut VecDeque<(Moment, Contact)>,
    contact: &mut Contact,
    been: &mut Vec<(Moment, Option<usize>)>,
    at: Moment,
) {
    while plan.front().is_some_and(|(due, _)| *due <= at)
        && let Some((due, next)) = plan.pop_front()
    {
        *contact = next;
        let pin = match next {
            Contact::On { pin, .. } => Some(pin),
            Contact::Lifted | Contact::Clip => None,
        };
        been.push((due, pin));
    }
}

/// The voltage at the leads.
fn seen(contact: Contact, drops: &[Volts], source: DiodeSource) -> Volts {
    let open = match source {
        DiodeSource::ConstantCurrent { compliance, .. } => compliance,
        DiodeSource::BehindResistance { open_circuit, .. } => open_circuit,
    };
    let (drop, ohms) = match contact {
        Contact::Lifted => return open,
        Contact::Clip => (Volts::ZERO, 0.5),
        Contact::On { pin, ohms } => (drops.get(pin).copied().unwrap_or(open), ohms),
    };
    let current = match source {
        DiodeSource::ConstantCurrent { current, .. } => current.get(),
        // To first order the pin does not notice the little that the contact takes.
        DiodeSource::BehindResistance { open_circuit, resistance } => {
            ((open_circuit.get() - drop.get()) / resistance.get()).max(0.0)
        }
    };
    Volts::of((drop.get() + current * ohms).min(open.get()))
}
