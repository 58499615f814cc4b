//! A hostile host: random requests, noise, damaged frames, silence, resets and a lid that opens, and the
//! rules hold at the pins of the real image.
//!
//! 1,700 deeds in each test run, more than 1,000 of them requests; `PINTALLY_HOSTILE=170000` for more than 100,000.
//! The emulated time is not paced. Times are measured from edges of the pins.

use std::collections::BTreeMap;
use std::env;

use protocol::*;
use tests::emulated::{Pico, PicoBoard};

use crate::microbit;
use crate::pico::{Bench, GREET, Link, Seen};

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

/// The next request of a host that does nothing but sweep: every channel in turn, step by step.
#[derive(Debug, Default)]
struct Sweep {
    done: usize,
    whole: u64,
}

impl Sweep {
    /// Greeting, the two parts of the plan, its start, and one request for each step after the first.
    fn next(&mut self, channels: u8) -> Request {
        let part = |from: u8, to: u8| (from..to).map(Channel).collect();
        let half = channels / 2;
        let place = self.done;
        self.done += 1;
        match place {
            0 => GREET,
            1 => Request::LoadPlan { first: 0, channels: part(0, half) },
            2 => Request::LoadPlan { first: half.into(), channels: part(half, channels) },
            3 => Request::Start { steps: channels.into(), settle_us: 100, pace: Pace::Advance },
            _ => Request::Advance { step: (place - 3) as u16 },
        }
    }

    /// Goes on, or begins anew after whatever went wrong or at the end.
    fn heard(&mut self, answer: &Answer) {
        self.whole += u64::from(*answer == Answer::PlanEnded);
        if matches!(answer, Answer::Refused(_) | Answer::PlanEnded) {
            self.done = 0;
        }
    }
}

/// What is counted and measured on the way.
#[derive(Debug, Default)]
struct Tried {
    deeds: BTreeMap<&'static str, u64>,
    answers: u64,
    closings: u64,
    /// Longest time from the lid to the edge that opens, and how often it was taken.
    lid_ns: (u64, u64),
    /// Longest time from the last request to the edge that opens by silence.
    silence_ns: (u64, u64),
}

/// Takes the longer time and counts.
fn longer(longest: &mut (u64, u64), ns: u64) {
    *longest = (longest.0.max(ns), longest.1 + 1);
}

/// From the last byte of a request handed over: it may still be on the line for 6 ms.
const SILENCE_NS: u64 = 2_106_000_000;
const LID_NS: u64 = 10_000_000;

