//! The whole bench in simulated time: bytes go in, bytes come out, and it says when it wants to be asked again.

use std::{collections::VecDeque, time::Duration};

use super::{
    circuit::SolveError,
    jig::{Jig, JigSetup},
    line::CommonLine,
    meter::{MeterOptions, SimulatedMeter},
    specimen::Specimen,
};
use crate::{
    meter::{DiodeSource, Function, Profile},
    moment::Moment,
    port::SWITCHING_BOARD,
};

/// One of the two lines to the host.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Side {
    /// The meter's line.
    Meter,
    /// The switching board's line.
    Jig,
}

/// A board on a jig with a meter, all of them emulated.
///
/// Sans-IO: call [`advance`](Self::advance) at [`next_event`](Self::next_event), and send on what it gives. Moments
/// never run backwards.
#[derive(Debug)]
pub struct Bench {
    jig: Jig,
    setup: JigSetup,
    meter: SimulatedMeter,
    /// What it was made of.
    fresh_meter: (Profile, MeterOptions, u64),
    /// Time of one byte on the meter's line, and on the switching board's.
    byte_times: [Duration; 2],
    now: Moment,
    /// Bytes on their way to a device, by the moment at which the last of them arrives.
    to_devices: VecDeque<(Moment, Side, Vec<u8>)>,
    /// Bytes on their way to the host, likewise.
    to_host: VecDeque<(Moment, Side, Vec<u8>)>,
    /// Until when each line towards the host is busy.
    line_free: [Moment; 2],
}

impl Bench {
    /// Sets up a bench and switches everything on. The same seed makes the same noise.
    ///
    /// # Errors
    /// [`SolveError::BadPart`] if the board has a part without a usable value.
    pub fn new(
        specimen: &Specimen,
        setup: JigSetup,
        profile: Profile,
        options: MeterOptions,
        seed: u64,
        now: Moment,
    ) -> Result<Self, SolveError> {
        let byte_times = [profile.port.byte_time(), SWITCHING_BOARD.byte_time()];
        let fresh_meter = (profile, options, seed);
        let (profile, options, seed) = fresh_meter.clone();
        let meter = SimulatedMeter::new(profile, options, seed, now);
        let line = CommonLine::new(specimen, &setup, meter.source(), now)?;
        Ok(Self {
            jig: Jig::new(line, &setup, now),
            setup,
            meter,
            fresh_meter,
            byte_times,
            now,
            to_devices: VecDeque::new(),
            to_host: VecDeque::new(),
            line_free: [now; 2],
        })
    }

    /// Takes bytes that the host sends to the meter.
    pub fn to_meter(&mut self, bytes: &[u8], now: Moment) {
        self.take(Side::Meter, bytes, now);
    }

    /// Takes bytes that the host sends to the switching board.
    pub fn to_jig(&mut self, bytes: &[u8], now: Moment) {
        self.take(Side::Jig, bytes, now);
    }

    /// When something happens next without anybody's doing.
    #[must_use]
    pub fn next_event(&self) -> Option<Moment> {
        let bytes = self.to_host.front().map(|(at, ..)| *at);
        [self.next_inside(), bytes].into_iter().flatten().min()
    }

    /// Lets time pass and gives the bytes that reached the host by then, with the moment at which the last of them did.
    #[must_use = "the host waits for these bytes"]
    pub fn advance(&mut self, now: Moment) -> Vec<(Moment, Side, Vec<u8>)> {
        while let Some(next) = self.next_inside().filter(|next| *next <= now) {
            self.pass(next.max(self.now));
        }
        self.pass(now.max(self.now));
        let mut arrived = Vec::new();
        while self.to_host.front().is_some_and(|(at, ..)| *at <= now) {
            arrived.extend(self.to_host.pop_front());
        }
        arrived
    }

    /// Takes the board off the jig and puts another one on.
    ///
    /// # Errors
    /// [`SolveError::BadPart`] if the board has a part without a usable value; the old one then stays.
    pub fn load(&mut self, specimen: &Specimen) -> Result<(), SolveError> {
        let mut line = CommonLine::new(specimen, &self.setup, self.meter.source(), self.now)?;
        line.plug(self.jig.line().is_plugged(), self.now);
        line.switch(self.now, self.jig.closed());
        *self.jig.line() = line;
        Ok(())
    }

    /// Connects the meter to the common line and switches it on, or takes its plugs out.
    pub fn plug(&mut self, plugged: bool) {
        let now = self.now;
        if plugged && !self.jig.line().is_plugged() {
            let (profile, options, seed) = self.fresh_meter.clone();
            self.meter = SimulatedMeter::new(profile, options, seed, now);
            self.to_host.retain(|(_, side, _)| *side != Side::Meter);
            self.to_devices.retain(|(_, side, _)| *side != Side::Meter);
            self.line_free[Side::Meter as usize] = now;
        }
        self.jig.line().plug(plugged, now);
    }

