//! Any bytes on either side of the wire: nothing panics, a message that was read is written the same way,
//! the split of the stream does not matter, and a good frame behind anything is read.

#![no_main]

use libfuzzer_sys::fuzz_target;
use protocol::{Accumulator, BoardMessage, Message, Request, RequestFrame, encode};

fuzz_target!(|bytes: &[u8]| {
    both_splits::<RequestFrame>(bytes);
    both_splits::<BoardMessage>(bytes);
    content::<RequestFrame>(bytes);
    content::<BoardMessage>(bytes);

    let good = RequestFrame { seq: 1, request: Request::Ping };
    let mut accumulator = Accumulator::new();
    let stream: Vec<u8> = bytes.iter().copied().chain([0]).chain(encode(&good).iter().copied()).collect();
    assert_eq!(accumulator.items(&stream).last(), Some(Ok(good)));
});

fn both_splits<M: Message + PartialEq + core::fmt::Debug>(bytes: &[u8]) {
    let whole: Vec<_> = Accumulator::<M>::new().items(bytes).collect();
    let mut accumulator = Accumulator::<M>::new();
    let single: Vec<_> = bytes.iter().filter_map(|&byte| accumulator.push(byte)).collect();
    assert_eq!(whole, single);
    for message in whole.into_iter().flatten() {
        let again = Accumulator::<M>::new().items(&encode(&message)).next();
        assert_eq!(again, Some(Ok(message)));
    }
}

/// Bytes behind a good checksum, which random frames hardly ever have.
fn content<M: Message + PartialEq + core::fmt::Debug>(bytes: &[u8]) {
    if let Ok(message) = M::from_content(bytes) {
        let again = Accumulator::<M>::new().items(&encode(&message)).next();
        assert_eq!(again, Some(Ok(message)));
    }
}
