//! The netlist, in the S-expressions that general-purpose schematic and board programs exchange.

use std::fmt::Write as _;

use crate::description::Board;

pub(crate) fn netlist(board: &Board) -> String {
    let mut out = format!("(export (version \"E\")\n  (design (source {:?}))\n  (components\n", board.title);
    for part in &board.parts {
        writeln!(out, "    (comp (ref {:?}) (value {:?}))", part.name, part.value).unwrap();
    }
    out.push_str("  )\n  (nets\n");
    for (code, (net, pins)) in board.nets().iter().enumerate() {
        write!(out, "    (net (code \"{}\") (name {net:?})", code + 1).unwrap();
        for (part, pin) in pins {
            write!(out, " (node (ref {part:?}) (pin {pin:?}))").unwrap();
        }
        out.push_str(")\n");
    }
    out.push_str("  )\n)\n");
    out
}
