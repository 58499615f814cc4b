//! One board as the search sees it: what was read, what is expected, and how unlikely the difference is.

use std::cell::RefCell;

use super::{
    super::{
        Assumptions,
        common::Today,
        layout::{Class, Layout},
    },
    Cause,
    level::Level,
};
use crate::{physics::Source, readings::PinValue};

/// One board, ready to be explained.
pub(in super::super) struct Scene<'a> {
    pub(in super::super) layout: &'a Layout,
    pub(in super::super) today: &'a [Today],
    /// Resistive part of each pin's drop, in volts.
    pub(in super::super) resistive: &'a [f64],
    pub(in super::super) values: &'a [PinValue],
    pub(in super::super) source: Source,
    pub(in super::super) assumptions: &'a Assumptions,
    /// Log density of each reading if nothing is wrong.
    null: Vec<f64>,
    /// Log density of a reading that is just as expected.
    peak: Vec<f64>,
    /// Circuits that were solved already, by fault and by the pin that gave the level.
    pub(super) levels: RefCell<Vec<(Cause, usize, Level)>>,
}

/// Probability that a good pin shows `OL` where a path is, or a path where `OL` is: a probe that slipped, a reading
/// in the wrong row. It must be far below the rate of faults.
const SLIP: f64 = 1e-7;

/// Pins of one net read alike but for contacts of an ohm or two, copper and a count of the meter on each. Volts.
const SAME_NET: f64 = 0.002;

/// Legs of a pair that are no pair after all: logarithm of one in twenty.
const UNLIKE: f64 = 3.0;

/// Range of voltages over which a reading without explanation is spread.
pub(super) const RANGE: f64 = 2.5;

impl<'a> Scene<'a> {
    pub(in super::super) fn new(
        layout: &'a Layout,
        today: &'a [Today],
        resistive: &'a [f64],
        values: &'a [PinValue],
        source: Source,
        assumptions: &'a Assumptions,
    ) -> Self {
        let mut scene = Self {
            layout,
            today,
            resistive,
            values,
            source,
            assumptions,
            null: Vec::with_capacity(values.len()),
            peak: Vec::with_capacity(values.len()),
            levels: RefCell::default(),
        };
        for pin in 0..values.len() {
            let leader = scene.nearest(layout.places[pin].net, |_| false).filter(|&leader| leader != pin);
            let leg = scene.other_leg(pin, |_| false);
            let (null, peak) = match (layout.places[pin].class, values[pin], leader) {
                (Class::Unknown, ..) | (_, PinValue::Unread(_), _) => (0.0, 0.0),
                (Class::Open, ..) => (scene.plain(pin, pin), 0.0),
                (_, PinValue::Volts(_), Some(leader)) => (scene.following(pin, leader), loose(0.0, SAME_NET)),
                (_, PinValue::Volts(_), None) if leg.is_some() => {
                    let leg = leg.unwrap_or(pin);
                    (scene.beside_leg(pin, leg), student(0.0, &today[pin]))
                }
                _ => (scene.plain(pin, pin), student(0.0, &today[pin])),
            };
            scene.null.push(null);
            scene.peak.push(peak);
        }
        scene
    }