    /// Presses HOLD on the meter, or presses it again.
    pub fn press_hold(&mut self) {
        self.meter.press_hold(self.now);
    }

    /// The switching board: its button, lid, light and buzzer, and the common line.
    pub fn jig(&mut self) -> &mut Jig {
        &mut self.jig
    }

    /// The meter.
    #[must_use]
    pub const fn meter(&self) -> &SimulatedMeter {
        &self.meter
    }

    /// The moment to which time has passed.
    #[must_use]
    pub const fn now(&self) -> Moment {
        self.now
    }

    fn take(&mut self, side: Side, bytes: &[u8], now: Moment) {
        let at = now.max(self.now).after(self.on_air(side, bytes.len()));
        insert(&mut self.to_devices, (at, side, bytes.to_vec()));
    }

    /// When anything happens next, deliveries to the host apart.
    fn next_inside(&self) -> Option<Moment> {
        let bytes = self.to_devices.front().map(|(at, ..)| *at);
        [self.jig.next_event(), self.meter.next_event(), bytes].into_iter().flatten().min()
    }

    /// Lets time pass to a moment with nothing between.
    fn pass(&mut self, now: Moment) {
        self.now = now;
        // The meter first: what happens to the switch at this moment comes after what it has converted by then.
        let open_leads = match self.meter.source() {
            DiodeSource::ConstantCurrent { compliance, .. } => compliance,
            DiodeSource::BehindResistance { open_circuit, .. } => open_circuit,
        };
        let line = self.jig.line();
        line.drive_current(self.meter.function() != Function::DcVoltage, now);
        let frames = self.meter.advance(now, &mut |at| {
            let voltage = line.voltage(at);
            if line.is_plugged() { voltage } else { open_leads }
        });
        for (begins, bytes) in frames {
            self.send(Side::Meter, begins, bytes);
        }
        self.jig.advance(now);
        while self.to_devices.front().is_some_and(|(at, ..)| *at <= now) {
            match self.to_devices.pop_front() {
                Some((at, Side::Meter, bytes)) => self.meter.receive(&bytes, at.max(now)),
                Some((at, Side::Jig, bytes)) => self.jig.receive(&bytes, at.max(now)),
                None => break,
            }
            self.jig.advance(now);
        }
        let bytes = self.jig.take_output();
        if !bytes.is_empty() {
            self.send(Side::Jig, now, bytes);
        }
    }

    /// Puts bytes on a line to the host, after what is on it already.
    fn send(&mut self, side: Side, begins: Moment, bytes: Vec<u8>) {
        let begins = begins.max(self.line_free[side as usize]);
        let at = begins.after(self.on_air(side, bytes.len()));
        self.line_free[side as usize] = at;
        insert(&mut self.to_host, (at, side, bytes));
    }

    fn on_air(&self, side: Side, bytes: usize) -> Duration {
        self.byte_times[side as usize].saturating_mul(u32::try_from(bytes).unwrap_or(u32::MAX))
    }
}

/// Keeps a queue in the order of time, and in the order of coming where times are equal.
fn insert(queue: &mut VecDeque<(Moment, Side, Vec<u8>)>, item: (Moment, Side, Vec<u8>)) {
    let place = queue.partition_point(|(at, ..)| *at <= item.0);
    queue.insert(place, item);
}

#[cfg(test)]
mod tests {
    use protocol::{
        Accumulator, Answer, BoardMessage, Channel, Event, OpenReason, Request, RequestFrame, Sound,
        frame::encode,
    };

    use super::*;
    use crate::{
        meter::shipped,
        practice::{Design, sample},
        units::Volts,
    };

    /// A served bench runs on a thread of its own.
    const fn is_send<T: Send>() {}
    const _: () = is_send::<Bench>();

    struct Host {
        bench: Bench,
        frames: Accumulator<BoardMessage>,
        seq: u16,
        heard: Vec<(Moment, BoardMessage)>,
    }

    impl Host {
        fn new(faults: &[&str]) -> Self {
            let profile = shipped("bench-stream").unwrap();
            let options = MeterOptions::of(&profile);
            let setup = JigSetup::straight(&sample::connector(), 1).unwrap();
            let bench = Bench::new(&specimen(faults), setup, profile, options, 1, Moment::START).unwrap();
            let mut host = Self { bench, frames: Accumulator::new(), seq: 0, heard: Vec::new() };
            host.ask(Request::Greet { min: 1, max: 1 });
            host.pass(10);
            host
        }

        fn ask(&mut self, request: Request) {
            self.seq += 1;
            let bytes = encode(&RequestFrame { seq: self.seq, request });
            self.bench.to_jig(&bytes, self.bench.now());
        }

