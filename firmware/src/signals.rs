//! What the light and the buzzer do in time: pure tables, so that every board blinks and sounds alike.
//!
//! Both go by slots of about an eighth of a second. A light repeats eight slots for as long as it is shown; a
//! sound goes through its eight once, from the next slot on. No two states share a rhythm, so neither
//! colour nor pitch is ever needed to tell them apart.

use protocol::{Light, Sound};

/// Which of the two colours are lit; both together look amber.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Lamp {
    /// The red one.
    pub red: bool,
    /// The green one.
    pub green: bool,
}

/// Pitch of the buzzer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tone {
    /// 1.8 kHz.
    Low,
    /// 2.7 kHz, a fifth above.
    High,
}

/// A slot in µs is 2 to this power: a small chip has no division.
const SLOT_BITS: u32 = 17;

/// Slots of a pattern.
const SLOTS: u32 = 8;

impl Tone {
    /// Both lie where small piezo discs are loud, 1.5 to 4 kHz (common practice), a ratio of 2 to 3 apart.
    #[must_use]
    pub const fn hertz(self) -> u16 {
        match self {
            Self::Low => 1_800,
            Self::High => 2_700,
        }
    }
}

/// What the light shows at a time.
#[must_use]
pub fn lamp(light: Light, now_us: u64) -> Lamp {
    let (colour, lit) = blink(light);
    if lit >> (slot(now_us) % SLOTS) & 1 == 1 { colour } else { Lamp::default() }
}

/// Whether the light changes by itself.
pub(crate) fn blinks(light: Light) -> bool {
    !matches!(blink(light).1, 0x00 | 0xFF)
}

/// Number of the slot at a time.
pub(crate) fn slot(now_us: u64) -> u32 {
    (now_us >> SLOT_BITS) as u32
}

/// When the slot after this one begins.
pub(crate) fn next_slot_us(now_us: u64) -> u64 {
    (now_us >> SLOT_BITS).saturating_add(1) << SLOT_BITS
}

/// A sound that is being played.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Playing {
    sound: Sound,
    first_slot: u32,
}

impl Playing {
    /// Silence.
    pub(crate) const NOTHING: Self = Self { sound: Sound::Silent, first_slot: 0 };

    /// Begins with the next slot.
    pub(crate) fn new(sound: Sound, now_us: u64) -> Self {
        Self { sound, first_slot: slot(now_us).wrapping_add(1) }
    }

    /// What sounds at a time.
    pub(crate) fn tone(&mut self, now_us: u64) -> Option<Tone> {
        let at = slot(now_us).wrapping_sub(self.first_slot);
        if at >= SLOTS {
            // The slot before the first one is `u32::MAX`.
            if at != u32::MAX {
                *self = Self::NOTHING;
            }
            return None;
        }
        tone(self.sound, at)
    }

    /// Whether it is still to come to an end.
    pub(crate) fn is_on(&self) -> bool {
        self.sound != Sound::Silent
    }
}

/// What sounds in a slot of a sound, counted from 0.
#[must_use]
pub fn tone(sound: Sound, slot: u32) -> Option<Tone> {
    let (sounding, high) = melody(sound);
    let in_slot = |slots: u8| slot < SLOTS && slots >> slot & 1 == 1;
    in_slot(sounding).then_some(if in_slot(high) { Tone::High } else { Tone::Low })
}

/// Colour, and in which slots it is lit, the first one in bit 0.
fn blink(light: Light) -> (Lamp, u8) {
    const RED: Lamp = Lamp { red: true, green: false };
    const GREEN: Lamp = Lamp { red: false, green: true };
    const AMBER: Lamp = Lamp { red: true, green: true };
    match light {
        Light::Off => (Lamp { red: false, green: false }, 0b0000_0000),
        Light::Ready => (GREEN, 0b0000_1111),
        Light::Busy => (AMBER, 0b0111_1111),
        Light::Matches => (GREEN, 0b1111_1111),
        Light::Differs => (RED, 0b0000_0101),
        Light::Inconclusive => (AMBER, 0b0001_0101),
        Light::Trouble => (RED, 0b0101_0101),
    }
}

