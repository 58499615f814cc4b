//! How well a set of faults explains a board, as the logarithm of posterior odds against "nothing is wrong".

use super::{
    super::layout::{Class, Partner},
    Cause,
    circuit::SLOPE,
    scene::{Scene, loose},
};

/// Shares of the kinds of faults among all faults on a connector that was just rebuilt. Common practice; within a
/// factor of two they change no verdict, for one reading of evidence weighs more.
const OPEN: f64 = 0.25;
const HIGH: f64 = 0.20;
const SHORT: f64 = 0.15;
const LEAK: f64 = 0.13;
const MISSING: f64 = 0.07;
const BRIDGE: f64 = 0.10;
const SWAP: f64 = 0.10;

/// Prior weight of a bridge between pins that are not beside each other, relative to neighbours.
const FAR_BRIDGE: f64 = 0.000_3;

/// Resistances of bad joints, in ohms: below 2 a diode test sees nothing, above 2000 it shows OL. Spread evenly over
/// the logarithm, for no scale is likelier than another.
const JOINT: (f64, f64) = (2.0, 2000.0);

/// Resistances of leaks, in ohms: below 15 it is called a short, above 10 000 no diode test sees it at a junction.
const LEAKS: (f64, f64) = (15.0, 10_000.0);

/// A short is solder or a failed part of a few ohms; it rarely reaches the resistance where leaks begin.
const SHORT_VOLTS: f64 = 0.008;

/// Readings of pins that are tied together differ by contacts, copper and the solder of a bridge.
const TIED: f64 = 0.002;

/// Doubt about what a circuit predicts: ideality and termination are guessed. Volts.
const PREDICTED: f64 = 0.010;

/// Nets move along when another is pulled down, through clamps and pull-ups: probability and mean of the movement in
/// volts for a net and for a rail, when the other net is pulled to zero. A pull-up of R takes `V/R` of the test
/// current; 2.2 to 10 kohm at 1 mA move a junction by 3 to 15 mV, 1 kohm by 40 (circuit of `physics::Network`). A
/// rail has many such ties.
const ALONG: (f64, f64) = (0.08, 0.012);
const ALONG_RAIL: (f64, f64) = (0.35, 0.020);

/// Probability that a tied leg reads something between its partner and its own good reading, not what the standard
/// termination predicts.
const ON_THE_WAY: f64 = 0.15;

/// Probability that a part that is missing leaves no path at all.
const NO_OTHER_PATH: f64 = 0.6;

/// Probability that a bad joint is so bad that it shows OL.
const BEYOND: f64 = 0.02;

/// Log density of a reading that nothing explains.
const UNEXPLAINED: f64 = -15.0;

/// A reading this much less likely than the likeliest one is worth an explanation: 3 standard deviations.
pub(super) const SURPRISING: f64 = 4.5;

/// Log of what cannot be.
const NEVER: f64 = -60.0;

/// What a set of faults makes of the pins that it touches.
#[derive(Debug, Clone, Copy)]
pub(super) struct Score {
    /// Log odds against "nothing is wrong".
    pub(super) odds: f64,
    /// The pin whose reading is least explained, if one is surprising.
    pub(super) worst: Option<usize>,
}

