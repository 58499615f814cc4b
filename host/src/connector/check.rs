//! What makes a list of pins a connector.

use std::collections::HashMap;

use crate::label;

use super::{
    Connector, LAST_POSITION, MOST_PINS, Pin, PinName,
    error::{ConnectorError, ConnectorProblem as Problem, Place, Row},
};

/// A pin with the line on which it stands, if it comes from a file.
pub(super) type Drawn = (Option<u64>, Pin);

impl Connector {
    /// Makes a connector of pins in the order in which a person counts them.
    ///
    /// # Errors
    /// [`ConnectorError`] if there are no pins or too many, a name is empty or not printable, a pin or a
    /// place comes twice, or a pair is not two pins that name each other.
    pub fn new(name: &str, pins: Vec<Pin>) -> Result<Self, ConnectorError> {
        checked(name, pins.into_iter().map(|pin| (None, pin)).collect())
    }
}

/// Checks what only shows when all pins are known.
pub(super) fn checked(name: &str, drawn: Vec<Drawn>) -> Result<Connector, ConnectorError> {
    let whole = |problem| ConnectorError { place: Place::default(), problem };
    let name = label::name(name).map_err(|problem| whole(Problem::Label { field: "name", problem }))?;
    match drawn.len() {
        0 => return Err(whole(Problem::NoPins)),
        found if found > MOST_PINS => return Err(whole(Problem::TooManyPins { found })),
        _ => {}
    }
    let mut by_name: HashMap<&PinName, usize> = HashMap::with_capacity(drawn.len());
    let mut by_place = HashMap::with_capacity(drawn.len());
    for (index, (line, pin)) in drawn.iter().enumerate() {
        let at =
            |problem| ConnectorError { place: Place { line: *line, pin: Some(pin.name.clone()) }, problem };
        check_labels(pin).map_err(at)?;
        if let Some(first) = by_name.insert(&pin.name, index) {
            return Err(at(Problem::PinTwice { first: drawn[first].0 }));
        }
        if let Some(position) = pin.position {
            if !(1..=LAST_POSITION).contains(&position) {
                return Err(at(Problem::Position { found: position.to_string() }));
            }
            if let Some(other) = by_place.insert((&pin.row, position), &pin.name) {
                let row = Row(pin.row.clone());
                return Err(at(Problem::PlaceTaken { row, position, by: other.clone() }));
            }
        }
    }
    for (line, pin) in &drawn {
        let at =
            |problem| ConnectorError { place: Place { line: *line, pin: Some(pin.name.clone()) }, problem };
        let Some(pair) = &pin.pair else { continue };
        if *pair == pin.name {
            return Err(at(Problem::PairSelf));
        }
        let Some(&other) = by_name.get(pair) else {
            return Err(at(Problem::PairUnknown { found: pair.clone() }));
        };
        let found = &drawn[other].1.pair;
        if found.as_ref() != Some(&pin.name) {
            return Err(at(Problem::PairNotMutual { other: pair.clone(), found: found.clone() }));
        }
    }
    Ok(Connector { name: name.to_owned(), pins: drawn.into_iter().map(|(_, pin)| pin).collect() })
}

fn check_labels(pin: &Pin) -> Result<(), Problem> {
    let name =
        |field, text: &str| label::name(text).map(drop).map_err(|problem| Problem::Label { field, problem });
    name("pin", pin.name.as_str())?;
    for (field, text) in [("row", &pin.row), ("net", &pin.net)] {
        text.as_deref().map_or(Ok(()), |text| name(field, text))?;
    }
    pin.pair.as_ref().map_or(Ok(()), |pair| name("pair", pair.as_str()))?;
    match pin.note.as_deref().map(label::note) {
        Some(Err(problem)) => Err(Problem::Label { field: "note", problem }),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pin(name: &str, pair: Option<&str>) -> Pin {
        Pin { pair: pair.map(PinName::new), ..Pin::named(name) }
    }

    fn message(pins: Vec<Pin>) -> String {
        Connector::new("J1", pins).unwrap_err().to_string()
    }

    #[test]
    fn a_connector_has_pins_but_not_without_end() {
        assert_eq!(message(vec![]), "expected at least one pin, found none");
        let many = (0..=MOST_PINS).map(|i| Pin::named(&i.to_string())).collect();
        assert_eq!(message(many), "expected at most 1024 pins, found 1025");
        let most = (0..MOST_PINS).map(|i| Pin::named(&i.to_string())).collect();
        assert!(Connector::new("J1", most).is_ok());
    }

    #[test]
    fn each_pin_and_each_place_comes_once() {
        let placed = |name: &str, row: Option<&str>, position| Pin {
            row: row.map(str::to_owned),
            position: Some(position),
            ..Pin::named(name)
        };
        assert_eq!(
            message(vec![pin("1", None), pin("1", None)]),
            "pin 1: expected each pin once, found it again"
        );
        assert_eq!(
            message(vec![placed("1", Some("A"), 3), placed("2", Some("A"), 3)]),
            "pin 2: expected one pin in each place, found pin 1 in row A at position 3 too"
        );
        assert_eq!(
            message(vec![placed("1", None, 3), placed("2", None, 3)]),
            "pin 2: expected one pin in each place, found pin 1 in row (no name) at position 3 too"
        );
        assert_eq!(
            message(vec![placed("1", None, 0)]),
            "pin 1: expected a position from 1 to 1024, found `0`"
        );
        assert!(Connector::new("J1", vec![placed("1", Some("A"), 3), placed("2", Some("B"), 3)]).is_ok());
    }

    #[test]
    fn a_pair_is_two_pins_that_name_each_other() {
        assert_eq!(
            message(vec![pin("1", Some("7"))]),
            "pin 1: expected its pair to be a pin of this connector, found `7`"
        );
        assert_eq!(
            message(vec![pin("1", Some("1"))]),
            "pin 1: expected its pair to be another pin, found itself"
        );
        assert_eq!(
            message(vec![pin("1", Some("2")), pin("2", None)]),
            "pin 1: expected its pair 2 to name it in return, found that 2 names no pair"
        );
        assert_eq!(
            message(vec![pin("1", Some("2")), pin("2", Some("3")), pin("3", Some("2"))]),
            "pin 1: expected its pair 2 to name it in return, found that 2 names 3"
        );
        assert!(Connector::new("J1", vec![pin("1", Some("2")), pin("2", Some("1"))]).is_ok());
    }

    #[test]
    fn names_are_printable() {
        let net = Some("A\u{1b}[31m".to_owned());
        assert_eq!(
            message(vec![Pin { net, ..Pin::named("1") }]),
            "pin 1: net: expected printable characters, found U+001B"
        );
        assert_eq!(
            Connector::new(" ", vec![pin("1", None)]).unwrap_err().to_string(),
            "name: expected some text, found none"
        );
    }
}
