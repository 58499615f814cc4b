//! Meters: whatever the bytes, the readings do not depend on how they are cut into chunks, what is kept is bounded,
//! and every trouble can be shown.

use std::{sync::LazyLock, time::Duration};

use pintally::{
    label,
    meter::{self, Conversation, Decoder, Measured, Profile, Reading},
    moment::Moment,
};

/// Less than the longest line of text that is looked at.
const MOST_WAITING: usize = 256;

fn readings(profile: &Profile, data: &[u8], chunk: usize) -> Vec<Reading> {
    let mut decoder = Decoder::every_frame(profile);
    let mut readings = Vec::new();
    for (index, bytes) in data.chunks(chunk).enumerate() {
        decoder.push(bytes, Moment::from_micros(index as u64 * 10_000));
        while let Some(pulled) = decoder.pull() {
            match pulled {
                Ok(reading) => {
                    assert!(reading.first_byte <= reading.last_byte);
                    readings.push(reading.item);
                }
                Err(error) => assert!(!error.to_string().chars().any(label::is_unprintable), "{error:?}"),
            }
        }
        assert!(decoder.waiting() < MOST_WAITING);
    }
    readings
}

fn check(profile: &Profile, data: &[u8]) {
    // The first byte says how the rest is cut.
    let Some((chunk, data)) = data.split_first() else { return };
    let whole = readings(profile, data, data.len().max(1));
    assert_eq!(whole, readings(profile, data, 1));
    assert_eq!(whole, readings(profile, data, usize::from(*chunk).max(1)));
    converse(profile, data, usize::from(*chunk).max(1));
}

/// A conversation in which these bytes are all that the meter says.
fn converse(profile: &Profile, data: &[u8], chunk: usize) {
    let mut conversation = Conversation::new(profile);
    conversation.start(Moment::START);
    for (index, bytes) in data.chunks(chunk).enumerate() {
        let now = Moment::from_micros(index as u64 * 700_000);
        conversation.receive(bytes, now);
        conversation.expire(now);
        conversation.ask(now);
        while conversation.next_bytes().is_some() {}
        while let Some(event) = conversation.pull() {
            if let Err(error) = event {
                assert!(!error.to_string().chars().any(label::is_unprintable), "{error:?}");
            }
        }
    }
}

/// A profile as TOML: read, or refused with an error that can be shown; what was read is written and read the same.
pub(crate) fn profile(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    if let Ok(profile) = Profile::from_toml(text) {
        let again = Profile::from_toml(&profile.to_toml()).expect("what was written can be read");
        assert_eq!(again, profile);
        let mut decoder = Decoder::new(&profile);
        decoder.push(b"\r\nDIODE;0,543;V\r\n0.543 V\r\n", Moment::START);
        while decoder.pull().is_some() {}
        // `meter lag` writes into the file of somebody else.
        let measured =
            Measured { spoilt: 3, readings_per_second: Some(2.5), adapter_delay: Duration::from_millis(20) };
        if let Ok(text) = measured.write_into(text, Some("mine")) {
            let changed = Profile::from_toml(&text).expect("what was written can be read");
            assert_eq!((changed.name.as_str(), changed.timing.spoilt), ("mine", 3));
        }
    }
}

macro_rules! targets {
    ($($name:ident: $profile:literal),* $(,)?) => {
        $(pub(crate) fn $name(data: &[u8]) {
            // Read once: a target runs many thousand times a second.
            static PROFILE: LazyLock<Profile> =
                LazyLock::new(|| meter::shipped($profile).expect("shipped with the program"));
            check(&PROFILE, data);
        })*
    };
}

targets! {
    d14: "d14",
    es11: "es11",
    es14: "es14-8n1",
    fs9721: "fs9721",
    fs9922: "fs9922",
    hm8012: "hm8012",
    line: "text-lines",
    scpi: "scpi-bench",
    t16: "t16",
    tpi183: "tpi183",
    tpi196: "tpi196",
}
