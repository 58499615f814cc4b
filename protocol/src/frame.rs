//! One message as one frame: content, checksum, stuffing, 0x00.

use crate::size::{CHECKSUM, MAX_FRAME};
use crate::{Message, cobs};

/// The bytes of one frame, with the 0x00 at the end.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Frame {
    bytes: [u8; MAX_FRAME],
    length: usize,
}

impl core::ops::Deref for Frame {
    type Target = [u8];

    fn deref(&self) -> &[u8] {
        self.bytes.get(..self.length).unwrap_or_default()
    }
}

impl core::fmt::Debug for Frame {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        write!(f, "{:02X?}", &**self)
    }
}

/// Polynomial of CRC-32/ISO-HDLC, 0x04C11DB7, with its bits the other way round: the lowest bit goes first.
const POLYNOMIAL: u32 = 0x04C1_1DB7_u32.reverse_bits();

/// What four bits become when they have gone through the register.
///
/// Four bits at a time: a table for eight would be 1 KiB, an eighth of the library's flash, and none would
/// take five times as long, which a small chip needs for other things. The crate `crc` has only these two; the
/// tests hold the result against it.
const FOUR_BITS: [u32; 16] = four_bits();

/// Encodes a message as the frame that goes over the wire.
#[must_use]
pub fn encode<M: Message>(message: &M) -> Frame {
    let mut frame = Frame { bytes: [0; MAX_FRAME], length: 0 };
    let length = try_encode(message, &mut frame.bytes);
    // The sizes in `size.rs` are proven to hold every message, so the empty frame (which means nothing on
    // the wire) stands here only because firmware may have no panic path.
    debug_assert!(length.is_some(), "a message outgrew the frame");
    frame.length = length.unwrap_or(0);
    frame
}

/// Takes the stuffing out of the bytes of a frame (without its 0x00) in place and checks the checksum.
///
/// # Errors
///
/// [`Damaged`] if the stuffing or the checksum is wrong.
pub fn decode(bytes: &mut [u8]) -> Result<&[u8], Damaged> {
    let length = cobs::decode_in_place(bytes).ok_or(Damaged)?;
    let inside = bytes.get(..length).ok_or(Damaged)?;
    let (content, checksum) = inside.split_last_chunk::<CHECKSUM>().ok_or(Damaged)?;
    // The checksum of nothing is 0, so `01 01 01 01 01 00` would be a good frame without content: a line
    // that is stuck on one byte must not look like a host.
    if content.is_empty() || checksum_of(content) != u32::from_le_bytes(*checksum) {
        return Err(Damaged);
    }
    Ok(content)
}

/// The stuffing or the checksum of a frame is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Damaged;

impl core::fmt::Display for Damaged {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("expected a frame with good stuffing and checksum, found a damaged one")
    }
}

impl core::error::Error for Damaged {}

/// Writes the frame into `out` and returns its length.
fn try_encode<M: Message>(message: &M, out: &mut [u8; MAX_FRAME]) -> Option<usize> {
    let (_, inside) = out.split_first_mut()?;
    let length = message.to_content(inside)?;
    let (content, rest) = inside.split_at_mut_checked(length)?;
    *rest.first_chunk_mut()? = checksum_of(content).to_le_bytes();
    let frame = out.get_mut(..1 + length + CHECKSUM + 1)?;
    cobs::encode_in_place(frame);
    Some(frame.len())
}

/// CRC-32/ISO-HDLC: polynomial 0x04C11DB7, start 0xFFFFFFFF, both reflected, final XOR 0xFFFFFFFF; check
/// value 0xCBF43926 (Catalogue of parametrised CRC algorithms).
fn checksum_of(content: &[u8]) -> u32 {
    let mut register = u32::MAX;
    for &byte in content {
        register ^= u32::from(byte);
        for _ in 0..2 {
            register = register >> 4 ^ FOUR_BITS[(register & 15) as usize];
        }
    }
    !register
}

const fn four_bits() -> [u32; 16] {
    let mut table = [0; 16];
    let mut bits = 0;
    while bits < 16 {
        let (mut register, mut turn) = (bits, 0);
        while turn < 4 {
            let carry = register & 1;
            register >>= 1;
            if carry == 1 {
                register ^= POLYNOMIAL;
            }
            turn += 1;
        }
        table[bits as usize] = register;
        bits += 1;
    }
    table
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Check value and residue of CRC-32/ISO-HDLC in the Catalogue of parametrised CRC algorithms,
    /// `fixtures/published/wire/crc_catalogue.csv`.
    #[test]
    fn checksum_is_the_published_one() {
        let row = include_str!("../../fixtures/published/wire/crc_catalogue.csv")
            .lines()
            .find(|line| line.starts_with("CRC-32/ISO-HDLC,"))
            .unwrap();
        assert_eq!(
            row,
            "CRC-32/ISO-HDLC,32,0x04c11db7,0xffffffff,true,true,0xffffffff,0xcbf43926,0xdebb20e3"
        );
        assert_eq!(checksum_of(b"123456789"), 0xCBF4_3926);
        // The residue is the register after content and checksum, before the final XOR.
        assert_eq!(checksum_of(b"123456789\x26\x39\xF4\xCB") ^ 0xFFFF_FFFF, 0xDEBB_20E3);
    }

    /// The crate's checksum, bit by bit, of all sorts of content.
    #[test]
    fn checksum_is_that_of_the_crate() {
        let crc = crc::Crc::<u32, crc::NoTable>::new(&crc::CRC_32_ISO_HDLC);
        let bytes: [u8; 256] = core::array::from_fn(|at| at as u8);
        for from in 0..256 {
            for length in [0, 1, 2, 63, 64] {
                let content = &bytes[from..256.min(from + length)];
                assert_eq!(checksum_of(content), crc.checksum(content), "{content:?}");
            }
        }
    }

    #[test]
    fn no_content_is_damaged() {
        for short in [&mut [0x01_u8][..], &mut [0x02, 0x11], &mut [0x04, 1, 2, 3], &mut [0x01; 5]] {
            assert_eq!(decode(short), Err(Damaged));
        }
    }
}
