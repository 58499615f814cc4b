//! What each pin should read, as far as that decides whether to ask for another touch.

use crate::{
    compare::Engine,
    connector::{Connector, Role},
    readings::PinValue,
    units::Volts,
};

/// What a good board would read at a pin, and how far a good pin may differ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expected {
    /// The reading: volts or an overload.
    pub value: PinValue,
    /// How far a good pin may differ.
    pub limit: Volts,
}

/// How a reading stands to what is expected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fit {
    /// Within the limit.
    Fits,
    /// Outside the limit.
    Differs,
    /// Nobody knows.
    Unknown,
}

/// What is expected of all pins, learned anew as readings come in: what all pins share (temperature, another test
/// current, a lead) is not held against single ones.
#[derive(Debug, Clone)]
pub struct Expects {
    engine: Option<Engine>,
    pins: Vec<Option<Expected>>,
    /// What the reference says before any pin of this board was read.
    reference: Vec<Option<Expected>>,
    /// Pins that stand beside each pin.
    beside: Vec<Vec<usize>>,
    unconnected: Vec<bool>,
}

/// What all pins share is believed from so many drops on: of two, two faulty ones could pass for what all share. Our
/// choice; a thousand connectors probed by the simulated hand read no worse with 3 than with 5.
const LEARNS_FROM: usize = 3;

/// Below this a pin is on ground, and tells nothing of what junctions share.
const GROUND: Volts = Volts::of(0.050);

/// A reading is called a neighbour's only if it is so many times nearer to the neighbour's expectation than to the
/// pin's own.
const FAR_BETTER: f64 = 3.0;

/// A pin that was read a minute ago reads the same again within this: contact of a hand-held tip, 10 ohm at 1 mA.
pub(super) const SAME_AGAIN: Volts = Volts::of(0.010);

impl Expects {
    /// What the engine expects before any pin was read; nothing without one.
    #[must_use]
    pub fn new(connector: &Connector, engine: Option<Engine>) -> Self {
        let count = connector.pins.len();
        let mut expects = Self {
            engine,
            pins: vec![None; count],
            reference: Vec::new(),
            beside: (0..count).map(|pin| beside(connector, pin)).collect(),
            unconnected: connector.pins.iter().map(|pin| pin.role == Some(Role::Unconnected)).collect(),
        };
        expects.learn(&[]);
        expects.reference.clone_from(&expects.pins);
        expects
    }

    /// Takes the readings so far into account.
    pub fn learn(&mut self, values: &[PinValue]) {
        let drops = values.iter().filter_map(|value| value.volts()).filter(|&volts| volts > GROUND);
        let enough = if drops.count() < LEARNS_FROM { &[] } else { values };
        if let Some(engine) = &self.engine {
            self.pins = engine
                .expected(enough)
                .into_iter()
                .map(|pin| pin.map(|(value, limit)| Expected { value, limit }))
                .collect();
        }
    }

    /// Whether known-good boards stand behind the expectations.
    #[must_use]
    pub const fn has_reference(&self) -> bool {
        self.engine.is_some()
    }

    /// What a pin should read, where somebody knows.
    #[must_use]
    pub fn of(&self, pin: usize) -> Option<Expected> {
        self.pins.get(pin).copied().flatten()
    }

    /// Whether a good board shows nothing at this pin.
    #[must_use]
    pub fn is_open(&self, pin: usize) -> bool {
        match self.of(pin) {
            Some(expected) => expected.value == PinValue::Overload,
            None => self.unconnected.get(pin).copied().unwrap_or(false),
        }
    }

    /// How a reading of a pin stands to what is expected there.
    #[must_use]
    pub fn fit(&self, pin: usize, value: PinValue) -> Fit {
        match self.of(pin) {
            None if self.is_open(pin) && value != PinValue::Overload => Fit::Differs,
            None => Fit::Unknown,
            Some(expected) if expected.holds(value) => Fit::Fits,
            Some(_) => Fit::Differs,
        }
    }

