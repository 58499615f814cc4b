//! Walking a plan.

use protocol::*;

use crate::bench::*;

fn start(steps: u16, settle_us: u32, pace: Pace) -> Request {
    Request::Start { steps, settle_us, pace }
}

fn settled(step: u16, channel: u8) -> Answer {
    Answer::Settled { step: Some(step), channel: Channel(channel) }
}

#[test]
fn a_plan_is_walked_at_the_pace_of_the_host() {
    let mut bench = Bench::greeted(NOTHING);
    assert_eq!(bench.load(&[5, 0, 5]), Answer::PlanLoaded { steps: 3 });
    assert_eq!(bench.ask(0, start(3, 100, Pace::Advance)), settled(0, 5));
    bench.run(1_000_000);
    assert_eq!(bench.board.closed(), Some(Channel(5)), "it waits for the host");
    assert_eq!(bench.ask(0, Request::Advance { step: 1 }), settled(1, 0));
    assert_eq!(bench.ask(0, Request::Advance { step: 2 }), settled(2, 5));
    assert_eq!(bench.ask(0, Request::Advance { step: 3 }), Answer::PlanEnded);
    assert_eq!(bench.board.closed(), None);
    assert_eq!(bench.ask(0, Request::Advance { step: 4 }), refused(Fault::NoPlan));
    assert_eq!(bench.ask(0, start(3, 100, Pace::Advance)), settled(0, 5), "the plan is still loaded");
}

#[test]
fn an_advance_that_is_repeated_skips_no_step() {
    let mut bench = Bench::greeted(NOTHING);
    bench.load(&[1, 2, 3]);
    bench.ask(0, start(3, 100, Pace::Advance));
    bench.send(0, Request::Advance { step: 1 });
    bench.run(10_000);
    let first = bench.said(0);
    bench.moves();
    bench.send(0, Request::Advance { step: 1 });
    let again = bench.said(0);
    let times = [first, again].map(|said| match said[..] {
        [BoardMessage::Answer { at_us, ref answer, .. }] if *answer == settled(1, 2) => at_us,
        _ => panic!("{said:?}"),
    });
    assert_eq!(times[0], times[1], "the time when it settled, not when it was asked again");
    assert_eq!(bench.moves(), [], "the switch stays as it is");

    // Repeated while it is under way: the later request waits for it.
    let earlier = bench.send(0, Request::Advance { step: 2 });
    bench.run(BREAK_US + 50);
    let later = bench.send(0, Request::Advance { step: 2 });
    bench.run(10_000);
    assert_eq!(bench.told(0).0, [(earlier, refused(Fault::Superseded)), (later, settled(2, 3))]);
    assert_eq!(bench.moves().len(), 2, "one opening, one closing");
}

#[test]
fn a_step_out_of_turn_is_refused() {
    let mut bench = Bench::greeted(NOTHING);
    bench.load(&[1, 2, 3]);
    assert_eq!(bench.ask(0, Request::Advance { step: 0 }), refused(Fault::NoPlan), "not started");
    bench.ask(0, start(3, 0, Pace::Advance));
    for step in [2, 3, 65_535] {
        assert_eq!(bench.ask(0, Request::Advance { step }), refused(Fault::WrongStep { expected: 1 }));
    }
    bench.ask(0, Request::Advance { step: 1 });
    assert_eq!(bench.ask(0, Request::Advance { step: 0 }), refused(Fault::WrongStep { expected: 2 }));
    assert_eq!(bench.board.closed(), Some(Channel(2)), "left as it was");
}

#[test]
fn the_longest_plan_fits_and_a_longer_one_is_refused() {
    let mut bench = Bench::greeted(NOTHING);
    let longest: Vec<u8> = (0..CHANNELS).cycle().take(PLAN_STEPS).collect();
    assert_eq!(bench.load(&longest), Answer::PlanLoaded { steps: PLAN_STEPS as u16 });
    let one_more =
        Request::LoadPlan { first: PLAN_STEPS as u16, channels: [Channel(0)].into_iter().collect() };
    assert_eq!(bench.ask(0, one_more), refused(Fault::PlanTooLong { capacity: PLAN_STEPS as u16 }));
    assert_eq!(
        bench.ask(0, start(PLAN_STEPS as u16, 0, Pace::Advance)),
        settled(0, 0),
        "what fitted is kept"
    );
}

