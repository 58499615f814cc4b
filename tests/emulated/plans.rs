//! Plans in both paces, on the real image: every step is stamped, the host can stop at any time, a lost host
//! ends both.

use protocol::*;
use tests::emulated::{Pico, PicoBoard};

use crate::pico::{Bench, Seen};

const BOARDS: [PicoBoard; 3] = [Pico::MULTIPLEXERS, Pico::RELAYS, Pico::EXPANDERS];

/// Longest that a step may be late: what firmware and bus take (`latency`).
const LATE_US: u64 = 2_000;

/// Loads a plan of 64 channels, last one first, and starts it.
fn start(bench: &mut Bench, settle_us: u32, pace: Pace) -> (u16, Seen) {
    let all: Vec<_> = (0..64).rev().map(Channel).collect();
    for (part, first) in all.chunks(32).zip([0, 32]) {
        let answer = bench.ask(Request::LoadPlan { first, channels: part.iter().copied().collect() });
        assert_eq!(answer, Answer::PlanLoaded { steps: first + 32 });
    }
    let seq = bench.send(Request::Start { steps: 64, settle_us, pace });
    (seq, bench.run(30_000))
}

fn answer(seen: &Seen, seq: u16) -> Option<(u64, Answer)> {
    let own = seen.answers.iter().find(|(number, ..)| *number == seq);
    own.map(|(_, at_us, answer)| (*at_us, answer.clone()))
}

#[test]
fn a_fixed_dwell_stamps_every_step_of_64_channels() {
    for board in BOARDS {
        let Some(mut bench) = Bench::greeted(board) else { return };
        let (settle_us, dwell_us) = (500_u32, 40_000_u32);
        let (seq, seen) = start(&mut bench, settle_us, Pace::Dwell { dwell_us });
        let settled = Answer::Settled { step: Some(0), channel: Channel(63) };
        let (mut last_us, found) = answer(&seen, seq).unwrap();
        assert_eq!(found, settled);
        let mut steps = 1;
        let mut ended = false;
        // The host says something each half second and nothing else.
        while !ended {
            assert_eq!(
                bench.ask_and_watch(
                    Request::Ping,
                    |events| {
                        for &(at_us, ref event) in events {
                            let between_us = at_us - last_us;
                            let least_us = board.break_us + board.make_us + u64::from(settle_us + dwell_us);
                            match event {
                                Event::Settled { step, channel } => {
                                    assert_eq!((*step, *channel), (steps, Channel(63 - steps as u8)));
                                    assert!(
                                        (least_us..least_us + LATE_US).contains(&between_us),
                                        "{board:?}: step {step} {between_us} µs after the one before"
                                    );
                                    steps += 1;
                                }
                                Event::Opened { reason: OpenReason::PlanEnded } => {
                                    assert!(between_us.abs_diff(dwell_us.into()) < LATE_US);
                                    ended = true;
                                }
                                other => panic!("{other:?}"),
                            }
                            last_us = at_us;
                        }
                    },
                    500_000
                ),
                Answer::Pong
            );
        }
        assert_eq!(steps, 64);
        assert!(bench.pico.closed().is_empty());
        let closings: Vec<_> = bench.wiretap.closings.iter().map(|(channel, _)| *channel).collect();
        assert_eq!(closings, (0..64).rev().collect::<Vec<_>>());
    }
}

#[test]
fn the_host_stops_either_pace_at_any_time() {
    for pace in [Pace::Advance, Pace::Dwell { dwell_us: 40_000 }] {
        let Some(mut bench) = Bench::greeted(Pico::MULTIPLEXERS) else { return };
        for stop in [Request::OpenAll, Request::LoadPlan { first: 0, channels: Default::default() }] {
            start(&mut bench, 500, pace);
            // In the middle of a dwell.
            bench.run(63_000);
            assert!(!bench.pico.closed().is_empty());
            bench.ask(stop);
            assert!(bench.pico.closed().is_empty());
            let seen = bench.run(500_000);
            assert!(seen.edges.is_empty() && seen.events.is_empty(), "{pace:?} goes on: {seen:?}");
            assert_eq!(bench.ask(Request::Advance { step: 1 }), Answer::Refused(Fault::NoPlan));
        }
    }
}

#[test]
fn a_lost_host_ends_either_pace() {
    for pace in [Pace::Advance, Pace::Dwell { dwell_us: 40_000 }] {
        let Some(mut bench) = Bench::greeted(Pico::MULTIPLEXERS) else { return };
        let before_ns = bench.now_ns;
        start(&mut bench, 500, pace);
        let seen = bench.run(2_200_000);
        let lost = Event::Opened { reason: OpenReason::HostSilent };
        assert_eq!(seen.events.last().map(|(_, event)| event), Some(&lost), "{pace:?}");
        assert!(bench.pico.closed().is_empty());
        let last_ns = seen.edges.last().and_then(|edge| edge.at_ns).unwrap();
        assert!(last_ns - before_ns <= 2_150_000_000, "{pace:?}: nothing moves after the host was lost");
        assert!(bench.run(500_000).edges.is_empty());
    }
}
