//! Switches on a bus, with simulated parts on it: a fault at any transaction of any movement leaves at most
//! one channel closed, and none once it was noticed.

use std::cell::RefCell;
use std::convert::Infallible;
use std::rc::Rc;

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{self, OutputPin};
use embedded_hal::i2c::{self, I2c, NoAcknowledgeSource};
use embedded_hal::spi::{self, SpiDevice};
use firmware::contacts::Contacts;
use firmware::{Board, Expanders, Identity, NoFittings, ReadBack, ShiftRegisters, Switch, Waits};
use protocol::*;

use crate::bench::{GREET, refused, select};

const WAITS: Waits = Waits { break_us: 2_000, make_us: 3_000 };
const CHIPS: usize = 4;
const REGISTERS: usize = 8;

/// Which transaction goes wrong, and how.
#[derive(Debug, Clone, Copy)]
struct Trouble {
    at: usize,
    how: Wrong,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Wrong {
    /// It fails, and nothing took it.
    Lost,
    /// It fails, but the parts took it all the same.
    Unconfirmed,
    /// A bit of the address flips: another part takes it and confirms.
    Astray,
}

/// Parts on a bus, as their data sheets say they behave.
trait Parts: Default {
    type Driver: Switch;
    fn driver(parts: Shared<Self>) -> Self::Driver;
    /// Outputs that are on, as channels.
    fn on(&self) -> Vec<u8>;
}

#[derive(Debug, Default)]
struct Wired<P> {
    parts: P,
    /// The line that lets go of all outputs, as it is.
    line_high: bool,
    transactions: usize,
    trouble: Option<Trouble>,
    /// More than one channel was on at some moment.
    crowded: bool,
}

type Shared<P> = Rc<RefCell<Wired<P>>>;

impl<P: Parts> Wired<P> {
    /// Counts a transaction and tells what goes wrong with it.
    fn transaction(&mut self) -> Option<Wrong> {
        let now = self.transactions;
        self.transactions += 1;
        self.trouble.filter(|trouble| trouble.at == now).map(|trouble| trouble.how)
    }

    fn look(&mut self) {
        self.crowded |= self.parts.on().len() > 1;
    }
}

/// Eight 74HC595 in a chain.
#[derive(Debug, Default)]
struct Chain {
    /// Bits on their way, nearest register first.
    shifting: [u8; REGISTERS],
    outputs: [u8; REGISTERS],
    enabled: bool,
}

impl Parts for Chain {
    type Driver = ShiftRegisters<Handle<Self>, Handle<Self>, REGISTERS>;

    fn driver(parts: Shared<Self>) -> Self::Driver {
        ShiftRegisters::new(Handle(parts.clone()), Handle(parts), ReadBack::Wired, WAITS)
    }

    fn on(&self) -> Vec<u8> {
        let all = (0_u8..).zip(self.outputs.iter().flat_map(|byte| (0..8).map(move |bit| byte >> bit & 1)));
        all.filter(|&(_, bit)| bit == 1 && self.enabled).map(|(channel, _)| channel).collect()
    }
}

/// Four MCP23017.
#[derive(Debug, Default)]
struct Chips {
    directions: [u16; CHIPS],
    latches: [u16; CHIPS],
    /// The reset line does nothing.
    unwired: bool,
}

impl Parts for Chips {
    type Driver = Expanders<Handle<Self>, Handle<Self>, NoDelay, CHIPS>;

    fn driver(parts: Shared<Self>) -> Self::Driver {
        Expanders::new(Handle(parts.clone()), Handle(parts), NoDelay, WAITS)
    }

    fn on(&self) -> Vec<u8> {
        let driven = self.directions.iter().zip(&self.latches).map(|(inputs, high)| !inputs & high);
        let all = (0_u8..).zip(driven.flat_map(|word| (0..16).map(move |bit| word >> bit & 1)));
        all.filter(|&(_, bit)| bit == 1).map(|(channel, _)| channel).collect()
    }
}

struct Handle<P>(Shared<P>);
struct NoDelay;

impl DelayNs for NoDelay {
    fn delay_ns(&mut self, _: u32) {}
}

impl<P> digital::ErrorType for Handle<P> {
    type Error = Infallible;
}

impl OutputPin for Handle<Chain> {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.line(false)
    }
    fn set_high(&mut self) -> Result<(), Infallible> {
        self.line(true)
    }
}

impl Handle<Chain> {
    /// The output enable, active low.
    fn line(&self, high: bool) -> Result<(), Infallible> {
        let mut wired = self.0.borrow_mut();
        wired.line_high = high;
        wired.parts.enabled = !high;
        wired.look();
        Ok(())
    }
}

