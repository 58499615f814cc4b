//! What can hurt a person or a board at this bench, and the usual cautions. One list for the command, the first sweep
//! and the reports. Pure.
//!
//! Sources: disconnecting and discharging before diode test, and checking it with DC volts, are in every maker's
//! manual (docs/facts.md 2.5); measurement categories are IEC 61010-1 and 61010-2-030; static discharge is ANSI/ESD
//! S20.20 and IEC 61340-5-1. Hot and sharp tools and flux fumes are common practice of the trade.

/// One caution.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Caution {
    /// What it is about, in two or three words.
    pub title: &'static str,
    /// What to do, and why.
    pub text: &'static str,
}

/// Changes whenever a caution changes, so that everybody is shown the new list once.
pub const EDITION: u32 = 1;

/// The cautions, those first that hurt most.
pub const CAUTIONS: &[Caution] = &[
    Caution {
        title: "battery out first",
        text: "Disconnect the battery and the supply before a lead, a probe or the jig touches the board. A lithium cell \
               drives amperes through a probe tip; shorted, crushed or pierced it burns.",
    },
    Caution {
        title: "stored charge",
        text: "Discharge the capacitors through a resistor and check with DC volts that they are empty. Diode test on a \
               powered or charged board shows wrong values and can destroy the meter, the switches and the board.",
    },
    Caution {
        title: "never mains",
        text: "The jig belongs to no measurement category (IEC 61010): nothing here is for circuits that are connected \
               to the mains. Capacitors behind a mains rectifier hold hundreds of volts long after unplugging.",
    },
    Caution {
        title: "static",
        text: "Wrist strap and mat on a common ground, board and person on the same one (ANSI/ESD S20.20, IEC 61340-5-1).",
    },
    Caution {
        title: "hot and sharp",
        text: "Irons, hot air and fresh joints burn; wires, blades and pads cut and fly. Glasses on, fumes away from the face.",
    },
    Caution {
        title: "what a match means",
        text: "A match says that no difference was seen within the limits that the report names. It is no proof that a \
               board is safe to power. Licensed practice and local codes come first.",
    },
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_usual_dangers_are_named() {
        let all: String =
            CAUTIONS.iter().map(|caution| format!("{} {} ", caution.title, caution.text)).collect();
        for word in [
            "lithium",
            "Discharge",
            "DC volts",
            "mains",
            "IEC 61010",
            "ANSI/ESD S20.20",
            "IEC 61340-5-1",
            "hot",
            "sharp",
            "Licensed practice",
            "local codes",
        ] {
            assert!(all.contains(word), "{word}");
        }
    }
}
