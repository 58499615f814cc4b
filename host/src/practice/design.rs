//! A plausible board behind a connector: which parts hang on each net.
//!
//! Made from the connector's drawing and a design seed, the same every time. The drawing says which pins are
//! ground, which are rails, which share a net and which are pairs; chance says the rest: which chip a line goes
//! to, what its clamp diodes are like, where a resistor, a ferrite or a protection diode stands. The ranges are
//! those of ordinary boards; they are invented, no board was measured.

use std::collections::BTreeMap;

use super::random::Random;
use crate::{
    connector::{Connector, PinName, Role},
    physics::Junction,
    units::{Amperes, Ohms},
};

/// Parts and nets behind one connector.
#[derive(Debug, Clone, PartialEq)]
pub struct Design {
    /// The connector that it was made for.
    pub connector: Connector,
    /// Net of each pin, as an index into `nets`, in the order of the pins.
    pub net_of: Vec<usize>,
    /// The nets that reach the connector.
    pub nets: Vec<Net>,
    /// Everything that hangs on them.
    pub parts: Vec<Part>,
    /// Points inside the board, beyond those of the nets.
    pub(super) points: usize,
}

/// A net that reaches the connector.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Net {
    /// Its name in the drawing, or the name of its only pin.
    pub name: String,
    /// What it is.
    pub kind: NetKind,
    /// Where its pins are soldered.
    pub(super) point: Point,
    /// The part that stands alone for this net: what a missing part would be.
    pub(super) own_part: Option<usize>,
}

/// What a net is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NetKind {
    /// Board ground.
    Ground,
    /// A supply rail.
    Rail,
    /// A line.
    Line,
    /// Connected to nothing.
    Unconnected,
}

/// One part of the board, or one line's share of a chip.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// What a parts list would call it.
    pub name: String,
    /// Chip that it is part of: what its junctions have in common on one board.
    pub(super) chip: Option<usize>,
    pub(super) pieces: Vec<Piece>,
}

/// A point of the board's circuit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Point {
    Ground,
    Inner(usize),
}

/// What a part is made of, electrically. Junctions conduct from the first point to the second in the sense of
/// [`circuit`](super::circuit).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Piece {
    Resistor(Point, Point, Ohms),
    Junction(Point, Point, Junction),
    /// In farads.
    Capacitor(Point, Point, f64),
}

/// A chip: its clamp diodes are alike.
#[derive(Debug, Clone, Copy)]
struct Chip {
    number: usize,
    clamp: Junction,
    rail: Point,
}

struct Drawer {
    random: Random,
    points: usize,
    parts: Vec<Part>,
    counts: BTreeMap<char, usize>,
}

impl Design {
    /// Draws the board of this seed behind a connector.
    #[must_use]
    pub fn new(connector: &Connector, seed: u64) -> Self {
        let mut drawer = Drawer {
            random: Random::new(seed, "design"),
            points: 0,
            parts: Vec::new(),
            counts: BTreeMap::new(),
        };
        let (mut nets, net_of) = drawer.nets(connector);
        let rails: Vec<usize> = (0..nets.len()).filter(|&net| nets[net].kind == NetKind::Rail).collect();
        // Chips also run on rails that do not reach the connector.
        let mut supplies: Vec<Point> = rails.iter().map(|&net| nets[net].point).collect();
        supplies.push(drawer.point());
        let mut owned = Vec::new();
        for (at, &rail) in supplies.iter().enumerate() {
            owned.push(drawer.rail(rail, supplies.get(at + 1).copied()));
        }
        for (&net, &part) in rails.iter().zip(&owned) {
            nets[net].own_part = Some(part);
        }
        let chips = drawer.chips(&supplies);
        let mut done = vec![false; nets.len()];
        for pin in 0..connector.pins.len() {
            let net = net_of[pin];
            if nets[net].kind != NetKind::Line || done[net] {
                continue;
            }
            done[net] = true;
            let other = connector.pins[pin]
                .pair
                .as_ref()
                .and_then(|name| connector.index_of(name))
                .map(|other| net_of[other])
                .filter(|&other| nets[other].kind == NetKind::Line && !done[other]);
            if let Some(other) = other {
                done[other] = true;
                let parts = drawer.pair([nets[net].point, nets[other].point], &chips);
                nets[net].own_part = Some(parts[0]);
                nets[other].own_part = Some(parts[1]);
            } else {
                nets[net].own_part = Some(drawer.line(&nets[net].name, nets[net].point, &chips));
            }
        }
        Self { connector: connector.clone(), net_of, nets, parts: drawer.parts, points: drawer.points }
    }

    /// The net of a pin.
    #[must_use]
    pub fn net(&self, pin: usize) -> Option<&Net> {
        self.net_of.get(pin).and_then(|&net| self.nets.get(net))
    }

    /// Index of a pin with its net, by name.
    #[must_use]
    pub fn find(&self, name: &PinName) -> Option<(usize, usize)> {
        let pin = self.connector.index_of(name)?;
        Some((pin, *self.net_of.get(pin)?))
    }

