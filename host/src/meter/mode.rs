//! A change of mode is believed when two frames in a row say it.

use super::{Flags, Function, Reading};

/// Holds back readings whose function or flags differ from what was shown before, until the next frame says the
/// same. Formats without a checksum let a damaged byte turn diode test into volts, or HOLD on; it does not happen
/// to two frames in a row in the same way.
#[derive(Debug, Default)]
pub(crate) struct ModeGate {
    confirmed: Option<Mode>,
    candidate: Option<Mode>,
}

type Mode = (Option<Function>, Flags);

impl ModeGate {
    /// Whether the reading may pass.
    pub(crate) fn passes(&mut self, reading: &Reading) -> bool {
        let mode = Some((reading.function, reading.flags));
        if mode == self.confirmed {
            self.candidate = None;
        } else if mode == self.candidate {
            self.confirmed = self.candidate.take();
        } else {
            self.candidate = mode;
        }
        mode == self.confirmed
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::meter::Number;

    #[test]
    fn a_mode_is_believed_when_it_is_said_twice() {
        let mut gate = ModeGate::default();
        let mut say = |function, hold| {
            let flags = Flags { hold, ..Flags::default() };
            let value = Ok(Number { count: 1, exponent: 0 });
            gate.passes(&Reading { value, function: Some(function), flags })
        };
        use Function::{DcVoltage, Diode};
        assert!(!say(Diode, false));
        assert!(say(Diode, false));
        // One damaged frame is dropped and changes nothing.
        assert!(!say(DcVoltage, false));
        assert!(say(Diode, false));
        assert!(!say(Diode, true));
        assert!(!say(DcVoltage, false));
        // HOLD, seen twice, is passed on for the guards.
        assert!(!say(Diode, true));
        assert!(say(Diode, true));
    }
}
