//! From requests to pins: the whole board on multiplexer lines, in the order in which lines move.

use std::cell::RefCell;
use std::convert::Infallible;
use std::rc::Rc;

use embedded_hal::digital::{ErrorType, OutputPin};
use firmware::{ActiveLevel, Board, Identity, MultiplexerBanks, NoFittings, Waits};
use protocol::*;

use crate::bench::{GREET, select};

/// A line that writes what it is set to into a list that all lines share.
struct Line {
    name: &'static str,
    list: Rc<RefCell<Vec<String>>>,
}

impl ErrorType for Line {
    type Error = Infallible;
}

impl OutputPin for Line {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.list.borrow_mut().push(format!("{}=0", self.name));
        Ok(())
    }
    fn set_high(&mut self) -> Result<(), Infallible> {
        self.list.borrow_mut().push(format!("{}=1", self.name));
        Ok(())
    }
}

#[test]
fn enable_falls_address_moves_enable_rises() {
    let list = Rc::new(RefCell::new(Vec::new()));
    let line = |name| Line { name, list: list.clone() };
    let banks = MultiplexerBanks::new(
        ["a0", "a1", "a2"].map(line),
        ["e0", "e1"].map(line),
        ActiveLevel::High,
        Waits { break_us: 50, make_us: 300 },
    );
    let identity = Identity { boot_id: 0, unique_id: [0; 8], reset: ResetCause::Unknown };
    let mut board = Board::<_, _, 1>::new(banks, NoFittings, identity, 0);

    let mut now_us = 0;
    let mut lines_of = |request| {
        board.push(0, &encode(&RequestFrame { seq: 1, request }), now_us);
        while let Some(due_us) = board.next_deadline_us().filter(|&due_us| due_us < now_us + 10_000) {
            now_us = now_us.max(due_us);
            board.poll(now_us);
        }
        list.borrow_mut().drain(..).collect::<Vec<_>>().join(" ")
    };
    // The first two: everything is open at start.
    assert_eq!(lines_of(GREET), "e0=0 e1=0 e0=0 e1=0");
    assert_eq!(lines_of(select(5, 0)), "e0=0 e1=0 a0=1 a1=0 a2=1 e0=1");
    assert_eq!(lines_of(select(14, 0)), "e0=0 e1=0 a0=0 a1=1 a2=1 e1=1");
    assert_eq!(lines_of(select(16, 0)), "", "no such channel");
    assert_eq!(lines_of(Request::OpenAll), "e0=0 e1=0");
}
