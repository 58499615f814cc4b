//! What can be wrong with a practice meter, and how it is written.

use std::{fmt, str::FromStr};

use super::{Hum, MeterOptions};
use crate::{label, meter::Function, moment::Moment, units::Volts};

/// One thing that is wrong with a meter, or with its line to the host.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum MeterTrouble {
    /// `hold=SECONDS`: HOLD is pressed then.
    Hold(f64),
    /// `release=SECONDS`: HOLD is pressed again then.
    Release(f64),
    /// `asleep=SECONDS`: it switches itself off then.
    Asleep(f64),
    /// `volts`: it stands on DC voltage.
    OnVolts,
    /// `relative`: REL is on.
    Relative,
    /// `max-min`: MAX/MIN is on.
    Extreme,
    /// `low-battery`: the sign is lit.
    LowBattery,
    /// `auto-power-off`: the sign is lit.
    AutoPowerOff,
    /// `hum=VOLTS` or `hum=VOLTS@HERTZ`: its leads pick up mains hum of this amplitude.
    Hum(Hum),
    /// `steps=VOLTS`: its display moves in steps of so much, as on a range too high.
    Steps(Volts),
    /// `noise=VOLTS`: standard deviation of a conversion.
    Noise(Volts),
    /// `rate=READINGS`: it converts so often in a second.
    Rate(f64),
    /// `jitter=SHARE`: standard deviation of a conversion's length.
    Jitter(f64),
    /// `averaging=READINGS`: each reading is the mean of so many conversions.
    Averaging(u32),
    /// `lag=READINGS`: the display stays behind by so many.
    Lag(u32),
    /// `lost=SHARE`: so many of its frames are lost.
    Lost(f64),
    /// `doubled=SHARE`: so many of its frames come twice.
    Doubled(f64),
    /// `flipped=SHARE`: one bit is flipped in so many of its bytes.
    Flipped(f64),
}

/// A meter trouble could not be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "meter trouble `{}` is not known: expected hold=SECONDS, release=SECONDS, asleep=SECONDS, hum=VOLTS (or \
     hum=VOLTS@HERTZ), steps=VOLTS, noise=VOLTS, rate=READINGS, averaging=READINGS, lag=READINGS, jitter=SHARE, \
     lost=SHARE, doubled=SHARE or flipped=SHARE with a share from 0 to 1, or one of {}",
    label::shown(found),
    words()
)]
pub struct ParseMeterTroubleError {
    /// What was written.
    pub found: String,
}

/// Troubles that are a word and nothing else.
const WORDS: [(&str, MeterTrouble); 5] = [
    ("volts", MeterTrouble::OnVolts),
    ("relative", MeterTrouble::Relative),
    ("max-min", MeterTrouble::Extreme),
    ("low-battery", MeterTrouble::LowBattery),
    ("auto-power-off", MeterTrouble::AutoPowerOff),
];

/// Mains in most of the world (IEC 60038, from memory).
const MAINS_HERTZ: f64 = 50.0;

/// More readings than a meter averages or stays behind by.
const MOST_READINGS: f64 = 100.0;

/// The fastest meter (docs/facts.md 1.1: 0.02 power-line cycles).
const MOST_A_SECOND: f64 = 1000.0;

/// The slowest meter that is of any use.
const FEWEST_A_SECOND: f64 = 0.01;

/// Longer than any practice lasts.
const MOST_SECONDS: f64 = 1e6;

impl MeterTrouble {
    /// Does it to a meter.
    pub fn befall(self, options: &mut MeterOptions) {
        match self {
            Self::Hold(seconds) => options.hold_from = Some(after(seconds)),
            Self::Release(seconds) => options.hold_until = Some(after(seconds)),
            Self::Asleep(seconds) => options.silent_from = Some(after(seconds)),
            Self::OnVolts => options.function = Function::DcVoltage,
            Self::Relative => options.relative = true,
            Self::Extreme => options.extreme = true,
            Self::LowBattery => options.low_battery = true,
            Self::AutoPowerOff => options.auto_power_off = true,
            Self::Hum(hum) => options.hum = Some(hum),
            Self::Steps(volts) => options.steps = Some(volts),
            Self::Noise(volts) => options.noise = volts,
            Self::Rate(readings) => options.readings_per_second = readings,
            Self::Jitter(share) => options.jitter = share,
            Self::Averaging(readings) => options.averaging = readings,
            Self::Lag(readings) => options.lag = readings,
            Self::Lost(share) => options.lost = share,
            Self::Doubled(share) => options.doubled = share,
            Self::Flipped(share) => options.flipped = share,
        }
    }
}

impl FromStr for MeterTrouble {
    type Err = ParseMeterTroubleError;

    fn from_str(found: &str) -> Result<Self, ParseMeterTroubleError> {
        read(found.trim()).ok_or_else(|| ParseMeterTroubleError { found: found.trim().to_owned() })
    }
}