/// In which slots it sounds, and in which of these the high tone, the first one in bit 0.
fn melody(sound: Sound) -> (u8, u8) {
    match sound {
        Sound::Silent => (0, 0),
        // One short.
        Sound::Ready => (0b0000_0001, 0b0000_0001),
        // One long that rises.
        Sound::Matches => (0b0000_0111, 0b0000_0110),
        // Two long, the second one low.
        Sound::Differs => (0b0111_0111, 0b0000_0111),
        // Three short and low.
        Sound::Inconclusive => (0b0001_0101, 0b0000_0000),
        // Four short, high and low in turn.
        Sound::Trouble => (0b0101_0101, 0b0001_0001),
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use std::vec::Vec;

    use super::*;

    const LIGHTS: [Light; 7] = [
        Light::Off,
        Light::Ready,
        Light::Busy,
        Light::Matches,
        Light::Differs,
        Light::Inconclusive,
        Light::Trouble,
    ];
    const SOUNDS: [Sound; 6] =
        [Sound::Silent, Sound::Ready, Sound::Matches, Sound::Differs, Sound::Inconclusive, Sound::Trouble];

    /// Whoever looks at a blink does not know where it begins: the same at another start is the same.
    #[test]
    fn no_two_lights_share_a_rhythm() {
        for (index, one) in LIGHTS.iter().enumerate() {
            for other in &LIGHTS[index + 1..] {
                for turn in 0..SLOTS {
                    assert_ne!(blink(*one).1, blink(*other).1.rotate_left(turn), "{one:?} {other:?}");
                }
            }
        }
    }

    /// Not even if the buzzer has one pitch only, or the ear.
    #[test]
    fn no_two_sounds_share_a_rhythm() {
        for (index, one) in SOUNDS.iter().enumerate() {
            for other in &SOUNDS[index + 1..] {
                assert_ne!(melody(*one).0, melody(*other).0, "{one:?} {other:?}");
            }
        }
    }

    #[test]
    fn every_sound_begins_in_its_first_slot_and_ends() {
        for sound in SOUNDS.into_iter().filter(|sound| *sound != Sound::Silent) {
            assert!(tone(sound, 0).is_some(), "{sound:?}");
            for slot in [8, 9, 16, u32::MAX] {
                assert_eq!(tone(sound, slot), None, "{sound:?}");
            }
        }
    }

    #[test]
    fn differs_blinks_red_twice_a_second() {
        let slot =
            |eighth: u64| lamp(Light::Differs, eighth << SLOT_BITS) == Lamp { red: true, green: false };
        assert_eq!([0, 1, 2, 3, 7, 8].map(slot), [true, false, true, false, false, true]);
    }

    #[test]
    fn a_sound_is_played_once_from_the_next_slot_on() {
        let slot_us = 1 << SLOT_BITS;
        // Just before a slot begins, and over the end of the count of slots.
        for begin_us in
            [5 * slot_us - 1, (u64::from(u32::MAX) << SLOT_BITS) - 1, u64::from(u32::MAX) << SLOT_BITS]
        {
            let mut playing = Playing::new(Sound::Matches, begin_us);
            let heard: Vec<_> = (0..12).map(|slots| playing.tone(begin_us + slots * slot_us)).collect();
            let mut expected = [None; 12];
            expected[1..4].copy_from_slice(&[Some(Tone::Low), Some(Tone::High), Some(Tone::High)]);
            assert_eq!(heard, expected);
            assert!(!playing.is_on());
        }
    }

    #[test]
    fn the_pitches_are_a_fifth_apart() {
        assert_eq!(u32::from(Tone::Low.hertz()) * 3, u32::from(Tone::High.hertz()) * 2);
    }
}
