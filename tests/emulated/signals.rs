//! Light and buzzer at the pins of the Pico.

use std::collections::BTreeSet;

use firmware::signals::tone;
use protocol::*;
use tests::emulated::{Edge, Pico};

use crate::pico::Bench;

/// A slot of the patterns, in ns (`firmware/src/signals.rs`).
const SLOT_NS: u64 = 1_000 << 17;

const LIGHTS: [Light; 6] =
    [Light::Ready, Light::Busy, Light::Matches, Light::Differs, Light::Inconclusive, Light::Trouble];
const SOUNDS: [Sound; 5] =
    [Sound::Ready, Sound::Matches, Sound::Differs, Sound::Inconclusive, Sound::Trouble];

/// Pitch in each of the slots from the first tone on, in Hz, counted in the middle half of the slot.
fn pitches(edges: &[Edge]) -> [u64; 8] {
    let rises = edges.iter().filter(|edge| edge.pin == Pico::BUZZER && edge.high);
    let rises: Vec<_> = rises.filter_map(|edge| edge.at_ns).collect();
    let first_ns = rises.first().copied().unwrap_or_default();
    std::array::from_fn(|slot| {
        let from_ns = first_ns + slot as u64 * SLOT_NS + SLOT_NS / 4;
        let inside = rises.iter().filter(|at_ns| (from_ns..from_ns + SLOT_NS / 2).contains(at_ns)).count();
        inside as u64 * 1_000_000_000 / (SLOT_NS / 2)
    })
}

#[test]
fn every_sound_is_played_as_its_table_says_and_ends() {
    let Some(mut bench) = Bench::greeted(Pico::MULTIPLEXERS) else { return };
    for sound in SOUNDS {
        let seq = bench.send(Request::Indicate { light: Light::Off, sound });
        let seen = bench.run(1_400_000);
        assert!(matches!(seen.answers[..], [(number, _, Answer::Indicated)] if number == seq), "{seen:?}");
        let found = pitches(&seen.edges);
        for (slot, &hertz) in (0..).zip(&found) {
            let expected = tone(sound, slot).map_or(0, |tone| tone.hertz().into());
            assert!(
                hertz.abs_diff(expected) <= expected / 50,
                "{sound:?}: {found:?}, slot {slot} not {expected}"
            );
        }
        eprintln!("{sound:?}: {found:?} Hz");
        // No direct current through the disc when it is over.
        assert_eq!(bench.pico.pins() >> Pico::BUZZER & 1, 0);
        assert!(bench.run(500_000).edges.iter().all(|edge| edge.pin != Pico::BUZZER), "{sound:?} goes on");
    }
}

#[test]
fn every_light_has_a_rhythm_of_its_own() {
    let Some(mut bench) = Bench::greeted(Pico::MULTIPLEXERS) else { return };
    let mut seen_so_far = BTreeSet::new();
    for light in LIGHTS {
        bench.ask(Request::Indicate { light, sound: Sound::Silent });
        // Lit or dark in the middle of eight slots, whatever the colour, from any slot on.
        let mut rhythm: Vec<bool> = Vec::new();
        for _ in 0..8 {
            let levels = bench.pico.pins();
            rhythm.push(Pico::LIGHT.iter().any(|pin| levels >> pin & 1 == 1));
            bench.run(SLOT_NS / 1_000);
            let _ = bench.ask(Request::Ping);
        }
        let turns = (0..8).map(|turn| [&rhythm[turn..], &rhythm[..turn]].concat());
        let known = turns.min().unwrap();
        assert!(seen_so_far.insert(known), "{light:?} blinks like another: {rhythm:?}");
    }
}
