//! What is known of a connector before any board is judged: what kind of path each pin has, which pins share a
//! net, which are legs of a pair, which stand beside each other.
//!
//! The drawing is believed where it speaks. Where it is silent, known-good readings answer: pins that read the
//! same on every known-good board share a net, neighbours that read alike may be a pair.

use std::{borrow::Cow, collections::HashMap};

use super::common::Today;
use crate::{
    connector::{Connector, Role},
    readings::PinValue,
    reference::Reference,
};

/// What kind of path a good board has at a pin.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Class {
    /// Ground.
    Ground,
    /// Junctions, perhaps with resistance in series.
    Junction,
    /// A resistor, as far as the drop tells.
    Resistor,
    /// No path within the meter's range.
    Open,
    /// Known-good boards were not read here.
    Unknown,
}

/// A pin and where it stands.
#[derive(Debug, Clone)]
pub(super) struct Place {
    pub(super) class: Class,
    /// Number of the net, shared with the other pins of the net.
    pub(super) net: usize,
    /// Whether it feeds many other nets, as a supply rail does.
    pub(super) rail: bool,
    /// Probability that its path is a resistor and no junction.
    pub(super) resistor: f64,
    /// The other leg of a pair.
    pub(super) partner: Option<Partner>,
    /// Pins beside it, with the prior weight of a bridge to each: 1 for the next in the row.
    pub(super) neighbours: Vec<(usize, f64)>,
}

/// The other leg of a pair, as far as it is known to be one.
#[derive(Debug, Clone, Copy)]
pub(super) struct Partner {
    pub(super) pin: usize,
    /// Probability that a termination ties the two.
    pub(super) tied: f64,
    /// Probability that they are no pair but one net.
    pub(super) same: f64,
}

/// All pins of a connector.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    pub(super) places: Vec<Place>,
    /// The pins of every net.
    pub(super) nets: Vec<Vec<usize>>,
    /// Of every net, whether it is drawn; the others were learned from readings, and readings may disprove them.
    drawn: Vec<bool>,
}

/// A drop below this is ground where the drawing does not say: 10 ohm of contact and copper at 1.5 mA; every
/// junction drops more, a Schottky at 0.1 mA still 0.15 V (handbook values).
const GROUND: f64 = 0.015;

/// Drops between these are treated as a junction, perhaps with resistance in series: Schottky 0.25 V, silicon clamp
/// behind a few hundred ohm 1.35 V, at 0.1 to 2 mA (handbook values).
const JUNCTION: (f64, f64) = (0.25, 1.35);

/// Probability that a pin's path is a resistor, by its drop: below 0.25 V hardly any junction drops so little, about a
/// volt two junctions or one with resistance are as likely, above 1.6 V resistors are likelier. In between a signal
/// may hang on an identification resistor. Common practice.
const RESISTOR: [(f64, f64); 5] = [(0.25, 0.95), (0.45, 0.3), (0.95, 0.06), (1.6, 0.5), (f64::MAX, 0.9)];

/// The same for a rail or a leg of a drawn pair between 0.25 and 0.95 V.
const RESISTOR_RAIL: f64 = 0.02;

/// Pins that share a net read the same but for contacts and copper: two counts of a meter with 1 mV resolution.
const SAME_NET: f64 = 0.002_1;

/// Known-good boards that must agree before equal readings are taken for a shared net. Three boards whose parts
/// scatter by a few millivolts agree by chance once in hundreds of pairs.
const BOARDS_TO_LEARN_NETS: usize = 3;

/// Legs of a pair read alike: the same buffers behind both.
const ALIKE: f64 = 0.010;

/// Probability that a termination ties the legs of a drawn pair, and of neighbours that only read alike. Common
/// practice: most pairs are terminated; readings that look alike are a pair about once in three times.
const TIED_DRAWN: f64 = 0.9;
const TIED_ALIKE: f64 = 0.35;

/// Neighbours that read the same on every known-good board are a terminated pair oftener than two pins of one net,
/// for nets are rarely led over just two pins side by side. Common practice.
const SAME: (f64, f64) = (0.6, 0.3);

/// Prior weight of a bridge across rows, relative to the next pin of the same row: solder runs along a row, and the
/// rows of a fine-pitch connector stand several pitches apart with the housing between. Common practice.
const ACROSS: f64 = 0.03;