    /// Pins of a net, in the order of the connector.
    pub fn pins_of(&self, net: usize) -> impl Iterator<Item = usize> + '_ {
        self.net_of.iter().enumerate().filter(move |&(_, &of)| of == net).map(|(pin, _)| pin)
    }
}

impl Drawer {
    fn point(&mut self) -> Point {
        self.points += 1;
        Point::Inner(self.points - 1)
    }

    fn part(&mut self, letter: char, chip: Option<usize>, pieces: Vec<Piece>) -> usize {
        let count = self.counts.entry(letter).or_default();
        *count += 1;
        let name = format!("{letter}{count}");
        self.parts.push(Part { name, chip, pieces });
        self.parts.len() - 1
    }

    fn nets(&mut self, connector: &Connector) -> (Vec<Net>, Vec<usize>) {
        let mut nets: Vec<Net> = Vec::new();
        let mut by_name: BTreeMap<String, usize> = BTreeMap::new();
        let net_of = connector
            .pins
            .iter()
            .map(|pin| {
                let kind = kind_of(pin.role, pin.net.as_deref());
                // Unconnected pins share nothing, whatever the drawing writes into their net column.
                let name = match (&pin.net, kind) {
                    (Some(net), NetKind::Ground | NetKind::Rail | NetKind::Line) => net.clone(),
                    _ => pin.name.to_string(),
                };
                let shared = (kind != NetKind::Unconnected).then(|| by_name.get(&name).copied()).flatten();
                shared.unwrap_or_else(|| {
                    let point = if kind == NetKind::Ground { Point::Ground } else { self.point() };
                    by_name.insert(name.clone(), nets.len());
                    nets.push(Net { name, kind, point, own_part: None });
                    nets.len() - 1
                })
            })
            .collect();
        (nets, net_of)
    }

    /// Loads, a bulk capacitor and perhaps a switch to the next rail. The first load is the rail's own part.
    fn rail(&mut self, rail: Point, next: Option<Point>) -> usize {
        let random = &mut self.random;
        // The junctions of everything that runs on the rail, in parallel: 0.4 to 0.55 V at 1 mA.
        let junction = junction(random, [2e-13, 1e-11], [1.0, 1.15], [0.3, 3.0]);
        let load = Ohms::of(random.decades(1.5e3, 60e3));
        let bulk = random.pick(&[1e-6, 2.2e-6, 4.7e-6, 10e-6, 22e-6, 47e-6]).copied().unwrap_or(1e-6);
        let second =
            random.chance(0.5).then(|| self::junction(random, [1e-14, 1e-12], [1.0, 1.2], [1.0, 6.0]));
        let switched = next.filter(|_| random.chance(0.3));
        let body = self::junction(random, [1e-13, 1e-12], [1.0, 1.1], [0.1, 1.0]);
        let own = self.part('U', None, vec![Piece::Junction(rail, Point::Ground, junction)]);
        self.part('U', None, vec![Piece::Resistor(rail, Point::Ground, load)]);
        self.part('C', None, vec![Piece::Capacitor(rail, Point::Ground, bulk)]);
        if let Some(second) = second {
            self.part('U', None, vec![Piece::Junction(rail, Point::Ground, second)]);
        }
        if let Some(next) = switched {
            self.part('Q', None, vec![Piece::Junction(rail, next, body)]);
        }
        own
    }

    fn chips(&mut self, rails: &[Point]) -> Vec<Chip> {
        let count = 3 + self.random.below(3);
        (0..count)
            .map(|number| Chip {
                number,
                // A clamp diode reads 0.5 to 0.75 V at 1 mA.
                clamp: junction(&mut self.random, [1e-15, 5e-12], [1.0, 1.12], [2.0, 15.0]),
                rail: self.random.pick(rails).copied().unwrap_or(Point::Ground),
            })
            .collect()
    }

    /// The clamps of one chip on one point.
    fn clamps(&mut self, at: Point, chip: Chip) -> usize {
        let mut up = chip.clamp;
        up.saturation = Amperes::of(up.saturation.get() * 0.6);
        let pieces = vec![Piece::Junction(at, Point::Ground, chip.clamp), Piece::Junction(chip.rail, at, up)];
        self.part('U', Some(chip.number), pieces)
    }

    fn chip(&mut self, chips: &[Chip]) -> Chip {
        // `chips` makes three at least.
        chips[self.random.below(chips.len())]
    }

