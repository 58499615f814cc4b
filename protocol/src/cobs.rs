//! Consistent Overhead Byte Stuffing: bytes without 0x00, so that 0x00 can end a frame.
//!
//! S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2),
//! April 1999. Written here and not taken from a library because the firmware must have no panic path:
//! every access below is checked and none can fail loudly.

/// A block of 254 bytes without a zero: the longest there is.
const FULL: u8 = 0xFF;

/// Stuffs `raw` into `out` and returns how many bytes were written, without the closing 0x00; `None` if
/// `out` is too short.
pub(crate) fn encode(raw: &[u8], out: &mut [u8]) -> Option<usize> {
    let (mut code_at, mut code, mut at) = (0, 1_u8, 1);
    for &byte in raw {
        if code == FULL {
            *out.get_mut(code_at)? = code;
            (code_at, code, at) = (at, 1, at + 1);
        }
        if byte == 0 {
            *out.get_mut(code_at)? = code;
            (code_at, code, at) = (at, 1, at + 1);
        } else {
            *out.get_mut(at)? = byte;
            (code, at) = (code + 1, at + 1);
        }
    }
    *out.get_mut(code_at)? = code;
    Some(at)
}

/// Takes the stuffing out of `bytes` in place and returns how many bytes are left; `None` if the stuffing
/// is wrong. `bytes` does not contain the closing 0x00.
pub(crate) fn decode_in_place(bytes: &mut [u8]) -> Option<usize> {
    let (mut read, mut written) = (0, 0);
    while let Some(&code) = bytes.get(read) {
        if code == 0 {
            return None;
        }
        read += 1;
        for _ in 1..code {
            let byte = *bytes.get(read)?;
            if byte == 0 {
                return None;
            }
            *bytes.get_mut(written)? = byte;
            (read, written) = (read + 1, written + 1);
        }
        if code != FULL && read < bytes.len() {
            *bytes.get_mut(written)? = 0;
            written += 1;
        }
    }
    Some(written)
}

#[cfg(test)]
mod tests {
    extern crate std;
    use std::vec::Vec;

    use super::*;

    fn bytes(hex: &str) -> Vec<u8> {
        hex.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
    }

    /// Figures 2 and 3 of Cheshire and Baker 1999, the eleven examples of the encyclopedia article on the
    /// method (254 and 255 byte edges) and the cases of the cobs-python test suite (MIT):
    /// `fixtures/published/wire/cobs.csv`.
    #[test]
    fn published_examples() {
        let table = include_str!("../../fixtures/published/wire/cobs.csv");
        let mut cases = 0;
        for line in table.lines().skip(1) {
            // The hex columns hold no comma, the description in front may.
            let mut columns = line.rsplitn(3, ',');
            let (stuffed, raw) = (bytes(columns.next().unwrap()), bytes(columns.next().unwrap()));
            let case = columns.next().unwrap();

            let mut out = std::vec![0; raw.len() + 4];
            let length = encode(&raw, &mut out).unwrap();
            assert_eq!(&out[..length], stuffed, "encode: {case}");
            let mut inside = stuffed.clone();
            let length = decode_in_place(&mut inside).unwrap();
            assert_eq!(&inside[..length], raw, "decode: {case}");
            cases += 1;
        }
        assert_eq!(cases, 21);
    }

    /// The decode errors of the cobs-python test suite (MIT): `fixtures/published/wire/cobs_decode_errors.json`.
    #[test]
    fn published_errors() {
        for wrong in ["00", "05 31 32 33", "05 31 32 33 34 00", "05 31 32 00 34"] {
            assert!(
                include_str!("../../fixtures/published/wire/cobs_decode_errors.json").contains(wrong),
                "{wrong} is not of the published list"
            );
            assert_eq!(decode_in_place(&mut bytes(wrong)), None, "{wrong}");
        }
    }

    #[test]
    fn too_short_a_buffer_is_refused() {
        for raw in [&[1, 2, 3][..], &[0, 0, 0], &[7; 254], &[7; 255]] {
            let mut out = [0; 300];
            let needed = encode(raw, &mut out).unwrap();
            for length in 0..needed {
                assert_eq!(encode(raw, &mut out[..length]), None, "{length} of {needed}");
            }
        }
    }
}
