//! The practice switching board: the firmware library itself, on contacts that are emulated.

use firmware::{Board, Fittings, Identity, Lamp, Switch, SwitchFault, Waits};
use protocol::{BoardKind, Channel, Parts, ResetCause, Sound};

use super::{JigTrouble, line::CommonLine, random::Random};
use crate::{
    connector::{CheckChannel, Connector, Wiring, WiringError},
    moment::Moment,
    units::Ohms,
};

/// From driving a reed relay to its contact being made, in µs. docs/facts.md 2.3 (RI-02): operate 0.30 ms with bounce.
const OPERATE_US: u64 = 300;

/// From driving a reed relay to its contact being open, in µs. docs/facts.md 2.3 (RI-02): release 0.07 ms at most.
const RELEASE_US: u64 = 70;

/// What the firmware waits, both with a margin over the relay's own times.
const WAITS: Waits = Waits { break_us: 500, make_us: 1000 };

/// Resistance of leads, relay and wire to each channel: docs/facts.md 2.3 gives 0.2 to 0.5 Ω for leads, 0.15 Ω for a
/// reed contact.
const PATH: [f64; 2] = [0.4, 0.6];

/// Resistor of the check channel: its drop lies between those of junctions and overload at 0.5 to 1.5 mA.
const CHECK_RESISTOR: Ohms = Ohms::of(1000.0);

/// How far the switching board's clock is ahead of the host's, in µs: it was plugged in before the program started.
pub const CLOCK_AHEAD_US: u64 = 3_217_000;

/// How a jig is built and what is wrong with it.
#[derive(Debug, Clone, PartialEq)]
pub struct JigSetup {
    /// Which channel leads where.
    pub wiring: Wiring,
    /// Channels of the switching board.
    pub channels: u8,
    /// What is wrong with it.
    pub troubles: Vec<JigTrouble>,
    /// Seed of the resistances of the channels.
    pub seed: u64,
}

/// The switching board with its panel and the common line.
#[derive(Debug)]
pub struct Jig {
    board: Board<Contacts, Panel, 1>,
    closed: Option<Channel>,
    last_us: u64,
}

#[derive(Debug)]
struct Contacts {
    channels: u8,
    closed: Option<Channel>,
}

#[derive(Debug)]
struct Panel {
    line: CommonLine,
    troubles: Vec<JigTrouble>,
    now: Moment,
    lid_closed: bool,
    button_pressed: bool,
    lamp: Lamp,
    sounds: Vec<Sound>,
}

impl JigSetup {
    /// Pin i on channel i, the check channel behind the last pin where there is room for it.
    ///
    /// # Errors
    /// [`WiringError`] if no switching board has that many channels.
    pub fn straight(connector: &Connector, seed: u64) -> Result<Self, WiringError> {
        let straight = Wiring::straight(connector)?;
        let channels = straight.channels().to_vec();
        // The last channel that a u8 of channels can count is 254.
        let next = u8::try_from(channels.len()).ok().filter(|next| *next < u8::MAX);
        let check = next.map(|next| CheckChannel { channel: Channel(next), resistor: CHECK_RESISTOR });
        Ok(Self::wired(Wiring::new("practice jig", connector, channels, check)?, seed))
    }

    /// A sound jig with this wiring and just as many channels as it needs.
    #[must_use]
    pub fn wired(wiring: Wiring, seed: u64) -> Self {
        let check = wiring.check().map(|check| check.channel);
        let last = wiring.channels().iter().copied().chain(check).map(|channel| channel.0).max();
        let channels = last.map_or(0, |last| last.saturating_add(1));
        Self { wiring, channels, troubles: Vec::new(), seed }
    }

    /// Resistance of each channel from the common line to its wire's end.
    #[must_use]
    pub fn paths(&self) -> Vec<Ohms> {
        let mut random = Random::new(self.seed, "jig");
        (0..self.channels).map(|_| Ohms::of(random.between(PATH[0], PATH[1]))).collect()
    }
}

impl Jig {
    /// Switches the board on, with a board under test and a meter on its common line.
    #[must_use]
    pub fn new(line: CommonLine, setup: &JigSetup, now: Moment) -> Self {
        let mut random = Random::new(setup.seed, "identity");
        let identity = Identity {
            boot_id: (random.bits() >> 32) as u32,
            unique_id: random.bits().to_le_bytes(),
            reset: ResetCause::Power,
        };
        let contacts = Contacts { channels: setup.channels, closed: None };
        let panel = Panel {
            line,
            troubles: setup.troubles.clone(),
            now,
            lid_closed: true,
            button_pressed: false,
            lamp: Lamp::default(),
            sounds: Vec::new(),
        };
        let last_us = clock(now);
        Self { board: Board::new(contacts, panel, identity, last_us), closed: None, last_us }
    }

    /// Takes bytes of the host.
    pub fn receive(&mut self, bytes: &[u8], now: Moment) {
        self.tick(now);
        self.board.push(0, bytes, clock(now));
        self.follow(now);
        self.poll(now);
    }

