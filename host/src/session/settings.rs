//! Settings of a session, as they stand in the header of its log.

use serde::{Deserialize, Serialize};

use crate::{compare::Assumptions, connector::PinName, repair::RepairNotes, units::Volts};

/// What can be set for a sweep and its judgement.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Pins that were repaired: visited first, in this order.
    pub repaired: Vec<PinName>,
    /// Time from closing a channel to reading, beyond the make time of the switch, in µs.
    pub settle_us: u32,
    /// Why the operator goes on although the board shows signs of life; `None` if the sweep must stop then.
    pub override_alive: Option<String>,
    /// Standard deviation assumed between good boards, in volts; the engine's default where `None`.
    pub assumed_spread: Option<Volts>,
    /// Share of good boards that may be flagged; the engine's default where `None`.
    pub false_alarms: Option<f64>,
    /// The pins are probed by hand: readings are paired by touches, not by channels.
    #[serde(default, skip_serializing_if = "is_false")]
    pub by_hand: bool,
    /// What was noted of the pins before the repair, and what to test once the board has power.
    #[serde(default, skip_serializing_if = "RepairNotes::is_empty")]
    pub repair: RepairNotes,
    /// The batch to which the sweep belongs, if it belongs to one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub batch: Option<BatchPlace>,
}

/// Where in a batch a sweep stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BatchPlace {
    /// Names the batch.
    pub name: String,
    /// The board, counted from 1 in the order in which boards came.
    pub place: u32,
    /// How often this connector of the board has been swept, with this time.
    pub attempt: u32,
}

impl Default for Settings {
    fn default() -> Self {
        // A reed contact rings for up to 2 ms after it has closed (docs/facts.md 2.3): 3 ms serves every switch.
        Self {
            repaired: Vec::new(),
            settle_us: 3000,
            override_alive: None,
            assumed_spread: None,
            false_alarms: None,
            batch: None,
            by_hand: false,
            repair: RepairNotes::default(),
        }
    }
}

impl Settings {
    /// Reads the settings from the header of a log.
    ///
    /// # Errors
    /// What was expected and found, in words.
    pub fn from_value(value: &serde_json::Value) -> Result<Self, String> {
        let settings = Self::deserialize(value).map_err(|error| error.to_string())?;
        match settings.false_alarms {
            Some(share) if !(share > 0.0 && share < 1.0) => {
                Err(format!("expected false_alarms between 0 and 1, found {share}"))
            }
            _ => Ok(settings),
        }
    }

    /// The settings as they stand in the header of a log.
    #[must_use]
    pub fn to_value(&self) -> serde_json::Value {
        // Texts, numbers and lists of them always have a JSON form.
        serde_json::to_value(self).unwrap_or_default()
    }

    /// What the engine assumes.
    #[must_use]
    pub fn assumptions(&self) -> Assumptions {
        let mut assumptions = Assumptions::default();
        if let Some(spread) = self.assumed_spread {
            assumptions.spread = spread;
        }
        if let Some(share) = self.false_alarms {
            assumptions.false_alarms = share;
        }
        assumptions
    }
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde passes fields by reference")]
const fn is_false(value: &bool) -> bool {
    !*value
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_survive_their_log() {
        let settings = Settings {
            repaired: vec![PinName::new("A4")],
            override_alive: Some("bench supply checked".into()),
            assumed_spread: Volts::new(0.004),
            false_alarms: Some(0.02),
            batch: Some(BatchPlace { name: "May".into(), place: 3, attempt: 1 }),
            ..Settings::default()
        };
        assert_eq!(Settings::from_value(&settings.to_value()), Ok(settings));
    }

    #[test]
    fn settings_that_make_no_sense_are_refused() {
        let mut value = Settings::default().to_value();
        value["false_alarms"] = 2.0.into();
        assert!(Settings::from_value(&value).is_err());
        assert!(Settings::from_value(&serde_json::Value::Null).is_err());
    }
}
