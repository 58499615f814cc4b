//! A board on a bench: a switch and fittings that record, a clock that only the test moves.

use std::cell::{Cell, RefCell};
use std::rc::Rc;

use firmware::{Board, Fittings, Identity, Lamp, Switch, SwitchFault, Tone, Waits};
use protocol::*;

pub(crate) const CHANNELS: u8 = 32;
pub(crate) const BREAK_US: u64 = 100;
pub(crate) const MAKE_US: u64 = 300;
pub(crate) const SILENCE_US: u64 = 2_000_000;

/// One movement: everything opened, or one channel closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Move {
    Open,
    Close(u8),
}

/// What the world around the board is like, and what the board did to it.
#[derive(Debug, Default)]
pub(crate) struct World {
    pub(crate) moves: Vec<(u64, Move)>,
    pub(crate) fail_close: bool,
    pub(crate) fail_open: bool,
    pub(crate) lid_open: bool,
    pub(crate) button: bool,
    pub(crate) millivolts: i32,
    pub(crate) bleeds: Vec<(u64, bool)>,
    pub(crate) lamps: Vec<Lamp>,
    pub(crate) sounds: Vec<Sound>,
    pub(crate) tones: Vec<(u64, Option<Tone>)>,
}

#[derive(Debug, Clone, Default)]
pub(crate) struct Shared {
    pub(crate) world: Rc<RefCell<World>>,
    now_us: Rc<Cell<u64>>,
}

pub(crate) struct Recorded(Shared);

impl Switch for Recorded {
    fn kind(&self) -> BoardKind {
        BoardKind::Practice
    }
    fn channels(&self) -> u8 {
        CHANNELS
    }
    fn waits(&self) -> Waits {
        Waits { break_us: BREAK_US as u32, make_us: MAKE_US as u32 }
    }
    fn open_all(&mut self) -> Result<(), SwitchFault> {
        let mut world = self.0.world.borrow_mut();
        world.moves.push((self.0.now_us.get(), Move::Open));
        if world.fail_open { Err(SwitchFault) } else { Ok(()) }
    }
    fn close(&mut self, channel: Channel) -> Result<(), SwitchFault> {
        let mut world = self.0.world.borrow_mut();
        world.moves.push((self.0.now_us.get(), Move::Close(channel.0)));
        if world.fail_close { Err(SwitchFault) } else { Ok(()) }
    }
}

pub(crate) struct Fitted {
    shared: Shared,
    parts: Parts,
}

impl Fittings for Fitted {
    fn parts(&self) -> Parts {
        self.parts
    }
    fn lid_closed(&mut self) -> bool {
        !self.shared.world.borrow().lid_open
    }
    fn button_pressed(&mut self) -> bool {
        self.shared.world.borrow().button
    }
    fn sense_millivolts(&mut self) -> Option<i32> {
        Some(self.shared.world.borrow().millivolts)
    }
    fn bleed(&mut self, on: bool) {
        let now_us = self.shared.now_us.get();
        self.shared.world.borrow_mut().bleeds.push((now_us, on));
    }
    fn lamp(&mut self, lamp: Lamp) {
        self.shared.world.borrow_mut().lamps.push(lamp);
    }
    fn tone(&mut self, tone: Option<Tone>) {
        let now_us = self.shared.now_us.get();
        self.shared.world.borrow_mut().tones.push((now_us, tone));
    }
    fn sound(&mut self, sound: Sound) {
        self.shared.world.borrow_mut().sounds.push(sound);
    }
}

pub(crate) const EVERYTHING: Parts =
    Parts { sense: true, bleed: true, button: true, lid: true, light: true, buzzer: true };
pub(crate) const NOTHING: Parts =
    Parts { sense: false, bleed: false, button: false, lid: false, light: false, buzzer: false };

/// A board with two links, its world and its clock.
pub(crate) struct Bench {
    pub(crate) board: Board<Recorded, Fitted, 2>,
    shared: Shared,
    incoming: [Accumulator<BoardMessage>; 2],
    seq: u16,
}

impl Bench {
    pub(crate) fn new(parts: Parts) -> Self {
        let shared = Shared::default();
        let fitted = Fitted { shared: shared.clone(), parts };
        let identity = Identity { boot_id: 7, unique_id: *b"bench-01", reset: ResetCause::Power };
        let board = Board::new(Recorded(shared.clone()), fitted, identity, 0);
        Self { board, shared, incoming: [const { Accumulator::new() }; 2], seq: 0 }
    }