    /// Does what is due at `now`; call it at each [`next_event`](Self::next_event).
    pub fn advance(&mut self, now: Moment) {
        // Each poll does one thing; the bound only guards against a firmware that never comes to rest.
        for _ in 0..1000 {
            if self.board.next_deadline_us().is_none_or(|due| due > clock(now)) {
                break;
            }
            let before = (self.board.next_deadline_us(), self.board.has_output(0));
            self.poll(now);
            if before == (self.board.next_deadline_us(), self.board.has_output(0)) {
                break;
            }
        }
    }

    /// When something happens next without anybody's doing.
    #[must_use]
    pub fn next_event(&self) -> Option<Moment> {
        let due = self.board.next_deadline_us()?.max(self.last_us);
        Some(Moment::from_micros(due.saturating_sub(CLOCK_AHEAD_US)))
    }

    /// Bytes for the host.
    pub fn take_output(&mut self) -> Vec<u8> {
        let mut out = vec![0; firmware::OUTGOING];
        let taken = self.board.take_output(0, &mut out);
        out.truncate(taken);
        out
    }

    /// What the meter sees.
    pub fn line(&mut self) -> &mut CommonLine {
        &mut self.board.fittings().line
    }

    /// Presses the start button, or lets it go.
    pub fn button(&mut self, pressed: bool) {
        self.board.fittings().button_pressed = pressed;
    }

    /// Shuts the lid, or opens it.
    pub fn lid(&mut self, closed: bool) {
        self.board.fittings().lid_closed = closed;
    }

    /// What the two-colour light shows at this moment.
    pub fn lamp(&mut self) -> Lamp {
        self.board.fittings().lamp
    }

    /// What the buzzer has played since this was last asked.
    pub fn take_sounds(&mut self) -> Vec<Sound> {
        std::mem::take(&mut self.board.fittings().sounds)
    }

    /// The channel that the firmware holds closed.
    #[must_use]
    pub fn closed(&self) -> Option<Channel> {
        self.board.closed()
    }

    fn poll(&mut self, now: Moment) {
        self.tick(now);
        self.board.poll(clock(now));
        self.follow(now);
    }

    /// The panel's idea of the time, for what the firmware asks of it.
    fn tick(&mut self, now: Moment) {
        self.last_us = self.last_us.max(clock(now));
        self.board.fittings().now = now;
    }

    /// Hands what the firmware drove on to the contacts, which take their time.
    fn follow(&mut self, now: Moment) {
        let driven = self.board.switch().closed;
        if driven != self.closed {
            self.closed = driven;
            let delay_us = if driven.is_some() { OPERATE_US } else { RELEASE_US };
            let at = Moment::from_micros(now.as_micros().saturating_add(delay_us));
            self.line().switch(at, driven);
        }
    }
}

impl Switch for Contacts {
    fn kind(&self) -> BoardKind {
        BoardKind::Practice
    }

    fn channels(&self) -> u8 {
        self.channels
    }

    fn waits(&self) -> Waits {
        WAITS
    }

    fn open_all(&mut self) -> Result<(), SwitchFault> {
        self.closed = None;
        Ok(())
    }

    fn close(&mut self, channel: Channel) -> Result<(), SwitchFault> {
        if channel.0 >= self.channels || self.closed.is_some() {
            return Err(SwitchFault);
        }
        self.closed = Some(channel);
        Ok(())
    }
}

impl Fittings for Panel {
    fn parts(&self) -> Parts {
        Parts { sense: true, bleed: true, button: true, lid: true, light: true, buzzer: true }
    }

    fn lid_closed(&mut self) -> bool {
        let stuck = |trouble: &JigTrouble| match trouble {
            JigTrouble::LidStuck { closed } => Some(*closed),
            _ => None,
        };
        self.troubles.iter().find_map(stuck).unwrap_or(self.lid_closed)
    }

    fn button_pressed(&mut self) -> bool {
        let stuck = |trouble: &JigTrouble| match trouble {
            JigTrouble::ButtonStuck { pressed } => Some(*pressed),
            _ => None,
        };
        self.troubles.iter().find_map(stuck).unwrap_or(self.button_pressed)
    }

    fn sense_millivolts(&mut self) -> Option<i32> {
        let now = self.now;
        let volts = self.line.sensed(now)?;
        let seen = self.troubles.iter().fold(volts.get(), |volts, trouble| match trouble {
            JigTrouble::SenseDead => 0.0,
            JigTrouble::SenseOff(off) => volts + off.get(),
            _ => volts,
        });
        // Volts on a bench stay far below what an i32 of millivolts holds; the cast saturates anyway.
        Some((seen * 1e3).round() as i32)
    }

    fn bleed(&mut self, on: bool) {
        let now = self.now;
        self.line.bleed(on, now);
    }

    fn lamp(&mut self, lamp: Lamp) {
        self.lamp = lamp;
    }

    fn sound(&mut self, sound: Sound) {
        if sound != Sound::Silent {
            self.sounds.push(sound);
        }
    }
}

/// The switching board's clock.
const fn clock(now: Moment) -> u64 {
    now.as_micros().saturating_add(CLOCK_AHEAD_US)
}
