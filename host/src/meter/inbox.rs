//! Bytes that wait to be decoded, each with the time of its arrival.

use std::{collections::VecDeque, time::Duration};

use crate::moment::Moment;

/// Bytes in order of arrival.
///
/// A port hands over bytes in chunks and tells one time for all: the last byte had arrived by then, the byte
/// before it one byte time earlier, and so on back. So a frame that comes in one chunk is stamped as long as it
/// was on the wire, and a stamp is never later than the byte. It may be too late by what an adapter holds back
/// (16 ms in common USB adapters, from memory): that is for whoever compares stamps with other clocks.
#[derive(Debug)]
pub(crate) struct Inbox {
    bytes: Vec<u8>,
    /// Index in `bytes` of the oldest byte that is still waiting.
    start: usize,
    /// Count of all bytes before `start`, since the beginning.
    gone: u64,
    chunks: VecDeque<Chunk>,
    /// Nanoseconds a byte.
    byte_time: u64,
    lost: usize,
}

#[derive(Debug, Clone, Copy)]
struct Chunk {
    /// Count of all bytes up to the end of this chunk.
    end: u64,
    at: Moment,
    /// No byte of this chunk is stamped before the last byte of the chunk before.
    not_before: Moment,
}

impl Inbox {
    /// Bytes that are kept when nobody takes them: ten minutes of the fastest port in use (115 200 baud) would be
    /// 7 MB; 1 MiB is more than a minute and a half, far beyond any stall that a sweep survives.
    pub(crate) const LIMIT: usize = 1 << 20;

    pub(crate) fn new(byte_time: Duration) -> Self {
        let byte_time = u64::try_from(byte_time.as_nanos()).unwrap_or(u64::MAX);
        Self { bytes: Vec::new(), start: 0, gone: 0, chunks: VecDeque::new(), byte_time, lost: 0 }
    }

    pub(crate) fn push(&mut self, bytes: &[u8], at: Moment) {
        if bytes.is_empty() {
            return;
        }
        self.bytes.drain(..self.start);
        self.start = 0;
        let excess = (self.bytes.len() + bytes.len()).saturating_sub(Self::LIMIT).min(self.bytes.len());
        if excess > 0 {
            self.take(excess);
            self.bytes.drain(..excess);
            self.start = 0;
            self.lost += excess;
        }
        self.bytes.extend_from_slice(bytes);
        let end = self.gone + self.bytes.len() as u64;
        let not_before = self.chunks.back().map_or(Moment::START, |chunk| chunk.at);
        self.chunks.push_back(Chunk { end, at: at.max(not_before), not_before });
    }

    pub(crate) fn waiting(&self) -> &[u8] {
        &self.bytes[self.start..]
    }

    /// Drops the oldest bytes.
    pub(crate) fn take(&mut self, count: usize) {
        let count = count.min(self.waiting().len());
        self.start += count;
        self.gone += count as u64;
        // The last chunk stays, so that the next one knows what it cannot precede.
        while self.chunks.len() > 1 && self.chunks.front().is_some_and(|chunk| chunk.end <= self.gone) {
            self.chunks.pop_front();
        }
    }

    /// When the waiting byte of this index arrived.
    pub(crate) fn stamp(&self, index: usize) -> Moment {
        let place = self.gone + index as u64;
        self.chunk_of(place).map_or(Moment::START, |chunk| self.stamp_in(chunk, place))
    }

    /// When the first and the last of so many waiting bytes arrived.
    pub(crate) fn stamps(&self, index: usize, length: usize) -> (Moment, Moment) {
        let first = self.gone + index as u64;
        let last = first + length.saturating_sub(1) as u64;
        match self.chunks.front() {
            // Nearly always both are in the oldest chunk that is left.
            Some(chunk) if last < chunk.end => (self.stamp_in(chunk, first), self.stamp_in(chunk, last)),
            _ => (self.stamp(index), self.stamp(index + length.saturating_sub(1))),
        }
    }

    /// The chunk that holds the byte of this count since the beginning.
    fn chunk_of(&self, place: u64) -> Option<&Chunk> {
        self.chunks.iter().find(|chunk| place < chunk.end).or_else(|| self.chunks.back())
    }

    fn stamp_in(&self, chunk: &Chunk, place: u64) -> Moment {
        let behind = chunk.end.saturating_sub(place + 1);
        let micros = behind.saturating_mul(self.byte_time) / 1000;
        Moment::from_micros(chunk.at.as_micros().saturating_sub(micros)).max(chunk.not_before)
    }

    /// Bytes dropped by [`push`](Self::push) since this was asked last.
    pub(crate) fn take_lost(&mut self) -> Option<usize> {
        (self.lost > 0).then(|| std::mem::take(&mut self.lost))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: fn(u64) -> Moment = |ms| Moment::from_micros(ms * 1000);

    #[test]
    fn bytes_are_stamped_back_from_the_end_of_their_chunk() {
        let mut inbox = Inbox::new(Duration::from_millis(4));
        inbox.push(b"ab", MS(100));
        inbox.push(b"cde", MS(120));
        let stamps: Vec<_> = (0..5).map(|index| inbox.stamp(index)).collect();
        assert_eq!(stamps, [MS(96), MS(100), MS(112), MS(116), MS(120)]);
        inbox.take(3);
        assert_eq!(inbox.waiting(), b"de");
        assert_eq!(inbox.stamp(0), MS(116));
    }

    #[test]
    fn no_byte_is_stamped_before_the_one_ahead_of_it() {
        let mut inbox = Inbox::new(Duration::from_millis(4));
        inbox.push(b"a", MS(100));
        inbox.push(b"bcdef", MS(105));
        assert_eq!(inbox.stamp(1), MS(100));
        inbox.take(6);
        inbox.push(b"ghi", MS(106));
        assert_eq!(inbox.stamp(0), MS(105));
    }

    #[test]
    fn what_nobody_takes_is_bounded() {
        let mut inbox = Inbox::new(Duration::ZERO);
        for round in 0..3000 {
            inbox.push(&[round as u8; 1000], MS(round));
            assert!(inbox.waiting().len() <= Inbox::LIMIT);
        }
        assert_eq!(inbox.take_lost(), Some(3_000_000 - inbox.waiting().len()));
        assert_eq!(inbox.take_lost(), None);
        assert!(inbox.chunks.len() <= 1050);
    }
}
