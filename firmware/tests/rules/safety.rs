//! Everything opens when something goes quiet or wrong.

use protocol::*;

use crate::bench::*;

/// A board with channel 3 closed and settled, and what it said so far forgotten.
fn closed(parts: Parts) -> Bench {
    let mut bench = Bench::greeted(parts);
    assert_eq!(bench.ask(0, select(3, 0)), Answer::Settled { step: None, channel: Channel(3) });
    bench.moves();
    bench
}

/// Time of the last opening, which must be the last movement.
fn opened_at_us(bench: &Bench) -> Option<u64> {
    match bench.moves().last() {
        Some((at_us, Move::Open)) => Some(*at_us),
        _ => None,
    }
}

#[test]
fn everything_is_open_at_start() {
    assert_eq!(Bench::new(EVERYTHING).moves(), [(0, Move::Open)]);
}

#[test]
fn two_seconds_of_silence_open_everything() {
    let mut bench = closed(NOTHING);
    let before_us = bench.now_us();
    bench.run(SILENCE_US + 100_000);
    let after_us = opened_at_us(&bench).unwrap() - before_us;
    assert!((SILENCE_US - 10_000..SILENCE_US + 100).contains(&after_us), "opened after {after_us} µs");
    assert_eq!(bench.told(0), (vec![], vec![Event::Opened { reason: OpenReason::HostSilent }]));
    // Told once, and the board still answers.
    bench.run(10 * SILENCE_US);
    assert_eq!(bench.told(0), (vec![], vec![]));
    assert_eq!(bench.ask(0, select(3, 0)), Answer::Settled { step: None, channel: Channel(3) });
}

#[test]
fn any_good_frame_keeps_the_host_alive() {
    let mut bench = closed(EVERYTHING);
    for request in [Request::Ping, Request::Status, Request::Sense, select(200, 0), Request::Ping] {
        bench.run(SILENCE_US - 10_000);
        bench.send(0, request);
    }
    bench.run(SILENCE_US - 10_000);
    assert_eq!(bench.board.closed(), Some(Channel(3)));
}

/// Noise of several kinds, never a good frame; the closed channel would be opened by the noise itself, so
/// the noise comes on the link that does not rule, and as bytes without an end on the one that does.
#[test]
fn garbage_does_not_feed_the_silence_timer() {
    let noise: [&[u8]; 4] = [&[0x41], &[0xFF; 40], &[0x01], &[0x02, 0x01]];
    let mut bench = closed(NOTHING);
    let before_us = bench.now_us();
    let mut turn = noise.iter().cycle();
    while bench.board.closed().is_some() {
        bench.push(0, turn.next().unwrap());
        bench.push(1, turn.next().unwrap());
        bench.push(1, &[0]);
        bench.run(50_000);
        assert!(bench.now_us() - before_us < SILENCE_US + 100_000, "garbage feeds the silence timer");
    }
    let (_, events) = bench.told(0);
    assert_eq!(events, [Event::Opened { reason: OpenReason::HostSilent }]);
}

#[test]
fn the_other_link_does_not_feed_the_silence_timer() {
    let mut bench = closed(NOTHING);
    for _ in 0..50 {
        bench.send(1, Request::Ping);
        bench.run(50_000);
    }
    assert_eq!(bench.board.closed(), None);
    let (answers, _) = bench.told(1);
    assert!(answers.iter().all(|(_, answer)| *answer == refused(Fault::NotGreeted)));
}

#[test]
fn a_request_under_way_is_answered_when_everything_opens() {
    let mut bench = Bench::greeted(NOTHING);
    let seq = bench.send(0, select(3, 10_000_000));
    bench.run(2 * SILENCE_US);
    let reason = OpenReason::HostSilent;
    assert_eq!(bench.told(0), (vec![(seq, refused(Fault::Opened(reason)))], vec![Event::Opened { reason }]));
}

#[test]
fn a_frame_that_cannot_be_read_opens_everything() {
    let good = encode(&RequestFrame { seq: 9, request: Request::Ping });
    let mut changed = good.to_vec();
    changed[2] ^= 0x10;
    let unnumbered = frame_of(&[0x80]);
    for (bytes, trouble) in [
        (&changed[..], FrameTrouble::Damaged),
        (&[0x55, 0x00], FrameTrouble::Damaged),
        (&[[0x55; 65].as_slice(), &[0x00]].concat(), FrameTrouble::TooLong),
        (&unnumbered, FrameTrouble::Unknown),
    ] {
        let mut bench = closed(NOTHING);
        bench.push(0, bytes);
        assert!(opened_at_us(&bench).is_some(), "{trouble:?}");
        assert_eq!(
            bench.told(0).1,
            [Event::BadFrame { trouble }, Event::Opened { reason: OpenReason::BadFrame }]
        );
        // Told once until a good frame, counted each time.
        bench.push(0, bytes);
        assert_eq!(bench.told(0).1, []);
        let Answer::Status(status) = bench.ask(0, Request::Status) else { panic!() };
        assert_eq!(status.bad_frames, 2);
        bench.push(0, bytes);
        assert_eq!(bench.told(0).1, [Event::BadFrame { trouble }]);
    }
}

