//! What is said, in words: one sentence an action, with what to touch, what is expected and what was seen.

use super::{Action, How, Known};
use crate::{
    connector::PinName,
    readings::{PinValue, Unread},
};

/// The sentence that goes with an action.
#[must_use]
pub fn sentence(action: &Action, names: &[PinName]) -> String {
    let name = |pin: usize| names.get(pin).map_or("?", PinName::as_str);
    match action {
        Action::Ask { pin, expected: Some(PinValue::Overload) } => {
            format!("hold {} and press the key or foot switch: expected OL", name(*pin))
        }
        Action::Ask { pin, expected: Some(value) } => format!("touch {}: expected {value}", name(*pin)),
        Action::Ask { pin, expected: None } => format!("touch {}", name(*pin)),
        Action::Took { result, how } => {
            let (pin, value) = (name(result.pin), result.value);
            match how {
                How::Fits => format!("{pin} {value} taken"),
                How::Unjudged => format!("{pin} {value} taken, with nothing to compare it with"),
                How::Differs if value == PinValue::Overload => format!("{pin} taken as open: OL, it differs"),
                How::Differs => format!("{pin} {value} taken: it differs"),
                How::Skipped => match value {
                    PinValue::Unread(Unread::Skipped) => format!("{pin} passed over"),
                    _ => format!("{pin} {value} passed over"),
                },
            }
        }
        Action::Again { pin, expected: PinValue::Overload, seen, neighbour, .. } => {
            let whose = neighbour
                .map_or_else(String::new, |other| format!(", which its neighbour {} reads", name(other)));
            format!(
                "{0} differs: expected OL, seen {seen}{whose}; hold {0} again, and press the key or foot switch if \
                 nothing shows",
                name(*pin)
            )
        }
        Action::Again { pin, expected, seen, neighbour: None, .. } => {
            format!("{} differs: expected {expected}, seen {seen}; touch {} again", name(*pin), name(*pin))
        }
        Action::Again { pin, expected, seen, neighbour: Some(other), touches } => {
            let look = if *touches > 1 { "look where the tip stands, then touch" } else { "touch" };
            format!(
                "{} differs: expected {expected}, seen {seen}, which fits its neighbour {} far better; {look} {} again",
                name(*pin),
                name(*other),
                name(*pin)
            )
        }
        Action::Either { pin, seen, neighbour, .. } => format!(
            "{0} reads {seen}, but so does its neighbour {1}; touch {0} again",
            name(*pin),
            name(*neighbour)
        ),
        Action::Unsettled { pin } => {
            format!(
                "the reading at {0} never settled and was not taken; lift, then touch {0} again",
                name(*pin)
            )
        }
        Action::Prove { pin, known, once_more: false } => {
            format!("nothing seen at {}: prove the probe, touch {}", name(*pin), place(known, names))
        }
        Action::Prove { pin, known, once_more: true } => format!(
            "nothing seen at {}, but a slip would look the same: once more, prove the probe, touch {}",
            name(*pin),
            place(known, names)
        ),
        Action::NotProof { pin, seen } => {
            format!("seen {seen}, which is not what was asked for; touch {} again", name(*pin))
        }
        Action::Proven { pin } => format!(
            "the probe reads; hold it on {} again: if nothing shows, press the key or foot switch to take it as open",
            name(*pin)
        ),
        Action::Dead { known } => format!(
            "nothing seen at {} either; clean the tip, then check the clip of the red lead, the leads and the meter",
            place(known, names)
        ),
        Action::Confirming { pin } => format!("hold {}, the meter must agree that nothing shows", name(*pin)),
        Action::ShowsNumber => {
            "the meter shows a number, so nothing is open here; lift the probe and touch the pin again"
                .to_owned()
        }
        Action::Undone { pin } => format!("{} taken back", name(*pin)),
        Action::NothingBefore => "there is nothing before this".to_owned(),
        Action::Guard(guard) => format!("meter: {guard}; {}", guard.remedy()),
        Action::GuardGone => "meter: its display can be read again".to_owned(),
        Action::Alive { pin, sign } => format!("the board is alive at {}: {sign}", name(*pin)),
        Action::MeterSilent { waited } => format!(
            "the meter has said nothing for {} s: is it on, in diode test, and sending?",
            waited.as_secs()
        ),
        Action::Paused => "paused: nothing is taken until you go on (g)".to_owned(),
        Action::Done => "all pins are done".to_owned(),
    }
}

