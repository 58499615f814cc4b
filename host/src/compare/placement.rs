//! How the board as a whole is connected: looked at first, so that a turned connector is one finding and not forty.
//!
//! Each way of being connected predicts every reading from the reference. The ways are compared by likelihood, with
//! room for a few faults in each, and a wrong way must beat the right one clearly.

use super::{
    Placement,
    common::Today,
    layout::{Class, Layout},
};
use crate::{connector::Connector, readings::PinValue, statistics::median_of};

/// Ways of being seated that exchange readings: for every pin the pin whose net it touches, if any.
#[derive(Debug, Clone)]
pub(super) struct Seats {
    ways: Vec<(Placement, Vec<Option<usize>>)>,
}

/// How far off a connector can be seated and still mate: two positions.
const FARTHEST: i32 = 2;

/// Share of pins that may differ for another reason than the placement.
const FAULTY: f64 = 0.04;

/// Range over which a faulty reading is spread, in volts.
const RANGE: f64 = 2.5;

/// Prior weight of a wrong placement, and what it must be ahead of the right one: a board is turned once in a
/// hundred. As natural logarithms.
const WRONG: f64 = -4.6;

/// Readings are compared to 15 mV at best, and to 3 %: another meter or temperature must not hide a placement.
const COARSE: (f64, f64) = (0.015, 0.03);

/// A reading of a clip or seat without contact: at least this share of the pins that should show a path show none.
const NO_CONTACT: f64 = 0.9;

/// Drop that a reversed junction shows at least, if it shows one: it leads through other parts of the board. One
/// junction more than forward (common practice).
const REVERSED: f64 = 0.3;

/// A board without power shows nothing below ground in diode test with red on ground; this much is charge.
const CHARGED: f64 = -0.05;

/// No drop in diode test is larger; larger numbers are ohms or another range.
const NO_DROP: f64 = 12.0;

/// Below this a pin is shorted, in volts: 50 ohm at 1 mA.
const SHORTED: f64 = 0.05;

/// Ground pins raised by this much, all alike, speak for the clip and not for the joints.
const CLIP: f64 = 0.1;

impl Seats {
    /// The ways in which this connector can be wrongly seated.
    pub(super) fn new(connector: &Connector) -> Self {
        let mut ways = Vec::new();
        for by in (-FARTHEST..=FARTHEST).filter(|by| *by != 0) {
            if let Some(map) = shifted(connector, by) {
                ways.push((Placement::Shifted { by }, map));
            }
        }
        if let Some(map) = turned(connector) {
            ways.push((Placement::Turned, map));
        }
        Self { ways }
    }
}

/// The wrong placement that explains a board, if one does.
pub(super) fn find(
    layout: &Layout,
    seats: &Seats,
    today: &[Today],
    values: &[PinValue],
) -> Option<Placement> {
    if let Some(placement) = plain(layout, today, values) {
        return Some(placement);
    }
    let right = likelihood(layout, today, values, None);
    // Half of the pins in place: no need to look further.
    if right.matched * 3 >= right.count * 2 || right.count < 3 {
        return None;
    }
    let mut best: Option<(f64, Placement)> = None;
    for (placement, map) in &seats.ways {
        let seated = likelihood(layout, today, values, Some(map));
        if best.is_none_or(|(score, _)| seated.score > score) && seated.matched * 2 >= seated.count {
            best = Some((seated.score, *placement));
        }
    }
    if let Some(score) = reversed(layout, today, values)
        && best.is_none_or(|(other, _)| score > other)
    {
        best = Some((score, Placement::LeadsReversed));
    }
    match best {
        Some((score, placement)) if score + WRONG > right.score => Some(placement),
        _ => stranger(layout, today, values, &right),
    }
}

struct Fit {
    score: f64,
    matched: usize,
    count: usize,
}

