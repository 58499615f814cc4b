//! From the content of a frame to a message, and back.

use crate::wire::{Reader, Wire, Writer};
use crate::{BoardMessage, RequestFrame, size};

/// A message that goes over the wire as one frame: [`RequestFrame`] to the switching board,
/// [`BoardMessage`] from it.
pub trait Message: Sized + sealed::Sealed {
    /// Longest content in bytes.
    const MAX_CONTENT: usize;

    /// Writes the content of a frame into `buffer` and returns how many bytes it has; `None` if they do not
    /// fit.
    fn to_content(&self, buffer: &mut [u8]) -> Option<usize>;

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

    fn to_content(&self, buffer: &mut [u8]) -> Option<usize> {
        write(self, buffer)
    }

    fn from_content(content: &[u8]) -> Result<Self, UnknownContent> {
        read(content).ok_or_else(|| {
            let mut reader = Reader::new(content);
            let seq = u16::read(&mut reader);
            UnknownContent { seq: reader.is_good().then_some(seq) }
        })
    }
}

impl Message for BoardMessage {
    const MAX_CONTENT: usize = size::MAX_BOARD_MESSAGE;

    fn to_content(&self, buffer: &mut [u8]) -> Option<usize> {
        write(self, buffer)
    }

    fn from_content(content: &[u8]) -> Result<Self, UnknownContent> {
        read(content).ok_or(UnknownContent { seq: None })
    }
}

const _: () = assert!(<RequestFrame as Message>::MAX_CONTENT <= size::MAX_CONTENT);
const _: () = assert!(<BoardMessage as Message>::MAX_CONTENT <= size::MAX_CONTENT);

fn write(message: &impl Wire, buffer: &mut [u8]) -> Option<usize> {
    let mut writer = Writer::new(buffer);
    message.write(&mut writer);
    writer.finish()
}

/// Bytes left over are refused: a version fixes its messages to the last byte.
fn read<T: Wire>(content: &[u8]) -> Option<T> {
    let mut reader = Reader::new(content);
    let message = T::read(&mut reader);
    reader.is_done().then_some(message)
}

mod sealed {
    pub trait Sealed {}
    impl Sealed for crate::RequestFrame {}
    impl Sealed for crate::BoardMessage {}
}