/// What a speech program says: the pin to touch, letters and digits apart; `None` where nothing need be said.
#[must_use]
pub fn spoken(action: &Action, names: &[PinName]) -> Option<String> {
    let name = |pin: usize| names.get(pin).map(|name| apart(name.as_str()));
    match action {
        Action::Ask { pin, expected: Some(PinValue::Overload) } => Some(format!("hold {}", name(*pin)?)),
        Action::Ask { pin, .. } => name(*pin),
        Action::Again { pin, neighbour: None, .. } | Action::Unsettled { pin } => {
            Some(format!("{} again", name(*pin)?))
        }
        Action::Again { pin, neighbour: Some(other), .. } | Action::Either { pin, neighbour: other, .. } => {
            Some(format!("that looks like {}, touch {} again", name(*other)?, name(*pin)?))
        }
        Action::Prove { known: Known::Pin { pin, .. }, .. } => {
            Some(format!("nothing. prove at {}", name(*pin)?))
        }
        Action::Prove { known: Known::GroundClip, .. } => {
            Some("nothing. prove at the ground clip".to_owned())
        }
        Action::Proven { pin } => Some(format!("hold {}", name(*pin)?)),
        Action::NotProof { pin, .. } => Some(format!("{} again", name(*pin)?)),
        Action::Guard(guard) if guard.blocks() => Some(guard.remedy().to_owned()),
        Action::Alive { .. } => Some("stop. the board is alive".to_owned()),
        Action::Dead { .. } => Some("nothing there either. check the probe".to_owned()),
        Action::Done => Some("all pins are done".to_owned()),
        _ => None,
    }
}

fn place(known: &Known, names: &[PinName]) -> String {
    match known {
        Known::Pin { pin, value, .. } => {
            format!("{}, which reads {value}", names.get(*pin).map_or("?", PinName::as_str))
        }
        Known::GroundClip => "the clip of the red lead, which reads 0.000".to_owned(),
    }
}

/// `A12` as `A 12`, so that no speech program makes a word of it.
fn apart(name: &str) -> String {
    let mut out = String::with_capacity(name.len() + 1);
    let mut last = None;
    for c in name.chars() {
        if last.is_some_and(|last: char| last.is_ascii_digit() != c.is_ascii_digit()) {
            out.push(' ');
        }
        out.push(c);
        last = Some(c);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Volts;

    #[test]
    fn sentences_say_what_to_touch_what_is_expected_and_what_was_seen() {
        let names = ["A4", "A5"].map(PinName::new);
        let volts = |value| PinValue::Volts(Volts::of(value));
        for (action, said) in [
            (Action::Ask { pin: 1, expected: Some(volts(0.447)) }, "touch A5: expected 0.447"),
            (
                Action::Again {
                    pin: 1,
                    expected: volts(0.447),
                    seen: volts(0.61),
                    neighbour: Some(0),
                    touches: 1,
                },
                "A5 differs: expected 0.447, seen 0.610, which fits its neighbour A4 far better; touch A5 again",
            ),
            (
                Action::Either { pin: 1, seen: volts(0.61), neighbour: 0, touches: 1 },
                "A5 reads 0.610, but so does its neighbour A4; touch A5 again",
            ),
            (
                Action::Prove {
                    pin: 1,
                    known: Known::Pin { pin: 0, value: Volts::ZERO, limit: Volts::of(0.01) },
                    once_more: false,
                },
                "nothing seen at A5: prove the probe, touch A4, which reads 0.000",
            ),
            (
                Action::Prove { pin: 1, known: Known::GroundClip, once_more: true },
                "nothing seen at A5, but a slip would look the same: once more, prove the probe, touch the clip of the \
                 red lead, which reads 0.000",
            ),
        ] {
            assert_eq!(sentence(&action, &names), said);
        }
    }

    #[test]
    fn a_pin_is_spoken_with_letters_and_digits_apart() {
        assert_eq!(apart("A12"), "A 12");
        assert_eq!(apart("4"), "4");
        let names = ["A4"].map(PinName::new);
        let ask = |expected| spoken(&Action::Ask { pin: 0, expected }, &names);
        assert_eq!(ask(None).as_deref(), Some("A 4"));
        // A pin that should show nothing answers no touch: the ear must know that a key is waited for.
        assert_eq!(ask(Some(PinValue::Overload)).as_deref(), Some("hold A 4"));
    }
}