/// What can be seen without comparing ways of being seated.
fn plain(layout: &Layout, today: &[Today], values: &[PinValue]) -> Option<Placement> {
    let (mut paths, mut open, mut grounds, mut open_grounds) = (0usize, 0usize, 0usize, 0usize);
    let (mut junctions, mut flat, mut charged, mut huge, mut read) = (0usize, 0usize, 0usize, 0usize, 0usize);
    for (pin, value) in values.iter().enumerate() {
        let class = layout.places[pin].class;
        read += usize::from(!matches!(value, PinValue::Unread(_)));
        if matches!(class, Class::Ground | Class::Junction | Class::Resistor)
            && !matches!(value, PinValue::Unread(_))
        {
            paths += 1;
            open += usize::from(*value == PinValue::Overload);
            grounds += usize::from(class == Class::Ground);
            open_grounds += usize::from(class == Class::Ground && *value == PinValue::Overload);
        }
        if let PinValue::Volts(volts) = value {
            charged += usize::from(volts.get() < CHARGED);
            huge += usize::from(volts.get() > NO_DROP);
            if class == Class::Junction {
                junctions += 1;
                flat += usize::from(volts.get().abs() < 0.01);
            }
        }
    }
    let most = |part: usize, whole: usize| whole >= 3 && part as f64 >= NO_CONTACT * whole as f64;
    if huge * 3 >= read && huge >= 3 {
        return Some(Placement::OtherMeterMode);
    }
    if charged > 0 {
        return Some(Placement::Powered);
    }
    if most(flat, junctions) && junctions >= 5 {
        return Some(Placement::OtherMeterMode);
    }
    // Reversed leads leave ground at zero; without a ground pin the two cannot be told apart.
    if most(open, paths) && open_grounds == grounds && (grounds > 0 || open == paths) {
        return Some(Placement::NoContact);
    }
    clip(layout, today, values)
}

/// All ground pins raised alike, and the others with them.
fn clip(layout: &Layout, today: &[Today], values: &[PinValue]) -> Option<Placement> {
    let raised = |class: Class| {
        median_of(
            (0..values.len())
                .filter(|&pin| layout.places[pin].class == class)
                .filter_map(|pin| Some(values[pin].volts()?.get() - today[pin].centre)),
        )
    };
    let grounds = values
        .iter()
        .enumerate()
        .filter(|(pin, value)| layout.places[*pin].class == Class::Ground && value.volts().is_some())
        .count();
    let (ground, junction) = (raised(Class::Ground)?, raised(Class::Junction)?);
    (grounds >= 2 && ground > CLIP && (junction - ground).abs() < 0.3 * ground)
        .then_some(Placement::PoorGroundContact)
}

/// How well readings fit if each pin touches the net of another pin.
fn likelihood(layout: &Layout, today: &[Today], values: &[PinValue], map: Option<&[Option<usize>]>) -> Fit {
    let source = |pin: usize| map.map_or(Some(pin), |map| map[pin]);
    let expected = |pin: usize| -> (Class, f64) {
        source(pin).map_or((Class::Open, 0.0), |source| (layout.places[source].class, today[source].centre))
    };
    // A shift common to all junctions is another meter or temperature, not a placement.
    let common = median_of((0..values.len()).filter_map(|pin| {
        let (class, centre) = expected(pin);
        (class == Class::Junction).then_some(())?;
        Some(values[pin].volts()?.get() - centre)
    }))
    .unwrap_or(0.0)
    .clamp(-0.12, 0.12);
    let mut fit = Fit { score: 0.0, matched: 0, count: 0 };
    for (pin, value) in values.iter().enumerate() {
        let (class, centre) = expected(pin);
        let density = match (class, value) {
            (Class::Unknown, _) | (_, PinValue::Unread(_)) => continue,
            (Class::Open, PinValue::Overload) => {
                // Open where open is expected says little: half of the wrong ways leave an end row open too.
                fit.count += 1;
                fit.matched += 1;
                continue;
            }
            (Class::Open, PinValue::Volts(_)) => FAULTY / RANGE,
            (_, PinValue::Overload) => FAULTY,
            (_, PinValue::Volts(volts)) => {
                let moved = if class == Class::Junction { common } else { 0.0 };
                let deviation = (COARSE.0 + COARSE.1 * centre.abs()).min(0.05);
                let z = (volts.get() - centre - moved) / deviation;
                fit.matched += usize::from(z.abs() < 3.0);
                (1.0 - FAULTY) * (-0.5 * z * z).exp() / (deviation * 2.506_628_274_631) + FAULTY / RANGE
            }
        };
        fit.count += 1;
        // An overload is a point, a voltage a density: put both on the scale of a faulty reading's density.
        fit.score += (density * RANGE).ln();
    }
    fit
}

