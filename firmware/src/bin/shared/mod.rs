//! What the images share that is no part of the library: it touches memory directly.

pub(crate) mod last_resort;
pub(crate) mod last_words;
#[cfg(feature = "rp2040")]
pub(crate) mod pico;

/// What opens every channel past all drivers, and starts the chip anew.
#[cfg(not(feature = "rp2040"))]
use crate::image as chip;
#[cfg(feature = "rp2040")]
use pico as chip;

/// Mixes what a chip knows into a number that differs from start to start.
///
/// The multiplier is that of the 32-bit FNV-1a hash (Fowler, Noll, Vo); nothing here is secret, the
/// number only has to be another one after each start.
pub(crate) fn boot_id(unique_id: [u8; 8], starts: u32, noise: [u8; 4]) -> u32 {
    let mut hash: u32 = 0x811C_9DC5;
    for byte in unique_id.into_iter().chain(starts.to_le_bytes()).chain(noise) {
        hash = (hash ^ u32::from(byte)).wrapping_mul(0x0100_0193);
    }
    hash
}
