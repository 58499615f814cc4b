//! How long things are, proven at compile time.
//!
//! A message cannot outgrow the buffers of an older peer by accident: the longest message of version 1
//! is computed here from the byte tables, and a test encodes it.

use crate::{cobs, version};

/// Channels that one [`Request::LoadPlan`](crate::Request::LoadPlan) carries at most; longer plans come in
/// several requests.
pub const PLAN_CHUNK: usize = 32;

/// Steps that a switching board of this firmware keeps: 128 channels with a visit to the check channel
/// every 16 steps need 136.
pub const PLAN_STEPS: usize = 160;

/// Longest content of a frame in version 1, in bytes: the answer that carries a greeting.
pub const MAX_CONTENT: usize = larger(MAX_REQUEST, MAX_BOARD_MESSAGE);

/// Bytes of the checksum, CRC-32/ISO-HDLC.
pub const CHECKSUM: usize = 4;

/// Longest frame on the wire, with the stuffing byte in front and the 0x00 at the end.
pub const MAX_FRAME: usize = 1 + MAX_CONTENT + CHECKSUM + 1;

// Longest varints: 7 bits a byte (postcard specification, "Maximum Encoded Length").
const U16: usize = 3;
const U32: usize = 5;
const U64: usize = 10;
const I32: usize = 5;
/// Index of an enum variant: a varint u32 on the wire, one byte as long as there are under 128 variants.
const INDEX: usize = 1;
const BYTE: usize = 1;

const MAX_LOAD_PLAN: usize = INDEX + U16 + BYTE + PLAN_CHUNK * BYTE;
const MAX_START: usize = INDEX + U16 + U32 + INDEX + U32;
/// Longest request: number, then the longest variant.
pub(crate) const MAX_REQUEST: usize = U16 + larger(MAX_LOAD_PLAN, MAX_START);

const MAX_GREETING: usize =
    BYTE + INDEX + U32 + INDEX + BYTE + U16 + 3 * BYTE + 8 * BYTE + 6 * BYTE + 3 * U32;
const MAX_STATUS: usize = (BYTE + BYTE) + (BYTE + U16) + 2 * (BYTE + BYTE) + U16;
const MAX_SENSE: usize = I32;
/// Longest message of the switching board: an answer with number, time and the longest variant.
pub(crate) const MAX_BOARD_MESSAGE: usize =
    INDEX + U16 + U64 + INDEX + larger(MAX_GREETING, larger(MAX_STATUS, MAX_SENSE));

const _: () = assert!(version::CURRENT == 1, "a new version computes its longest message anew");
const _: () = assert!(PLAN_CHUNK < 128, "the number of channels in a part is one byte on the wire");
const _: () = assert!(PLAN_STEPS <= u16::MAX as usize, "step numbers are u16");
const _: () = assert!(MAX_CONTENT + CHECKSUM <= cobs::LONGEST, "one stuffing byte a frame");
const _: () = assert!(MAX_CONTENT == 59 && MAX_FRAME == 65, "PROTOCOL.md states these sizes");

const fn larger(a: usize, b: usize) -> usize {
    if a > b { a } else { b }
}
