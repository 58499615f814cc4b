//! What an ELF file puts into flash and RAM.

use std::error::Error;
use std::fs;
use std::path::Path;

use object::elf::{PT_LOAD, SHF_ALLOC, SHT_NOBITS};
use object::read::elf::{FileHeader, ProgramHeader, SectionHeader};
use object::{Endianness, elf};

/// A piece of flash: address and bytes.
pub(crate) type Segment = (u32, Vec<u8>);

/// One image.
pub(crate) struct Image {
    /// Bytes in flash, start values of variables included.
    pub(crate) flash: u64,
    /// Bytes of RAM with a fixed place: not the stack.
    pub(crate) ram: u64,
    pub(crate) segments: Vec<Segment>,
    pub(crate) symbols: Vec<String>,
}

impl Image {
    /// Reads an ELF file.
    pub(crate) fn read(path: &Path) -> Result<Self, Box<dyn Error>> {
        let bytes = fs::read(path)?;
        let bytes = bytes.as_slice();
        let header = elf::FileHeader32::<Endianness>::parse(bytes)?;
        let endian = header.endian()?;

        let mut segments: Vec<Segment> = Vec::new();
        for segment in header.program_headers(endian, bytes)? {
            let data = segment.data(endian, bytes).map_err(|()| "a segment lies outside of the file")?;
            if segment.p_type(endian) == PT_LOAD && !data.is_empty() {
                segments.push((segment.p_paddr(endian), data.to_vec()));
            }
        }
        segments.sort_by_key(|(address, _)| *address);

        let (mut flash, mut ram) = (0, 0);
        let sections = header.sections(endian, bytes)?;
        for section in sections.iter() {
            let size = u64::from(section.sh_size(endian));
            let flags = section.sh_flags(endian);
            if !flags.contains(SHF_ALLOC) {
                continue;
            }
            let in_file = section.sh_type(endian) != SHT_NOBITS;
            if in_file {
                flash += size;
            }
            // Start values of variables lie in flash and are copied to RAM.
            if !in_file || flags.contains(elf::SHF_WRITE) {
                ram += size;
            }
        }

        let table = sections.symbols(endian, bytes, elf::SHT_SYMTAB)?;
        let mut symbols = Vec::new();
        for symbol in table.iter() {
            symbols.push(String::from_utf8_lossy(table.symbol_name(endian, symbol)?).into_owned());
        }
        Ok(Self { flash, ram, segments, symbols })
    }

    /// The image as an Intel HEX file.
    pub(crate) fn intel_hex(&self) -> Result<String, Box<dyn Error>> {
        let mut records = Vec::new();
        let mut upper = None;
        for (address, bytes) in &self.segments {
            for (chunk, offset) in bytes.chunks(16).zip((0..).step_by(16)) {
                let at = address + offset;
                let [high, low] = [(at >> 16) as u16, at as u16];
                if upper != Some(high) {
                    records.push(ihex::Record::ExtendedLinearAddress(high));
                    upper = Some(high);
                }
                records.push(ihex::Record::Data { offset: low, value: chunk.to_vec() });
            }
        }
        records.push(ihex::Record::EndOfFile);
        Ok(ihex::create_object_file_representation(&records)?)
    }
}
