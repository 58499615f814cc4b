//! A connector for the tests of this room: 40 pins in two rows, every kind of net.

use crate::connector::{Connector, Pin, PinName, Role};

/// Rows A and B of 20. Invented.
pub(super) fn connector() -> Connector {
    let nets = [
        "GND", "LANE0_P", "LANE0_N", "GND", "LANE1_P", "LANE1_N", "GND", "VDD_IO", "VDD_IO", "SDA", "SCL",
        "INT", "RESET", "BL_EN", "SIG15", "SIG16", "NC17", "SIG18", "SIG19", "GND", "VBAT", "VBAT", "VBAT",
        "GND", "CLK_P", "CLK_N", "GND", "PANEL_ID", "SIG29", "SIG30", "SIG31", "NC32", "VDD_AUX", "SIG34",
        "SIG35", "SIG36", "SIG37", "SIG38", "GND", "GND",
    ];
    let name = |at: usize| PinName::new(&format!("{}{}", if at < 20 { "A" } else { "B" }, at % 20 + 1));
    let pins = nets
        .iter()
        .enumerate()
        .map(|(at, net)| {
            let role = match *net {
                "GND" => Role::Ground,
                net if net.starts_with('V') => Role::Power,
                net if net.starts_with("NC") => Role::Unconnected,
                _ => Role::Signal,
            };
            let pair = if net.ends_with("_P") {
                Some(name(at + 1))
            } else if net.ends_with("_N") {
                Some(name(at - 1))
            } else {
                None
            };
            Pin {
                name: name(at),
                row: Some(if at < 20 { "A" } else { "B" }.to_owned()),
                position: u16::try_from(at % 20 + 1).ok(),
                net: Some((*net).to_owned()),
                role: Some(role),
                pair,
                note: None,
            }
        })
        .collect();
    Connector { name: "J1".to_owned(), pins }
}
