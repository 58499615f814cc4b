//! What a fault makes of the readings, by the circuit of the nets that it touches.
//!
//! A termination ties the legs of a pair; other ties between nets are not drawn anywhere and are left to the
//! likelihood, which lets nets move along.

use super::super::{
    common::{IDEALITY, THERMAL},
    layout::Class,
};
use super::scene::Scene;
use crate::physics::{MOST_NETS, Network, Path};

/// n·Vt of what hangs on a net.
pub(super) const SLOPE: f64 = IDEALITY * THERMAL;

/// Termination of a differential pair, in ohms: 100 is the standard value (TIA/EIA-644), 85 to 120 are in use.
pub(super) const TERMINATION: f64 = 100.0;

/// Resistance of a solder bridge, in ohms: solder itself is milliohms, whiskers and flux with balls a few ohms.
const SOLDER: f64 = 0.5;

/// A tie less probable than this is left out of the circuit.
const WORTH: f64 = 0.3;

/// What a bridge of two nets is predicted to read, and at the partners of its pins.
pub(super) struct Bridged {
    pub(super) joint: Option<f64>,
    /// Which partner, what it reads, the probability of its tie.
    pub(super) partners: [Option<(usize, f64, f64)>; 2],
}

impl Scene<'_> {
    /// The path of a pin's net without its partner's.
    fn path(&self, pin: usize, tied: bool) -> Path {
        let centre = self.today[pin].centre;
        let current = self.source.current_at(centre).max(1e-6);
        match self.class(pin) {
            Class::Ground => Path::Ground,
            Class::Open | Class::Unknown => Path::Open,
            Class::Resistor => Path::Resistor { ohms: (centre / current).max(1e-3) },
            Class::Junction => {
                let own = if tied { centre + self.tie_share(centre) } else { centre };
                Path::junction(own, current, SLOPE, self.resistive[pin])
            }
        }
    }

    /// By how much a leg would read more without the path through its termination and the other leg.
    ///
    /// Legs are taken to be alike. With the share s of the current through the other leg,
    /// `s/(1 − s) = exp(−s·I·Rt/(n·Vt))`, and the own junction drops `−n·Vt·ln(1 − s)` more when it carries all.
    fn tie_share(&self, centre: f64) -> f64 {
        let across = self.source.current_at(centre) * TERMINATION / SLOPE;
        let mut share = 0.3;
        for _ in 0..8 {
            let odds = (-share * across).exp();
            share = 0.5 * (share + odds / (1.0 + odds));
        }
        -SLOPE * (1.0 - share).ln()
    }

    /// Resistance to ground that makes a pin's net read `volts`; `None` if no leak can.
    pub(super) fn leak_ohms(&self, pin: usize, volts: f64, tied: bool) -> Option<f64> {
        let volts = volts.max(1e-4);
        let mut rest = self.source.current_at(volts);
        let partner = self.layout.places[pin].partner.filter(|_| tied);
        rest -= self.path(pin, partner.is_some()).current_at(volts).0;
        if let Some(partner) = partner {
            rest -= self.through_tie(partner.pin, volts);
        }
        (rest > 1e-9).then(|| volts / rest)
    }

    /// Current that leaves through a termination into the other leg.
    fn through_tie(&self, other: usize, volts: f64) -> f64 {
        let path = self.path(other, true);
        let (mut low, mut high) = (0.0, volts);
        for _ in 0..24 {
            let middle = 0.5 * (low + high);
            if path.current_at(middle).0 > (volts - middle) / TERMINATION {
                high = middle;
            } else {
                low = middle;
            }
        }
        (volts - 0.5 * (low + high)) / TERMINATION
    }

    /// What the other leg of a pair reads when this leg leaks by `ohms` to ground.
    pub(super) fn partner_of_leak(&self, pin: usize, other: usize, ohms: f64) -> Option<f64> {
        Network::new(&[self.path(pin, true), self.path(other, true)])
            .tie(0, 1, TERMINATION)
            .leak(0, ohms)
            .reading(&self.source, 1)
    }

    /// What both legs of a pair read when the part on this leg is missing: its own reading, the partner's.
    pub(super) fn missing_of_pair(&self, other: usize) -> (Option<f64>, Option<f64>) {
        let network = Network::new(&[Path::Open, self.path(other, true)]).tie(0, 1, TERMINATION);
        (network.reading(&self.source, 0), network.reading(&self.source, 1))
    }

    /// What two bridged nets read.
    pub(super) fn bridge(&self, a: usize, b: usize) -> Bridged {
        let partner = |pin: usize, not: usize| {
            self.layout.places[pin].partner.filter(|leg| {
                leg.tied > WORTH
                    && self.net(leg.pin) != self.net(not)
                    && self.class(leg.pin) == Class::Junction
            })
        };
        let of_pair = self.layout.places[a]
            .partner
            .is_some_and(|leg| leg.tied > WORTH && self.net(leg.pin) == self.net(b));
        let (pa, pb) = (partner(a, b), partner(b, a));
        let mut paths = [Path::Open; MOST_NETS];
        paths[0] = self.path(a, pa.is_some() || of_pair);
        paths[1] = self.path(b, pb.is_some() || of_pair);
        let mut count = 2;
        let mut ends = [None, None];
        for (index, partner) in [pa, pb].into_iter().enumerate() {
            if let Some(other) = partner {
                paths[count] = self.path(other.pin, true);
                ends[index] = Some((other, count));
                count += 1;
            }
        }
        let mut network = Network::new(&paths[..count]).tie(0, 1, SOLDER);
        if of_pair {
            network = network.tie(0, 1, TERMINATION);
        }
        for (index, end) in ends.iter().enumerate() {
            if let Some((_, place)) = end {
                network = network.tie(index, *place, TERMINATION);
            }
        }
        Bridged {
            joint: network.reading(&self.source, 0),
            partners: ends.map(|end| {
                end.and_then(|(other, place)| {
                    Some((other.pin, network.reading(&self.source, place)?, other.tied))
                })
            }),
        }
    }
}