/// A good frame around any content.
fn frame_of(content: &[u8]) -> Vec<u8> {
    let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(content);
    let inside = [content, &crc.to_le_bytes()].concat();
    let mut frame = Vec::new();
    for piece in inside.split(|&byte| byte == 0) {
        frame.push(u8::try_from(piece.len()).unwrap() + 1);
        frame.extend_from_slice(piece);
    }
    frame.push(0);
    frame
}

#[test]
fn an_unknown_request_is_refused_by_its_number_and_opens_everything() {
    let mut bench = closed(NOTHING);
    // Number 300, a request with index 99.
    bench.push(0, &frame_of(&[0xAC, 0x02, 99]));
    assert!(opened_at_us(&bench).is_some());
    assert_eq!(
        bench.told(0),
        (vec![(300, refused(Fault::UnknownRequest))], vec![Event::Opened { reason: OpenReason::BadFrame }])
    );
}

#[test]
fn noise_on_the_other_link_is_only_told_there() {
    let mut bench = closed(NOTHING);
    bench.push(1, &[0x55, 0x00, 0x55, 0x00]);
    assert_eq!(bench.board.closed(), Some(Channel(3)));
    assert_eq!(bench.told(0), (vec![], vec![]));
    assert_eq!(bench.told(1).1, [Event::BadFrame { trouble: FrameTrouble::Damaged }]);
}

#[test]
fn an_opening_lid_opens_everything_within_10_ms() {
    let mut bench = closed(EVERYTHING);
    bench.run(12_345);
    bench.world(|world| world.lid_open = true);
    let before_us = bench.now_us();
    bench.run(20_000);
    assert!(opened_at_us(&bench).unwrap() - before_us <= 10_000);
    assert_eq!(
        bench.told(0).1,
        [Event::Lid { closed: false }, Event::Opened { reason: OpenReason::LidOpen }]
    );

    for request in [
        select(1, 0),
        Request::Bleed { channel: Channel(0), hold_us: 1 },
        Request::Start { steps: 0, settle_us: 0, pace: Pace::Advance },
        Request::Advance { step: 0 },
    ] {
        assert_eq!(bench.ask(0, request), refused(Fault::LidOpen));
    }
    assert_eq!(bench.moves(), []);

    bench.world(|world| world.lid_open = false);
    bench.run(50_000);
    assert_eq!(bench.told(0).1, [], "closed counts only when it stays so");
    bench.run(200_000);
    assert_eq!(bench.told(0).1, [Event::Lid { closed: true }]);
    assert_eq!(bench.ask(0, select(1, 0)), Answer::Settled { step: None, channel: Channel(1) });
}

#[test]
fn a_lid_that_is_open_at_start_keeps_everything_open() {
    let mut bench = Bench::new(EVERYTHING);
    bench.world(|world| world.lid_open = true);
    bench.run(20_000);
    bench.ask(0, GREET);
    assert_eq!(bench.ask(0, select(1, 0)), refused(Fault::LidOpen));
}

#[test]
fn a_host_that_does_not_read_is_no_longer_served() {
    let mut bench = closed(NOTHING);
    let mut sent = 0_usize;
    while bench.board.closed().is_some() {
        bench.send(0, Request::Ping);
        sent += 1;
        assert!(sent < 100, "nothing happens to a host that does not read");
    }
    bench.send(0, select(4, 0));
    bench.run(10_000);
    assert_eq!(bench.board.closed(), None, "as long as it does not read");

    let (answers, events) = bench.told(0);
    assert!(answers.iter().all(|(_, answer)| *answer == Answer::Pong));
    assert_eq!(events, []);
    bench.run(10);
    // Pings without an answer, the answer to the selection, and the two events of opening.
    let lost = sent - answers.len() + 3;
    assert_eq!(bench.told(0), (vec![], vec![Event::Lost { messages: u16::try_from(lost).unwrap() }]));
    assert_eq!(bench.ask(0, select(4, 0)), Answer::Settled { step: None, channel: Channel(4) });
}
