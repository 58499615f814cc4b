//! Units, prefixes and signs that a display can light, and what they mean together.

use crate::meter::{Function, Problem};

/// What is lit.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Signs {
    pub(crate) diode: bool,
    pub(crate) beep: bool,
    pub(crate) ac: bool,
    pub(crate) dc: bool,
    pub(crate) volt: bool,
    pub(crate) ampere: bool,
    pub(crate) ohm: bool,
    pub(crate) farad: bool,
    pub(crate) hertz: bool,
    pub(crate) percent: bool,
    /// A unit that no sweep uses, such as degrees or hFE.
    pub(crate) other: bool,
    pub(crate) nano: bool,
    pub(crate) micro: bool,
    pub(crate) milli: bool,
    pub(crate) kilo: bool,
    pub(crate) mega: bool,
}

impl Signs {
    /// What is measured: exactly one unit must be lit.
    pub(crate) fn function(&self) -> Result<Function, Problem> {
        let units = [self.volt, self.ampere, self.ohm, self.farad, self.hertz, self.percent, self.other];
        if units.iter().filter(|lit| **lit).count() != 1 {
            return Err(self.odd("exactly one unit"));
        }
        match (self.diode, self.volt, self.ohm) {
            (true, true, _) => Ok(Function::Diode),
            (true, false, _) => Err(self.odd("volts with the diode sign")),
            (false, true, _) => Ok(match (self.ac, self.dc) {
                (false, true) => Function::DcVoltage,
                (true, false) => Function::AcVoltage,
                _ => Function::Other,
            }),
            (false, _, true) => Ok(if self.beep { Function::Continuity } else { Function::Resistance }),
            (false, false, false) => Ok(match () {
                () if self.ampere && self.dc && !self.ac => Function::DcCurrent,
                () if self.ampere && self.ac && !self.dc => Function::AcCurrent,
                () if self.farad => Function::Capacitance,
                () if self.hertz => Function::Frequency,
                () if self.percent => Function::DutyCycle,
                () => Function::Other,
            }),
        }
    }

    /// Power of ten of the prefix: at most one may be lit.
    pub(crate) fn prefix(&self) -> Result<i8, Problem> {
        match (self.nano, self.micro, self.milli, self.kilo, self.mega) {
            (false, false, false, false, false) => Ok(0),
            (true, false, false, false, false) => Ok(-9),
            (false, true, false, false, false) => Ok(-6),
            (false, false, true, false, false) => Ok(-3),
            (false, false, false, true, false) => Ok(3),
            (false, false, false, false, true) => Ok(6),
            _ => Err(self.odd("at most one prefix")),
        }
    }

    fn odd(&self, expected: &'static str) -> Problem {
        let lit = [
            (self.diode, "diode"),
            (self.beep, "beep"),
            (self.ac, "AC"),
            (self.dc, "DC"),
            (self.nano, "nano"),
            (self.micro, "micro"),
            (self.milli, "milli"),
            (self.kilo, "kilo"),
            (self.mega, "mega"),
            (self.volt, "volt"),
            (self.ampere, "ampere"),
            (self.ohm, "ohm"),
            (self.farad, "farad"),
            (self.hertz, "hertz"),
            (self.percent, "%"),
            (self.other, "another unit"),
        ];
        let names: Vec<&str> = lit.iter().filter(|(lit, _)| *lit).map(|(_, name)| *name).collect();
        let found = if names.is_empty() { "no sign".to_owned() } else { names.join(", ") };
        Problem::Signs { expected, found }
    }
}

/// The bits of a byte, lowest first.
pub(crate) fn bits(byte: u8) -> [bool; 8] {
    std::array::from_fn(|bit| byte & (1 << bit) != 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn signs_that_contradict_each_other_are_refused() {
        let diode = Signs { diode: true, volt: true, ..Signs::default() };
        assert_eq!(diode.function(), Ok(Function::Diode));
        for (signs, text) in [
            (Signs::default(), "expected exactly one unit, found no sign"),
            (Signs { ohm: true, ..diode }, "expected exactly one unit, found diode, volt, ohm"),
            (
                Signs { volt: false, ohm: true, ..diode },
                "expected volts with the diode sign, found diode, ohm",
            ),
        ] {
            assert_eq!(signs.function().unwrap_err().to_string(), text);
        }
        let both = Signs { milli: true, kilo: true, ..diode };
        assert_eq!(
            both.prefix().unwrap_err().to_string(),
            "expected at most one prefix, found diode, milli, kilo, volt"
        );
    }
}