impl OutputPin for Handle<Chips> {
    fn set_low(&mut self) -> Result<(), Infallible> {
        let mut wired = self.0.borrow_mut();
        wired.line_high = false;
        if !wired.parts.unwired {
            (wired.parts.directions, wired.parts.latches) = ([0xFFFF; CHIPS], [0; CHIPS]);
        }
        Ok(())
    }
    fn set_high(&mut self) -> Result<(), Infallible> {
        self.0.borrow_mut().line_high = true;
        Ok(())
    }
}

impl<P> spi::ErrorType for Handle<P> {
    type Error = spi::ErrorKind;
}

impl SpiDevice for Handle<Chain> {
    fn transaction(&mut self, operations: &mut [spi::Operation<'_, u8>]) -> Result<(), spi::ErrorKind> {
        let mut wired = self.0.borrow_mut();
        let wrong = wired.transaction();
        if wrong != Some(Wrong::Lost) {
            let mut clock = |byte: u8| {
                let out = wired.parts.shifting[REGISTERS - 1];
                wired.parts.shifting.rotate_right(1);
                wired.parts.shifting[0] = byte;
                out
            };
            for operation in operations {
                match operation {
                    spi::Operation::Write(bytes) => bytes.iter().for_each(|&byte| {
                        clock(byte);
                    }),
                    spi::Operation::TransferInPlace(bytes) => {
                        bytes.iter_mut().for_each(|byte| *byte = clock(*byte));
                    }
                    other => panic!("not used: {other:?}"),
                }
            }
            wired.parts.outputs = wired.parts.shifting;
            wired.look();
        }
        // A chain has no addresses.
        if wrong.is_some() { Err(spi::ErrorKind::Other) } else { Ok(()) }
    }
}

impl<P> i2c::ErrorType for Handle<P> {
    type Error = i2c::ErrorKind;
}

impl I2c for Handle<Chips> {
    fn transaction(
        &mut self,
        address: u8,
        operations: &mut [i2c::Operation<'_>],
    ) -> Result<(), i2c::ErrorKind> {
        let mut wired = self.0.borrow_mut();
        let wrong = wired.transaction();
        let nobody = i2c::ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address);
        let address = if wrong == Some(Wrong::Astray) { address ^ 1 } else { address };
        let chip = usize::from(address.wrapping_sub(0x20));
        if chip >= CHIPS || !(wired.line_high || wired.parts.unwired) {
            return Err(nobody);
        }
        if wrong != Some(Wrong::Lost) {
            let mut register = 0;
            for operation in operations {
                match operation {
                    i2c::Operation::Write(bytes) => {
                        register = bytes[0];
                        for &byte in &bytes[1..] {
                            write(&mut wired.parts, chip, register, byte);
                            register += 1;
                        }
                    }
                    i2c::Operation::Read(bytes) => {
                        for byte in bytes.iter_mut() {
                            *byte = read(&wired.parts, chip, register);
                            register += 1;
                        }
                    }
                }
            }
            wired.look();
        }
        match wrong {
            Some(Wrong::Lost | Wrong::Unconfirmed) => Err(nobody),
            Some(Wrong::Astray) | None => Ok(()),
        }
    }
}

fn write(chips: &mut Chips, chip: usize, register: u8, byte: u8) {
    let word = match register {
        0x00 | 0x01 => &mut chips.directions[chip],
        0x12..=0x15 => &mut chips.latches[chip],
        other => panic!("register {other:#x} is not used"),
    };
    let mut pair = word.to_le_bytes();
    pair[usize::from(register & 1)] = byte;
    *word = u16::from_le_bytes(pair);
}

fn read(chips: &Chips, chip: usize, register: u8) -> u8 {
    let word = match register {
        0x00 | 0x01 => chips.directions[chip],
        // Inputs are held low by their pull-downs.
        0x12 | 0x13 => !chips.directions[chip] & chips.latches[chip],
        other => panic!("register {other:#x} is not used"),
    };
    word.to_le_bytes()[usize::from(register & 1)]
}

/// Closes channels one after another with one fault on the way; gives the number of transactions.
fn walk<P: Parts>(trouble: Option<Trouble>) -> usize {
    let wired: Shared<P> = Rc::new(RefCell::new(Wired { trouble, ..Wired::default() }));
    let mut contacts = Contacts::new(P::driver(wired.clone()));
    let mut now_us = 0;
    for channel in [5, 6, 21, 63].map(Channel) {
        // What the sequencer does: open until it is known to be open, wait, close.
        let mut tries = 0;
        while contacts.open().is_err() {
            assert_eq!(wired.borrow().parts.on(), [], "{trouble:?}: an opening failed with a channel closed");
            tries += 1;
            assert!(tries < 3, "{trouble:?}");
        }
        assert_eq!(wired.borrow().parts.on(), [], "{trouble:?}");
        contacts.observe(now_us);
        now_us += 10_000;
        let closed = contacts.close(channel, now_us);
        let on = wired.borrow().parts.on();
        match closed {
            Ok(()) => assert_eq!(on, [channel.0], "{trouble:?}"),
            Err(_) => assert_eq!(on, [], "{trouble:?}: a closing failed and left a channel closed"),
        }
    }
    let _ = contacts.open();
    assert_eq!(wired.borrow().parts.on(), []);
    assert!(!wired.borrow().crowded, "{trouble:?}: two channels at once");
    wired.borrow().transactions
}

fn faults_at_every_transaction<P: Parts>(kinds: &[Wrong]) {
    let transactions = walk::<P>(None);
    for at in 0..transactions {
        for &how in kinds {
            walk::<P>(Some(Trouble { at, how }));
        }
    }
    assert!(transactions >= 16, "only {transactions} transactions could fail");
}

#[test]
fn a_fault_at_any_transaction_opens_the_shift_registers() {
    faults_at_every_transaction::<Chain>(&[Wrong::Lost, Wrong::Unconfirmed]);
}

#[test]
fn a_fault_at_any_transaction_opens_the_expanders() {
    faults_at_every_transaction::<Chips>(&[Wrong::Lost, Wrong::Unconfirmed, Wrong::Astray]);
}

#[test]
fn a_chain_with_a_register_too_many_closes_nothing() {
    type Short = ShiftRegisters<Handle<Chain>, Handle<Chain>, { REGISTERS - 1 }>;
    let wired: Shared<Chain> = Rc::default();
    let mut contacts =
        Contacts::new(Short::new(Handle(wired.clone()), Handle(wired.clone()), ReadBack::Wired, WAITS));
    contacts.observe(0);
    assert!(contacts.close(Channel(0), 10_000).is_err());
    assert_eq!(wired.borrow().parts.on(), []);
}

#[test]
fn expanders_open_even_if_the_reset_line_is_broken() {
    let wired: Shared<Chips> = Rc::default();
    let mut contacts = Contacts::new(Chips::driver(wired.clone()));
    contacts.observe(0);
    assert_eq!(contacts.close(Channel(40), 10_000), Ok(()));
    wired.borrow_mut().parts.unwired = true;
    assert!(contacts.open().is_err(), "and it is told");
    assert_eq!(wired.borrow().parts.on(), []);
}

/// From the bus to the host: the answer, and nothing closed.
#[test]
fn a_fault_of_the_bus_is_answered() {
    let wired: Shared<Chips> = Rc::default();
    let identity = Identity { boot_id: 0, unique_id: [0; 8], reset: ResetCause::Unknown };
    let mut board = Board::<_, _, 1>::new(Chips::driver(wired.clone()), NoFittings, identity, 0);
    let mut incoming = Accumulator::<BoardMessage>::new();
    let mut now_us = 0;
    let mut ask = |request| {
        board.push(0, &encode(&RequestFrame { seq: 1, request }), now_us);
        while let Some(due_us) = board.next_deadline_us().filter(|&due_us| due_us < now_us + 100_000) {
            now_us = now_us.max(due_us) + 1;
            board.poll(now_us);
        }
        let mut bytes = [0; 512];
        let length = board.take_output(0, &mut bytes);
        let answers = incoming.items(&bytes[..length]).filter_map(|item| match item.unwrap() {
            BoardMessage::Answer { answer, .. } => Some(answer),
            BoardMessage::Event { .. } => None,
        });
        answers.collect::<Vec<_>>()
    };
    let greeted = ask(GREET);
    assert!(
        matches!(&greeted[..], [Answer::Greeting(told)] if (told.kind, told.channels) == (BoardKind::Expander, 64))
    );
    assert_eq!(ask(select(40, 0)), [Answer::Settled { step: None, channel: Channel(40) }]);
    assert_eq!(wired.borrow().parts.on(), [40]);
    // Opening looks at each of the chips; then a pin is driven.
    let at = wired.borrow().transactions + CHIPS + 1;
    wired.borrow_mut().trouble = Some(Trouble { at, how: Wrong::Unconfirmed });
    assert_eq!(ask(select(41, 0)), [refused(Fault::SwitchFault)]);
    assert_eq!(wired.borrow().parts.on(), []);
    assert_eq!(ask(select(41, 0)), [Answer::Settled { step: None, channel: Channel(41) }]);
}
