//! Physical quantities as types, so that a current is never taken for a voltage.
//!
//! The values are finite by construction: nothing that enters Pintally may be NaN or infinite; a value that
//! is not there is a [`NoValue`](crate::meter::NoValue) or an [`Unread`](crate::readings::Unread).

use std::fmt;

use serde::{Deserialize, Serialize};

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(try_from = "f64", into = "f64")]
        pub struct $name(f64);

        impl $name {
            /// Nothing.
            pub const ZERO: Self = Self(0.0);

            /// Takes a value; `None` unless it is finite.
            #[must_use]
            pub const fn new(value: f64) -> Option<Self> {
                if value.is_finite() { Some(Self(value)) } else { None }
            }

            /// Takes a value and replaces what is not finite by zero: for constants and for results whose
            /// formula cannot leave the finite range.
            #[must_use]
            pub const fn of(value: f64) -> Self {
                if value.is_finite() { Self(value) } else { Self::ZERO }
            }

            #[doc = concat!("The value in ", $unit, ".")]
            #[must_use]
            pub const fn get(self) -> f64 {
                self.0
            }
        }

        impl TryFrom<f64> for $name {
            type Error = NotFinite;
            fn try_from(value: f64) -> Result<Self, NotFinite> {
                Self::new(value).ok_or(NotFinite)
            }
        }

        impl From<$name> for f64 {
            fn from(quantity: $name) -> Self {
                quantity.0
            }
        }
    };
}

/// A value was NaN or infinite.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("expected a finite number, found NaN or infinity")]
pub struct NotFinite;

quantity!(
    /// A voltage in volts.
    Volts,
    "volts"
);
quantity!(
    /// A resistance in ohms.
    Ohms,
    "ohms"
);
quantity!(
    /// A current in amperes.
    Amperes,
    "amperes"
);
quantity!(
    /// A temperature in kelvin.
    Kelvin,
    "kelvin"
);

impl Kelvin {
    /// 25 °C, where most data sheets state their values.
    pub const ROOM: Self = Self(298.15);

    /// From degrees Celsius; `None` unless finite.
    #[must_use]
    pub const fn from_celsius(celsius: f64) -> Option<Self> {
        Self::new(celsius + 273.15)
    }
}

impl fmt::Display for Volts {
    /// Three decimals, as a meter in diode test shows it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let decimals = f.precision().unwrap_or(3);
        // A reading that rounds to zero must not print as `-0.000`.
        let value = if self.0.abs() < 0.5 * 10f64.powi(-(decimals as i32)) { 0.0 } else { self.0 };
        // Not `pad`: it would cut the text to the precision.
        let text = format!("{value:.decimals$}");
        match f.width() {
            Some(width) => write!(f, "{text:>width$}"),
            None => f.write_str(&text),
        }
    }
}

impl fmt::Display for Ohms {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let v = self.0;
        let text = match v.abs() {
            a if a >= 999_500.0 => format!("{:.2} Mohm", v / 1e6),
            a if a >= 9_995.0 => format!("{:.1} kohm", v / 1e3),
            a if a >= 999.5 => format!("{:.2} kohm", v / 1e3),
            a if a >= 9.95 => format!("{v:.0} ohm"),
            _ => format!("{v:.1} ohm"),
        };
        f.pad(&text)
    }
}

impl fmt::Display for Amperes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&format!("{:.2} mA", self.0 * 1e3))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quantity_is_finite() {
        assert_eq!(Volts::new(f64::NAN), None);
        assert_eq!(Ohms::new(f64::INFINITY), None);
        assert_eq!(Volts::of(f64::NAN), Volts::ZERO);
    }

    #[test]
    fn shows_values_as_a_technician_writes_them() {
        for (shown, expected) in [
            (Volts::of(0.5432).to_string(), "0.543"),
            (Volts::of(-0.0002).to_string(), "0.000"),
            (format!("{:.4}", Volts::of(0.6093)), "0.6093"),
            (format!("{:7}", Volts::of(0.6093)), "  0.609"),
            (Ohms::of(4.71).to_string(), "4.7 ohm"),
            (Ohms::of(145.3).to_string(), "145 ohm"),
            (Ohms::of(4700.0).to_string(), "4.70 kohm"),
            (Ohms::of(47_000.0).to_string(), "47.0 kohm"),
            (Amperes::of(0.0005).to_string(), "0.50 mA"),
        ] {
            assert_eq!(shown, expected);
        }
    }
}
