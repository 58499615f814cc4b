//! Closing one channel.

use protocol::*;

use crate::bench::*;

#[test]
fn break_make_and_settle_are_waited_for() {
    let mut bench = Bench::greeted(NOTHING);
    assert_eq!(bench.ask(0, select(4, 0)), Answer::Settled { step: None, channel: Channel(4) });
    bench.moves();

    let seq = bench.send(0, select(12, 20_000));
    bench.run(50_000);
    let moves = bench.moves();
    let [(open_us, Move::Open), (close_us, Move::Close(12))] = moves[..] else { panic!("{moves:?}") };
    assert!(close_us - open_us >= BREAK_US, "break of {} µs", close_us - open_us);
    assert!(close_us - open_us < BREAK_US + 20, "break of {} µs", close_us - open_us);

    let said = bench.said(0);
    let [BoardMessage::Answer { seq: echoed, at_us, answer }] = &said[..] else { panic!("{said:?}") };
    assert_eq!((*echoed, answer), (seq, &Answer::Settled { step: None, channel: Channel(12) }));
    assert!(at_us - close_us >= MAKE_US + 20_000, "settled after {} µs", at_us - close_us);
    assert!(at_us - close_us < MAKE_US + 20_000 + 20, "settled after {} µs", at_us - close_us);
    assert_eq!(bench.board.closed(), Some(Channel(12)));
}

#[test]
fn settled_is_not_said_before_it_is_so() {
    let mut bench = Bench::greeted(NOTHING);
    bench.send(0, select(1, 20_000));
    // The break is over already: everything has been open since the start.
    bench.run(MAKE_US + 19_900);
    assert_eq!(bench.said(0), []);
    bench.run(200);
    assert_eq!(bench.said(0).len(), 1);
}

#[test]
fn channel_out_of_range_is_refused_and_moves_nothing() {
    let mut bench = Bench::greeted(EVERYTHING);
    bench.ask(0, select(3, 0));
    bench.moves();
    for channel in [CHANNELS, CHANNELS + 1, 64, 128, 255].map(Channel) {
        let fault = refused(Fault::ChannelOutOfRange { channel, channels: CHANNELS });
        assert_eq!(bench.ask(0, Request::Select { channel, settle_us: 0 }), fault);
        assert_eq!(bench.ask(0, Request::Bleed { channel, hold_us: 0 }), fault);
    }
    assert_eq!(bench.moves(), []);
    assert_eq!(bench.board.closed(), Some(Channel(3)), "left as it was");
}

#[test]
fn every_channel_that_exists_can_be_closed() {
    let mut bench = Bench::greeted(NOTHING);
    for channel in 0..CHANNELS {
        let settled = Answer::Settled { step: None, channel: Channel(channel) };
        assert_eq!(bench.ask(0, select(channel, 10)), settled);
        assert_eq!(bench.board.closed(), Some(Channel(channel)));
    }
}

#[test]
fn a_later_request_takes_the_place_of_the_one_under_way() {
    let mut bench = Bench::greeted(NOTHING);
    let first = bench.send(0, select(1, 50_000));
    bench.run(10_000);
    let second = bench.send(0, select(2, 1_000));
    bench.run(100_000);
    let settled = Answer::Settled { step: None, channel: Channel(2) };
    assert_eq!(bench.told(0).0, [(first, refused(Fault::Superseded)), (second, settled)]);
    let closed: Vec<_> = bench.moves().into_iter().map(|(_, what)| what).collect();
    // At start, at the greeting, and before each closing.
    let expected = [Move::Open, Move::Open, Move::Open, Move::Close(1), Move::Open, Move::Close(2)];
    assert_eq!(closed, expected);
}

#[test]
fn open_all_and_greet_and_load_plan_take_its_place_too() {
    for later in [
        Request::OpenAll,
        GREET,
        Request::LoadPlan { first: 0, channels: [Channel(1)].into_iter().collect() },
    ] {
        for under_way_us in [0, BREAK_US + 50, 10_000] {
            let mut bench = Bench::greeted(NOTHING);
            let first = bench.send(0, select(1, 50_000));
            bench.run(under_way_us);
            let second = bench.send(0, later.clone());
            bench.run(100_000);
            let (answers, events) = bench.told(0);
            assert_eq!(answers[0], (first, refused(Fault::Superseded)));
            assert_eq!((answers.len(), answers[1].0), (2, second));
            assert_eq!(events, []);
            assert_eq!(bench.board.closed(), None, "{later:?}");
        }
    }
}