        fn pass(&mut self, milliseconds: u64) {
            let until = self.bench.now().after(Duration::from_millis(milliseconds));
            for (at, side, bytes) in self.bench.advance(until) {
                if side == Side::Jig {
                    let items: Vec<_> = self.frames.items(&bytes).collect();
                    self.heard.extend(items.into_iter().map(|item| (at, item.unwrap())));
                }
            }
        }

        fn events(&self) -> Vec<&Event> {
            self.heard
                .iter()
                .filter_map(|(_, message)| match message {
                    BoardMessage::Event { event, .. } => Some(event),
                    BoardMessage::Answer { .. } => None,
                })
                .collect()
        }

        fn last_answer(&self) -> &Answer {
            self.heard
                .iter()
                .rev()
                .find_map(|(_, message)| match message {
                    BoardMessage::Answer { answer, .. } => Some(answer),
                    BoardMessage::Event { .. } => None,
                })
                .unwrap()
        }

        fn seen(&mut self) -> Volts {
            let now = self.bench.now();
            self.bench.jig().line().voltage(now)
        }
    }

    fn specimen(faults: &[&str]) -> Specimen {
        let faults: Vec<_> = faults.iter().map(|text| text.parse().unwrap()).collect();
        Specimen::new(&Design::new(&sample::connector(), 3), "T", 7, &faults).unwrap()
    }

    fn select(channel: u8) -> Request {
        Request::Select { channel: Channel(channel), settle_us: 3000 }
    }

    #[test]
    fn a_selected_channel_is_closed_when_it_is_called_settled() {
        let mut host = Host::new(&[]);
        assert!(host.seen().get() > 3.0, "nothing is closed");
        host.ask(select(14));
        host.pass(10);
        assert!(matches!(host.last_answer(), Answer::Settled { channel: Channel(14), .. }));
        assert!(host.seen().get() < 1.0);
    }

    #[test]
    fn the_button_is_heard_and_the_lid_opens_everything() {
        let mut host = Host::new(&[]);
        host.ask(select(14));
        host.pass(10);
        host.bench.jig().button(true);
        host.pass(40);
        assert!(host.events().contains(&&Event::Button { pressed: true }));
        host.bench.jig().lid(false);
        host.pass(10);
        assert!(host.events().contains(&&Event::Lid { closed: false }));
        assert!(host.seen().get() > 3.0, "within 10 ms of the lid everything is open");
    }

    #[test]
    fn a_silent_host_opens_everything() {
        let mut host = Host::new(&[]);
        host.ask(select(14));
        host.pass(1900);
        assert!(host.seen().get() < 1.0);
        host.pass(200);
        assert!(host.events().contains(&&Event::Opened { reason: OpenReason::HostSilent }));
        assert!(host.seen().get() > 3.0);
    }

    #[test]
    fn a_live_rail_is_sensed_before_it_is_measured() {
        let mut host = Host::new(&["live:B1=3.7"]);
        host.ask(select(20));
        host.pass(10);
        host.ask(Request::Sense);
        host.pass(10);
        let Answer::SenseVoltage { millivolts } = host.last_answer() else {
            panic!("{:?}", host.last_answer())
        };
        assert!((3600..=3700).contains(millivolts), "{millivolts}");
        assert!(host.seen().get() < -3.0, "the meter shows it negative");
    }

    #[test]
    fn another_board_reads_otherwise_without_a_new_greeting() {
        let mut host = Host::new(&[]);
        host.ask(select(14));
        host.pass(10);
        let good = host.seen().get();
        host.bench.load(&specimen(&["raised:A15=150"])).unwrap();
        host.pass(1);
        assert!((host.seen().get() - good - 0.150).abs() < 1e-3);
    }

    #[test]
    fn the_buzzer_is_heard_once() {
        let mut host = Host::new(&[]);
        host.ask(Request::Indicate { light: protocol::Light::Differs, sound: Sound::Differs });
        host.pass(10);
        assert_eq!(host.bench.jig().take_sounds(), [Sound::Differs]);
        assert_eq!(host.bench.jig().take_sounds(), []);
    }

    #[test]
    fn bytes_take_their_time_on_the_line() {
        let mut host = Host::new(&[]);
        let (at, greeting) = &host.heard[0];
        let there = encode(&RequestFrame { seq: 1, request: Request::Greet { min: 1, max: 1 } }).len();
        // 115200 baud, ten bits a byte, both ways.
        let least = (there + encode(greeting).len()) as u64 * 86;
        assert!((least..least + 2000).contains(&at.as_micros()), "{at} for {least} us");
        host.pass(500);
        let frames: Vec<Moment> = host
            .bench
            .advance(host.bench.now().after(Duration::from_secs(1)))
            .into_iter()
            .filter(|(_, side, _)| *side == Side::Meter)
            .map(|(at, ..)| at)
            .collect();
        // 25 readings a second.
        assert!((24..=26).contains(&frames.len()), "{}", frames.len());
        assert!(frames.is_sorted());
    }
}