fn hostile(board: PicoBoard, seed: u64, deeds: u64) {
    let Some(mut bench) = Bench::greeted(board) else { return };
    let mut dice = Dice(seed);
    let mut tried = Tried::default();
    let mut sweep = Sweep::default();
    let mut waiting: BTreeMap<u16, u32> = BTreeMap::new();
    let mut heard_ns = bench.now_ns;
    let mut lid_open = false;
    for deed in 0..deeds {
        // A hundred mostly of a sweep, a hundred of anything.
        let sweeps = dice.below(100) < if deed / 100 % 2 == 0 { 95 } else { 20 };
        let kind = dice.below(100);
        let mut wait_us = [500, 3_000, 20_000][dice.below(3) as usize];
        let mut awaited = None;
        let what = match kind {
            _ if sweeps => {
                heard_ns = bench.now_ns;
                let seq = bench.send(sweep.next(board.lines.channels()));
                *waiting.entry(seq).or_default() += 1;
                awaited = Some(seq);
                wait_us += 6_000 + board.break_us + board.make_us;
                "requests of a sweep"
            }
            0..60 => {
                heard_ns = bench.now_ns;
                let request = request(&mut dice, board.lines.channels().into());
                *waiting.entry(bench.send(request)).or_default() += 1;
                // Until its last byte came.
                wait_us += 6_000;
                "requests of any kind"
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
                let opens = dice.below(4) == 0;
                let closed = bench.wiretap.closed().is_some();
                let lifted_ns = bench.now_ns;
                bench.pico.input(Pico::LID, opens);
                if opens && !lid_open && closed {
                    // Whatever else would have opened it in this time opened it sooner.
                    count(&bench.run(LID_NS / 1_000), &mut waiting, &mut tried.answers);
                    let opened_ns = bench.wiretap.opened_ns.expect("it was closed, and is followed");
                    assert_eq!(bench.wiretap.closed(), None, "closed 10 ms after the lid was opened");
                    longer(&mut tried.lid_ns, opened_ns - lifted_ns);
                }
                lid_open = opens;
                "lid movements"
            }
            98 => {
                count(&bench.run(20_000), &mut waiting, &mut tried.answers);
                bench.pico.call("give_up");
                waiting.clear();
                bench.run(100_000);
                (lid_open, sweep.done) = (false, 0);
                bench.pico.input(Pico::LID, lid_open);
                "programs that gave up"
            }
            _ => {
                count(&bench.run(20_000), &mut waiting, &mut tried.answers);
                bench.pico.hang();
                waiting.clear();
                bench.run(600_000);
                sweep.done = 0;
                "programs that hung"
            }
        };
        *tried.deeds.entry(what).or_default() += 1;
        let was_closed = bench.wiretap.closed().is_some();
        let before_ns = bench.now_ns;
        let seen = bench.run(wait_us);
        count(&seen, &mut waiting, &mut tried.answers);
        if let Some(seq) = awaited {
            match seen.answers.iter().find(|(number, ..)| *number == seq) {
                Some((_, _, answer)) => sweep.heard(answer),
                // Lost with the program that it came to.
                None => sweep.done = 0,
            }
        }
        if bench.now_ns - heard_ns > SILENCE_NS {
            assert_eq!(bench.wiretap.closed(), None, "closed although nobody was heard");
            let opened_ns = bench.wiretap.opened_ns.filter(|&opened_ns| was_closed && opened_ns > before_ns);
            if let Some(opened_ns) = opened_ns.filter(|opened_ns| opened_ns - heard_ns > 2_000_000_000) {
                longer(&mut tried.silence_ns, opened_ns - heard_ns);
            }
        }
        tried.closings += std::mem::take(&mut bench.wiretap.closings).len() as u64;
    }
    // The pins agree with what was followed edge by edge.
    assert_eq!(bench.pico.closed().first().copied(), bench.wiretap.closed());
    for _ in 0..40 {
        count(&bench.run(100_000), &mut waiting, &mut tried.answers);
    }
    assert_eq!(bench.wiretap.closed(), None);
    let unanswered: Vec<_> = waiting.iter().filter(|(_, count)| **count > 0).collect();
    assert!(unanswered.is_empty(), "requests without an answer: {unanswered:?}");
    assert!(tried.lid_ns.0 <= LID_NS && tried.silence_ns.0 <= SILENCE_NS, "{tried:?}");
    let (used, most) = (bench.pico.stack_used(), bench.pico.stack_at_most());
    assert!(used <= most, "{used} bytes of stack were used, found at most {most} in the image");

    let seconds = bench.now_ns / 1_000_000_000;
    eprintln!("{:?}, seed {seed}, {deeds} deeds, {seconds} s of its time:", bench.pico.board().lines);
    for (what, count) in &tried.deeds {
        eprintln!("{count:>9} {what}");
    }
    eprintln!("{:>9} answers, {} closings, {} whole sweeps", tried.answers, tried.closings, sweep.whole);
    let break_ns = bench.wiretap.shortest_break_ns.expect("something was closed twice");
    eprintln!("          shortest break {break_ns} ns of {} µs, two channels at once: never", board.break_us);
    let (lid_ns, lids) = tried.lid_ns;
    eprintln!("          open at most {} µs after the lid ({lids} times)", lid_ns / 1_000);
    let (silence_ns, silences) = tried.silence_ns;
    eprintln!(
        "          open at most {} ms after the last request ({silences} times)",
        silence_ns / 1_000_000
    );
    eprintln!("          {used} bytes of stack used, {most} at most by its calls");
}

/// Takes answers off the list of those that are waited for.
fn count(seen: &Seen, waiting: &mut BTreeMap<u16, u32>, answered: &mut u64) {
    for (seq, ..) in &seen.answers {
        if let Some(count) = waiting.get_mut(seq).filter(|count| **count > 0) {
            *count -= 1;
            *answered += 1;
        }
    }
}

#[test]
fn a_hostile_host_breaks_no_rule_of_multiplexers() {
    hostile(Pico::MULTIPLEXERS, 1, deeds());
}

#[test]
fn a_hostile_host_breaks_no_rule_of_shift_registers() {
    hostile(Pico::RELAYS, 3, deeds() / 4);
}

#[test]
fn a_hostile_host_breaks_no_rule_of_expanders() {
    hostile(Pico::EXPANDERS, 4, deeds() / 4);
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
    // At one moment: a plan goes on by itself, and silence ends it.
    assert_eq!(bench.follow().first().copied(), bench.wiretap.closed());
    assert_eq!(bench.ask(GREET), bench.ask(GREET), "the same board still greets");
    eprintln!("micro:bit, hostile host: {table:?}, {} closings", bench.wiretap.closings.len());
}
