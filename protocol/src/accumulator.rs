//! From a stream of bytes to messages: push bytes, pull messages and errors.
//!
//! A stream breaks in the middle of a frame, starts in the middle of one, carries noise, or carries
//! another program's bytes. Each error costs the frames that it touches and no more: whatever stands
//! between two 0x00 is one item, good or bad, and the next item starts clean.

use core::marker::PhantomData;

use crate::size::MAX_FRAME;
use crate::{FrameTrouble, Message, UnknownContent, frame};

/// Longest frame without its 0x00.
const CAPACITY: usize = MAX_FRAME - 1;

/// Collects the bytes of one direction of one link and gives back messages of type `M`.
#[derive(Debug, Clone)]
pub struct Accumulator<M> {
    /// Bytes since the last 0x00; more than `CAPACITY` while a frame is too long.
    length: usize,
    bytes: [u8; CAPACITY],
    message: PhantomData<M>,
}

/// One item of the stream that is no message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum FrameError {
    /// The stuffing or the checksum is wrong.
    Damaged,
    /// More bytes came without a 0x00 than the longest frame has.
    TooLong,
    /// The checksum is good, but the content is no message of this version.
    Unknown(UnknownContent),
}

impl FrameError {
    /// What the switching board tells the host of it.
    #[must_use]
    pub fn trouble(self) -> FrameTrouble {
        match self {
            Self::Damaged => FrameTrouble::Damaged,
            Self::TooLong => FrameTrouble::TooLong,
            Self::Unknown(_) => FrameTrouble::Unknown,
        }
    }
}

impl core::fmt::Display for FrameError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::Damaged => frame::Damaged.fmt(f),
            Self::TooLong => write!(f, "expected a frame of at most {MAX_FRAME} bytes, found a longer one"),
            Self::Unknown(unknown) => unknown.fmt(f),
        }
    }
}

impl core::error::Error for FrameError {}

impl<M: Message> Accumulator<M> {
    /// Starts with no bytes.
    #[must_use]
    pub const fn new() -> Self {
        Self { length: 0, bytes: [0; CAPACITY], message: PhantomData }
    }

    /// Takes one byte; gives an item if it ended a frame.
    ///
    /// Empty frames mean nothing and give no item: a sender may put a 0x00 in front of a frame to part it
    /// from noise.
    #[must_use = "an item that is not looked at is lost"]
    pub fn push(&mut self, byte: u8) -> Option<Result<M, FrameError>> {
        if byte != 0 {
            if let Some(place) = self.bytes.get_mut(self.length) {
                *place = byte;
            }
            self.length = self.length.saturating_add(1);
            return None;
        }
        match core::mem::take(&mut self.length) {
            0 => None,
            length => Some(self.bytes.get_mut(..length).ok_or(FrameError::TooLong).and_then(read)),
        }
    }

    /// Takes many bytes; the items come out one by one. Bytes behind the last item that was pulled are
    /// not taken.
    #[must_use = "bytes are taken only as items are pulled"]
    pub fn items<'a>(&'a mut self, bytes: &'a [u8]) -> Items<'a, M> {
        Items { accumulator: self, bytes: bytes.iter() }
    }

    /// Forgets the bytes of an unfinished frame: the link was opened anew.
    pub fn clear(&mut self) {
        self.length = 0;
    }
}

impl<M: Message> Default for Accumulator<M> {
    fn default() -> Self {
        Self::new()
    }
}

/// Items of [`Accumulator::items`].
#[derive(Debug)]
pub struct Items<'a, M> {
    accumulator: &'a mut Accumulator<M>,
    bytes: core::slice::Iter<'a, u8>,
}

impl<M: Message> Iterator for Items<'_, M> {
    type Item = Result<M, FrameError>;

    fn next(&mut self) -> Option<Self::Item> {
        let Self { accumulator, bytes } = self;
        bytes.find_map(|&byte| accumulator.push(byte))
    }
}

fn read<M: Message>(bytes: &mut [u8]) -> Result<M, FrameError> {
    let content = frame::decode(bytes).map_err(|frame::Damaged| FrameError::Damaged)?;
    M::from_content(content).map_err(FrameError::Unknown)
}
