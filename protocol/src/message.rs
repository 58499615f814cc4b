//! From the content of a frame to a message, and back.

use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::{BoardMessage, RequestFrame, size};

/// A message that goes over the wire as one frame: [`RequestFrame`] to the switching board,
/// [`BoardMessage`] from it.
pub trait Message: Serialize + DeserializeOwned + sealed::Sealed {
    /// Longest content in bytes.
    const MAX_CONTENT: usize;

    /// Reads a message from the content of a frame whose checksum was good.
    ///
    /// # Errors
    ///
    /// [`UnknownContent`] if it is no message of this version, or if bytes are left over.
    fn from_content(content: &[u8]) -> Result<Self, UnknownContent>;
}

/// A frame with a good checksum whose content is no message of this version.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct UnknownContent {
    /// The number that a request begins with, if it could be read: the answer echoes it.
    pub seq: Option<u16>,
}

impl core::fmt::Display for UnknownContent {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("expected a message of protocol 1, found other content in a frame with a good checksum")
    }
}

impl core::error::Error for UnknownContent {}

impl Message for RequestFrame {
    const MAX_CONTENT: usize = size::MAX_REQUEST;

    fn from_content(content: &[u8]) -> Result<Self, UnknownContent> {
        exactly(content).ok_or_else(|| UnknownContent {
            seq: postcard::take_from_bytes(content).ok().map(|(seq, _)| seq),
        })
    }
}

impl Message for BoardMessage {
    const MAX_CONTENT: usize = size::MAX_BOARD_MESSAGE;

    fn from_content(content: &[u8]) -> Result<Self, UnknownContent> {
        exactly(content).ok_or(UnknownContent { seq: None })
    }
}

const _: () = assert!(<RequestFrame as Message>::MAX_CONTENT <= size::MAX_CONTENT);
const _: () = assert!(<BoardMessage as Message>::MAX_CONTENT <= size::MAX_CONTENT);

/// Bytes left over are refused: a version fixes its messages to the last byte.
fn exactly<T: DeserializeOwned>(content: &[u8]) -> Option<T> {
    match postcard::take_from_bytes(content) {
        Ok((message, [])) => Some(message),
        Ok(_) | Err(_) => None,
    }
}

mod sealed {
    pub trait Sealed {}
    impl Sealed for crate::RequestFrame {}
    impl Sealed for crate::BoardMessage {}
}
