//! UF2, the file that a board in boot mode takes by drag and drop.
//!
//! 512-byte blocks as published by Microsoft ("USB Flashing Format (UF2)"): eight little-endian words, 476
//! bytes of room for data, one closing word. The numbers are from memory of that page and of its list of
//! families, `uf2families.json`.

use std::collections::BTreeMap;

use crate::image::Segment;

/// Family of the RP2040 in `uf2families.json`.
pub(crate) const RP2040: u32 = 0xE48B_FF56;

const FIRST_MAGIC: u32 = 0x0A32_4655; // "UF2\n"
const SECOND_MAGIC: u32 = 0x9E5D_5157;
const LAST_MAGIC: u32 = 0x0AB1_6F30;
/// The block names its family instead of a file size.
const HAS_FAMILY: u32 = 0x0000_2000;
/// Data in one block: a page of flash. The boot ROM of the RP2040 takes no other size (RP2040 datasheet,
/// 2.8.4.2).
const PAGE: usize = 256;
/// Room for data in one block.
const ROOM: usize = 476;

/// Packs segments into blocks of whole pages; what lies between them in a page is 0.
pub(crate) fn write(segments: &[Segment], family: u32) -> Result<Vec<u8>, String> {
    let mut pages: BTreeMap<u32, [u8; PAGE]> = BTreeMap::new();
    for (start, bytes) in segments {
        for (&byte, offset) in bytes.iter().zip(0..) {
            let address = start.checked_add(offset).ok_or("a segment runs over the end of memory")?;
            let place = address % PAGE as u32;
            pages.entry(address - place).or_insert([0; PAGE])[place as usize] = byte;
        }
    }
    let count = u32::try_from(pages.len()).map_err(|_| "too many pages")?;
    let mut file = Vec::new();
    for ((address, page), number) in pages.iter().zip(0..) {
        for word in [FIRST_MAGIC, SECOND_MAGIC, HAS_FAMILY, *address, PAGE as u32, number, count, family] {
            file.extend_from_slice(&word.to_le_bytes());
        }
        file.extend_from_slice(page);
        file.extend_from_slice(&[0; ROOM - PAGE]);
        file.extend_from_slice(&LAST_MAGIC.to_le_bytes());
    }
    Ok(file)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocks_are_as_published() {
        let segments = vec![(0x1000_0000, vec![0xAA; 256]), (0x1000_01FE, vec![1, 2, 3])];
        let file = write(&segments, RP2040).unwrap();
        assert_eq!(file.len(), 3 * 512);
        assert_eq!(&file[..8], b"UF2\nWQ]\x9E");
        let word = |at: usize| u32::from_le_bytes(file[at..at + 4].try_into().unwrap());
        // Flags, address, size, number, count, family.
        assert_eq!([8, 12, 16, 20, 24, 28].map(word), [0x2000, 0x1000_0000, 256, 0, 3, 0xE48B_FF56]);
        assert_eq!([512 + 12, 1024 + 12].map(word), [0x1000_0100, 0x1000_0200]);
        assert_eq!([508, 1020, 1532].map(word), [0x0AB1_6F30; 3]);
        // A segment that crosses a page is cut; the rest of its pages is 0.
        assert_eq!(&file[512 + 32 + 253..512 + 32 + 256], &[0, 1, 2]);
        assert_eq!(&file[1024 + 32..1024 + 32 + 2], &[3, 0]);
    }

    #[test]
    fn a_segment_over_the_end_of_memory_is_refused() {
        assert!(write(&[(u32::MAX, vec![1, 2])], RP2040).is_err());
    }
}
