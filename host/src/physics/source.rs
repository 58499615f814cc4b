//! What a meter in diode test does: a current, up to a voltage.

/// A meter's source in diode test: a constant current on bench meters, a voltage behind a resistance on many
/// handhelds, up to the highest voltage that it shows. Amperes, ohms, volts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Source {
    /// Current into a short.
    pub short_current: f64,
    /// Resistance behind which the voltage stands; `None` for a constant current.
    pub inner: Option<f64>,
    /// The highest voltage that the meter shows; above it stands `OL`.
    pub compliance: f64,
}

impl Source {
    /// Current at a drop, not below zero.
    #[must_use]
    pub fn current_at(&self, volts: f64) -> f64 {
        match self.inner {
            Some(ohms) if ohms > 0.0 => (self.short_current - volts / ohms).max(0.0),
            _ => self.short_current,
        }
    }

    /// How fast the current falls as the drop grows.
    #[must_use]
    pub fn conductance(&self) -> f64 {
        match self.inner {
            Some(ohms) if ohms > 0.0 => 1.0 / ohms,
            _ => 0.0,
        }
    }
}
