//! One link to a host: bytes in to requests, messages out to bytes.
//!
//! The outgoing side is bounded. A message that does not fit is dropped whole and counted, and the count
//! is told as soon as there is room; the board opens everything, because a host that does not read is not
//! steering.

use heapless::Deque;
use protocol::{Accumulator, BoardMessage, Event, FrameError, FrameTrouble, MAX_FRAME, RequestFrame, encode};

/// Bytes of messages that are kept for a host which does not read.
pub const OUTGOING: usize = 512;

const _: () = assert!(OUTGOING >= 2 * MAX_FRAME, "the longest message and the count of lost ones fit");

/// One link to a host.
// As in `Board`: the long arrays last.
#[repr(C)]
#[derive(Debug)]
pub(crate) struct Link {
    /// Messages dropped since the last `Lost`.
    lost: u16,
    bad_frames: u16,
    /// Whether the host was told of a bad frame since the last good one.
    bad_frame_told: bool,
    incoming: Accumulator<RequestFrame>,
    outgoing: Deque<u8, OUTGOING>,
}

impl Link {
    pub(crate) const fn new() -> Self {
        Self {
            incoming: Accumulator::new(),
            outgoing: Deque::new(),
            lost: 0,
            bad_frames: 0,
            bad_frame_told: false,
        }
    }

    /// Takes one byte from the host.
    pub(crate) fn push(&mut self, byte: u8) -> Option<Result<RequestFrame, FrameError>> {
        let item = self.incoming.push(byte)?;
        if item.is_ok() {
            self.bad_frame_told = false;
        }
        Some(item)
    }

    /// Counts a frame that could not be read, and tells of it if it is the first since a good one.
    pub(crate) fn bad_frame(&mut self, trouble: FrameTrouble, now_us: u64) {
        self.bad_frames = self.bad_frames.saturating_add(1);
        if !self.bad_frame_told {
            self.bad_frame_told = true;
            self.say(&BoardMessage::Event { at_us: now_us, event: Event::BadFrame { trouble } });
        }
    }

    /// Queues a message for the host, or counts it as lost.
    pub(crate) fn say(&mut self, message: &BoardMessage) {
        // While messages are missing nothing else may follow, or the host would not see the gap.
        if self.has_lost() || !self.queue(message) {
            self.lost = self.lost.saturating_add(1);
        }
    }

    /// Tells how many messages were lost, once there is room for it.
    pub(crate) fn tell_lost(&mut self, now_us: u64) {
        if self.can_tell_lost() {
            let lost = BoardMessage::Event { at_us: now_us, event: Event::Lost { messages: self.lost } };
            if self.queue(&lost) {
                self.lost = 0;
            }
        }
    }

    /// Whether messages were lost and there is room to say so.
    pub(crate) fn can_tell_lost(&self) -> bool {
        self.has_lost() && self.room() >= MAX_FRAME
    }

    /// Moves queued bytes into `out`; returns how many.
    pub(crate) fn take_output(&mut self, out: &mut [u8]) -> usize {
        let mut taken: usize = 0;
        for place in out {
            let Some(byte) = self.outgoing.pop_front() else { break };
            *place = byte;
            taken = taken.saturating_add(1);
        }
        taken
    }

    /// Whether messages were lost that the host was not told of yet.
    pub(crate) fn has_lost(&self) -> bool {
        self.lost > 0
    }

    pub(crate) fn bad_frames(&self) -> u16 {
        self.bad_frames
    }

    pub(crate) fn has_output(&self) -> bool {
        !self.outgoing.is_empty()
    }

    fn room(&self) -> usize {
        OUTGOING.saturating_sub(self.outgoing.len())
    }

    fn queue(&mut self, message: &BoardMessage) -> bool {
        let frame = encode(message);
        let fits = frame.len() <= self.room();
        if fits {
            for &byte in frame.iter() {
                let _ = self.outgoing.push_back(byte);
            }
        }
        fits
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use std::vec::Vec;

    use protocol::Answer;

    use super::*;

    fn pong(seq: u16) -> BoardMessage {
        BoardMessage::Answer { seq, at_us: 1, answer: Answer::Pong }
    }

    fn read(link: &mut Link, most: usize) -> Vec<u8> {
        let mut out = std::vec![0; most];
        let taken = link.take_output(&mut out);
        out.truncate(taken);
        out
    }

    #[test]
    fn what_does_not_fit_is_dropped_whole_counted_and_told() {
        let mut link = Link::new();
        let length = encode(&pong(1)).len();
        let fit = OUTGOING / length;
        for _ in 0..fit {
            link.say(&pong(1));
        }
        assert!(!link.has_lost());
        link.say(&pong(1));
        link.say(&pong(1));
        assert!(link.has_lost());

        // One byte less than the longest frame is free: nothing is said yet.
        let mut bytes = read(&mut link, MAX_FRAME - 1 - (OUTGOING - fit * length));
        link.tell_lost(7);
        link.say(&pong(1));
        bytes.extend(read(&mut link, 1));
        link.tell_lost(8);
        assert!(!link.has_lost());
        link.say(&pong(2));
        bytes.extend(read(&mut link, OUTGOING));

        let mut incoming = Accumulator::<BoardMessage>::new();
        let read: Vec<_> = incoming.items(&bytes).collect();
        let mut expected: Vec<_> = std::vec![Ok(pong(1)); fit];
        expected.push(Ok(BoardMessage::Event { at_us: 8, event: Event::Lost { messages: 3 } }));
        expected.push(Ok(pong(2)));
        assert_eq!(read, expected);
    }

    #[test]
    fn bad_frames_are_told_once_until_a_good_one() {
        let mut link = Link::new();
        link.bad_frame(FrameTrouble::Damaged, 1);
        let once = read(&mut link, OUTGOING);
        assert!(!once.is_empty());
        link.bad_frame(FrameTrouble::TooLong, 2);
        assert!(!link.has_output());
        for &byte in encode(&RequestFrame { seq: 1, request: protocol::Request::Ping }).iter() {
            let _ = link.push(byte);
        }
        link.bad_frame(FrameTrouble::TooLong, 3);
        assert!(link.has_output());
        assert_eq!(link.bad_frames(), 3);
    }
}
