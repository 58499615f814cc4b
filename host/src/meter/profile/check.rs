//! Whether a profile can be that of a meter: each number within what meters have, and settings that go together.

use std::{fmt::Display, ops::RangeInclusive, time::Duration};

use super::{DiodeSource, DiodeTest, Profile, ProfileError, Talk, Timing};
use crate::{
    meter::{DataBits, Format, LineFormat, Parity, PortSettings},
    units::Volts,
};

/// Checks everything.
///
/// # Errors
/// [`ProfileError::Field`] for the first field that cannot be.
pub(super) fn all(profile: &Profile) -> Result<(), ProfileError> {
    let check = Check { profile: &profile.name };
    check.name()?;
    check.port(&profile.port, profile.format)?;
    check.timing(&profile.timing)?;
    check.diode(&profile.diode)?;
    check.talk(&profile.talk, profile.format)?;
    check.overload_from(profile.overload_from, profile.format)?;
    check.line(profile.line.as_ref(), profile.format)
}

struct Check<'a> {
    /// Name of the profile.
    profile: &'a str,
}

impl Check<'_> {
    fn name(&self) -> Result<(), ProfileError> {
        let is_plain = |byte: u8| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-';
        let fits = !self.profile.is_empty() && self.profile.bytes().all(is_plain);
        let found = format!("{:?}", self.profile);
        self.require(fits, "name", "lower-case letters, digits and dashes", found)
    }

    fn port(&self, port: &PortSettings, format: Format) -> Result<(), ProfileError> {
        self.within("port.baud", "50 to 4000000", port.baud, 50..=4_000_000)?;
        if !matches!(format, Format::Es11 | Format::Es14) {
            return Ok(());
        }
        let fits = matches!(
            (port.data_bits, port.parity),
            (DataBits::Seven, Parity::Odd) | (DataBits::Eight, Parity::None)
        );
        let found = format!("{} bits, parity {:?}", u8::from(port.data_bits), port.parity);
        self.require(fits, "port.parity", "7 bits with odd parity, or 8 bits without", found)
    }

    fn timing(&self, timing: &Timing) -> Result<(), ProfileError> {
        let rate = timing.readings_per_second;
        self.within("timing.readings_per_second", "0.05 to 10000", rate, 0.05..=10_000.0)?;
        self.within("timing.spoilt", "at most 100 readings", timing.spoilt, 0..=100)?;
        // One reading agrees with itself: then nothing would tell a spoilt one, on a pin or on the check channel.
        let expected = "2 to 100 readings, since one alone proves nothing";
        self.within("timing.agree", expected, timing.agree, 2..=100)?;
        self.volts("timing.tolerance_volts", timing.tolerance)?;
        let delay_ms = timing.adapter_delay.as_millis();
        self.within("timing.adapter_delay_ms", "at most 1000", delay_ms, 0..=1000)
    }

    fn diode(&self, diode: &DiodeTest) -> Result<(), ProfileError> {
        self.volts("diode.overload_volts", diode.overload_above)?;
        self.volts("diode.resolution_volts", diode.resolution)?;
        self.require(
            diode.resolution.get() < diode.overload_above.get(),
            "diode.resolution_volts",
            "less than diode.overload_volts",
            diode.resolution.get().to_string(),
        )?;
        match diode.source {
            DiodeSource::ConstantCurrent { current, compliance } => {
                let expected = "more than 0 and at most 0.02 amperes";
                self.within("diode.source.amperes", expected, current.get(), f64::MIN_POSITIVE..=0.02)?;
                self.volts("diode.source.compliance_volts", compliance)
            }
            DiodeSource::BehindResistance { open_circuit, resistance } => {
                self.volts("diode.source.open_circuit_volts", open_circuit)?;
                self.within("diode.source.ohms", "1 to 10000000 ohms", resistance.get(), 1.0..=1e7)
            }
        }
    }

    fn talk(&self, talk: &Talk, format: Format) -> Result<(), ProfileError> {
        match talk {
            Talk::Streaming => Ok(()),
            Talk::Polled { poll, timeout } => {
                self.require(!poll.is_empty(), "talk.poll", "at least one character", "none".to_owned())?;
                self.timeout(*timeout)
            }
            Talk::Triggered { timeout, .. } => {
                let found = format!("kind triggered with format {}", format.name());
                let fits = format == Format::Scpi;
                self.require(fits, "talk.kind", "triggered only with format scpi", found)?;
                self.timeout(*timeout)
            }
        }
    }

    fn timeout(&self, timeout: Duration) -> Result<(), ProfileError> {
        self.within("talk.timeout_ms", "50 to 60000", timeout.as_millis(), 50..=60_000)
    }

    fn overload_from(&self, limit: Option<f64>, format: Format) -> Result<(), ProfileError> {
        let Some(limit) = limit else { return Ok(()) };
        let expected = "more than 1000, since diode readings lie below";
        self.within("overload_from", expected, limit, 1000.0..=f64::MAX)?;
        let found = format!("a limit with format {}", format.name());
        self.require(format == Format::Scpi, "overload_from", "a limit only with format scpi", found)
    }

    fn line(&self, line: Option<&LineFormat>, format: Format) -> Result<(), ProfileError> {
        let expected = "the table [line] with format line and only then";
        let found = format!("format {}", format.name());
        self.require(line.is_some() == (format == Format::Line), "line", expected, found)?;
        match line.map(LineFormat::check) {
            Some(Err((field, expected, found))) => self.require(false, field, expected, found),
            _ => Ok(()),
        }
    }

    fn volts(&self, field: &'static str, volts: Volts) -> Result<(), ProfileError> {
        self.within(field, "more than 0 and at most 20 volts", volts.get(), f64::MIN_POSITIVE..=20.0)
    }

    fn within<T: PartialOrd + Display>(
        &self,
        field: &'static str,
        expected: &'static str,
        value: T,
        range: RangeInclusive<T>,
    ) -> Result<(), ProfileError> {
        self.require(range.contains(&value), field, expected, value.to_string())
    }

    fn require(
        &self,
        holds: bool,
        field: &'static str,
        expected: &'static str,
        found: String,
    ) -> Result<(), ProfileError> {
        match holds {
            true => Ok(()),
            false => Err(ProfileError::Field { profile: self.profile.to_owned(), field, expected, found }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The shipped profile with one line replaced, and what is said about it.
    fn check(profile: &str, line: &str, replacement: &str) -> String {
        let text = crate::meter::shipped(profile).unwrap().to_toml();
        assert!(text.contains(line), "{line} is not in {text}");
        let error = Profile::from_toml(&text.replacen(line, replacement, 1)).unwrap_err();
        error.to_string()
    }

    #[test]
    fn an_error_names_the_field_and_what_was_expected_and_found() {
        for (profile, line, replacement, message) in [
            (
                "fs9721",
                "readings_per_second = 3.0",
                "readings_per_second = 0.0",
                "timing.readings_per_second of meter profile fs9721: expected 0.05 to 10000, found 0",
            ),
            (
                "fs9721",
                "name = \"fs9721\"",
                "name = \"My Meter\"",
                "name of meter profile My Meter: expected lower-case letters, digits and dashes, found \"My Meter\"",
            ),
            (
                "fs9721",
                "agree = 2",
                "agree = 1",
                "timing.agree of meter profile fs9721: expected 2 to 100 readings, since one alone proves nothing, found 1",
            ),
            (
                "es14",
                "parity = \"odd\"",
                "parity = \"even\"",
                "port.parity of meter profile es14: expected 7 bits with odd parity, or 8 bits without, found 7 bits, parity Even",
            ),
            (
                "fs9721",
                "format = \"fs9721\"",
                "format = \"line\"",
                "line of meter profile fs9721: expected the table [line] with format line and only then, found format line",
            ),
            (
                "text-lines",
                "value_column = 2",
                "value_column = 0",
                "line.value_column of meter profile text-lines: expected a column from 1 to 64, found 0",
            ),
            (
                "text-lines",
                "unit_column = 3",
                "unit_column = 2",
                "line.unit_column of meter profile text-lines: expected another column than line.value_column, found 2",
            ),
            (
                "text-lines",
                "function_column = 1",
                "function_column = 2",
                "line.function_column of meter profile text-lines: expected another column than line.value_column, found 2",
            ),
            (
                "scpi-bench",
                "amperes = 0.001",
                "amperes = 1.0",
                "diode.source.amperes of meter profile scpi-bench: expected more than 0 and at most 0.02 amperes, found 1",
            ),
        ] {
            assert_eq!(check(profile, line, replacement), message);
        }
    }
}
