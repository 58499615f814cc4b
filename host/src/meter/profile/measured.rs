//! What was measured, written into a profile's text; the rest of it stays as it is, comments included.

use std::time::Duration;

use toml_edit::{DocumentMut, Item, Value};

use super::{Profile, ProfileError};

/// Figures of `[timing]` that were measured on the meter itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// Readings that a step spoils.
    pub spoilt: u8,
    /// Readings a second, where they show.
    pub readings_per_second: Option<f64>,
    /// How long the adapter holds bytes back; a measurement shows at least so much of it, so it only ever raises what
    /// the profile says.
    pub adapter_delay: Duration,
}

impl Measured {
    /// The text of a profile with these figures, under another name if one is given.
    ///
    /// # Errors
    /// [`ProfileError`] if the text is no profile, or is none any more.
    pub fn write_into(&self, text: &str, name: Option<&str>) -> Result<String, ProfileError> {
        let known = Profile::from_toml(text)?;
        // The text has just been read as TOML; a second reader that disagrees is told as such.
        let mut document: DocumentMut = text
            .parse()
            .map_err(|error: toml_edit::TomlError| ProfileError::Edit(error.message().to_owned()))?;
        if let Some(name) = name {
            set(&mut document["name"], name.into());
        }
        let timing = &mut document["timing"];
        if !timing.is_table_like() {
            // A list of the figures in their order is read as well, and has no names to find them by.
            return Err(ProfileError::Edit("expected a table [timing], found a list".to_owned()));
        }
        set(&mut timing["spoilt"], i64::from(self.spoilt).into());
        if let Some(rate) = self.readings_per_second {
            set(&mut timing["readings_per_second"], rounded(rate).into());
        }
        if self.adapter_delay > known.timing.adapter_delay {
            let ms = self.adapter_delay.as_micros().div_ceil(1000);
            set(&mut timing["adapter_delay_ms"], i64::try_from(ms).unwrap_or(i64::MAX).into());
        }
        let text = document.to_string();
        Profile::from_toml(&text).map(|_| text)
    }
}

/// Three digits: a meter's rate is no better known.
fn rounded(rate: f64) -> f64 {
    format!("{rate:.2e}").parse().unwrap_or(rate)
}

/// Changes a value and keeps what stands around it, such as a comment behind it.
fn set(item: &mut Item, mut value: Value) {
    if let Some(old) = item.as_value() {
        *value.decor_mut() = old.decor().clone();
    }
    *item = Item::Value(value);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::meter::{profile::shipped_text, shipped};

    const MEASURED: Measured = Measured {
        spoilt: 3,
        readings_per_second: Some(2.987_654),
        adapter_delay: Duration::from_micros(20_300),
    };

    #[test]
    fn only_what_was_measured_changes() {
        let text = shipped_text("fs9721").unwrap().replace("spoilt = 1", "spoilt = 1   # from the sheet");
        let changed = MEASURED.write_into(&text, None).unwrap();
        let differ: Vec<_> = text.lines().zip(changed.lines()).filter(|(old, new)| old != new).collect();
        assert_eq!(
            differ,
            [
                ("readings_per_second = 3.0", "readings_per_second = 2.99"),
                ("spoilt = 1   # from the sheet", "spoilt = 3   # from the sheet"),
                ("adapter_delay_ms = 16", "adapter_delay_ms = 21"),
            ]
        );
        assert_eq!(text.lines().count(), changed.lines().count());
    }

    #[test]
    fn every_shipped_profile_can_take_its_measurement() {
        for profile in Profile::all_shipped() {
            let text = shipped_text(&profile.name).unwrap();
            let changed = Profile::from_toml(&MEASURED.write_into(text, Some("mine")).unwrap()).unwrap();
            assert_eq!((changed.name.as_str(), changed.timing.spoilt), ("mine", 3));
            assert_eq!(
                (changed.diode, changed.port, changed.talk),
                (profile.diode, profile.port, profile.talk)
            );
        }
    }

    #[test]
    fn an_adapter_that_was_quick_this_time_may_be_slow_the_next() {
        let quick = Measured { adapter_delay: Duration::ZERO, readings_per_second: None, ..MEASURED };
        let changed =
            Profile::from_toml(&quick.write_into(shipped_text("d14").unwrap(), None).unwrap()).unwrap();
        let known = shipped("d14").unwrap();
        assert_eq!(changed.timing.adapter_delay, known.timing.adapter_delay);
        assert!(changed.timing.readings_per_second.to_bits() == known.timing.readings_per_second.to_bits());
    }

    /// It is read as a profile, and broke the program when it was written into.
    #[test]
    fn a_list_in_place_of_a_table_is_refused() {
        let text = shipped_text("d14").unwrap();
        let (before, rest) = text.split_once("[timing]").unwrap();
        let (_, behind) = rest.split_once("\n[").unwrap();
        let text = format!("timing = [2.5, 1, 2, 0.002, 16]\n{before}\n[{behind}");
        Profile::from_toml(&text).unwrap();
        let error = MEASURED.write_into(&text, None).unwrap_err();
        assert!(error.to_string().contains("found a list"), "{error}");
    }

    #[test]
    fn what_is_no_profile_is_refused() {
        assert!(MEASURED.write_into("spoilt = 1", None).is_err());
        assert!(MEASURED.write_into("][", None).is_err());
    }
}
