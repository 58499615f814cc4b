//! Simulated meters: what a meter would send while its leads see a given voltage.
//!
//! ```text
//! voltage at the leads ─► conversion (mean over its window, noise) ─► averaging ─► lag ─► display ─► frame ─► line
//!                                                                                 HOLD,      flipped bits,
//!                                                                                 rounding   lost, doubled
//! ```
//!
//! Sans-IO and the same for the same seed. The encoders are written from the layouts of the formats and share no
//! table with the decoders, so that a slip in one shows as a difference.

mod converter;
mod encode;
mod instrument;
mod options;
mod trouble;

use std::{collections::VecDeque, time::Duration};

use crate::{
    meter::{DiodeSource, Format, Function, Profile, Talk},
    moment::Moment,
    practice::random::Random,
    units::Volts,
};

use {
    converter::{Conversion, Converter},
    encode::{Display, Shown},
    instrument::{Instrument, Reply},
};

pub use {
    options::{Hum, MeterOptions},
    trouble::{MeterTrouble, ParseMeterTroubleError},
};

/// A meter of the practice bench.
///
/// Call [`advance`](Self::advance) before each change of the circuit, before each
/// [`receive`](Self::receive), and when [`next_event`](Self::next_event) has come.
#[derive(Debug)]
pub struct SimulatedMeter {
    profile: Profile,
    options: MeterOptions,
    random: Random,
    converter: Converter,
    instrument: Instrument,
    /// What was received and not acted on yet.
    inbox: Vec<u8>,
    /// Replies that are due.
    replies: VecDeque<(Moment, Reply)>,
    /// What the display shows, and would show without HOLD.
    shown: Shown,
    /// The line is busy until then.
    line_free: Moment,
    conversions: u64,
}

impl SimulatedMeter {
    /// How long a meter takes to act on a command or a poll. An assumption; no maker tells.
    const COMMAND_TIME: Duration = Duration::from_millis(2);

    /// Switches a meter on at `now`.
    #[must_use]
    pub fn new(profile: Profile, options: MeterOptions, seed: u64, now: Moment) -> Self {
        let mut random = Random::from_state(seed);
        let mut converter = Converter::new(&profile, &options);
        if !matches!(profile.talk, Talk::Triggered { .. }) {
            // Nobody knows the phase of a free-running converter.
            let phase = profile.period().mul_f64(random.unit());
            converter.begin(now.after(phase), &mut random);
        }
        Self {
            instrument: Instrument::new(options.function),
            random,
            converter,
            inbox: Vec::new(),
            replies: VecDeque::new(),
            shown: Shown::Overload { minus: false },
            line_free: now,
            conversions: 0,
            profile,
            options,
        }
    }

    /// What the meter drives through its leads in diode test.
    #[must_use]
    pub const fn source(&self) -> DiodeSource {
        self.profile.diode.source
    }

    /// What the meter measures now: the panel's choice, or what a command chose.
    #[must_use]
    pub const fn function(&self) -> Function {
        self.instrument.function()
    }

    /// Conversions that have ended.
    #[must_use]
    pub const fn conversions(&self) -> u64 {
        self.conversions
    }

    /// Presses HOLD, or presses it again.
    pub fn press_hold(&mut self, now: Moment) {
        let is_held = self.options.is_held(now);
        (self.options.hold_from, self.options.hold_until) = ((!is_held).then_some(now), None);
    }

    /// Takes bytes that reach the meter at `now`.
    pub fn receive(&mut self, bytes: &[u8], now: Moment) {
        // A meter that has switched itself off hears nothing.
        if self.options.silent_from.is_some_and(|from| now >= from) {
            return;
        }
        self.inbox.extend_from_slice(bytes);
        match &self.profile.talk {
            Talk::Streaming => self.inbox.clear(),
            Talk::Polled { poll, .. } => {
                while let Some(at) = find(&self.inbox, poll) {
                    self.inbox.drain(..at + poll.len());
                    self.replies.push_back((now.after(Self::COMMAND_TIME), Reply::Newest));
                }
                let keep = self.inbox.len().min(poll.len().saturating_sub(1));
                self.inbox.drain(..self.inbox.len() - keep);
            }
            Talk::Triggered { .. } => {
                while let Some(end) = self.inbox.iter().position(|byte| matches!(byte, b'\n' | b'\r')) {
                    let line: Vec<u8> = self.inbox.drain(..=end).collect();
                    let due =
                        self.replies.back().map_or(now, |(at, _)| now.max(*at)).after(Self::COMMAND_TIME);
                    if let Some(reply) = self.instrument.execute(&String::from_utf8_lossy(&line)) {
                        self.replies.push_back((due, reply));
                    }
                    self.converter.set_limit(self.limit());
                }
                // A real meter's input buffer is about as long (34401A p. 151: about 100 characters).
                self.inbox.truncate(100);
            }
        }
    }

    /// When something happens next without anybody's doing.
    #[must_use]
    pub fn next_event(&self) -> Option<Moment> {
        let reply = self.replies.front().filter(|_| !self.converter.busy_for_reply()).map(|(at, _)| *at);
        [self.converter.end(), reply].into_iter().flatten().min()
    }