/// How well readings fit if red and black are exchanged: ground stays, resistors stay, junctions block or lead
/// through something else. `None` if even these do not hold.
fn reversed(layout: &Layout, today: &[Today], values: &[PinValue]) -> Option<f64> {
    let (mut score, mut blocked, mut junctions) = (0.0, 0usize, 0usize);
    for (pin, value) in values.iter().enumerate() {
        let centre = today[pin].centre;
        let near = |volts: f64| {
            let deviation = COARSE.0 + COARSE.1 * centre.abs();
            let z = (volts - centre) / deviation;
            (-0.5 * z * z).exp() / (deviation * 2.506_628_274_631)
        };
        let density = match (layout.places[pin].class, value) {
            (Class::Unknown, _) | (_, PinValue::Unread(_)) => continue,
            (Class::Open, PinValue::Overload) => continue,
            (Class::Open, PinValue::Volts(_)) => FAULTY / RANGE,
            (Class::Ground | Class::Resistor, PinValue::Overload) => FAULTY,
            (Class::Ground | Class::Resistor, PinValue::Volts(volts)) => {
                (1.0 - FAULTY) * near(volts.get()) + FAULTY / RANGE
            }
            (Class::Junction, value) => {
                junctions += 1;
                match value {
                    PinValue::Overload => {
                        blocked += 1;
                        0.6
                    }
                    PinValue::Volts(volts) if volts.get() > centre + REVERSED => {
                        blocked += 1;
                        0.25 / RANGE
                    }
                    // What was taken for a junction may be a resistor.
                    PinValue::Volts(volts) => 0.1 * near(volts.get()) + FAULTY / RANGE,
                    PinValue::Unread(_) => continue,
                }
            }
        };
        score += (density * RANGE).ln();
    }
    (junctions >= 2 && blocked * 4 >= junctions * 3).then_some(score)
}

/// Readings that fit no way of being seated, and whose order has nothing to do with the reference's.
fn stranger(layout: &Layout, today: &[Today], values: &[PinValue], right: &Fit) -> Option<Placement> {
    if right.count < 8 || right.matched * 3 > right.count {
        return None;
    }
    let pairs: Vec<(f64, f64)> = (0..values.len())
        .filter(|&pin| matches!(layout.places[pin].class, Class::Junction | Class::Resistor | Class::Ground))
        .filter_map(|pin| Some((pin, today[pin].centre, values[pin].volts()?.get())))
        // A pin that is shorted reads the same on every connector.
        .filter(|&(pin, _, seen)| seen > SHORTED || layout.places[pin].class == Class::Ground)
        .map(|(_, centre, seen)| (centre, seen))
        .collect();
    if pairs.len() < 6 {
        return None;
    }
    // Kendall's tau: the share of pairs of pins in the same order, less the share in the opposite order.
    let (mut same, mut all) = (0i64, 0i64);
    for (index, a) in pairs.iter().enumerate() {
        for b in &pairs[index + 1..] {
            all += 1;
            let product = (a.0 - b.0) * (a.1 - b.1);
            same += i64::from(product > 0.0) - i64::from(product < 0.0);
        }
    }
    (same * 10 < all * 3).then_some(Placement::OtherConnector)
}

fn shifted(connector: &Connector, by: i32) -> Option<Vec<Option<usize>>> {
    remapped(connector, |row, position, _| Some((row, position - i64::from(by))))
}

/// The other way round: rows in opposite order, positions too. With one row only the positions turn.
fn turned(connector: &Connector) -> Option<Vec<Option<usize>>> {
    let mut rows: Vec<&str> = connector.pins.iter().filter_map(|pin| pin.row.as_deref()).collect();
    rows.sort_unstable();
    rows.dedup();
    remapped(connector, |row, position, (first, last)| {
        let index = rows.iter().position(|other| Some(*other) == row);
        let opposite = index.map(|index| rows[rows.len() - 1 - index]);
        Some((opposite, first + last - position))
    })
}

type Seat<'a> = (Option<&'a str>, i64);

/// Maps every pin to the pin at another seat. `None` where the drawing gives no positions.
fn remapped<'a>(
    connector: &'a Connector,
    seat: impl Fn(Option<&'a str>, i64, (i64, i64)) -> Option<Seat<'a>>,
) -> Option<Vec<Option<usize>>> {
    let positions: Option<Vec<i64>> = connector.pins.iter().map(|pin| pin.position.map(i64::from)).collect();
    let positions = positions?;
    let ends = (*positions.iter().min()?, *positions.iter().max()?);
    let by_seat: std::collections::HashMap<Seat<'a>, usize> = connector
        .pins
        .iter()
        .zip(&positions)
        .enumerate()
        .map(|(index, (pin, &position))| ((pin.row.as_deref(), position), index))
        .collect();
    Some(
        connector
            .pins
            .iter()
            .zip(&positions)
            .map(|(pin, &position)| {
                seat(pin.row.as_deref(), position, ends).and_then(|seat| by_seat.get(&seat).copied())
            })
            .collect(),
    )
}
