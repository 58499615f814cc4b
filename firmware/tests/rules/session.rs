//! Greeting, versions, and two hosts at one board.

use firmware::FIRMWARE_VERSION;
use protocol::*;

use crate::bench::*;

#[test]
fn the_greeting_tells_what_the_board_is() {
    let mut bench = Bench::new(EVERYTHING);
    let Answer::Greeting(greeting) = bench.ask(0, GREET) else { panic!() };
    assert_eq!(
        greeting,
        Greeting {
            version: 1,
            kind: BoardKind::Practice,
            boot_id: 7,
            reset: ResetCause::Power,
            channels: CHANNELS,
            plan_steps: 160,
            firmware: FIRMWARE_VERSION,
            unique_id: *b"bench-01",
            parts: EVERYTHING,
            timing: Timing { break_us: 100, make_us: 300, silence_us: 2_000_000 },
        }
    );
}

#[test]
fn nothing_is_served_before_a_greeting() {
    let mut bench = Bench::new(EVERYTHING);
    bench.moves();
    for request in [
        Request::Ping,
        Request::OpenAll,
        select(0, 0),
        Request::LoadPlan { first: 0, channels: [Channel(0)].into_iter().collect() },
        Request::Start { steps: 0, settle_us: 0, pace: Pace::Advance },
        Request::Advance { step: 0 },
        Request::Indicate { light: Light::Ready, sound: Sound::Ready },
        Request::Sense,
        Request::Bleed { channel: Channel(0), hold_us: 0 },
        Request::Status,
    ] {
        assert_eq!(bench.ask(0, request), refused(Fault::NotGreeted));
    }
    assert_eq!(bench.moves(), []);
}

/// The version matrix of PROTOCOL.md: what an older or newer host gets from this firmware.
#[test]
fn the_newest_common_version_is_spoken_or_both_are_told() {
    let refusal = refused(Fault::Version { min: 1, max: 1 });
    for (min, max, spoken) in [
        (1, 1, true),
        (0, 1, true),
        (1, 9, true),
        (0, 255, true),
        (2, 3, false),
        (0, 0, false),
        (1, 0, false),
    ] {
        let mut bench = Bench::new(NOTHING);
        let answer = bench.ask(0, Request::Greet { min, max });
        if spoken {
            assert!(matches!(answer, Answer::Greeting(Greeting { version: 1, .. })), "{min} to {max}");
        } else {
            assert_eq!(answer, refusal, "{min} to {max}");
            assert_eq!(bench.ask(0, Request::Ping), refused(Fault::NotGreeted));
        }
    }
}

#[test]
fn greeting_opens_everything() {
    for greet in [GREET, Request::Greet { min: 9, max: 9 }] {
        let mut bench = Bench::greeted(NOTHING);
        bench.ask(0, select(3, 0));
        bench.ask(0, greet);
        assert_eq!(bench.board.closed(), None);
    }
}

#[test]
fn the_link_that_greets_last_rules() {
    let mut bench = Bench::greeted(EVERYTHING);
    bench.ask(0, select(3, 0));
    assert!(matches!(bench.ask(1, GREET), Answer::Greeting(_)));
    assert_eq!(bench.board.closed(), None);
    assert_eq!(bench.told(0).1, [Event::Opened { reason: OpenReason::OtherHost }]);
    assert_eq!(bench.ask(0, select(3, 0)), refused(Fault::NotGreeted));
    assert_eq!(bench.ask(1, select(4, 0)), Answer::Settled { step: None, channel: Channel(4) });

    bench.world(|world| world.button = true);
    bench.run(50_000);
    assert_eq!(bench.told(0).1, []);
    assert_eq!(bench.told(1).1, [Event::Button { pressed: true }]);

    // Told even if nothing was closed.
    bench.ask(1, Request::OpenAll);
    bench.ask(0, GREET);
    assert_eq!(bench.told(1).1, [Event::Opened { reason: OpenReason::OtherHost }]);
}

#[test]
fn a_link_that_does_not_exist_is_ignored() {
    let mut bench = Bench::greeted(NOTHING);
    let greet = encode(&RequestFrame { seq: 1, request: GREET });
    bench.push(2, &greet);
    assert_eq!(bench.board.take_output(2, &mut [0; 8]), 0);
    assert_eq!(bench.ask(0, Request::Ping), Answer::Pong);
}
