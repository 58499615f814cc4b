//! What each tone sounds like on an audio device.

use std::time::Duration;

use super::Tone;

/// One sound of one pitch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Beep {
    /// Pitch, in hertz.
    pub hertz: u16,
    /// From its beginning to its end.
    pub length: Duration,
}

/// Silence after each beep. Common practice: two beeps of one pitch must not run into one.
pub const GAP: Duration = Duration::from_millis(50);

const fn beep(hertz: u16, milliseconds: u64) -> Beep {
    Beep { hertz, length: Duration::from_millis(milliseconds) }
}

/// The beeps of a tone, as many as the terminal's bell rings. Number and length alone tell the tones apart: not everybody
/// hears pitch.
///
/// Pitches are those of ISO 16 (A4 = 440 Hz) in equal temperament, rounded to a hertz, where small loudspeakers play.
#[must_use]
pub const fn melody(tone: Tone) -> &'static [Beep] {
    const TAKEN: [Beep; 1] = [beep(1047, 80)];
    const AGAIN: [Beep; 2] = [beep(587, 110); 2];
    const DIFFERS: [Beep; 3] = [beep(880, 110), beep(698, 110), beep(523, 110)];
    const DONE: [Beep; 4] = [beep(523, 110), beep(659, 110), beep(784, 110), beep(1047, 220)];
    const TROUBLE: [Beep; 3] = [beep(330, 240); 3];
    match tone {
        Tone::Taken => &TAKEN,
        Tone::Again => &AGAIN,
        Tone::Differs => &DIFFERS,
        Tone::Done => &DONE,
        Tone::Trouble => &TROUBLE,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TONES: [Tone; 5] = [Tone::Taken, Tone::Again, Tone::Differs, Tone::Done, Tone::Trouble];

    #[test]
    fn no_two_tones_are_alike_even_without_their_pitch() {
        let lengths = |tone| melody(tone).iter().map(|beep| beep.length).collect::<Vec<_>>();
        for (index, &tone) in TONES.iter().enumerate() {
            for &other in &TONES[index + 1..] {
                assert_ne!(lengths(tone), lengths(other), "{tone:?} {other:?}");
            }
        }
    }

    #[test]
    fn every_tone_is_over_within_a_second() {
        for tone in TONES {
            let length: Duration = melody(tone).iter().map(|beep| beep.length + GAP).sum();
            assert!(!length.is_zero() && length < Duration::from_secs(1), "{tone:?} {length:?}");
        }
    }

    /// ISO 16 sets A4 to 440 Hz; a semitone of equal temperament is the twelfth root of two.
    #[test]
    fn pitches_are_those_of_the_standard_scale() {
        for beep in TONES.iter().flat_map(|&tone| melody(tone)) {
            let semitones = (12.0 * (f64::from(beep.hertz) / 440.0).log2()).round();
            let exact = 440.0 * (semitones / 12.0).exp2();
            assert!((f64::from(beep.hertz) - exact).abs() <= 0.5, "{beep:?}, the scale has {exact:.2} Hz");
        }
    }
}