    /// One line and everything on it; returns the part that stands alone for it.
    fn line(&mut self, name: &str, pad: Point, chips: &[Chip]) -> usize {
        let chip = self.chip(chips);
        let name = name.to_ascii_uppercase();
        let word = |words: &[&str]| {
            name.split(|c: char| !c.is_ascii_alphanumeric()).any(|part| {
                words.iter().any(|word| part.trim_end_matches(|c: char| c.is_ascii_digit()) == *word)
            })
        };
        let identification = word(&["ID", "DET", "DETECT"]) || self.random.chance(0.05);
        let pulled_up = word(&["SDA", "SCL", "INT", "RST", "RESET", "TE", "ALERT", "IRQ"]);
        if identification {
            // Read by an analog input: a resistor to ground whose drop stays below the clamp.
            let ohms = *self.random.pick(&[47.0, 100.0, 150.0, 220.0, 330.0, 390.0]).unwrap_or(&100.0);
            self.clamps(pad, chip);
            return self.part('R', None, vec![Piece::Resistor(pad, Point::Ground, Ohms::of(ohms))]);
        }
        let (far, series) = self.series(pad);
        let clamp = self.clamps(far, chip);
        if self.random.chance(0.15) {
            let other = self.chip(chips);
            self.clamps(far, other);
        }
        if pulled_up {
            let ohms = *self.random.pick(&[1e3, 2.2e3, 4.7e3, 10e3]).unwrap_or(&4.7e3);
            self.part('R', None, vec![Piece::Resistor(far, chip.rail, Ohms::of(ohms))]);
        } else if self.random.chance(0.1) {
            let ohms = *self.random.pick(&[10e3, 47e3, 100e3]).unwrap_or(&100e3);
            self.part('R', None, vec![Piece::Resistor(far, Point::Ground, Ohms::of(ohms))]);
        }
        let protection = self.random.chance(0.3).then(|| self.protection(pad));
        series.or(protection).unwrap_or(clamp)
    }

    /// Two legs to the same chip.
    fn pair(&mut self, pads: [Point; 2], chips: &[Chip]) -> [usize; 2] {
        let chip = self.chip(chips);
        if self.random.chance(0.1) {
            // Coupled through capacitors: both legs read OL.
            return pads.map(|pad| {
                let far = self.point();
                self.clamps(far, chip);
                self.part('C', None, vec![Piece::Capacitor(pad, far, 100e-9)])
            });
        }
        let choke = self.random.chance(0.3);
        let protected = self.random.chance(0.35);
        let mut far = pads;
        let mut own = [0; 2];
        for leg in 0..2 {
            let mut series = None;
            if choke {
                far[leg] = self.point();
                // One winding of a common-mode choke.
                let ohms = Ohms::of(self.random.between(0.5, 2.0));
                series = Some(self.part('L', None, vec![Piece::Resistor(pads[leg], far[leg], ohms)]));
            }
            let clamp = self.clamps(far[leg], chip);
            let protection = protected.then(|| self.protection(pads[leg]));
            own[leg] = series.or(protection).unwrap_or(clamp);
        }
        if self.random.chance(0.5) {
            self.part('R', None, vec![Piece::Resistor(far[0], far[1], Ohms::of(100.0))]);
        }
        own
    }

    /// A resistor or a ferrite in series, or nothing.
    fn series(&mut self, pad: Point) -> (Point, Option<usize>) {
        let kind = self.random.unit();
        let (letter, ohms) = match kind {
            k if k < 0.22 => ('R', *self.random.pick(&[10.0, 22.0, 33.0, 47.0, 100.0]).unwrap_or(&22.0)),
            k if k < 0.35 => ('L', self.random.between(0.1, 0.8)),
            _ => return (pad, None),
        };
        let far = self.point();
        let part = self.part(letter, None, vec![Piece::Resistor(pad, far, Ohms::of(ohms))]);
        (far, Some(part))
    }

    fn protection(&mut self, pad: Point) -> usize {
        let diode = junction(&mut self.random, [1e-14, 1e-12], [1.0, 1.1], [0.2, 1.0]);
        self.part('D', None, vec![Piece::Junction(pad, Point::Ground, diode)])
    }
}

/// Saturation current in amperes at 27 °C, ideality, series resistance in ohms: each between two values.
fn junction(random: &mut Random, saturation: [f64; 2], ideality: [f64; 2], series: [f64; 2]) -> Junction {
    Junction {
        saturation: Amperes::of(random.decades(saturation[0], saturation[1])),
        ideality: random.between(ideality[0], ideality[1]),
        series: Ohms::of(random.between(series[0], series[1])),
    }
}

/// What a pin is, from its role, or from what its net is called where the drawing has no roles.
fn kind_of(role: Option<Role>, net: Option<&str>) -> NetKind {
    match (role, net.map(str::to_ascii_uppercase)) {
        (Some(Role::Ground), _) => NetKind::Ground,
        (Some(Role::Power), _) => NetKind::Rail,
        (Some(Role::Signal), _) => NetKind::Line,
        (Some(Role::Unconnected), _) => NetKind::Unconnected,
        (None, Some(net)) if net.starts_with("GND") || net.ends_with("GND") => NetKind::Ground,
        (None, Some(net)) if net.starts_with("NC") => NetKind::Unconnected,
        (None, Some(net)) if ["VCC", "VDD", "VBAT", "VBUS", "RAIL"].iter().any(|p| net.starts_with(p)) => {
            NetKind::Rail
        }
        (None, _) => NetKind::Line,
    }
}