    /// A board that was greeted on link 0.
    pub(crate) fn greeted(parts: Parts) -> Self {
        let mut bench = Self::new(parts);
        assert!(matches!(bench.ask(0, GREET), Answer::Greeting(_)));
        bench
    }

    pub(crate) fn now_us(&self) -> u64 {
        self.shared.now_us.get()
    }

    pub(crate) fn world<T>(&self, look: impl FnOnce(&mut World) -> T) -> T {
        look(&mut self.shared.world.borrow_mut())
    }

    /// Movements since the last call.
    pub(crate) fn moves(&self) -> Vec<(u64, Move)> {
        self.world(|world| std::mem::take(&mut world.moves))
    }

    /// Time goes on between any two calls: a board that counts from a stale reading is seen.
    fn tick(&self) -> u64 {
        let before_us = self.now_us();
        self.shared.now_us.set(before_us + 3);
        before_us
    }

    /// Bytes come; nothing else happens.
    pub(crate) fn push(&mut self, link: usize, bytes: &[u8]) {
        let now_us = self.tick();
        self.board.push(link, bytes, now_us);
    }

    /// Sends a request and returns its number.
    pub(crate) fn send(&mut self, link: usize, request: Request) -> u16 {
        self.seq = self.seq.wrapping_add(1);
        self.push(link, &encode(&RequestFrame { seq: self.seq, request }));
        self.seq
    }

    /// Lets time pass, polling whenever the board wants it.
    pub(crate) fn run(&mut self, for_us: u64) {
        let end_us = self.now_us() + for_us;
        let mut in_vain = 0;
        while let Some(due_us) = self.board.next_deadline_us().filter(|&due_us| due_us <= end_us) {
            // A deadline that stays in the past would keep a microcontroller from ever sleeping.
            in_vain = if due_us < self.now_us() { in_vain + 1 } else { 0 };
            assert!(in_vain < 1_000, "polled {in_vain} times for a deadline that has passed");
            self.shared.now_us.set(due_us.max(self.now_us()));
            let now_us = self.tick();
            self.board.poll(now_us);
        }
        self.shared.now_us.set(end_us.max(self.now_us()));
    }

    /// What the board said on a link since the last call.
    pub(crate) fn said(&mut self, link: usize) -> Vec<BoardMessage> {
        let mut bytes = [0; 2 * firmware::OUTGOING];
        let length = self.board.take_output(link, &mut bytes);
        self.incoming[link].items(&bytes[..length]).map(|item| item.unwrap()).collect()
    }

    /// Answers and events, without numbers and times.
    pub(crate) fn told(&mut self, link: usize) -> (Vec<(u16, Answer)>, Vec<Event>) {
        let (mut answers, mut events) = (Vec::new(), Vec::new());
        for message in self.said(link) {
            match message {
                BoardMessage::Answer { seq, answer, .. } => answers.push((seq, answer)),
                BoardMessage::Event { event, .. } => events.push(event),
            }
        }
        (answers, events)
    }

    /// Sends a request, waits up to a second and returns its one answer; events are dropped.
    pub(crate) fn ask(&mut self, link: usize, request: Request) -> Answer {
        let seq = self.send(link, request);
        for _ in 0..1_000 {
            self.run(1_000);
            let (answers, _) = self.told(link);
            let mut own = answers.into_iter().filter(|(number, _)| *number == seq);
            if let Some((_, answer)) = own.next() {
                assert_eq!(own.next(), None, "a second answer to request {seq}");
                return answer;
            }
        }
        panic!("no answer to request {seq}");
    }

    pub(crate) fn load(&mut self, channels: &[u8]) -> Answer {
        let mut answer = Answer::PlanLoaded { steps: 0 };
        for (part, first) in channels.chunks(PLAN_CHUNK).zip((0_u16..).step_by(PLAN_CHUNK)) {
            let channels = part.iter().copied().map(Channel).collect();
            answer = self.ask(0, Request::LoadPlan { first, channels });
        }
        answer
    }
}

pub(crate) const GREET: Request = Request::Greet { min: 1, max: 1 };

pub(crate) fn select(channel: u8, settle_us: u32) -> Request {
    Request::Select { channel: Channel(channel), settle_us }
}

pub(crate) fn refused(fault: Fault) -> Answer {
    Answer::Refused(fault)
}