    /// The neighbour that a reading fits far better than the pin itself. A neighbour that was read already (`read`, by
    /// index) is known by its reading too, faulty or not.
    #[must_use]
    pub fn fits_neighbour(&self, pin: usize, value: PinValue, read: &[PinValue]) -> Option<usize> {
        let seen = value.volts()?;
        let off = |pin: usize| {
            let read = read.get(pin).copied().and_then(PinValue::volts);
            let expected = self.of(pin).and_then(|expected| expected.value.volts());
            let off = |known: Volts| (known.get() - seen.get()).abs();
            match (read.map(off), expected.map(off)) {
                (Some(read), Some(expected)) => Some(read.min(expected)),
                (read, expected) => read.or(expected),
            }
        };
        let own = self.of(pin).and_then(|own| Some((own.value.volts()?.get() - seen.get()).abs()));
        self.that_hold(pin, value, read)
            .filter(|&other| match (own, off(other)) {
                (Some(own), Some(other)) => other * FAR_BETTER < own,
                // The pin itself should show nothing.
                (None, Some(_)) => true,
                (_, None) => false,
            })
            .min_by(|&a, &b| off(a).unwrap_or(f64::MAX).total_cmp(&off(b).unwrap_or(f64::MAX)))
    }

    /// A neighbour that a reading fits as well as the pin itself, although good boards tell the two apart: the reading
    /// alone does not say which of them was touched. It comes so where the neighbour is at fault, or where the limits
    /// of this board are wider than those of the reference.
    #[must_use]
    pub fn fits_neighbour_too(&self, pin: usize, value: PinValue, read: &[PinValue]) -> Option<usize> {
        self.that_hold(pin, value, read).next()
    }

    /// Neighbours that a reading fits, by what is expected there or by what was read there.
    fn that_hold<'a>(
        &'a self,
        pin: usize,
        value: PinValue,
        read: &'a [PinValue],
    ) -> impl Iterator<Item = usize> + 'a {
        let is_as_read = move |other: usize| {
            let read = read.get(other).copied().and_then(PinValue::volts);
            let apart = read.zip(value.volts()).map(|(read, seen)| (read.get() - seen.get()).abs());
            apart.is_some_and(|apart| apart <= SAME_AGAIN.get())
        };
        let holds =
            move |other: usize| self.of(other).is_some_and(|other| other.holds(value)) || is_as_read(other);
        self.beside(pin)
            .iter()
            .copied()
            .filter(move |&other| holds(other) && self.may_be_taken_for(pin, other))
    }

    /// The pins that stand beside a pin.
    #[must_use]
    pub fn beside(&self, pin: usize) -> &[usize] {
        self.beside.get(pin).map_or(&[], Vec::as_slice)
    }

    /// Whether a pin beside this one shows nothing, by its reading or by what is expected.
    #[must_use]
    pub fn has_open_neighbour(&self, pin: usize, read: &[PinValue]) -> bool {
        let shows_nothing = |&other: &usize| match read.get(other) {
            Some(PinValue::Volts(_)) => false,
            Some(PinValue::Overload) => true,
            _ => self.is_open(other),
        };
        self.beside.get(pin).is_some_and(|beside| beside.iter().any(shows_nothing))
    }

    /// Whether it would show if one pin were touched instead of the other: pins of one net read alike, and nobody could
    /// tell.
    #[must_use]
    pub fn may_be_taken_for(&self, pin: usize, other: usize) -> bool {
        self.of(pin).is_none() || self.of(other).is_none() || self.are_told_apart(pin, other)
    }

    /// Whether the references of two pins lie further apart than their limits together. What this board teaches does not
    /// change that: limits that grow with its oddities would let slips by.
    #[must_use]
    pub fn are_told_apart(&self, a: usize, b: usize) -> bool {
        let reference = |pin: usize| self.reference.get(pin).copied().flatten();
        match (reference(a), reference(b)) {
            (Some(a), Some(b)) => match (a.value.volts(), b.value.volts()) {
                (Some(x), Some(y)) => (x.get() - y.get()).abs() > a.limit.get() + b.limit.get(),
                (x, y) => x.is_some() != y.is_some(),
            },
            _ => false,
        }
    }
}

impl Expected {
    /// Whether a reading is within the limit.
    #[must_use]
    pub fn holds(&self, value: PinValue) -> bool {
        match (self.value, value) {
            (PinValue::Volts(expected), PinValue::Volts(seen)) => {
                (expected.get() - seen.get()).abs() <= self.limit.get()
            }
            (PinValue::Overload, PinValue::Overload) => true,
            _ => false,
        }
    }
}