impl Layout {
    /// Brings drawing and known-good readings together.
    pub(super) fn new(connector: &Connector, reference: &Reference) -> Self {
        let count = connector.pins.len();
        let classes: Vec<Class> =
            (0..count).map(|pin| class(connector.pins[pin].role, reference.value(pin))).collect();
        let beside = neighbours(connector);
        let net_of = nets_of(connector, &classes, &beside, reference);
        let mut nets = vec![Vec::new(); net_of.iter().max().map_or(0, |last| last + 1)];
        for (pin, &net) in net_of.iter().enumerate() {
            nets[net].push(pin);
        }
        let drawn =
            nets.iter().map(|pins| pins.iter().any(|&pin| connector.pins[pin].net.is_some())).collect();
        let places = (0..count)
            .map(|pin| {
                let rail = connector.pins[pin].role == Some(Role::Power)
                    || (classes[pin] == Class::Junction && nets[net_of[pin]].len() > 1);
                Place {
                    class: classes[pin],
                    net: net_of[pin],
                    rail,
                    resistor: resistor(
                        classes[pin],
                        reference.value(pin),
                        rail || connector.pins[pin].pair.is_some(),
                    ),
                    partner: partner(connector, reference, &classes, &beside, &net_of, pin),
                    neighbours: beside[pin].clone(),
                }
            })
            .collect();
        Self { places, nets, drawn }
    }

    /// The layout without the learned nets that a board's readings disprove.
    ///
    /// Pins of one net stand at one level, and a poor joint can only raise a reading above it. So a pin that reads
    /// clearly less while another pin of its net reads what it should is on no net with it: they only read alike on
    /// good boards.
    pub(super) fn as_read(&self, today: &[Today], values: &[PinValue]) -> Cow<'_, Self> {
        let fallen: Vec<usize> = (0..self.nets.len())
            .filter(|&net| !self.drawn[net] && self.nets[net].len() > 1)
            .flat_map(|net| self.fallen(net, today, values))
            .collect();
        if fallen.is_empty() {
            return Cow::Borrowed(self);
        }
        let mut split = self.clone();
        for pin in fallen {
            let net = split.places[pin].net;
            split.nets[net].retain(|&other| other != pin);
            split.places[pin].net = split.nets.len();
            split.nets.push(vec![pin]);
            split.drawn.push(false);
        }
        Cow::Owned(split)
    }

    fn fallen(&self, net: usize, today: &[Today], values: &[PinValue]) -> Vec<usize> {
        let off: Vec<(usize, f64)> = self.nets[net]
            .iter()
            .filter(|&&pin| matches!(self.places[pin].class, Class::Junction | Class::Resistor))
            .filter_map(|&pin| Some((pin, values[pin].volts()?.get() - today[pin].centre)))
            .collect();
        let is_in_place = |&&(pin, off): &&(usize, f64)| off.abs() < IN_PLACE * today[pin].deviation;
        let in_place = off.iter().filter(is_in_place);
        let Some(highest) = in_place.clone().map(|(_, off)| *off).max_by(f64::total_cmp) else {
            return Vec::new();
        };
        let fallen: Vec<(usize, f64)> = off
            .iter()
            .copied()
            .filter(|&(pin, off)| off < -IN_PLACE * today[pin].deviation && off < highest - APART)
            .collect();
        // A net that is pulled a little, one joint of which is raised by as much, looks the same; then most pins are low.
        let is_clear = fallen.iter().any(|(_, off)| *off < -FAR) || fallen.len() <= in_place.count();
        if is_clear { fallen.into_iter().map(|(pin, _)| pin).collect() } else { Vec::new() }
    }
}

/// Deviations within which a pin of a net reads what it should.
const IN_PLACE: f64 = 3.0;

/// Pins of one net differ by less: four times the two counts of [`SAME_NET`]. Volts.
const APART: f64 = 4.0 * SAME_NET;

/// Nets that move along with a fault elsewhere hardly move further (`faults::likelihood`). Volts.
const FAR: f64 = 0.060;

fn class(role: Option<Role>, value: PinValue) -> Class {
    match (role, value) {
        (_, PinValue::Unread(_)) => Class::Unknown,
        // A ground pin that is open on good boards contradicts the drawing: one of the two is wrong.
        (Some(Role::Ground), PinValue::Overload) => Class::Unknown,
        (_, PinValue::Overload) => Class::Open,
        (Some(Role::Ground), PinValue::Volts(volts)) if volts.get() < 2.0 * GROUND => Class::Ground,
        (_, PinValue::Volts(volts)) => match volts.get() {
            v if v < GROUND => Class::Ground,
            v if (JUNCTION.0..JUNCTION.1).contains(&v) => Class::Junction,
            _ => Class::Resistor,
        },
    }
}

fn resistor(class: Class, value: PinValue, hardly: bool) -> f64 {
    match (class, value) {
        (Class::Junction | Class::Resistor, PinValue::Volts(volts)) => {
            let drop = volts.get();
            if hardly && (0.25..0.95).contains(&drop) {
                return RESISTOR_RAIL;
            }
            RESISTOR.iter().find(|(below, _)| drop < *below).map_or(0.5, |(_, chance)| *chance)
        }
        _ => 0.0,
    }
}

