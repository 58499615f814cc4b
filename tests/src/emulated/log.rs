//! What the firmware logs, in words: defmt frames decoded with the table in the image.

use std::path::Path;

use defmt_decoder::{DecodeError, Table};
use object::{Object, ObjectSymbol};

/// Decodes everything that came out of the RTT buffer since the start.
///
/// # Panics
///
/// If the image has no table, or the bytes are no frames of this image.
#[must_use]
pub(super) fn decode(image: &Path, bytes: &[u8]) -> Vec<String> {
    let elf = std::fs::read(image).expect("the image was there when its emulator started");
    let table = Table::parse(&elf).expect("a readable table").expect("an image that logs");
    let mut decoder = table.new_stream_decoder();
    decoder.received(bytes);
    let mut lines = Vec::new();
    loop {
        match decoder.decode() {
            Ok(frame) => {
                let level = frame.level().map_or("", |level| level.as_str());
                lines.push(format!("{level} {}", frame.display_message()));
            }
            Err(DecodeError::UnexpectedEof) => return lines,
            Err(DecodeError::Malformed) => panic!("malformed log frame after {lines:?}"),
        }
    }
}

/// Address of a symbol of an image.
///
/// # Panics
///
/// If there is none of this name.
#[must_use]
pub(super) fn symbol(image: &Path, name: &str) -> u32 {
    let elf = std::fs::read(image).expect("the image was there when its emulator started");
    let file = object::File::parse(elf.as_slice()).expect("the image is an ELF file");
    let symbol = file.symbols().find(|symbol| symbol.name() == Ok(name));
    symbol.unwrap_or_else(|| panic!("no symbol {name}")).address() as u32
}
