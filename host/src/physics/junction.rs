//! The diode equation.
//!
//! `I = Is·(exp(V/(n·Vt)) − 1)`, `Vt = kT/q` (Shockley; Sedra & Smith, Microelectronic Circuits, ch. 4),
//! with a series resistance: `V = n·Vt·ln(1 + I/Is) + I·Rs`. The saturation current follows the temperature as
//! in the SPICE junction model, `Is(T) = Is·(T/Tnom)^(XTI/n)·exp((T/Tnom − 1)·EG/(n·Vt(T)))`, with the model's
//! defaults for silicon `EG = 1.11 eV`, `XTI = 3`, `Tnom = 300.15 K`.

use crate::units::{Amperes, Kelvin, Ohms, Volts};

/// Boltzmann constant over elementary charge, in V/K: both exact in the SI since 2019.
const BOLTZMANN_OVER_CHARGE: f64 = 1.380_649e-23 / 1.602_176_634e-19;

/// Band gap of silicon that the SPICE junction model uses by default, in eV.
const BAND_GAP: f64 = 1.11;

/// Exponent of the saturation current's temperature law, default of the SPICE junction model.
const SATURATION_EXPONENT: f64 = 3.0;

/// Temperature at which a model's saturation current is stated: 27 °C, default of SPICE.
const NOMINAL: f64 = 300.15;

/// A silicon junction, or several that behave as one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Junction {
    /// Saturation current at 27 °C.
    pub saturation: Amperes,
    /// Ideality factor n, 1 to 2 for real junctions.
    pub ideality: f64,
    /// Series resistance.
    pub series: Ohms,
}

/// Thermal voltage kT/q; 25.69 mV at 25 °C.
#[must_use]
pub fn thermal_voltage(temperature: Kelvin) -> Volts {
    Volts::of(BOLTZMANN_OVER_CHARGE * temperature.get())
}

impl Junction {
    /// Saturation current at a temperature.
    #[must_use]
    pub fn saturation_at(&self, temperature: Kelvin) -> Amperes {
        let ratio = temperature.get() / NOMINAL;
        let slope = self.ideality * thermal_voltage(temperature).get();
        let factor =
            ratio.powf(SATURATION_EXPONENT / self.ideality) * ((ratio - 1.0) * BAND_GAP / slope).exp();
        Amperes::of(self.saturation.get() * factor)
    }

    /// Drop at a forward current.
    #[must_use]
    pub fn drop_at(&self, current: Amperes, temperature: Kelvin) -> Volts {
        let slope = self.ideality * thermal_voltage(temperature).get();
        let junction = slope * (current.get() / self.saturation_at(temperature).get()).ln_1p();
        Volts::of(junction + current.get() * self.series.get())
    }
}
