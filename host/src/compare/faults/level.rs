//! Where a fault on a net puts the net, and how likely that level is: shorts, leaks, bridges, missing parts.

use super::{
    super::layout::{Class, Partner},
    Cause,
    likelihood::{NEVER, TIED, at_joint},
    scene::{Scene, loose},
};

/// Resistances of leaks, in ohms: below 15 it is called a short, above 10 000 no diode test sees it at a junction.
const LEAKS: (f64, f64) = (15.0, 10_000.0);

/// A short is solder or a failed part of a few ohms; it rarely reaches the resistance where leaks begin.
const SHORT_VOLTS: f64 = 0.008;

/// Doubt about what a circuit predicts: ideality and termination are guessed. Volts.
pub(super) const PREDICTED: f64 = 0.010;

/// Probability that a part that is missing leaves no path at all.
const NO_OTHER_PATH: f64 = 0.6;

/// A net with a fault: where it stands and what hangs on it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Level {
    pub(super) nets: [usize; 2],
    /// The pin whose reading gave the level.
    pub(super) first: usize,
    pub(super) volts: Option<f64>,
    /// Log density of the level.
    pub(super) density: f64,
    /// How far below its good reading the net stands, as a share of it.
    pub(super) pull: f64,
    /// Partners of its pins.
    pub(super) partners: [Option<Leg>; 2],
}

/// The other leg of a pair whose net has a fault.
#[derive(Debug, Clone, Copy)]
pub(super) struct Leg {
    pub(super) pin: usize,
    /// What it is predicted to read through the termination, and the probability of one.
    pub(super) reading: f64,
    pub(super) tied: f64,
    /// What it reads if the two are one net, and the probability of that.
    pub(super) level: f64,
    pub(super) same: f64,
}

/// What the two legs of a pair read, each.
type Readings = (Option<f64>, Option<f64>);

