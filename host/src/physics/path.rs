//! What hangs on a net, as one curve of current over voltage, known from a single reading.
//!
//! A reading tells one point of the curve: this current makes this drop. What shape the curve has elsewhere is
//! an assumption: junctions follow the diode equation around the point, `I = I0·exp((V − I·Rs − Vj)/(n·Vt))`
//! (Shockley; the −1 is far below a microampere at these drops and left out), resistors Ohm's law.

/// One net's path to ground, seen through the test current. Volts, amperes, ohms.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Path {
    /// No path that the meter can see.
    Open,
    /// Ground itself.
    Ground,
    /// A resistor.
    Resistor {
        /// Its resistance.
        ohms: f64,
    },
    /// One or more junctions, with a resistance in series.
    Junction {
        /// Drop of the junction alone at `current`.
        drop: f64,
        /// The current at which it is known.
        current: f64,
        /// n·Vt.
        slope: f64,
        /// Resistance in series.
        series: f64,
    },
}

/// Exponents are held below this: e^60 amperes is beyond any circuit and within a double's range.
const STEEPEST: f64 = 60.0;

impl Path {
    /// A junction path that reads `reading` at `current`, of which `resistive` volts fall across resistance.
    #[must_use]
    pub fn junction(reading: f64, current: f64, slope: f64, resistive: f64) -> Self {
        let resistive = resistive.clamp(0.0, reading.max(0.0));
        Self::Junction { drop: reading - resistive, current, slope, series: resistive / current }
    }

    /// Current through the path and its derivative (a conductance) at a voltage.
    #[must_use]
    pub fn current_at(&self, volts: f64) -> (f64, f64) {
        match *self {
            Self::Open => (0.0, 0.0),
            // A milliohm: nothing that a diode test could tell from zero.
            Self::Ground => (volts * 1e3, 1e3),
            Self::Resistor { ohms } => (volts / ohms, 1.0 / ohms),
            Self::Junction { drop, current, slope, series } => {
                let free = current * ((volts - drop) / slope).min(STEEPEST).exp();
                if series <= 0.0 {
                    return (free, free / slope);
                }
                // i·exp(i·Rs/(n·Vt)) = free: Newton on y = ln i, where the left side is smooth and convex.
                let mut y = if free * series < slope {
                    free.ln()
                } else {
                    ((volts - drop).max(slope) / series).min(free).ln()
                };
                let target = free.ln();
                for _ in 0..12 {
                    let drop_share = y.exp() * series / slope;
                    let step = (y + drop_share - target) / (1.0 + drop_share);
                    y -= step;
                    if step.abs() < 1e-10 {
                        break;
                    }
                }
                let i = y.exp();
                (i, i / (slope + i * series))
            }
        }
    }

    /// Voltage that a current makes; `None` for an open path.
    #[must_use]
    pub fn drop_at(&self, amperes: f64) -> Option<f64> {
        match *self {
            Self::Open => None,
            Self::Ground => Some(0.0),
            Self::Resistor { ohms } => Some(amperes * ohms),
            Self::Junction { drop, current, slope, series } => {
                let ratio = (amperes / current).max(1e-12);
                Some(drop + slope * ratio.ln() + amperes * series)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn current_and_drop_undo_each_other() {
        for series in [0.0, 0.5, 30.0, 470.0] {
            let path = Path::Junction { drop: 0.6, current: 1e-3, slope: 0.035, series };
            for amperes in [1e-6, 1e-4, 1e-3, 3e-3] {
                let volts = path.drop_at(amperes).unwrap();
                let (back, slope) = path.current_at(volts);
                assert!((back / amperes - 1.0).abs() < 1e-8, "{series} ohm, {amperes} A: {back}");
                let (beyond, _) = path.current_at(volts + 1e-7);
                assert!(((beyond - back) / 1e-7 / slope - 1.0).abs() < 1e-3);
            }
        }
    }
}
