//! Properties of all decoders: chunks do not matter, nothing panics, memory stays bounded.

use pintally::{
    meter::{Decoder, Profile},
    moment::Moment,
};
use proptest::{collection::vec, prelude::*};

use crate::fixture::{Stream, readings};

fn damaged() -> impl Strategy<Value = Vec<(usize, u8)>> {
    vec((any::<usize>(), any::<u8>()), 0..8)
}

proptest! {
    #[test]
    fn any_split_gives_the_same_readings(cuts in vec(1usize..40, 1..64), damage in damaged()) {
        for stream in Stream::all() {
            let mut bytes = stream.bytes();
            for (place, value) in &damage {
                let place = place % bytes.len();
                bytes[place] = *value;
            }
            let profile = stream.profile();
            let whole = readings(&profile, &bytes, || usize::MAX);
            let single = readings(&profile, &bytes, || 1);
            let mut turn = cuts.iter().cycle();
            let split = readings(&profile, &bytes, || *turn.next().unwrap_or(&1));
            prop_assert_eq!(&whole, &single, "{}", &profile.name);
            prop_assert_eq!(&whole, &split, "{}", &profile.name);
        }
    }

    #[test]
    fn no_bytes_make_a_decoder_panic(chunks in vec(vec(any::<u8>(), 0..60), 0..20)) {
        for profile in Profile::all_shipped() {
            let mut decoder = Decoder::new(&profile);
            for chunk in &chunks {
                decoder.push(chunk, Moment::START);
                while decoder.pull().is_some() {}
            }
        }
    }
}

#[test]
fn endless_input_is_held_in_bounded_memory() {
    for profile in Profile::all_shipped() {
        for filler in [0x00, 0x11, b'0', b'.', 0x02, 0xFF] {
            let mut decoder = Decoder::new(&profile);
            for _ in 0..2_000 {
                decoder.push(&[filler; 500], Moment::START);
                while decoder.pull().is_some() {}
                // Less than a line of text is ever waited for.
                assert!(decoder.waiting() < 256, "{} keeps {}", profile.name, decoder.waiting());
            }
        }
    }
}

#[test]
fn noise_is_reported_now_and_then() {
    for profile in Profile::all_shipped() {
        let mut decoder = Decoder::new(&profile);
        decoder.push(&[0xA5; 64_000], Moment::START);
        let errors = std::iter::from_fn(|| decoder.pull()).filter(Result::is_err).count();
        assert!(errors <= 1 + 64_000 / 64, "{}: {errors} errors for 64000 bytes of noise", profile.name);
    }
}
