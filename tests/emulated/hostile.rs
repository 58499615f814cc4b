//! A hostile host: random requests, noise, damaged frames, silence, resets and a lid that opens, and the
//! rules hold at the pins of the real image.
//!
//! 1,700 deeds in each test run, more than 1,000 of them requests; `PINTALLY_HOSTILE=100000` for more. The emulated time is not paced.

use std::collections::BTreeMap;
use std::env;

use protocol::*;
use tests::emulated::Pico;

use crate::microbit;
use crate::pico::{Bench, GREET, Link};

/// A small generator of numbers (splitmix64: Steele, Lea, Flood, "Fast splittable pseudorandom number
/// generators", 2014), so that a run can be repeated by its seed.
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }

    /// A number below `most`.
    fn below(&mut self, most: u64) -> u64 {
        self.next() % most
    }

    fn bytes(&mut self, most: u64) -> Vec<u8> {
        (0..self.below(most)).map(|_| self.next() as u8).collect()
    }
}

fn request(dice: &mut Dice, channels: u64) -> Request {
    // A few beyond the last, now and then far beyond it.
    let channel = |dice: &mut Dice| {
        Channel(if dice.below(8) == 0 { dice.next() as u8 } else { dice.below(channels + 2) as u8 })
    };
    let settle_us = [0, 100, 5_000, 3_000_000][dice.below(4) as usize];
    match dice.below(16) {
        0 => GREET,
        // Rarely: after a refused greeting nothing else is served.
        1 if dice.below(8) == 0 => Request::Greet { min: dice.next() as u8, max: dice.next() as u8 },
        1 => GREET,
        2 => Request::Ping,
        3 => Request::OpenAll,
        4..=7 => Request::Select { channel: channel(dice), settle_us },
        8 => {
            let first = dice.below(3) as u16;
            Request::LoadPlan { first, channels: (0..dice.below(5)).map(|_| channel(dice)).collect() }
        }
        9 | 10 => {
            let pace = if dice.below(2) == 0 { Pace::Advance } else { Pace::Dwell { dwell_us: settle_us } };
            Request::Start { steps: dice.below(6) as u16, settle_us, pace }
        }
        11 | 12 => Request::Advance { step: dice.below(6) as u16 },
        13 => Request::Bleed { channel: channel(dice), hold_us: settle_us },
        14 => Request::Sense,
        _ => Request::Status,
    }
}

fn deeds() -> u64 {
    env::var("PINTALLY_HOSTILE").map_or(1_700, |count| count.parse().expect("PINTALLY_HOSTILE is a number"))
}