    /// The pin of a shared net whose reading is nearest to what is expected, among those that `touched` leaves; `None`
    /// for ground, whose joints differ more than its copper, and where a net has one pin.
    pub(super) fn nearest(&self, net: usize, touched: impl Fn(usize) -> bool) -> Option<usize> {
        let pins = &self.layout.nets[net];
        if pins.len() < 2 {
            return None;
        }
        pins.iter()
            .copied()
            .filter(|&pin| !touched(pin) && matches!(self.class(pin), Class::Junction | Class::Resistor))
            .filter_map(|pin| Some((pin, (self.volts(pin)? - self.today[pin].centre).abs())))
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(pin, _)| pin)
    }

    /// The other leg of a pair, if it is nearer to what is expected than this one and `touched` leaves both: it then
    /// tells what this leg should read.
    pub(super) fn other_leg(&self, pin: usize, touched: impl Fn(usize) -> bool) -> Option<usize> {
        let off = |pin: usize| Some((self.volts(pin)? - self.centre(pin)?).abs() / self.today[pin].deviation);
        let leg = self.layout.places[pin].partner?.pin;
        if touched(pin) || touched(leg) {
            return None;
        }
        let (own, other) = (off(pin)?, off(leg)?);
        ((other, leg) < (own, pin)).then_some(leg)
    }

    /// Log density of a leg's reading given the other leg's.
    pub(super) fn beside_leg(&self, pin: usize, leg: usize) -> f64 {
        let (Some(seen), Some(led)) = (self.volts(pin), self.volts(leg)) else { return self.plain(pin, pin) };
        let (own, other) = (&self.today[pin], &self.today[leg]);
        let correlation = own.with_partner.min(0.98);
        let drawn = correlation * own.deviation * (led - other.centre) / other.deviation;
        let deviation = own.deviation * (1.0 - correlation * correlation).sqrt();
        let conditional = Today { centre: own.centre + drawn, deviation, other: None, ..*own };
        student(seen - conditional.centre, &conditional).max(self.plain(pin, pin) - UNLIKE)
    }

    /// Log density of a pin's reading given another pin of its net.
    pub(super) fn following(&self, pin: usize, leader: usize) -> f64 {
        match (self.volts(pin), self.volts(leader)) {
            (Some(seen), Some(led)) => {
                let apart = (seen - self.today[pin].centre) - (led - self.today[leader].centre);
                loose(apart, SAME_NET)
            }
            _ => self.plain(pin, pin),
        }
    }

    /// Log density of a pin's reading if nothing is wrong.
    pub(super) fn null(&self, pin: usize) -> f64 {
        self.null[pin]
    }

    /// How much less likely a reading is than the likeliest, as a difference of logarithms.
    pub(super) fn surprise(&self, pin: usize) -> f64 {
        self.peak[pin] - self.null[pin]
    }

    /// The same under another density than the null.
    pub(super) fn surprise_under(&self, pin: usize, density: f64) -> f64 {
        self.peak[pin] - density
    }

    /// Log density of the reading at `pin` if the good path of `source` hangs on it.
    pub(super) fn plain(&self, pin: usize, source: usize) -> f64 {
        match (self.layout.places[source].class, self.values[pin]) {
            (Class::Unknown, _) | (_, PinValue::Unread(_)) => 0.0,
            (Class::Open, PinValue::Overload) => 0.0,
            (Class::Open, PinValue::Volts(_)) => (SLIP / RANGE).ln(),
            (_, PinValue::Overload) => SLIP.ln(),
            (_, PinValue::Volts(volts)) => {
                student(volts.get() - self.today[source].centre, &self.today[source])
            }
        }
    }

    /// The voltage read at a pin, if there is one.
    pub(super) fn volts(&self, pin: usize) -> Option<f64> {
        self.values[pin].volts().map(|volts| volts.get())
    }

    /// Whether a pin was read as an overload.
    pub(super) fn overload(&self, pin: usize) -> bool {
        self.values[pin] == PinValue::Overload
    }

    pub(super) fn class(&self, pin: usize) -> Class {
        self.layout.places[pin].class
    }

    /// The good drop at a pin, for what a check cannot show.
    pub(in super::super) fn good(&self, pin: usize) -> Option<f64> {
        self.centre(pin)
    }

    /// What two bridged nets are predicted to read.
    pub(in super::super) fn bridged(&self, a: usize, b: usize) -> Option<f64> {
        self.bridge(a, b).joint
    }

    pub(super) fn net(&self, pin: usize) -> usize {
        self.layout.places[pin].net
    }

    /// The drop expected of a good board; `None` where it reads `OL` or nothing is known.
    pub(super) fn centre(&self, pin: usize) -> Option<f64> {
        matches!(self.class(pin), Class::Ground | Class::Junction | Class::Resistor)
            .then(|| self.today[pin].centre)
    }
}

/// Log density of Student's distribution, with the normalisation of the pin; of both kinds of path where the current
/// tells them apart.
fn student(difference: f64, today: &Today) -> f64 {
    let at = |difference: f64, deviation: f64| {
        let z = difference / deviation;
        today.norm - deviation.ln() - 0.5 * (today.freedom + 1.0) * (z * z / today.freedom).ln_1p()
    };
    let first = at(difference, today.deviation);
    match today.other {
        None => first,
        Some((centre, deviation, weight)) => {
            let second = at(difference + today.centre - centre, deviation);
            let high = first.max(second);
            high + ((1.0 - weight) * (first - high).exp() + weight * (second - high).exp()).ln()
        }
    }
}

/// Log density of Student's distribution with 4 degrees of freedom: for predictions whose formula is right and whose
/// constants are guessed, where now and then a guess is far off.
pub(super) fn loose(difference: f64, deviation: f64) -> f64 {
    // ln(3/8): Γ(5/2)/(Γ(2)·√(4π)).
    const NORM: f64 = -0.980_829_253_011_726_2;
    let z2 = (difference / deviation).powi(2);
    NORM - deviation.ln() - 2.5 * (0.25 * z2).ln_1p()
}