#[test]
fn a_later_request_that_is_refused_leaves_the_one_under_way() {
    let mut bench = Bench::greeted(NOTHING);
    let first = bench.send(0, select(1, 50_000));
    let refusals = [
        bench.send(0, select(99, 0)),
        bench.send(0, Request::Advance { step: 0 }),
        bench.send(0, Request::Start { steps: 9, settle_us: 0, pace: Pace::Advance }),
        bench.send(0, Request::Bleed { channel: Channel(0), hold_us: 0 }),
        bench.send(0, Request::Sense),
    ];
    bench.run(100_000);
    let (answers, _) = bench.told(0);
    assert!(answers[..5].iter().all(|(_, answer)| matches!(answer, Answer::Refused(_))), "{answers:?}");
    assert_eq!(answers.iter().map(|(seq, _)| *seq).collect::<Vec<_>>()[..5], refusals);
    assert_eq!(answers[5], (first, Answer::Settled { step: None, channel: Channel(1) }));
}

#[test]
fn ping_and_status_disturb_nothing() {
    let mut bench = Bench::greeted(NOTHING);
    let first = bench.send(0, select(1, 50_000));
    bench.run(1_000);
    let now_us = bench.now_us();
    bench.send(0, Request::Ping);
    let said = bench.said(0);
    assert!(
        matches!(said[..], [BoardMessage::Answer { at_us, answer: Answer::Pong, .. }] if at_us == now_us)
    );
    assert_eq!(
        bench.ask(0, Request::Status),
        Answer::Status(Status {
            closed: Some(Channel(1)),
            step: None,
            lid_closed: None,
            button_pressed: None,
            bad_frames: 0
        })
    );
    bench.run(60_000);
    assert_eq!(bench.told(0).0, [(first, Answer::Settled { step: None, channel: Channel(1) })]);
}

#[test]
fn a_switch_that_fails_is_opened_and_told() {
    let mut bench = Bench::greeted(NOTHING);
    bench.world(|world| world.fail_close = true);
    bench.moves();
    assert_eq!(bench.ask(0, select(1, 0)), refused(Fault::SwitchFault));
    let moved: Vec<_> = bench.moves().into_iter().map(|(_, what)| what).collect();
    assert_eq!(moved[..3], [Move::Open, Move::Close(1), Move::Open]);
    assert_eq!(bench.board.closed(), None);

    // One that cannot even be opened closes nothing until it can.
    bench.world(|world| (world.fail_close, world.fail_open) = (false, true));
    assert_eq!(bench.ask(0, Request::OpenAll), refused(Fault::SwitchFault));
    assert_eq!(bench.ask(0, select(1, 0)), refused(Fault::SwitchFault));
    assert!(!bench.moves().iter().any(|(_, what)| matches!(what, Move::Close(_))));
    bench.world(|world| world.fail_open = false);
    assert_eq!(bench.ask(0, select(1, 0)), Answer::Settled { step: None, channel: Channel(1) });
}

/// Nobody asks any more, and still the contacts do not stay as nobody knows: opening is tried until it succeeds, with a
/// break between.
#[test]
fn opening_that_fails_is_tried_again_unasked() {
    let mut bench = Bench::greeted(NOTHING);
    bench.ask(0, select(1, 0));
    bench.world(|world| world.fail_open = true);
    assert_eq!(bench.ask(0, Request::OpenAll), refused(Fault::SwitchFault));
    bench.run(1_000);
    bench.moves();
    bench.run(10 * BREAK_US);
    let tries = bench.moves();
    assert!((8..=10).contains(&tries.len()), "{tries:?}");
    assert!(tries.windows(2).all(|pair| pair[1].0 - pair[0].0 >= BREAK_US), "{tries:?}");
    bench.world(|world| world.fail_open = false);
    bench.run(2 * BREAK_US);
    assert_eq!(bench.moves().len(), 1, "once it is open, nothing is left to do");
    bench.run(10 * BREAK_US);
    assert_eq!(bench.moves(), []);
}
