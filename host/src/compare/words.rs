//! Verdicts, kinds and placements by name in files, and in words for people.

use std::fmt;

use super::{Difference, Doubt, Kind, Placement, Verdict};

impl Verdict {
    /// Whether the board matches.
    #[must_use]
    pub const fn matches(&self) -> bool {
        matches!(self, Self::Matches { .. })
    }

    /// The name in files: `matches`, `differs` or `inconclusive`.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::Matches { .. } => "matches",
            Self::Differs(_) => "differs",
            Self::Inconclusive(_) => "inconclusive",
        }
    }
}

impl Kind {
    /// Every kind.
    pub const ALL: [Self; 7] = [
        Self::OpenJoint,
        Self::ShortToGround,
        Self::Bridge,
        Self::HighResistanceJoint,
        Self::Leakage,
        Self::Swapped,
        Self::MissingPart,
    ];

    /// The name in files: `open_joint`, `short_to_ground`, ...
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::OpenJoint => "open_joint",
            Self::ShortToGround => "short_to_ground",
            Self::Bridge => "bridge",
            Self::HighResistanceJoint => "high_resistance_joint",
            Self::Leakage => "leakage",
            Self::Swapped => "swapped",
            Self::MissingPart => "missing_part",
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::OpenJoint => "open joint",
            Self::ShortToGround => "short to ground",
            Self::Bridge => "bridge",
            Self::HighResistanceJoint => "high-resistance joint",
            Self::Leakage => "leakage to ground",
            Self::Swapped => "swapped",
            Self::MissingPart => "missing part",
        })
    }
}

impl Placement {
    /// The name in files: `leads_reversed`, `shifted`, ...
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::LeadsReversed => "leads_reversed",
            Self::Shifted { .. } => "shifted",
            Self::Turned => "turned",
            Self::NoContact => "no_contact",
            Self::PoorGroundContact => "poor_ground_contact",
            Self::Powered => "powered",
            Self::OtherMeterMode => "other_meter_mode",
            Self::OtherConnector => "other_connector",
            Self::OffTogether => "off_together",
        }
    }
}

impl fmt::Display for Placement {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::LeadsReversed => f.pad("the leads are reversed"),
            Self::Shifted { by } => {
                let (count, way) = (by.unsigned_abs(), if *by > 0 { "higher" } else { "lower" });
                let plural = if count == 1 { "" } else { "s" };
                f.pad(&format!("the connector is seated {count} position{plural} off, towards {way} numbers"))
            }
            Self::Turned => f.pad("the connector is turned by 180 degrees"),
            Self::NoContact => f.pad("hardly any pin makes contact"),
            Self::PoorGroundContact => f.pad("all pins are raised alike"),
            Self::Powered => f.pad("the board holds charge or has power"),
            Self::OtherMeterMode => f.pad("the meter is not in diode test"),
            Self::OtherConnector => f.pad("the readings belong to another connector"),
            Self::OffTogether => {
                f.pad("most readings are off by more than temperature or another meter explains")
            }
        }
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let plural = |n: usize| if n == 1 { "" } else { "s" };
        let not_read = |n: usize| match n {
            0 => String::new(),
            1 => "; 1 pin was not read".to_owned(),
            n => format!("; {n} pins were not read"),
        };
        let text = match self {
            Self::Matches { pins } => format!("matches: all {pins} pins are within their limits"),
            Self::Differs(Difference::Faults { count, unexplained: 0, unread }) => {
                format!(
                    "differs: {count} fault{} explain{} the readings{}",
                    plural(*count),
                    if *count == 1 { "s" } else { "" },
                    not_read(*unread)
                )
            }
            Self::Differs(Difference::Faults { count, unexplained, unread }) => {
                format!(
                    "differs: at least {count} fault{}, and {unexplained} pin{} that none of them explains{}",
                    plural(*count),
                    plural(*unexplained),
                    not_read(*unread)
                )
            }
            Self::Differs(Difference::Placement(placement)) => format!("differs: {placement}"),
            Self::Differs(Difference::Unexplained { pins, unread }) => {
                format!(
                    "differs: {pins} pin{} outside the limits, and no fault explains {}{}",
                    plural(*pins),
                    if *pins == 1 { "it" } else { "them" },
                    not_read(*unread)
                )
            }
            Self::Inconclusive(Doubt::Unread { pins }) => {
                format!("inconclusive: {pins} pin{} without a reading", plural(*pins))
            }
            Self::Inconclusive(Doubt::NoReference { pins }) => {
                format!("inconclusive: {pins} pin{} without a reference", plural(*pins))
            }
            Self::Inconclusive(Doubt::OtherMeter) => "inconclusive: all pins are within their limits if the test current \
                 is another than the reference's; tell the current of the meter, or judge several boards together"
                .to_owned(),
            Self::Inconclusive(Doubt::Weak { pins }) => {
                format!("inconclusive: {pins} pin{} near the limit, too little to condemn", plural(*pins))
            }
        };
        f.pad(&text)
    }
}
