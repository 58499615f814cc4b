//! Tables of parts, and of what leads where.

use std::{collections::BTreeMap, fmt::Write as _};

use pintally::jig::self_test::ladder_resistor;

use crate::description::Board;

const MADE: &str = "<!-- Made from the description of the parts: see multiplexers.toml. Do not edit. -->\n";

/// Where a channel leads, on each kind of board: part and pin.
pub(crate) struct Row {
    pub(crate) multiplexer: (String, String),
    pub(crate) register: (String, String),
    pub(crate) header: (String, String),
}

pub(crate) fn row(channel: usize) -> Row {
    let (bank, at) = (channel / 16, channel % 16);
    let output = char::from(b'A' + u8::try_from(channel % 8).unwrap());
    Row {
        multiplexer: (format!("U{}", bank + 2), format!("S{}", at + 1)),
        register: (format!("U{}", channel / 8 + 2), format!("Q{output}")),
        header: (format!("J{}", bank + 3), (at + 1).to_string()),
    }
}

pub(crate) fn wiring(channels: usize) -> String {
    let mut out = format!(
        "{MADE}\n# Wiring of {channels} channels\n\n\
         The last channel, {}, is the check channel where one is fitted: {}.\n\n\
         | channel | header pin | bank: multiplexer pin | register output | ladder plate |\n\
         | ---: | --- | --- | --- | ---: |\n",
        channels - 1,
        "1.00 kohm to ground instead of a wire to the carrier"
    );
    for channel in 0..channels {
        let Row { multiplexer, register, header } = row(channel);
        writeln!(
            out,
            "| {channel} | {} pin {} | {}: {} {} | {} {} | {} ohm |",
            header.0,
            header.1,
            channel / 16,
            multiplexer.0,
            multiplexer.1,
            register.0,
            register.1,
            ladder_resistor(channel).get()
        )
        .unwrap();
    }
    out
}

pub(crate) fn parts(board: &Board) -> String {
    let mut kinds: BTreeMap<&str, usize> = BTreeMap::new();
    for part in &board.parts {
        let value = if part.value.starts_with("header") { "header, 17 pins, 2.54 mm" } else { &part.value };
        *kinds.entry(value).or_default() += 1;
    }
    let mut out = format!("{MADE}\n# {}\n\n| pieces | part |\n| ---: | --- |\n", board.title);
    for (value, count) in kinds {
        writeln!(out, "| {count} | {value} |").unwrap();
    }
    out
}