    /// Lets time pass until `now`. `input` tells the voltage at the leads; it is asked in order of time, only for
    /// moments after the last call and up to `now`.
    ///
    /// Returns the frames that left, each with the moment at which its first byte leaves the meter; its last byte
    /// arrives one byte time a byte later ([`PortSettings::byte_time`](crate::meter::PortSettings::byte_time)).
    pub fn advance(&mut self, now: Moment, input: &mut dyn FnMut(Moment) -> Volts) -> Vec<(Moment, Vec<u8>)> {
        let mut sent = Vec::new();
        loop {
            let sample = self.converter.next_sample();
            let end = self.converter.end();
            let reply = self.replies.front().filter(|_| !self.converter.busy_for_reply()).map(|(at, _)| *at);
            let Some(next) = [sample, end, reply].into_iter().flatten().min().filter(|next| *next <= now)
            else {
                return sent;
            };
            if sample == Some(next) {
                self.converter.sample(Volts::of(input(next).get() * self.options.scale));
            } else if end == Some(next) {
                self.convert(next, &mut sent);
            } else if let Some((at, reply)) = self.replies.pop_front() {
                self.reply(at, reply, &mut sent);
            }
        }
    }

    fn convert(&mut self, now: Moment, sent: &mut Vec<(Moment, Vec<u8>)>) {
        let conversion = self.converter.finish(&mut self.random);
        self.conversions += 1;
        if !self.options.is_held(now) {
            self.shown = self.show(conversion);
        }
        match self.profile.talk {
            Talk::Streaming => {
                self.send_reading(now, sent);
                if self.profile.format == Format::Es11 {
                    // Sent twice a conversion; when the second one leaves is not told, half-way is as good a guess as
                    // any.
                    let again = now.after(self.profile.period() / 2);
                    self.replies.push_back((again, Reply::Newest));
                }
                self.converter.begin(now, &mut self.random);
            }
            Talk::Polled { .. } => self.converter.begin(now, &mut self.random),
            Talk::Triggered { .. } => self.send_reading(now, sent),
        }
    }

    fn reply(&mut self, now: Moment, reply: Reply, sent: &mut Vec<(Moment, Vec<u8>)>) {
        match reply {
            Reply::Newest => self.send_reading(now, sent),
            Reply::Text(text) => self.send(now, text.into_bytes(), sent),
            Reply::Convert => self.converter.begin(now, &mut self.random),
        }
    }

    /// Above this there is an overload: in DC volts the largest range of bench meters (34401A: 1000 V).
    fn limit(&self) -> f64 {
        match self.instrument.function() {
            Function::DcVoltage => 1000.0,
            _ => self.profile.diode.overload_above.get(),
        }
    }

    /// Rounds to the display.
    fn show(&self, conversion: Conversion) -> Shown {
        let limit = self.limit();
        match conversion {
            Conversion::Volts(volts) if volts.get().abs() <= limit => {
                let steps = self.options.steps.unwrap_or(self.profile.diode.resolution);
                let count = (volts.get() / steps.get()).round() as i64;
                let decimals = self.decimals();
                // Resolutions such as 0.0005 V count in steps of five.
                let step = steps.get() * 10f64.powi(i32::from(decimals));
                Shown::Count { count: count * (step.round() as i64).max(1), decimals }
            }
            Conversion::Volts(volts) => Shown::Overload { minus: volts.get() < 0.0 },
            Conversion::Overload { minus } => Shown::Overload { minus },
        }
    }

    /// Decimals that the resolution needs, at most nine.
    fn decimals(&self) -> u8 {
        let resolution = self.profile.diode.resolution.get();
        (0..9).find(|decimals| resolution * 10f64.powi(i32::from(*decimals)) >= 0.999).unwrap_or(9)
    }

    fn send_reading(&mut self, now: Moment, sent: &mut Vec<(Moment, Vec<u8>)>) {
        let display = Display {
            shown: self.shown,
            function: self.instrument.function(),
            hold: self.options.is_held(now),
            relative: self.options.relative,
            extreme: self.options.extreme,
            auto_power_off: self.options.auto_power_off,
            low_battery: self.options.low_battery,
        };
        let frame = encode::encode(&self.profile, &display);
        self.send(now, frame, sent);
    }

    /// Puts a frame on the line, with what can happen to it there.
    fn send(&mut self, now: Moment, frame: Vec<u8>, sent: &mut Vec<(Moment, Vec<u8>)>) {
        if self.options.silent_from.is_some_and(|from| now >= from)
            || happens(self.options.lost, &mut self.random)
        {
            return;
        }
        let copies = if happens(self.options.doubled, &mut self.random) { 2 } else { 1 };
        for _ in 0..copies {
            let mut bytes = frame.clone();
            for byte in &mut bytes {
                if happens(self.options.flipped, &mut self.random) {
                    *byte ^= 1 << self.random.below(8);
                }
            }
            let at = now.max(self.line_free);
            let length = u32::try_from(bytes.len()).unwrap_or(u32::MAX);
            self.line_free = at.after(self.profile.port.byte_time().saturating_mul(length));
            sent.push((at, bytes));
        }
    }
}

/// Whether something of this probability happens. Draws nothing for what never happens, so that adding a kind of trouble
/// leaves the other numbers of a seed as they were.
fn happens(probability: f64, random: &mut Random) -> bool {
    probability > 0.0 && random.chance(probability)
}

fn find(bytes: &[u8], wanted: &[u8]) -> Option<usize> {
    bytes.windows(wanted.len().max(1)).position(|window| window == wanted)
}
