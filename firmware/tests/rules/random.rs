//! Whatever hosts do: the electrical rules hold, and every request gets exactly one answer.

use std::collections::BTreeMap;

use proptest::prelude::*;
use protocol::*;

use crate::bench::*;

#[derive(Debug, Clone)]
enum Deed {
    Ask(usize, Request),
    Noise(usize, Vec<u8>),
    Wait(u64),
    Lid(bool),
    Fail(bool),
}

fn request() -> impl Strategy<Value = Request> {
    let channel = || (0..CHANNELS + 2).prop_map(Channel);
    let time_us = || prop_oneof![Just(0_u32), 0..2_000_u32, 0..3_000_000_u32];
    let part = proptest::collection::vec(channel(), 0..6);
    let pace = prop_oneof![Just(Pace::Advance), time_us().prop_map(|dwell_us| Pace::Dwell { dwell_us })];
    prop_oneof![
        1 => Just(GREET),
        1 => Just(Request::Ping),
        1 => Just(Request::OpenAll),
        6 => (channel(), time_us()).prop_map(|(channel, settle_us)| Request::Select { channel, settle_us }),
        3 => (0..4_u16, part)
            .prop_map(|(first, part)| Request::LoadPlan { first, channels: part.into_iter().collect() }),
        3 => (0..6_u16, time_us(), pace)
            .prop_map(|(steps, settle_us, pace)| Request::Start { steps, settle_us, pace }),
        4 => (0..6_u16).prop_map(|step| Request::Advance { step }),
        1 => (channel(), time_us()).prop_map(|(channel, hold_us)| Request::Bleed { channel, hold_us }),
        1 => Just(Request::Sense),
        1 => Just(Request::Status),
    ]
}

fn deed() -> impl Strategy<Value = Deed> {
    prop_oneof![
        12 => (prop_oneof![9 => Just(0_usize), 1 => Just(1)], request())
            .prop_map(|(link, request)| Deed::Ask(link, request)),
        1 => (0..2_usize, proptest::collection::vec(any::<u8>(), 0..80))
            .prop_map(|(link, noise)| Deed::Noise(link, noise)),
        6 => prop_oneof![0..1_000_u64, 0..100_000_u64, 0..3_000_000_u64].prop_map(Deed::Wait),
        1 => any::<bool>().prop_map(Deed::Lid),
        1 => any::<bool>().prop_map(Deed::Fail),
    ]
}

/// Holds the movements against the rules: no channel is closed over another, none before the break.
fn check_moves(moves: &[(u64, Move)]) {
    let mut opened_us = None;
    for &(at_us, what) in moves {
        match what {
            Move::Open => opened_us = opened_us.or(Some(at_us)),
            Move::Close(channel) => {
                let opened_us = opened_us.take().expect("a channel was closed while another was");
                assert!(channel < CHANNELS, "channel {channel} was closed");
                assert!(at_us - opened_us >= BREAK_US, "break of {} µs", at_us - opened_us);
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]

    #[test]
    fn rules_hold_and_every_request_gets_one_answer(deeds in proptest::collection::vec(deed(), 1..60)) {
        let mut bench = Bench::greeted(EVERYTHING);
        let mut asked = [BTreeMap::new(), BTreeMap::new()];
        let mut heard_us = bench.now_us();
        for deed in deeds {
            match deed {
                Deed::Ask(link, request) => {
                    heard_us = bench.now_us();
                    let seq = bench.send(link, request);
                    asked[link].insert(seq, 0);
                }
                // With an end behind it, so that it does not swallow a request.
                Deed::Noise(link, mut noise) => {
                    noise.push(0);
                    bench.push(link, &noise);
                }
                Deed::Wait(for_us) => bench.run(for_us),
                Deed::Lid(open) => bench.world(|world| world.lid_open = open),
                Deed::Fail(fail) => bench.world(|world| world.fail_close = fail),
            }
            if bench.now_us() > heard_us + SILENCE_US + 100 {
                prop_assert_eq!(bench.board.closed(), None, "closed although nobody was heard");
            }
            for (link, asked) in asked.iter_mut().enumerate() {
                for (seq, _) in bench.told(link).0 {
                    *asked.get_mut(&seq).expect("an answer that nobody asked for") += 1;
                }
            }
        }
        // Longer than any settle, hold and silence time together.
        for _ in 0..10 {
            bench.run(1_000_000);
            for (link, asked) in asked.iter_mut().enumerate() {
                for (seq, _) in bench.told(link).0 {
                    *asked.get_mut(&seq).expect("an answer that nobody asked for") += 1;
                }
            }
        }
        for answers in asked.iter().flatten() {
            prop_assert_eq!(answers.1, &1, "answers to request {}", answers.0);
        }
        prop_assert_eq!(bench.board.closed(), None);
        check_moves(&bench.moves());
    }
}
