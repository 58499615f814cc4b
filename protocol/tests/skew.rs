//! Switching boards of other protocol versions, as a host of version 1 reads them, byte for byte.
//!
//! What a later board may send was made up from the rule that versions only append. Contents were written by hand,
//! frames computed from them by a separate program with zlib's CRC-32 and a COBS encoder of its own. What the
//! board makes of other hosts stands in `firmware/tests/rules/skew.rs`.

use protocol::{Accumulator, Answer, BoardMessage, Fault, FrameError, Greeting, UnknownContent, version};

fn read(frame: &str) -> Result<BoardMessage, FrameError> {
    let bytes: Vec<_> = frame.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect();
    let mut accumulator = Accumulator::<BoardMessage>::new();
    let mut items: Vec<_> = accumulator.items(&bytes).collect();
    assert_eq!(items.len(), 1, "one frame");
    items.remove(0)
}

/// `00 Answer | 01 seq 1 | 05 at 5 us | 0A Refused | 00 Version | 02 min 2 | 04 max 4`
#[test]
fn a_board_of_later_versions_only_tells_which() {
    let fault = Fault::Version { min: 2, max: 4 };
    let expected = BoardMessage::Answer { seq: 1, at_us: 5, answer: Answer::Refused(fault) };
    assert_eq!(read("01 04 01 05 0A 07 02 04 54 C5 36 C4 00"), Ok(expected));
}

/// `00 Answer | 01 seq 1 | 05 at 5 us | 00 Greeting | 02 version 2 | ..`, with the fields of version 1: a board must
/// not greet so, since version 2 was not offered; if it does, the host sees which version it is.
#[test]
fn the_version_of_a_greeting_is_read_first() {
    let frame = "01 03 01 05 02 02 02 01 03 01 01 01 01 09 FF FF FF FF FF FF FF FF 01 01 01 01 01 01 01 06 01 \
                 47 A0 60 C9 00";
    let Ok(BoardMessage::Answer { answer: Answer::Greeting(Greeting { version, .. }), .. }) = read(frame)
    else {
        panic!("no greeting")
    };
    assert_eq!(version, 2);
    assert!(version > version::CURRENT);
}

#[test]
fn what_only_a_later_version_knows_is_unknown_and_never_taken_for_something_else() {
    for (content, frame) in [
        ("00 Answer | 02 seq 2 | 05 at 5 us | 0B an answer", "01 08 02 05 0B BF 26 65 C8 00"),
        ("00 Answer | 02 seq 2 | 05 at 5 us | 0A Refused | 0E a fault", "01 09 02 05 0A 0E F0 38 B7 77 00"),
        ("01 Event | 05 at 5 us | 06 an event", "08 01 05 06 55 E2 97 6A 00"),
        ("02 neither answer nor event | 05", "07 02 05 F2 84 85 03 00"),
        (
            "00 Answer | 01 seq 1 | 05 at 5 us | 00 Greeting | 02 version 2 | .. | 09 09 two fields more",
            "01 03 01 05 02 02 02 01 03 01 01 01 01 09 FF FF FF FF FF FF FF FF 01 01 01 01 01 01 01 08 01 09 09 \
             58 A2 29 80 00",
        ),
    ] {
        assert_eq!(read(frame), Err(FrameError::Unknown(UnknownContent { seq: None })), "{content}");
    }
}
