//! Consistent Overhead Byte Stuffing: bytes without 0x00, so that 0x00 can end a frame.
//!
//! S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2),
//! April 1999. Written here and not taken from a library because the firmware must have no panic path:
//! every access below is checked and none can fail loudly.

/// A block of 254 bytes without a zero: the longest there is.
const FULL: u8 = 0xFF;

/// Longest bytes that [`encode_in_place`] stuffs: none of their blocks can be full.
pub(crate) const LONGEST: usize = 253;

/// Stuffs the bytes between the first and the last one of `frame` in place, which become the first code
/// and the closing 0x00.
///
/// Every zero becomes the distance to the next one, the first byte the distance to the first. At most
/// [`LONGEST`] bytes can be stuffed so.
pub(crate) fn encode_in_place(frame: &mut [u8]) {
    if let Some(end) = frame.last_mut() {
        *end = 0;
    }
    let mut places = frame.iter_mut();
    let Some(mut code) = places.next() else { return };
    *code = 1;
    for place in places {
        if *place == 0 {
            code = place;
            *code = 1;
        } else {
            *code = code.saturating_add(1);
        }
    }
    // The closing 0x00 was counted as a code of its own.
    *code = 0;
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
        let (mut cases, mut encoded) = (0, 0);
        for line in table.lines().skip(1) {
            // The hex columns hold no comma, the description in front may.
            let mut columns = line.rsplitn(3, ',');
            let (stuffed, raw) = (bytes(columns.next().unwrap()), bytes(columns.next().unwrap()));
            let case = columns.next().unwrap();

            if raw.len() <= LONGEST {
                let mut frame = [&[0], raw.as_slice(), &[0]].concat();
                encode_in_place(&mut frame);
                assert_eq!(frame.split_last(), Some((&0, stuffed.as_slice())), "encode: {case}");
                encoded += 1;
            }
            let mut inside = stuffed.clone();
            let length = decode_in_place(&mut inside).unwrap();
            assert_eq!(&inside[..length], raw, "decode: {case}");
            cases += 1;
        }
        assert_eq!((cases, encoded), (21, 14));
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
    fn longest_bytes_come_back() {
        for raw in [[7; LONGEST], [0; LONGEST], core::array::from_fn(|at| at as u8)] {
            let mut frame = [&[0], raw.as_slice(), &[0]].concat();
            encode_in_place(&mut frame);
            assert_eq!(frame.iter().position(|&byte| byte == 0), Some(LONGEST + 1));
            let length = decode_in_place(&mut frame[..=LONGEST]).unwrap();
            assert_eq!(&frame[..length], raw);
        }
    }

    #[test]
    fn frames_without_room_are_survived() {
        for mut short in [Vec::new(), std::vec![9], std::vec![9, 9]] {
            encode_in_place(&mut short);
            assert!(short.last().is_none_or(|&end| end == 0));
        }
    }
}
