//! Which faults could explain the reading of one pin.

use super::{
    super::layout::{Class, Partner},
    Cause,
    scene::Scene,
};

/// How near two readings must be for a bridge to be worth a look, in volts.
const ALIKE: f64 = 0.012;

/// The same for pins that are not beside each other.
const ALIKE_FAR: f64 = 0.004;

/// A reading below this may be a short: 60 ohm at 1 mA.
const LOW: f64 = 0.06;

/// Deviations within which a reading may belong to another pin.
const EXCHANGED: f64 = 5.0;

/// Exchanges and far bridges that are looked at for one pin at most; the nearest readings come first.
const MOST: usize = 6;

impl Scene<'_> {
    /// Faults that could explain this pin's reading, alone or with others.
    pub(super) fn candidates(&self, pin: usize, standing_out: &[usize]) -> Vec<Cause> {
        let mut found = Vec::with_capacity(16);
        let centre = self.centre(pin);
        match (self.volts(pin), centre) {
            (None, Some(_)) if self.overload(pin) => {
                found.push(Cause::Open(pin));
                if self.class(pin) != Class::Ground {
                    found.push(Cause::Missing(pin));
                }
            }
            (Some(seen), None) => {
                self.down(pin, seen, &mut found);
                self.bridges(pin, seen, standing_out, &mut found);
            }
            (Some(seen), Some(centre)) => {
                // A pin may be raised above a net that is pulled down, so both ways are open below the centre.
                found.push(Cause::High(pin));
                if seen > centre {
                    if self.class(pin) != Class::Ground {
                        found.push(Cause::Missing(pin));
                    }
                } else {
                    self.down(pin, seen, &mut found);
                    self.bridges(pin, seen, standing_out, &mut found);
                }
                self.of_partner(pin, seen, centre, &mut found);
            }
            _ => {}
        }
        self.exchanges(pin, &mut found);
        found
    }

    fn down(&self, pin: usize, seen: f64, found: &mut Vec<Cause>) {
        if self.class(pin) == Class::Ground {
            return;
        }
        if seen < LOW {
            found.push(Cause::Short(pin));
        }
        found.push(Cause::Leak(pin));
    }

    /// A pair's other leg may be the one at fault.
    fn of_partner(&self, pin: usize, seen: f64, centre: f64, found: &mut Vec<Cause>) {
        let Some(Partner { pin: other, .. }) = self.layout.places[pin].partner else { return };
        let Some(other_seen) = self.volts(other) else {
            if self.overload(other) && seen > centre {
                found.push(Cause::Missing(other));
            }
            return;
        };
        if seen > centre {
            found.push(Cause::Missing(other));
        } else {
            self.down(other, other_seen, found);
        }
    }

    fn bridges(&self, pin: usize, seen: f64, standing_out: &[usize], found: &mut Vec<Cause>) {
        let net = self.net(pin);
        let able = |other: usize| {
            self.net(other) != net
                && self.class(other) != Class::Ground
                && self.class(other) != Class::Unknown
        };
        let apart = |other: usize| self.volts(other).map(|volts| (volts - seen).abs());
        let before = found.len();
        // Any pin of the net may have the neighbour.
        for &own in &self.layout.nets[net] {
            for &(other, _) in &self.layout.places[own].neighbours {
                if able(other) && apart(other).is_some_and(|apart| apart < ALIKE) {
                    found.push(bridge(own, other));
                }
            }
        }
        let mut far: Vec<(f64, usize)> = (0..self.values.len())
            .filter(|&other| other != pin && able(other))
            .filter(|&other| {
                standing_out.contains(&other) || self.class(pin) == Class::Open || self.below(other, seen)
            })
            .filter_map(|other| Some((apart(other).filter(|apart| *apart < ALIKE_FAR)?, other)))
            .collect();
        far.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        for (_, other) in far.into_iter().take(MOST) {
            let cause = bridge(pin, other);
            if !found[before..].contains(&cause) {
                found.push(cause);
            }
        }
    }

    /// Whether a net's good reading would hold a bridged pin where it is seen.
    fn below(&self, other: usize, seen: f64) -> bool {
        self.centre(other).is_some_and(|centre| (centre - seen).abs() < 3.0 * self.today[other].deviation)
    }

    fn exchanges(&self, pin: usize, found: &mut Vec<Cause>) {
        let mut fits: Vec<(f64, usize)> = (0..self.values.len())
            .filter(|&other| other != pin && self.net(other) != self.net(pin))
            .filter_map(|other| Some((other, self.misfit(pin, other)? + self.misfit(other, pin)?)))
            .map(|(other, misfit)| (misfit, other))
            .collect();
        fits.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        found.extend(
            fits.into_iter().take(MOST).map(|(_, other)| Cause::Swap(pin.min(other), pin.max(other))),
        );
    }

    /// How badly a pin's reading fits another pin's path, in deviations; `None` if it cannot be.
    fn misfit(&self, pin: usize, source: usize) -> Option<f64> {
        match (self.volts(pin), self.centre(source)) {
            (None, None) if self.overload(pin) && self.class(source) == Class::Open => Some(0.0),
            (Some(seen), Some(centre)) => {
                let z = (seen - centre).abs() / self.today[source].deviation;
                (z < EXCHANGED).then_some(z)
            }
            _ => None,
        }
    }
}

fn bridge(a: usize, b: usize) -> Cause {
    Cause::Bridge(a.min(b), a.max(b))
}
