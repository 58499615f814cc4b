//! Values as bytes: the part of the postcard format that the messages need.
//!
//! The bytes are those of the postcard crate, and the tests hold each message against it. The code is
//! here because a switching board must fit small chips and have no panic path, and the crate's code for
//! the same messages is three times as long and indexes slices. Indexes of variants are written out, so
//! that moving a variant cannot change the wire.

use heapless::Vec;

/// Writes values one after another. Bytes past the end of the buffer are counted, not written.
pub(crate) struct Writer<'a> {
    buffer: &'a mut [u8],
    length: usize,
}

/// Reads values one after another.
///
/// A value that cannot be read gives zeros, and the reader remembers: whoever reads a message asks once
/// at its end, and not after every field.
pub(crate) struct Reader<'a> {
    rest: core::slice::Iter<'a, u8>,
    failed: bool,
}

/// A value that goes over the wire.
pub(crate) trait Wire {
    /// Writes it.
    fn write(&self, writer: &mut Writer<'_>);

    /// Reads it; anything if it cannot be read.
    fn read(reader: &mut Reader<'_>) -> Self;
}

impl<'a> Writer<'a> {
    pub(crate) fn new(buffer: &'a mut [u8]) -> Self {
        Self { buffer, length: 0 }
    }

    /// How many bytes were written; `None` if they did not fit.
    pub(crate) fn finish(self) -> Option<usize> {
        (self.length <= self.buffer.len()).then_some(self.length)
    }

    /// Writes one byte. Never inlined: a message is written by fifty of these, and small beats fast here.
    #[inline(never)]
    pub(crate) fn byte(&mut self, byte: u8) {
        if let Some(place) = self.buffer.get_mut(self.length) {
            *place = byte;
        }
        self.length = self.length.saturating_add(1);
    }

    /// Seven bits a byte, least significant first, bit 7 on all but the last.
    #[inline(never)]
    fn varint(&mut self, mut value: u64) {
        while value >= 0x80 {
            self.byte(value as u8 | 0x80);
            value >>= 7;
        }
        self.byte(value as u8);
    }
}

/// Readers of varints that have at most `bits` bits. Two widths, because a switching board never reads 64
/// bits and a small chip has no wide shifts.
macro_rules! varint_reader {
    ($($name:ident: $type:ty),*) => {$(
        #[inline(never)]
        fn $name(&mut self, bits: u32) -> $type {
            let (mut value, mut shift): ($type, u32) = (0, 0);
            loop {
                let byte = self.byte();
                let group = <$type>::from(byte & 0x7F);
                let shifted = group << shift;
                // Bits that the value does not have: too high for it, or shifted out.
                if shifted >> shift != group || shifted >> (bits - 1) > 1 {
                    self.fail();
                }
                value |= shifted;
                shift += 7;
                if byte & 0x80 == 0 {
                    return value;
                }
                if shift >= bits {
                    self.fail();
                    return value;
                }
            }
        }
    )*};
}

impl<'a> Reader<'a> {
    pub(crate) fn new(bytes: &'a [u8]) -> Self {
        Self { rest: bytes.iter(), failed: false }
    }

    /// Whether everything was read well so far.
    pub(crate) fn is_good(&self) -> bool {
        !self.failed
    }

    /// Whether everything was read well and nothing is left.
    pub(crate) fn is_done(&self) -> bool {
        self.is_good() && self.rest.as_slice().is_empty()
    }

    /// Remembers that a value was read which is none.
    pub(crate) fn fail(&mut self) {
        self.failed = true;
    }

    #[inline(never)]
    pub(crate) fn byte(&mut self) -> u8 {
        let byte = self.rest.next().copied();
        self.failed |= byte.is_none();
        byte.unwrap_or(0)
    }

    varint_reader! { varint_32: u32, varint_64: u64 }
}

impl Wire for u8 {
    fn write(&self, writer: &mut Writer<'_>) {
        writer.byte(*self);
    }
    fn read(reader: &mut Reader<'_>) -> Self {
        reader.byte()
    }
}

impl Wire for bool {
    fn write(&self, writer: &mut Writer<'_>) {
        writer.byte(u8::from(*self));
    }
    fn read(reader: &mut Reader<'_>) -> Self {
        let byte = reader.byte();
        if byte > 1 {
            reader.fail();
        }
        byte == 1
    }
}

impl Wire for u16 {
    fn write(&self, writer: &mut Writer<'_>) {
        writer.varint((*self).into());
    }
    fn read(reader: &mut Reader<'_>) -> Self {
        reader.varint_32(Self::BITS) as Self
    }
}

impl Wire for u32 {
    fn write(&self, writer: &mut Writer<'_>) {
        writer.varint((*self).into());
    }
    fn read(reader: &mut Reader<'_>) -> Self {
        reader.varint_32(Self::BITS)
    }
}

impl Wire for u64 {
    fn write(&self, writer: &mut Writer<'_>) {
        writer.varint(*self);
    }
    fn read(reader: &mut Reader<'_>) -> Self {
        reader.varint_64(Self::BITS)
    }
}

impl Wire for i32 {
    /// Zigzag: 0, -1, 1, -2 as 0, 1, 2, 3.
    fn write(&self, writer: &mut Writer<'_>) {
        (((self << 1) ^ (self >> 31)) as u32).write(writer);
    }
    fn read(reader: &mut Reader<'_>) -> Self {
        let zigzag = u32::read(reader);
        (zigzag >> 1) as Self ^ -((zigzag & 1) as Self)
    }
}

impl<T: Wire> Wire for Option<T> {
    fn write(&self, writer: &mut Writer<'_>) {
        self.is_some().write(writer);
        if let Some(value) = self {
            value.write(writer);
        }
    }
    fn read(reader: &mut Reader<'_>) -> Self {
        bool::read(reader).then(|| T::read(reader))
    }
}

impl Wire for (u8, u8, u8) {
    fn write(&self, writer: &mut Writer<'_>) {
        let (first, second, third) = *self;
        [first, second, third].write(writer);
    }
    fn read(reader: &mut Reader<'_>) -> Self {
        let [first, second, third] = Wire::read(reader);
        (first, second, third)
    }
}

impl<const N: usize> Wire for [u8; N] {
    fn write(&self, writer: &mut Writer<'_>) {
        for &byte in self {
            writer.byte(byte);
        }
    }
    fn read(reader: &mut Reader<'_>) -> Self {
        let mut all = [0; N];
        for byte in &mut all {
            *byte = reader.byte();
        }
        all
    }
}

impl<T: Wire, const N: usize> Wire for Vec<T, N> {
    fn write(&self, writer: &mut Writer<'_>) {
        writer.varint(self.len() as u64);
        for value in self {
            value.write(writer);
        }
    }
    fn read(reader: &mut Reader<'_>) -> Self {
        let mut all = Self::new();
        // Ends at the first value that is missing or too many, whatever the count claims.
        for _ in 0..reader.varint_32(u32::BITS) {
            let value = T::read(reader);
            if !reader.is_good() || all.push(value).is_err() {
                reader.fail();
                break;
            }
        }
        all
    }
}

/// A struct is its fields in the given order.
macro_rules! wire_struct {
    ($name:ident { $($field:ident),* $(,)? }) => {
        impl Wire for $name {
            fn write(&self, writer: &mut Writer<'_>) {
                $(self.$field.write(writer);)*
            }
            fn read(reader: &mut Reader<'_>) -> Self {
                Self { $($field: Wire::read(reader)),* }
            }
        }
    };
}

/// An enum is the index of its variant and then the variant's fields in the given order. An unknown index
/// fails and reads as the variant behind `else`.
macro_rules! wire_enum {
    (
        $name:ident {
            $($index:literal => $variant:ident $(($inner:ident))? $({ $($field:ident),* })?,)*
        } else $fallback:expr
    ) => {
        impl Wire for $name {
            fn write(&self, writer: &mut Writer<'_>) {
                match self {
                    $(Self::$variant $(($inner))? $({ $($field),* })? => {
                        writer.byte($index);
                        $($inner.write(writer);)?
                        $($($field.write(writer);)*)?
                    })*
                }
            }
            fn read(reader: &mut Reader<'_>) -> Self {
                match reader.byte() {
                    $($index => Self::$variant
                        $(({ let $inner = Wire::read(reader); $inner }))?
                        $({ $($field: Wire::read(reader)),* })?,)*
                    _ => {
                        reader.fail();
                        $fallback
                    }
                }
            }
        }
    };
}

pub(crate) use {wire_enum, wire_struct};