/// The pins left and right of a pin in its row; without rows, those before and after it in the list.
fn beside(connector: &Connector, pin: usize) -> Vec<usize> {
    let own = &connector.pins[pin];
    let is_beside = |other: usize| {
        let there = &connector.pins[other];
        match (own.position, there.position) {
            (Some(a), Some(b)) => own.row == there.row && a.abs_diff(b) == 1,
            _ => pin.abs_diff(other) == 1,
        }
    };
    (0..connector.pins.len()).filter(|&other| is_beside(other)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::connector;

    fn expects(pins: &[(f64, f64)]) -> Expects {
        let connector = Connector {
            name: "J1".into(),
            pins: (1..=pins.len()).map(|n| connector::Pin::named(&n.to_string())).collect(),
        };
        let mut expects = Expects::new(&connector, None);
        for (pin, &(volts, limit)) in pins.iter().enumerate() {
            let value = if volts > 9.0 { PinValue::Overload } else { PinValue::Volts(Volts::of(volts)) };
            expects.pins[pin] = Some(Expected { value, limit: Volts::of(limit) });
        }
        expects.reference.clone_from(&expects.pins);
        expects
    }

    #[test]
    fn a_slip_is_suspected_when_the_value_fits_a_neighbour_far_better() {
        let expects = expects(&[(0.50, 0.02), (0.60, 0.02), (0.53, 0.02), (99.0, 0.0)]);
        let volts = |value| PinValue::Volts(Volts::of(value));
        for (pin, seen, neighbour) in [
            (0, volts(0.605), Some(1)),
            (1, volts(0.500), Some(0)),
            // Beside pin 2 (0.53) stands pin 1: 0.565 lies between the two.
            (2, volts(0.565), None),
            // Pin 3 should show nothing.
            (3, volts(0.535), Some(2)),
            // Two places away is no neighbour.
            (0, volts(0.530), None),
            (0, PinValue::Overload, None),
        ] {
            assert_eq!(expects.fits_neighbour(pin, seen, &[]), neighbour, "{pin} {seen}");
        }
    }

    #[test]
    fn a_neighbour_that_was_read_is_known_by_its_reading() {
        let expects = expects(&[(0.50, 0.02), (0.60, 0.02)]);
        let volts = |value| PinValue::Volts(Volts::of(value));
        let read = [volts(0.30), PinValue::Overload];
        assert_eq!(expects.fits_neighbour(1, volts(0.302), &read), Some(0));
        assert_eq!(expects.fits_neighbour(1, volts(0.302), &[]), None);
    }

    #[test]
    fn what_this_board_teaches_does_not_make_pins_alike() {
        let mut expects = expects(&[(0.50, 0.02), (0.55, 0.02)]);
        let volts = |value| PinValue::Volts(Volts::of(value));
        assert_eq!(expects.fits_neighbour_too(0, volts(0.515), &[]), None);
        // The board scatters more than those of the reference.
        for expected in expects.pins.iter_mut().flatten() {
            expected.limit = Volts::of(0.04);
        }
        assert!(expects.are_told_apart(0, 1));
        assert_eq!(expects.fits_neighbour_too(0, volts(0.515), &[]), Some(1));
    }

    #[test]
    fn pins_of_one_net_are_not_taken_for_each_other() {
        let expects = expects(&[(0.50, 0.02), (0.51, 0.02)]);
        let volts = |value| PinValue::Volts(Volts::of(value));
        assert_eq!(expects.fits_neighbour(1, volts(0.30), &[volts(0.30)]), None);
    }

    #[test]
    fn rows_tell_who_stands_beside_whom() {
        let connector = connector::from_toml(connector::DEMO).unwrap();
        let names = |pin: &str| -> Vec<&str> {
            let index = connector.index_of(&connector::PinName::new(pin)).unwrap();
            beside(&connector, index).iter().map(|&pin| connector.pins[pin].name.as_str()).collect()
        };
        assert_eq!(names("A5"), ["A4", "A6"]);
        assert_eq!(names("A20"), ["A19"]);
        assert_eq!(names("B1"), ["B2"]);
    }
}