impl fmt::Display for MeterTrouble {
    /// As it is written on the command line.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = match self {
            Self::Hold(seconds) => format!("hold={seconds}"),
            Self::Release(seconds) => format!("release={seconds}"),
            Self::Asleep(seconds) => format!("asleep={seconds}"),
            Self::Hum(Hum { amplitude, hertz }) => format!("hum={}@{hertz}", amplitude.get()),
            Self::Steps(volts) => format!("steps={}", volts.get()),
            Self::Noise(volts) => format!("noise={}", volts.get()),
            Self::Rate(readings) => format!("rate={readings}"),
            Self::Jitter(share) => format!("jitter={share}"),
            Self::Averaging(readings) => format!("averaging={readings}"),
            Self::Lag(readings) => format!("lag={readings}"),
            Self::Lost(share) => format!("lost={share}"),
            Self::Doubled(share) => format!("doubled={share}"),
            Self::Flipped(share) => format!("flipped={share}"),
            word => {
                let known = WORDS.iter().find(|(_, trouble)| trouble == word);
                known.map_or_else(String::new, |(text, _)| (*text).to_owned())
            }
        };
        f.pad(&text)
    }
}

fn read(text: &str) -> Option<MeterTrouble> {
    if let Some(&(_, trouble)) = WORDS.iter().find(|(word, _)| *word == text) {
        return Some(trouble);
    }
    let (word, value) = text.split_once('=')?;
    let (value, hertz) = match value.split_once('@') {
        Some((value, hertz)) => (value, Some(number(hertz)?)),
        None => (value, None),
    };
    let value = number(value)?;
    let share = || Some(value).filter(|share| *share <= 1.0);
    let seconds = || Some(value).filter(|seconds| *seconds <= MOST_SECONDS);
    let readings = || {
        Some(value).filter(|value| value.fract() == 0.0 && *value <= MOST_READINGS).map(|value| value as u32)
    };
    let volts = || Volts::new(value);
    Some(match (word.trim(), hertz) {
        ("hum", hertz) => MeterTrouble::Hum(Hum { amplitude: volts()?, hertz: hertz.unwrap_or(MAINS_HERTZ) }),
        (_, Some(_)) => return None,
        ("hold", _) => MeterTrouble::Hold(seconds()?),
        ("release", _) => MeterTrouble::Release(seconds()?),
        ("asleep", _) => MeterTrouble::Asleep(seconds()?),
        ("steps", _) if value > 0.0 => MeterTrouble::Steps(volts()?),
        ("noise", _) => MeterTrouble::Noise(volts()?),
        ("rate", _) if (FEWEST_A_SECOND..=MOST_A_SECOND).contains(&value) => MeterTrouble::Rate(value),
        ("averaging", _) if value >= 1.0 => MeterTrouble::Averaging(readings()?),
        ("lag", _) => MeterTrouble::Lag(readings()?),
        // Conversions that differ more would last no time at all now and then.
        ("jitter", _) if value <= 0.2 => MeterTrouble::Jitter(value),
        ("lost", _) => MeterTrouble::Lost(share()?),
        ("doubled", _) => MeterTrouble::Doubled(share()?),
        ("flipped", _) => MeterTrouble::Flipped(share()?),
        _ => return None,
    })
}

/// A number that is not below zero.
fn number(text: &str) -> Option<f64> {
    text.trim().parse::<f64>().ok().filter(|value| value.is_finite() && *value >= 0.0)
}

fn after(seconds: f64) -> Moment {
    // Bounded when it was read, so that it fits.
    Moment::from_micros((seconds.clamp(0.0, MOST_SECONDS) * 1e6) as u64)
}

fn words() -> String {
    WORDS.iter().map(|(word, _)| *word).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::meter;

    #[test]
    fn troubles_go_to_text_and_back() {
        let written = ["hold=10", "release=20.5", "asleep=0", "hum=0.05@60", "steps=0.01", "noise=0.001"]
            .into_iter()
            .chain([
                "rate=1.5",
                "jitter=0.05",
                "averaging=3",
                "lag=4",
                "lost=0.02",
                "doubled=1",
                "flipped=0.005",
            ])
            .chain(WORDS.iter().map(|(word, _)| *word));
        for text in written {
            assert_eq!(text.parse::<MeterTrouble>().unwrap().to_string(), text);
        }
        assert_eq!("hum=0.1".parse::<MeterTrouble>().unwrap().to_string(), "hum=0.1@50");
        for text in
            ["", "hold", "hold=-1", "hold=1@50", "lost=1.1", "lag=1.5", "rate=0", "steps=0", "volts=1"]
        {
            let error = text.parse::<MeterTrouble>().unwrap_err();
            assert_eq!(error.found, text);
        }
        for text in ["hum=x", "hum=1@", "noise=NaN", "rate=inf", "averaging=0", "jitter=0.5", "hold=1e9"] {
            assert!(text.parse::<MeterTrouble>().is_err(), "{text}");
        }
    }

    #[test]
    fn each_trouble_changes_the_meter() {
        let sound = MeterOptions::of(&meter::shipped("fs9721").unwrap());
        let written =
            ["hold=1", "release=1", "asleep=1", "hum=1", "steps=1", "noise=1", "rate=1", "jitter=0.1"];
        let more = ["averaging=9", "lag=1", "lost=1", "doubled=1", "flipped=1"];
        let words = WORDS.iter().map(|(word, _)| *word);
        for text in written.into_iter().chain(more).chain(words) {
            let mut options = sound.clone();
            text.parse::<MeterTrouble>().unwrap().befall(&mut options);
            assert_ne!(options, sound, "{text}");
        }
    }
}
