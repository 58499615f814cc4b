//! The bytes of every message, version by version. A file of a released version is never edited: if its
//! test fails, the change to the messages is wrong, not the test.

pub(crate) mod v1;

use std::fmt::Debug;

use protocol::{Accumulator, Message, encode, version};
use serde::Serialize;
use serde::de::DeserializeOwned;
use v1::Golden;

/// Holds one message against its bytes: both layers, both directions.
fn check<M: Message + Serialize + DeserializeOwned + PartialEq + Debug>(golden: Golden<M>) {
    let Golden { message, content, frame } = golden;
    let mut buffer = [0; 128];
    let length = message.to_content(&mut buffer).unwrap();
    assert_eq!(&buffer[..length], content, "content of {message:?}");
    assert_eq!(postcard::to_slice(&message, &mut buffer).unwrap(), content, "postcard's crate: {message:?}");
    assert_eq!(M::from_content(&content).as_ref(), Ok(&message), "content of {message:?}");

    assert_eq!(&*encode(&message), frame, "frame of {message:?}");
    let mut accumulator = Accumulator::<M>::new();
    let items: Vec<_> = accumulator.items(&frame).collect();
    assert_eq!(items, [Ok(message)]);
}

#[test]
fn version_1_requests() {
    v1::requests().into_iter().for_each(check);
}

#[test]
fn version_1_board_messages() {
    v1::board_messages().into_iter().for_each(check);
}

#[test]
fn every_version_has_its_file() {
    // Add `mod v2;` and its tests before this number moves.
    assert_eq!((version::MIN, version::CURRENT), (1, 1));
}
