//! Button, light, buzzer, sense input and bleed resistor.

use firmware::{Lamp, Tone};
use protocol::*;

use crate::bench::*;

#[test]
fn a_pressed_button_is_told_once() {
    let mut bench = Bench::greeted(EVERYTHING);
    for (pressed, for_us) in [(true, 5_000), (false, 5_000), (true, 100_000), (false, 100_000)] {
        bench.world(|world| world.button = pressed);
        bench.run(for_us);
    }
    assert_eq!(bench.told(0).1, [Event::Button { pressed: true }, Event::Button { pressed: false }]);
}

#[test]
fn the_light_blinks_while_nobody_asks() {
    let mut bench = Bench::greeted(EVERYTHING);
    let indicate = Request::Indicate { light: Light::Ready, sound: Sound::Ready };
    assert_eq!(bench.ask(0, indicate), Answer::Indicated);
    bench.run(5_000_000);
    let (lamps, sounds) = bench.world(|world| (world.lamps.clone(), world.sounds.clone()));
    let lit = lamps.iter().filter(|&&lamp| lamp == Lamp { red: false, green: true }).count();
    assert!((5..=6).contains(&lit), "green {lit} times in 5 s");
    assert_eq!(sounds, [Sound::Ready]);
}

/// A slot of the patterns, in µs.
const SLOT_US: u64 = 1 << 17;

#[test]
fn a_sound_is_played_to_its_end_while_a_channel_is_closed() {
    let mut bench = Bench::greeted(EVERYTHING);
    bench.world(|world| world.tones.clear());
    let indicate = Request::Indicate { light: Light::Matches, sound: Sound::Matches };
    let asked_us = bench.now_us();
    assert_eq!(bench.ask(0, indicate), Answer::Indicated, "answered at once, not when it is over");
    assert_eq!(bench.ask(0, select(3, 0)), Answer::Settled { step: None, channel: Channel(3) });
    bench.run(1_500_000);
    assert_eq!(bench.board.closed(), Some(Channel(3)));
    let tones = bench.world(|world| world.tones.clone());
    let [(first_us, Some(Tone::Low)), (second_us, Some(Tone::High)), (end_us, None)] = tones[..] else {
        panic!("{tones:?}")
    };
    assert!(first_us - asked_us <= SLOT_US);
    assert!(
        (second_us - first_us).abs_diff(SLOT_US) < 100 && (end_us - second_us).abs_diff(2 * SLOT_US) < 100
    );
}

#[test]
fn a_later_sound_takes_the_place_of_the_one_that_plays() {
    let mut bench = Bench::greeted(EVERYTHING);
    bench.world(|world| world.tones.clear());
    bench.ask(0, Request::Indicate { light: Light::Differs, sound: Sound::Differs });
    bench.run(2 * SLOT_US);
    assert!(bench.world(|world| world.tones.last().unwrap().1.is_some()));
    bench.ask(0, Request::Indicate { light: Light::Off, sound: Sound::Silent });
    assert_eq!(bench.world(|world| world.tones.last().unwrap().1), None);
    bench.run(10 * SLOT_US);
    assert_eq!(bench.world(|world| world.tones.len()), 2);
}

#[test]
fn the_sense_input_is_read_with_the_switch_as_it_is() {
    let mut bench = Bench::greeted(EVERYTHING);
    bench.ask(0, select(3, 0));
    bench.moves();
    bench.world(|world| world.millivolts = -65);
    assert_eq!(bench.ask(0, Request::Sense), Answer::SenseVoltage { millivolts: -65 });
    assert_eq!(bench.moves(), []);
}

#[test]
fn bleeding_closes_first_and_takes_the_resistor_off_before_it_answers() {
    let mut bench = Bench::greeted(EVERYTHING);
    bench.moves();
    bench.world(|world| world.bleeds.clear());
    let seq = bench.send(0, Request::Bleed { channel: Channel(6), hold_us: 150_000 });
    bench.run(500_000);
    let moves = bench.moves();
    let [(_, Move::Open), (close_us, Move::Close(6)), (open_us, Move::Open)] = moves[..] else {
        panic!("{moves:?}")
    };
    let bleeds = bench.world(|world| world.bleeds.clone());
    let [(on_us, true), (off_us, false)] = bleeds[..] else { panic!("{bleeds:?}") };
    assert!(on_us >= close_us + MAKE_US, "the contact is made before current flows");
    assert!(open_us - on_us >= 150_000 && off_us - on_us >= 150_000);
    assert_eq!(bench.told(0), (vec![(seq, Answer::Bled)], vec![]));
    assert_eq!(bench.board.closed(), None);
}

#[test]
fn whatever_cuts_bleeding_off_takes_the_resistor_off() {
    for cut in [Request::OpenAll, select(1, 0), GREET] {
        let mut bench = Bench::greeted(EVERYTHING);
        let first = bench.send(0, Request::Bleed { channel: Channel(6), hold_us: 150_000 });
        bench.run(50_000);
        assert!(bench.world(|world| world.bleeds.last().copied()).unwrap().1);
        bench.send(0, cut.clone());
        assert!(!bench.world(|world| world.bleeds.last().copied()).unwrap().1, "{cut:?}");
        bench.run(10_000);
        assert_eq!(bench.told(0).0[0], (first, refused(Fault::Superseded)));
    }
    let mut bench = Bench::greeted(EVERYTHING);
    bench.send(0, Request::Bleed { channel: Channel(6), hold_us: 10_000_000 });
    bench.run(2 * SILENCE_US);
    assert!(!bench.world(|world| world.bleeds.last().copied()).unwrap().1, "silence");
}

#[test]
fn parts_that_are_not_there_are_refused() {
    let mut bench = Bench::greeted(NOTHING);
    for request in [
        Request::Sense,
        Request::Bleed { channel: Channel(0), hold_us: 1 },
        Request::Indicate { light: Light::Ready, sound: Sound::Silent },
    ] {
        assert_eq!(bench.ask(0, request), refused(Fault::NotFitted));
    }
    let Answer::Status(status) = bench.ask(0, Request::Status) else { panic!() };
    assert_eq!((status.lid_closed, status.button_pressed), (None, None));
    // Inputs that are not there are not read.
    bench.world(|world| (world.lid_open, world.button) = (true, true));
    assert_eq!(bench.ask(0, select(1, 0)), Answer::Settled { step: None, channel: Channel(1) });
}
