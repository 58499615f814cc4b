//! Published values of the layers that the wire is built from. Those of COBS and of the checksum stand
//! beside the code, in `src/cobs.rs` and `src/frame.rs`.

use protocol::frame;

const TABLE: &str = include_str!("../../fixtures/published/wire/postcard.csv");

/// The bytes of one row of the table; rows marked `yes` stand in postcard's published specification
/// ("Unsigned Integer Encoding", "Signed Integer Encoding"), the others were made with its crate.
fn row(value: &str) -> Vec<u8> {
    let quoted = format!("\"{value}\"");
    let line = TABLE
        .lines()
        .find(|line| line.rsplitn(3, ',').nth(2).is_some_and(|name| name == value || name == quoted))
        .unwrap_or_else(|| panic!("no row {value}"));
    let hex = line.rsplit(',').nth(1).unwrap();
    hex.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
}

fn check<T: serde::Serialize + serde::de::DeserializeOwned + PartialEq + core::fmt::Debug>(
    name: &str,
    value: T,
) {
    let expected = row(name);
    let mut buffer = [0; 32];
    assert_eq!(postcard::to_slice(&value, &mut buffer).unwrap(), expected, "{name}");
    assert_eq!(postcard::take_from_bytes::<T>(&expected), Ok((value, &[][..])), "{name}");
}

#[test]
fn varints_of_the_postcard_specification() {
    for value in [0_u16, 127, 128, 16_383, 16_384, 16_385, 65_535] {
        check(&format!("u16 {value}"), value);
    }
    for value in [0_i16, -1, 1, 63, -64, 64, -65, 32_767, -32_768] {
        check(&format!("i16 {value}"), value);
    }
}

#[test]
fn other_types_on_the_wire() {
    check("u8 255", u8::MAX);
    check("u32 max", u32::MAX);
    check("u64 max", u64::MAX);
    check("i32 min", i32::MIN);
    check("bool true", true);
    check("bool false", false);
    check("option none u8", None::<u8>);
    check("option some 5u8", Some(5_u8));
}

/// Content with postcard's own CRC-32/ISO-HDLC tail, stuffed by hand.
#[test]
fn checksum_lies_behind_the_content_as_postcard_puts_it() {
    let inside = row("struct S to_allocvec_crc32 (CRC-32/ISO-HDLC, little endian tail)");
    let mut stuffed = Vec::new();
    for piece in inside.split(|&byte| byte == 0) {
        stuffed.push(u8::try_from(piece.len()).unwrap() + 1);
        stuffed.extend_from_slice(piece);
    }
    let content = frame::decode(&mut stuffed).unwrap();
    assert_eq!(content, &inside[..inside.len() - 4]);
}