/// The number of every pin's net: as drawn where it is drawn, as learned where not.
fn nets_of(
    connector: &Connector,
    classes: &[Class],
    beside: &[Vec<(usize, f64)>],
    reference: &Reference,
) -> Vec<usize> {
    let mut known: HashMap<&str, usize> = HashMap::new();
    let drawn: Vec<Option<usize>> = connector
        .pins
        .iter()
        .map(|pin| {
            let next = known.len();
            pin.net.as_deref().map(|net| *known.entry(net).or_insert(next))
        })
        .collect();
    let learned = learned_nets(&drawn, classes, beside, reference);
    drawn.iter().zip(learned).map(|(drawn, learned)| drawn.unwrap_or(known.len() + learned)).collect()
}

/// Ground pins are one net; pins whose known-good readings agree on every board are one net, but for two that stand
/// side by side: they may as well be the legs of a pair.
fn learned_nets(
    drawn: &[Option<usize>],
    classes: &[Class],
    beside: &[Vec<(usize, f64)>],
    reference: &Reference,
) -> Vec<usize> {
    let count = classes.len();
    let mut net_of = vec![usize::MAX; count];
    let mut next = 0;
    for pin in 0..count {
        if net_of[pin] != usize::MAX {
            continue;
        }
        let alike: Vec<usize> = (pin + 1..count)
            .filter(|&other| drawn[pin].is_none() && drawn[other].is_none())
            .filter(|&other| match (classes[pin], classes[other]) {
                (Class::Ground, Class::Ground) => true,
                (Class::Junction | Class::Resistor, Class::Junction | Class::Resistor) => {
                    net_of[other] == usize::MAX && read_the_same(reference, pin, other)
                }
                _ => false,
            })
            .collect();
        let side_by_side = |other: usize| beside[pin].iter().any(|&(p, weight)| p == other && weight >= 1.0);
        net_of[pin] = next;
        if !(alike.len() == 1 && classes[pin] != Class::Ground && side_by_side(alike[0])) {
            for other in alike {
                net_of[other] = next;
            }
        }
        next += 1;
    }
    net_of
}

fn read_the_same(reference: &Reference, a: usize, b: usize) -> bool {
    let (mut together, mut apart) = (0, 0);
    for board in &reference.boards {
        if let (Some(PinValue::Volts(a)), Some(PinValue::Volts(b))) =
            (board.values.get(a), board.values.get(b))
        {
            if (a.get() - b.get()).abs() < SAME_NET { together += 1 } else { apart += 1 }
        }
    }
    // One board among many may be the odd one.
    together >= BOARDS_TO_LEARN_NETS && apart * 4 <= together
}

fn neighbours(connector: &Connector) -> Vec<Vec<(usize, f64)>> {
    let place = |pin: usize| {
        let pin = &connector.pins[pin];
        Some((pin.row.as_deref(), i64::from(pin.position?)))
    };
    let mut at: HashMap<i64, Vec<usize>> = HashMap::new();
    for pin in 0..connector.pins.len() {
        if let Some((_, position)) = place(pin) {
            at.entry(position).or_default().push(pin);
        }
    }
    (0..connector.pins.len())
        .map(|pin| match place(pin) {
            Some((row, position)) => (position - 1..=position + 1)
                .flat_map(|p| at.get(&p).into_iter().flatten())
                .filter(|&&other| other != pin)
                .filter_map(|&other| {
                    let (other_row, other_position) = place(other)?;
                    let weight = if row == other_row {
                        if other_position == position { return None } else { 1.0 }
                    } else {
                        ACROSS
                    };
                    Some((other, weight))
                })
                .collect(),
            // Without positions the order of the list is all there is.
            None => [pin.checked_sub(1), pin.checked_add(1).filter(|&next| next < connector.pins.len())]
                .into_iter()
                .flatten()
                .map(|other| (other, 1.0))
                .collect(),
        })
        .collect()
}

fn partner(
    connector: &Connector,
    reference: &Reference,
    classes: &[Class],
    beside: &[Vec<(usize, f64)>],
    net_of: &[usize],
    pin: usize,
) -> Option<Partner> {
    if let Some(other) = connector.pins[pin].pair.as_ref().and_then(|name| connector.index_of(name)) {
        let apart = other != pin && net_of[other] != net_of[pin];
        return apart.then_some(Partner { pin: other, tied: TIED_DRAWN, same: 0.0 });
    }
    if connector.pins.iter().any(|pin| pin.pair.is_some()) || classes[pin] != Class::Junction {
        return None;
    }
    let drop = |pin: usize| reference.value(pin).volts().map(|volts| volts.get());
    let own = drop(pin)?;
    beside[pin]
        .iter()
        .filter(|&&(other, weight)| {
            weight >= 1.0 && classes[other] == Class::Junction && net_of[other] != net_of[pin]
        })
        .filter_map(|&(other, _)| Some((other, (drop(other)? - own).abs())))
        .filter(|&(_, apart)| apart < ALIKE)
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(other, _)| {
            let drawn = connector.pins[pin].net.is_some();
            let (tied, same) = match read_the_same(reference, pin, other) {
                true if !drawn => SAME,
                _ => (TIED_ALIKE, 0.0),
            };
            Partner { pin: other, tied, same }
        })
}