impl Scene<'_> {
    /// Scores a set of faults over the pins that it touches and those that stand out.
    pub(super) fn score(&self, causes: &[Cause], left: &[usize], standing_out: &[usize]) -> Score {
        let mut pins: Vec<usize> = standing_out.to_vec();
        let mut odds = 0.0;
        for cause in causes {
            odds += self.prior(*cause);
            let (own, count) = cause.pins();
            for &pin in &own[..count] {
                pins.push(pin);
                if cause.on_net() {
                    pins.extend_from_slice(&self.layout.nets[self.net(pin)]);
                    if let Some(partner) = self.layout.places[pin].partner {
                        pins.push(partner.pin);
                    }
                }
            }
        }
        pins.sort_unstable();
        pins.dedup();
        let levels: Vec<Level> = causes.iter().filter(|c| c.on_net()).map(|c| self.level(*c, causes)).collect();
        odds += levels.iter().map(|level| level.density).sum::<f64>();
        let pulled = levels.iter().map(|level| level.pull).fold(0.0, f64::max);
        if self.clashes(causes) {
            odds += NEVER;
        }
        let (mut worst, mut most) = (None, SURPRISING);
        for pin in pins {
            let mut density = self.density(pin, causes, &levels, pulled);
            if left.contains(&pin) {
                density = density.max(UNEXPLAINED);
            } else {
                let surprise = self.surprise_under(pin, density);
                if surprise > most {
                    (worst, most) = (Some(pin), surprise);
                }
            }
            odds += density - self.null(pin);
        }
        Score { odds, worst }
    }

    /// Log prior odds of one fault.
    fn prior(&self, cause: Cause) -> f64 {
        let rate = self.assumptions.fault_rate;
        let pins = self.values.len().max(2) as f64;
        let share = match cause {
            Cause::Open(_) => OPEN,
            Cause::High(_) => HIGH,
            Cause::Missing(_) => MISSING,
            Cause::Short(_) => SHORT,
            Cause::Leak(_) => LEAK,
            Cause::Bridge(a, b) => {
                let beside = |pin: usize, other: usize| {
                    let neighbours = self.layout.places[pin].neighbours.iter();
                    neighbours.filter(|(p, _)| *p == other).map(|(_, weight)| *weight).next()
                };
                BRIDGE * beside(a, b).unwrap_or(FAR_BRIDGE)
            }
            Cause::Swap(..) => 2.0 * SWAP / (pins - 1.0),
        };
        (rate * share).ln()
    }

    /// Two faults that cannot be at one pin or net together, as far as one reading tells.
    fn clashes(&self, causes: &[Cause]) -> bool {
        causes.iter().enumerate().any(|(index, a)| {
            causes[..index].iter().any(|b| {
                let ((pa, na), (pb, nb)) = (a.pins(), b.pins());
                let same_pin = pa[..na].iter().any(|p| pb[..nb].contains(p));
                let same_net = pa[..na].iter().any(|p| pb[..nb].iter().any(|q| self.net(*p) == self.net(*q)));
                (a.on_net() && b.on_net() && same_net) || same_pin
            })
        })
    }

    fn density(&self, pin: usize, causes: &[Cause], levels: &[Level], pulled: f64) -> f64 {
        let mut source = pin;
        let mut high = false;
        for cause in causes {
            match *cause {
                Cause::Open(p) if p == pin => return if self.overload(pin) { 0.0 } else { NEVER },
                Cause::Swap(a, b) if a == pin => source = b,
                Cause::Swap(a, b) if b == pin => source = a,
                Cause::High(p) if p == pin => high = true,
                _ => {}
            }
        }
        let level = levels.iter().find(|level| level.nets.contains(&self.net(source)));
        if high {
            let base = level.map_or_else(|| self.centre(source), |level| level.volts);
            return self.high(pin, base, level.is_none());
        }
        match level {
            Some(level) => match (level.volts, self.volts(pin)) {
                // The first pin of the net gave the level; its own density is the level's.
                (Some(_), Some(_)) if level.first == pin => 0.0,
                (Some(volts), Some(seen)) => loose(seen - volts, TIED),
                (None, None) if self.overload(pin) => 0.0,
                _ => NEVER,
            },
            None => match self.leader(pin, source, causes) {
                Some(leader) if leader != pin => self.following(pin, leader),
                _ => self.along(pin, source, causes, levels, pulled),
            },
        }
    }

    /// Of the pins of a shared net that no fault of their own touches, the one that is nearest to what is expected:
    /// the others must read as it does, so a net that is a little off is one piece of evidence and not many.
    fn leader(&self, pin: usize, source: usize, causes: &[Cause]) -> Option<usize> {
        if source != pin {
            return None;
        }
        self.nearest(self.net(pin), |pin| at_joint(causes, pin))
    }

    /// A joint with resistance above what the net itself reads.
    fn high(&self, pin: usize, base: Option<f64>, good: bool) -> f64 {
        let Some(base) = base else { return NEVER };
        if self.overload(pin) {
            return BEYOND.ln();
        }
        let Some(seen) = self.volts(pin) else { return 0.0 };
        let noise = if good { self.today[pin].deviation } else { TIED };
        let raised = seen - base;
        if raised < noise {
            return NEVER;
        }
        // Even over the logarithm of ohms is even over the logarithm of volts.
        -(raised.max(2.0 * noise) * (JOINT.1 / JOINT.0).ln()).ln()
    }

    /// A pin that no fault touches: as expected, or moved along with a neighbour's fault.
    fn along(&self, pin: usize, source: usize, causes: &[Cause], levels: &[Level], pulled: f64) -> f64 {
        let touched = |pin: usize| at_joint(causes, pin) || levels.iter().any(|level| level.nets.contains(&self.net(pin)));
        let null = match self.other_leg(pin, touched) {
            Some(leg) if source == pin => self.beside_leg(pin, leg),
            _ => self.plain(pin, source),
        };
        let Some(seen) = self.volts(pin) else { return null };
        for leg in levels.iter().flat_map(|level| level.partners.iter().flatten()) {
            if leg.pin == source {
                let doubt = PREDICTED + 0.15 * (leg.reading - self.today[source].centre).abs().min(0.1);
                let through = loose(seen - leg.reading, doubt);
                // Another termination or ideality than assumed leaves the leg somewhere on the way.
                let centre = self.today[source].centre;
                let way = (centre - leg.level).abs();
                let between = seen > leg.level.min(centre) && seen < leg.level.max(centre);
                let tied = if between && way > 0.02 { mix(1.0 - ON_THE_WAY, through, ON_THE_WAY, -way.ln()) } else { through };
                let apart = mix(1.0 - leg.tied - leg.same, null, leg.tied, tied);
                return mix(1.0, apart, leg.same, loose(seen - leg.level, TIED));
            }
        }
        let moved = seen - self.today[source].centre;
        if pulled > 0.0 && self.class(source) == Class::Junction && moved < -1.5 * self.today[source].deviation {
            let (chance, mean) = if self.layout.places[source].rail { ALONG_RAIL } else { ALONG };
            // Resistance in series makes a net fall more for the same share of the current; half of it is between the
            // pin and the tie on average.
            let mean = mean * pulled.max(0.1) * (1.0 + 0.5 * self.resistive[source] / SLOPE);
            return mix(1.0 - chance, null, chance, moved / mean - mean.ln());
        }
        null
    }

    /// Where a fault on a net puts the net, judged by its own pins, and how likely that is.
    fn level(&self, cause: Cause, causes: &[Cause]) -> Level {
        let (own, count) = cause.pins();
        let nets = [self.net(own[0]), self.net(own[count - 1])];
        let touched = |pin: usize| at_joint(causes, pin);
        let mut read = nets[..count]
            .iter()
            .flat_map(|&net| self.layout.nets[net].iter().copied())
            .filter(|&pin| !touched(pin))
            .filter_map(|pin| Some((pin, self.volts(pin)?)));
        let own_first = own[..count].iter().find(|&&pin| !touched(pin)).and_then(|&pin| Some((pin, self.volts(pin)?)));
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
            let drops = own[..count].iter().filter_map(|&pin| self.centre(pin)).filter(|centre| *centre > 0.05);
            level.pull = drops.map(|centre| (centre - volts) / centre).fold(0.0, f64::max).clamp(0.0, 1.0);
        }
        // The circuit of a fault does not change while the search tries it in other company.
        let known = self.levels.borrow().iter().find(|(c, first, _)| *c == cause && *first == level.first).map(|k| k.2);
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
                    level.partners[0] = Some(Leg { pin: leg.pin, reading, tied: leg.tied, level: reading, same: 0.0 });
                }
            }
            (Cause::Bridge(a, b), Some(volts)) => {
                let bridged = self.bridge(a, b);
                level.density = bridged.joint.map_or(NEVER, |joint| {
                    let lower = [a, b].into_iter().filter(|&p| self.centre(p).is_some()).map(|p| self.today[p]);
                    let least = lower.min_by(|x, y| x.centre.total_cmp(&y.centre));
                    least.map_or(NEVER, |least| {
                        let doubt = least.deviation.hypot(0.4 * (least.centre - joint)).max(0.003);
                        loose(volts - joint, doubt)
                    })
                });
                for (slot, partner) in level.partners.iter_mut().zip(bridged.partners) {
                    *slot = partner.map(|(pin, reading, tied)| Leg { pin, reading, tied, level: volts, same: 0.0 });
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
            (Some(below), Some(here)) => ((here - below).abs() / step / logs).clamp(1e-6, 0.5 / noise).ln(),
            // Deviations make a weak leak look like none at all.
            _ => (0.3 / (noise * logs)).ln(),
        }
    }

    /// Density of what is left when a part is missing.
    fn missing_density(
        &self,
        pin: usize,
        volts: Option<f64>,
        pair: Option<(Partner, (Option<f64>, Option<f64>))>,
    ) -> f64 {
        let (Some(centre), 1) = (self.centre(pin), self.layout.nets[self.net(pin)].len()) else { return NEVER };
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

/// A net with a fault: where it stands and what hangs on it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Level {
    nets: [usize; 2],
    /// The pin whose reading gave the level.
    first: usize,
    volts: Option<f64>,
    /// Log density of the level.
    density: f64,
    /// How far below its good reading the net stands, as a share of it.
    pull: f64,
    /// Partners of its pins.
    partners: [Option<Leg>; 2],
}

/// The other leg of a pair whose net has a fault.
#[derive(Debug, Clone, Copy)]
struct Leg {
    pin: usize,
    /// What it is predicted to read through the termination, and the probability of one.
    reading: f64,
    tied: f64,
    /// What it reads if the two are one net, and the probability of that.
    level: f64,
    same: f64,
}

/// Whether a fault sits at the joint of this pin.
fn at_joint(causes: &[Cause], pin: usize) -> bool {
    causes.iter().any(|cause| match *cause {
        Cause::Open(p) | Cause::High(p) => p == pin,
        Cause::Swap(a, b) => a == pin || b == pin,
        Cause::Missing(_) | Cause::Short(_) | Cause::Leak(_) | Cause::Bridge(..) => false,
    })
}

/// Log density of a mixture of two log densities.
fn mix(a: f64, log_a: f64, b: f64, log_b: f64) -> f64 {
    let (x, y) = (a.max(1e-12).ln() + log_a, b.max(1e-12).ln() + log_b);
    let high = x.max(y);
    high + ((x - high).exp() + (y - high).exp()).ln()
}

