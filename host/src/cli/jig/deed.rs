//! What somebody does at the bench between two measurements, in words.

use crate::practice::Plate;

/// Something to do at the bench.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Deed {
    /// Put this plate on.
    PutOn(Plate),
    /// Connect the meter.
    PlugIn,
    /// Take the meter's plugs out of the jig.
    Unplug,
    /// Shut the lid, or open it.
    Lid(bool),
    /// Press the start button.
    Press,
}

impl Deed {
    /// What the operator is asked for.
    pub(super) fn wanted(self) -> String {
        match self {
            Self::PutOn(Plate::Cell(position, volts)) => format!(
                "keep the open plate on, and hold a cell of {volts} V between ground (minus) and the plate's position {} (plus)",
                position + 1
            ),
            Self::PutOn(plate) => format!("put the {} on", plate.name()),
            Self::PlugIn => {
                "connect the meter: diode test, red clip on the jig's ground, black to the common line"
                    .to_owned()
            }
            Self::Unplug => "take the meter's plugs out of the jig".to_owned(),
            Self::Lid(true) => "shut the lid".to_owned(),
            Self::Lid(false) => "open the lid".to_owned(),
            Self::Press => "press the jig's start button; if nothing happens".to_owned(),
        }
    }

    /// What the practice bench has done.
    pub(super) fn done(self) -> String {
        match self {
            Self::PutOn(plate) => format!("the {} is on", plate.name()),
            Self::PlugIn => "the meter is connected".to_owned(),
            Self::Unplug => "the meter is unplugged".to_owned(),
            Self::Lid(true) => "the lid is shut".to_owned(),
            Self::Lid(false) => "the lid is open".to_owned(),
            Self::Press => "the start button is pressed".to_owned(),
        }
    }
}