#[test]
fn a_gap_or_a_part_twice_is_refused() {
    let mut bench = Bench::greeted(NOTHING);
    bench.load(&[1, 2]);
    for first in [1, 3, 65_535] {
        let part = Request::LoadPlan { first, channels: [Channel(9)].into_iter().collect() };
        assert_eq!(bench.ask(0, part), refused(Fault::PlanGap { expected: 2 }));
    }
    assert_eq!(bench.ask(0, start(2, 0, Pace::Advance)), settled(0, 1));
}

#[test]
fn a_plan_with_a_channel_that_does_not_exist_is_refused() {
    let mut bench = Bench::greeted(NOTHING);
    let fault = Fault::ChannelOutOfRange { channel: Channel(CHANNELS), channels: CHANNELS };
    assert_eq!(bench.load(&[1, CHANNELS, 2]), refused(fault));
    assert_eq!(bench.ask(0, start(3, 0, Pace::Advance)), refused(Fault::PlanMismatch { loaded: 0 }));
}

#[test]
fn start_must_name_the_steps_that_are_loaded() {
    let mut bench = Bench::greeted(NOTHING);
    assert_eq!(bench.ask(0, start(0, 0, Pace::Advance)), refused(Fault::PlanMismatch { loaded: 0 }));
    bench.load(&[1, 2]);
    assert_eq!(bench.ask(0, start(3, 0, Pace::Advance)), refused(Fault::PlanMismatch { loaded: 2 }));
    bench.ask(0, GREET);
    assert_eq!(
        bench.ask(0, start(2, 0, Pace::Advance)),
        refused(Fault::PlanMismatch { loaded: 0 }),
        "a new conversation begins without a plan"
    );
}

#[test]
fn a_fixed_dwell_steps_by_itself_and_opens_at_the_end() {
    let mut bench = Bench::greeted(NOTHING);
    bench.load(&[7, 8, 9]);
    let seq = bench.send(0, start(3, 1_000, Pace::Dwell { dwell_us: 250_000 }));
    bench.run(1_000_000);
    let said = bench.said(0);
    let [
        BoardMessage::Answer { seq: echoed, at_us: first_us, answer },
        BoardMessage::Event { at_us: second_us, event: Event::Settled { step: 1, channel: Channel(8) } },
        BoardMessage::Event { at_us: third_us, event: Event::Settled { step: 2, channel: Channel(9) } },
        BoardMessage::Event { at_us: end_us, event: Event::Opened { reason: OpenReason::PlanEnded } },
    ] = &said[..]
    else {
        panic!("{said:?}")
    };
    assert_eq!((*echoed, answer), (seq, &settled(0, 7)));
    for between_us in [second_us - first_us, third_us - second_us] {
        let least_us = 250_000 + BREAK_US + MAKE_US + 1_000;
        assert!((least_us..least_us + 30).contains(&between_us), "{between_us} µs from step to step");
    }
    assert!((250_000..250_020).contains(&(end_us - third_us)));
    assert_eq!(bench.board.closed(), None);
}

#[test]
fn the_host_can_stop_a_fixed_dwell_and_does_not_advance_it() {
    let mut bench = Bench::greeted(NOTHING);
    bench.load(&[7, 8, 9]);
    bench.ask(0, start(3, 0, Pace::Dwell { dwell_us: 250_000 }));
    assert_eq!(bench.ask(0, Request::Advance { step: 1 }), refused(Fault::NoPlan));
    assert_eq!(bench.ask(0, Request::OpenAll), Answer::Opened);
    bench.run(1_900_000);
    assert_eq!(bench.told(0), (vec![], vec![]));
    assert_eq!(bench.board.closed(), None);
}

#[test]
fn a_lost_host_ends_a_fixed_dwell() {
    let mut bench = Bench::greeted(NOTHING);
    bench.load(&(0..20).collect::<Vec<_>>());
    bench.ask(0, start(20, 0, Pace::Dwell { dwell_us: 250_000 }));
    bench.run(3_000_000);
    let (_, events) = bench.told(0);
    assert_eq!(events.last(), Some(&Event::Opened { reason: OpenReason::HostSilent }));
    assert_eq!(bench.board.closed(), None);
}
