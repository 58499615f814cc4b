//! What a board may have beside its switch: lid contact, start button, light, buzzer, sense input, bleed
//! resistor.
//!
//! Inputs are read again and again and debounced here; a lid that opens counts at once. Light and buzzer
//! follow the patterns of [`signals`] by themselves: nobody waits for their end.

use protocol::{Light, Parts, Sound};

use crate::signals::{self, Lamp, Playing, Tone};
use crate::time::Due;

/// The optional parts of one board. Each part that [`parts`](Self::parts) names must work.
pub trait Fittings {
    /// Which parts are there.
    fn parts(&self) -> Parts;

    /// Whether the lid contact is made, as it is now.
    fn lid_closed(&mut self) -> bool {
        true
    }

    /// Whether the start button is down, as it is now.
    fn button_pressed(&mut self) -> bool {
        false
    }

    /// Voltage of the common line against board ground in mV; `None` if it could not be measured.
    fn sense_millivolts(&mut self) -> Option<i32> {
        None
    }

    /// Connects the bleed resistor to the common line, or takes it off.
    fn bleed(&mut self, on: bool) {
        let _ = on;
    }

    /// Shows a colour.
    fn lamp(&mut self, lamp: Lamp) {
        let _ = lamp;
    }

    /// Sounds a tone until the next call, or nothing.
    fn tone(&mut self, tone: Option<Tone>) {
        let _ = tone;
    }

    /// Told of each sound that begins; its tones follow by themselves.
    fn sound(&mut self, sound: Sound) {
        let _ = sound;
    }
}

/// A board with nothing but a switch.
#[derive(Debug, Clone, Copy, Default)]
pub struct NoFittings;

impl Fittings for NoFittings {
    fn parts(&self) -> Parts {
        Parts::default()
    }
}

/// Time that a button must stay as it is to count, in µs: common practice for push buttons is 5 to 20 ms.
pub const BUTTON_DEBOUNCE_US: u64 = 20_000;

/// Time that a lid must stay closed to count as closed, in µs; open counts at once.
pub const LID_CLOSE_DEBOUNCE_US: u64 = 100_000;

/// How often inputs are read, in µs: half of the 10 ms within which a lid must open everything.
pub const SAMPLE_US: u64 = 5_000;

/// What moved since the last sample.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Moved {
    pub(crate) lid_closed: Option<bool>,
    pub(crate) button_pressed: Option<bool>,
}

/// The parts with their debounced state.
#[derive(Debug)]
pub(crate) struct Panel<F> {
    pub(crate) fittings: F,
    parts: Parts,
    lid_closed: Debounced,
    button_pressed: Debounced,
    sampled_us: u64,
    light: Light,
    lamp: Lamp,
    playing: Playing,
    tone: Option<Tone>,
    bleeds: bool,
}

impl<F: Fittings> Panel<F> {
    pub(crate) fn new(mut fittings: F, now_us: u64) -> Self {
        let parts = fittings.parts();
        fittings.bleed(false);
        fittings.lamp(Lamp::default());
        fittings.tone(None);
        let lid_closed = Debounced::new(!parts.lid || fittings.lid_closed());
        let button_pressed = Debounced::new(parts.button && fittings.button_pressed());
        Self {
            fittings,
            parts,
            lid_closed,
            button_pressed,
            sampled_us: now_us,
            light: Light::Off,
            lamp: Lamp::default(),
            playing: Playing::NOTHING,
            tone: None,
            bleeds: false,
        }
    }

    /// Reads the inputs and moves light and buzzer on, if it is time.
    pub(crate) fn poll(&mut self, now_us: u64) -> Moved {
        let mut moved = Moved::default();
        if !self.next_due().is_over(now_us) {
            return moved;
        }
        self.sampled_us = now_us;
        if self.parts.lid {
            let raw = self.fittings.lid_closed();
            let wait_us = if raw { LID_CLOSE_DEBOUNCE_US } else { 0 };
            moved.lid_closed = self.lid_closed.sample(raw, wait_us, now_us);
        }
        if self.parts.button {
            let raw = self.fittings.button_pressed();
            moved.button_pressed = self.button_pressed.sample(raw, BUTTON_DEBOUNCE_US, now_us);
        }
        self.signal(now_us);
        moved
    }

    /// When inputs, light or buzzer want to be looked at again.
    pub(crate) fn next_due(&self) -> Due {
        let sample = Due::at(self.sampled_us.saturating_add(SAMPLE_US));
        let moves = signals::blinks(self.light) || self.playing.is_on();
        let slot = Due::at(signals::next_slot_us(self.sampled_us));
        sample.only_if(self.parts.lid || self.parts.button).min(slot.only_if(moves))
    }

    /// Shows and plays.
    pub(crate) fn indicate(&mut self, light: Light, sound: Sound, now_us: u64) {
        self.light = light;
        self.playing = Playing::new(sound, now_us);
        self.fittings.sound(sound);
        self.signal(now_us);
    }

    /// Puts the bleed resistor on or off, if it is not so already.
    pub(crate) fn bleed(&mut self, on: bool) {
        if on != self.bleeds {
            self.bleeds = on;
            self.fittings.bleed(on);
        }
    }

    pub(crate) fn parts(&self) -> Parts {
        self.parts
    }

    /// Shows and sounds what belongs to this time.
    fn signal(&mut self, now_us: u64) {
        let lamp = signals::lamp(self.light, now_us);
        if lamp != self.lamp {
            self.lamp = lamp;
            self.fittings.lamp(lamp);
        }
        let tone = self.playing.tone(now_us);
        if tone != self.tone {
            self.tone = tone;
            self.fittings.tone(tone);
        }
    }

    /// Whether the lid is closed; a board without a lid contact counts as closed.
    pub(crate) fn lid_closed(&self) -> bool {
        self.lid_closed.value
    }

    pub(crate) fn button_pressed(&self) -> bool {
        self.button_pressed.value
    }
}

/// An input that counts only after it stayed as it is for a while.
#[derive(Debug, Clone, Copy)]
struct Debounced {
    value: bool,
    /// Since when the input has been the other one.
    other_since_us: Option<u64>,
}

impl Debounced {
    fn new(value: bool) -> Self {
        Self { value, other_since_us: None }
    }

    /// Takes a reading; gives the new value if it counts from now on.
    fn sample(&mut self, raw: bool, wait_us: u64, now_us: u64) -> Option<bool> {
        if raw == self.value {
            self.other_since_us = None;
            return None;
        }
        let since_us = *self.other_since_us.get_or_insert(now_us);
        if now_us.saturating_sub(since_us) < wait_us {
            return None;
        }
        *self = Self::new(raw);
        Some(raw)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bouncing_input_counts_once() {
        let mut button = Debounced::new(false);
        for (at_us, raw, expected) in [
            (0, true, None),
            (5_000, false, None),
            (6_000, true, None),
            (25_999, true, None),
            (26_000, true, Some(true)),
            (30_000, true, None),
        ] {
            assert_eq!(button.sample(raw, BUTTON_DEBOUNCE_US, at_us), expected, "at {at_us}");
        }
    }

    #[test]
    fn without_a_wait_the_first_reading_counts() {
        assert_eq!(Debounced::new(true).sample(false, 0, 1), Some(false));
    }
}
