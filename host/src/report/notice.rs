//! What a batch noticed, in words: what is suspected, on what evidence, and what to check next.

use super::name;
use crate::{
    batch::{Common, Notice, Suspicion},
    connector::{Connector, Wiring},
};

/// A notice in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NoticeText {
    /// What is suspected, on what evidence.
    pub what: String,
    /// What to check next.
    pub next: String,
}

/// Says what a batch noticed. With a wiring, the channel of a pin is named.
#[must_use]
pub fn notice(connector: &Connector, wiring: Option<&Wiring>, notice: &Notice) -> NoticeText {
    let place = |pin: usize| {
        let channel = wiring.and_then(|wiring| wiring.channels().get(pin));
        let channel = channel.map_or_else(String::new, |channel| format!(", channel {channel}"));
        format!("pin {}{channel}", name(connector, pin))
    };
    match notice.what {
        Suspicion::PinDrifts { pin, by, since, chart } => NoticeText {
            what: format!(
                "{}: sound boards read {} than the first ones, since about board {since} of the batch ({chart})",
                place(pin),
                moved(by.get())
            ),
            next: if by.get() > 0.0 {
                format!(
                    "clean or replace the contact of {}, then zero the jig on its shorting plate: a channel that wears shows there",
                    place(pin)
                )
            } else {
                format!("test the jig on an open plate at {}: a leaking channel shows there", place(pin))
            },
        },
        Suspicion::AllDrift { what: Common::Shift, by, since, chart } => NoticeText {
            what: format!(
                "all pins together read {} than on the first boards, since about board {since} of the batch ({chart})",
                moved(by)
            ),
            next: "read a known resistor with the meter in diode test; look at its battery, its leads, the ground clip, and the temperature of the room"
                .to_owned(),
        },
        Suspicion::AllDrift { what: Common::Slope, by, since, chart } => NoticeText {
            what: format!(
                "all pins read {:.1} % {} of their drop than on the first boards, since about board {since} of the batch ({chart})",
                by.abs() * 100.0,
                if by > 0.0 { "more" } else { "less" }
            ),
            next: "read a known resistor with the meter in diode test: its scale or its test current has moved"
                .to_owned(),
        },
        Suspicion::KeepsFailing { pin, failed, of, chance } => NoticeText {
            what: format!(
                "{}: failed on {failed} of the last {of} boards; if it failed as often as the other pins, the chance of that would be {}",
                place(pin),
                chance_in_words(chance)
            ),
            next: format!(
                "zero the jig on its shorting plate and look at {}: if the plate reads well there, the boards share the fault",
                place(pin)
            ),
        },
    }
}

fn moved(volts: f64) -> String {
    format!("{:.1} mV {}", volts.abs() * 1e3, if volts > 0.0 { "more" } else { "less" })
}

/// A small probability as one in so many, rounded to one digit.
fn chance_in_words(chance: f64) -> String {
    if chance >= 0.01 {
        return format!("{:.0} %", chance * 100.0);
    }
    let many = 1.0 / chance.max(1e-9);
    let scale = 10f64.powf(many.log10().floor());
    format!("1 in {:.0}", (many / scale).round() * scale)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{batch::Chart, connector::Pin, units::Volts};

    #[test]
    fn notices_say_what_and_what_next() {
        let connector = Connector { name: "J5".into(), pins: vec![Pin::named("B8")] };
        let say = |what| {
            let found = Notice { at: 137, board: "T137".into(), when: "2031-05-06T08:00:00Z".into(), what };
            notice(&connector, None, &found)
        };
        let wears = say(Suspicion::PinDrifts {
            pin: 0,
            by: Volts::of(0.0064),
            since: 127,
            chart: Chart::MovingAverage,
        });
        assert_eq!(
            wears.what,
            "pin B8: sound boards read 6.4 mV more than the first ones, since about board 127 of the batch (moving average)"
        );
        let fails = say(Suspicion::KeepsFailing { pin: 0, failed: 4, of: 4, chance: 6.6e-8 });
        assert_eq!(
            fails.what,
            "pin B8: failed on 4 of the last 4 boards; if it failed as often as the other pins, the chance of that would be 1 in 20000000"
        );
        let scale = say(Suspicion::AllDrift {
            what: Common::Slope,
            by: -0.0124,
            since: 9,
            chart: Chart::CumulativeSum,
        });
        assert!(scale.what.starts_with("all pins read 1.2 % less of their drop"), "{}", scale.what);
    }
}