#[test]
fn a_hostile_host_breaks_no_rule_of_the_pico() {
    let Some(mut bench) = Bench::greeted(Pico::MULTIPLEXERS) else { return };
    let mut dice = Dice(1);
    let mut table: BTreeMap<&str, u64> = BTreeMap::new();
    let mut waiting: BTreeMap<u16, u32> = BTreeMap::new();
    let (mut answered, mut closings) = (0_u64, 0);
    let mut heard_ns = bench.now_ns;
    for _ in 0..deeds() {
        let kind = dice.below(100);
        let mut wait_us = [500, 3_000, 20_000][dice.below(3) as usize];
        let what = match kind {
            0..60 => {
                heard_ns = bench.now_ns;
                let request = request(&mut dice, bench.pico.board().lines.channels().into());
                *waiting.entry(bench.send(request)).or_default() += 1;
                // Until its last byte came.
                wait_us += 6_000;
                "requests"
            }
            60..70 => {
                let mut noise = dice.bytes(100);
                noise.push(0);
                bench.send_bytes(&noise);
                wait_us += 10_000;
                "noise with an end"
            }
            70..78 => {
                let frame = encode(&RequestFrame { seq: 0, request: request(&mut dice, 64) });
                let mut damaged = frame.to_vec();
                let at = dice.below(damaged.len() as u64 - 1) as usize;
                damaged[at] ^= 1 << dice.below(8);
                bench.send_bytes(&damaged);
                bench.send_bytes(&[0]);
                wait_us += 6_000;
                "frames with a flipped bit"
            }
            78..84 => {
                let frame = encode(&RequestFrame { seq: 0, request: request(&mut dice, 64) });
                // Without its 00 and at least one byte more: the 00 below would make it whole again.
                let cut = dice.below(frame.len() as u64 - 1) as usize;
                bench.send_bytes(&frame[..cut]);
                bench.send_bytes(&[0]);
                wait_us += 6_000;
                "frames cut short"
            }
            84..92 => {
                wait_us = [100_000, 1_000_000, 2_200_000][dice.below(3) as usize];
                "pauses of up to 2.2 s"
            }
            92..95 => {
                bench.link = if bench.link == Link::Uart { Link::Usb } else { Link::Uart };
                *waiting.entry(bench.send(GREET)).or_default() += 1;
                heard_ns = bench.now_ns;
                wait_us += 6_000;
                "changes of the link"
            }
            95..98 => {
                bench.pico.input(Pico::LID, dice.below(4) == 0);
                "lid movements"
            }
            98 => {
                bench.run(20_000);
                bench.pico.call("give_up");
                waiting.clear();
                bench.run(100_000);
                bench.pico.input(Pico::LID, false);
                "programs that gave up"
            }
            _ => {
                bench.run(20_000);
                bench.pico.hang();
                waiting.clear();
                bench.run(600_000);
                "programs that hung"
            }
        };
        *table.entry(what).or_default() += 1;
        let seen = bench.run(wait_us);
        for (seq, ..) in seen.answers {
            if let Some(count) = waiting.get_mut(&seq).filter(|count| **count > 0) {
                *count -= 1;
                answered += 1;
            }
        }
        if bench.now_ns - heard_ns > 2_110_000_000 {
            assert_eq!(bench.wiretap.closed(), None, "closed although nobody was heard");
        }
        closings += std::mem::take(&mut bench.wiretap.closings).len();
    }
    // The pins agree with what was followed edge by edge.
    assert_eq!(bench.pico.closed().first().copied(), bench.wiretap.closed());
    for _ in 0..40 {
        for (seq, ..) in bench.run(100_000).answers {
            if let Some(count) = waiting.get_mut(&seq).filter(|count| **count > 0) {
                *count -= 1;
                answered += 1;
            }
        }
    }
    assert_eq!(bench.wiretap.closed(), None);
    let unanswered: Vec<_> = waiting.iter().filter(|(_, count)| **count > 0).collect();
    assert!(unanswered.is_empty(), "requests without an answer: {unanswered:?}");

    eprintln!("pico, hostile host, {} s of its time:", bench.now_ns / 1_000_000_000);
    for (what, count) in &table {
        eprintln!("{count:>9} {what}");
    }
    eprintln!("{answered:>9} answers, {closings} closings");
    let break_ns = bench.wiretap.shortest_break_ns.expect("something was closed twice");
    eprintln!("          shortest break {break_ns} ns, two channels at once: never");
}

/// In real time, without long pauses: order of edges, one answer each, range.
#[test]
fn a_hostile_host_breaks_no_rule_of_the_microbit() {
    let Some(mut bench) = microbit::Bench::greeted() else { return };
    let mut dice = Dice(2);
    let mut table: BTreeMap<&str, u64> = BTreeMap::new();
    for _ in 0..(deeds() / 4).min(5_000) {
        let what = match dice.below(10) {
            0..7 => {
                let mut request = request(&mut dice, 32);
                // Real time: nothing that settles for seconds.
                match &mut request {
                    Request::Select { settle_us, .. }
                    | Request::Start { settle_us, .. }
                    | Request::Bleed { hold_us: settle_us, .. } => *settle_us = (*settle_us).min(1_000),
                    _ => {}
                }
                bench.ask(request);
                "requests, each answered"
            }
            7 | 8 => {
                let mut noise = dice.bytes(100);
                noise.push(0);
                bench.send_bytes(&noise);
                "noise with an end"
            }
            _ => {
                let frame = encode(&RequestFrame { seq: 0, request: request(&mut dice, 32) });
                let mut damaged = frame.to_vec();
                let at = dice.below(damaged.len() as u64 - 1) as usize;
                damaged[at] ^= 1 << dice.below(8);
                bench.send_bytes(&damaged);
                bench.send_bytes(&[0]);
                "frames with a flipped bit"
            }
        };
        bench.follow();
        *table.entry(what).or_default() += 1;
    }
    assert_eq!(bench.board.closed().first().copied(), bench.wiretap.closed());
    assert_eq!(bench.ask(GREET), bench.ask(GREET), "the same board still greets");
    eprintln!("micro:bit, hostile host: {table:?}, {} closings", bench.wiretap.closings.len());
}