impl Scene<'_> {
    /// Where a fault on a net puts the net, judged by its own pins, and how likely that is.
    pub(super) fn level(&self, cause: Cause, causes: &[Cause]) -> Level {
        let (own, count) = cause.pins();
        let nets = [self.net(own[0]), self.net(own[count - 1])];
        let touched = |pin: usize| at_joint(causes, pin);
        let mut read = nets[..count]
            .iter()
            .flat_map(|&net| self.layout.nets[net].iter().copied())
            .filter(|&pin| !touched(pin))
            .filter_map(|pin| Some((pin, self.volts(pin)?)));
        let own_first =
            own[..count].iter().find(|&&pin| !touched(pin)).and_then(|&pin| Some((pin, self.volts(pin)?)));
        let found = own_first.or_else(|| read.next());
        let mut level = Level {
            nets,
            first: found.map_or(usize::MAX, |(pin, _)| pin),
            volts: found.map(|(_, volts)| volts),
            density: 0.0,
            pull: 0.0,
            partners: [None, None],
        };
        if let (Some(volts), false) = (level.volts, matches!(cause, Cause::Missing(_))) {
            let drops =
                own[..count].iter().filter_map(|&pin| self.centre(pin)).filter(|centre| *centre > 0.05);
            level.pull = drops.map(|centre| (centre - volts) / centre).fold(0.0, f64::max).clamp(0.0, 1.0);
        }
        // The circuit of a fault does not change while the search tries it in other company.
        let known = self
            .levels
            .borrow()
            .iter()
            .find(|(c, first, _)| *c == cause && *first == level.first)
            .map(|k| k.2);
        if let Some(known) = known {
            return known;
        }
        self.solve(cause, &mut level);
        self.levels.borrow_mut().push((cause, level.first, level));
        level
    }

    /// Solves the circuit of a fault on a net: how likely its level is, and what its partners read.
    fn solve(&self, cause: Cause, level: &mut Level) {
        let ([pin, _], _) = cause.pins();
        let tied = self.layout.places[pin].partner;
        match (cause, level.volts) {
            (Cause::Short(_), Some(volts)) => {
                level.density = if self.centre(pin).is_some_and(|c| volts > c) {
                    NEVER
                } else {
                    -volts.max(0.0) / SHORT_VOLTS - SHORT_VOLTS.ln()
                };
                level.partners[0] = self.partner_of_leak_at(pin, tied, volts);
            }
            (Cause::Leak(_), Some(volts)) => {
                level.density = self.leak_density(pin, volts);
                level.partners[0] = self.partner_of_leak_at(pin, tied, volts);
            }
            (Cause::Missing(_), volts) => {
                let pair = tied.map(|leg| (leg, self.missing_of_pair(leg.pin)));
                level.density = self.missing_density(pin, volts, pair);
                if let Some((leg, (_, Some(reading)))) = pair {
                    level.partners[0] =
                        Some(Leg { pin: leg.pin, reading, tied: leg.tied, level: reading, same: 0.0 });
                }
            }
            (Cause::Bridge(a, b), Some(volts)) => {
                let bridged = self.bridge(a, b);
                level.density = bridged.joint.map_or(NEVER, |joint| {
                    let lower =
                        [a, b].into_iter().filter(|&p| self.centre(p).is_some()).map(|p| self.today[p]);
                    let least = lower.min_by(|x, y| x.centre.total_cmp(&y.centre));
                    least.map_or(NEVER, |least| {
                        let doubt = least.deviation.hypot(0.4 * (least.centre - joint)).max(0.003);
                        loose(volts - joint, doubt)
                    })
                });
                for (slot, partner) in level.partners.iter_mut().zip(bridged.partners) {
                    *slot = partner.map(|(pin, reading, tied)| Leg {
                        pin,
                        reading,
                        tied,
                        level: volts,
                        same: 0.0,
                    });
                }
            }
            // Nothing read on the net: a missing part was dealt with above, the others need a reading.
            _ => level.density = NEVER,
        }
    }

    fn partner_of_leak_at(&self, pin: usize, tied: Option<Partner>, volts: f64) -> Option<Leg> {
        let leg = tied?;
        let ohms = self.leak_ohms(pin, volts, true)?;
        let reading = self.partner_of_leak(pin, leg.pin, ohms)?;
        Some(Leg { pin: leg.pin, reading, tied: leg.tied, level: volts, same: leg.same })
    }

    /// Density of the level that a leak makes: even over the logarithm of its ohms.
    fn leak_density(&self, pin: usize, volts: f64) -> f64 {
        let noise = self.today[pin].deviation.max(TIED);
        let logs = (LEAKS.1 / LEAKS.0).ln();
        if self.class(pin) == Class::Open {
            // All current through the leak: ohms are proportional to volts. Below the range it is called a short.
            let ohms = volts.max(1e-3) / self.source.current_at(volts).max(1e-9);
            return -(volts.max(1e-3) * logs).ln() - 3.0 * (LEAKS.0 / ohms).ln().max(0.0);
        }
        if self.centre(pin).is_none_or(|centre| volts > centre - noise) {
            return NEVER;
        }
        let tied = self.layout.places[pin].partner.is_some_and(|leg| leg.tied > 0.5);
        let step = 0.001f64.min(0.25 * noise);
        let at = |volts: f64| self.leak_ohms(pin, volts, tied).map(f64::ln);
        match (at(volts - step), at(volts)) {
            (Some(below), Some(here)) if here < LEAKS.0.ln() => {
                // A leak below the range is called a short; close to the border both names stand.
                ((here - below).abs() / step / logs).max(1e-6).ln() - 3.0 * (LEAKS.0.ln() - here)
            }
            (Some(below), Some(here)) => ((here - below).abs() / step / logs).min(0.5 / noise).max(1e-6).ln(),
            // Deviations make a weak leak look like none at all.
            _ => (0.3 / (noise * logs)).ln(),
        }
    }

    /// Density of what is left when a part is missing.
    fn missing_density(&self, pin: usize, volts: Option<f64>, pair: Option<(Partner, Readings)>) -> f64 {
        let (Some(centre), 1) = (self.centre(pin), self.layout.nets[self.net(pin)].len()) else {
            return NEVER;
        };
        if self.class(pin) == Class::Ground {
            return NEVER;
        }
        match volts {
            None => NO_OTHER_PATH.ln(),
            Some(volts) => {
                let raised = volts - centre;
                let noise = self.today[pin].deviation;
                if raised < noise {
                    return NEVER;
                }
                // The next path is a junction behind some resistance: up to half a volt more.
                let free = -(raised / 0.15) - 0.15f64.ln();
                let other = (1.0 - NO_OTHER_PATH).ln();
                match pair {
                    Some((leg, (Some(own), _))) => {
                        other + mix(1.0 - leg.tied, free, leg.tied, loose(volts - own, 2.0 * PREDICTED))
                    }
                    _ => other + free,
                }
            }
        }
    }
}

/// Log density of a mixture of two log densities.
pub(super) fn mix(a: f64, log_a: f64, b: f64, log_b: f64) -> f64 {
    let (x, y) = (a.max(1e-12).ln() + log_a, b.max(1e-12).ln() + log_b);
    let high = x.max(y);
    high + ((x - high).exp() + (y - high).exp()).ln()
}
