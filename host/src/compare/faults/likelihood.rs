//! How well a set of faults explains a board, as the logarithm of posterior odds against "nothing is wrong".

use super::{
    super::layout::Class,
    Cause,
    circuit::SLOPE,
    level::{Level, PREDICTED, mix},
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

/// Readings of pins that are tied together differ by contacts, copper and the solder of a bridge.
pub(super) const TIED: f64 = 0.002;

/// Nets move along when another is pulled down, through clamps and pull-ups: probability and mean of the movement in
/// volts for a net and for a rail, when the other net is pulled to zero. A pull-up of R takes `V/R` of the test
/// current; 2.2 to 10 kohm at 1 mA move a junction by 3 to 15 mV, 1 kohm by 40 (circuit of `physics::Network`). A
/// rail has many such ties.
const ALONG: (f64, f64) = (0.08, 0.012);
const ALONG_RAIL: (f64, f64) = (0.35, 0.020);

/// Probability that a tied leg reads something between its partner and its own good reading, not what the standard
/// termination predicts.
const ON_THE_WAY: f64 = 0.15;

/// Probability that a bad joint is so bad that it shows OL.
const BEYOND: f64 = 0.02;

/// Log density of a reading that nothing explains.
const UNEXPLAINED: f64 = -15.0;

/// A reading this much less likely than the likeliest one is worth an explanation: 3 standard deviations.
pub(super) const SURPRISING: f64 = 4.5;

/// Log of what cannot be.
pub(super) const NEVER: f64 = -60.0;

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
        let levels: Vec<Level> =
            causes.iter().filter(|c| c.on_net()).map(|c| self.level(*c, causes)).collect();
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
        let touched = |pin: usize| {
            at_joint(causes, pin) || levels.iter().any(|level| level.nets.contains(&self.net(pin)))
        };
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
                let tied = if between && way > 0.02 {
                    mix(1.0 - ON_THE_WAY, through, ON_THE_WAY, -way.ln())
                } else {
                    through
                };
                let apart = mix(1.0 - leg.tied - leg.same, null, leg.tied, tied);
                return mix(1.0, apart, leg.same, loose(seen - leg.level, TIED));
            }
        }
        let moved = seen - self.today[source].centre;
        if pulled > 0.0
            && self.class(source) == Class::Junction
            && moved < -1.5 * self.today[source].deviation
        {
            let (chance, mean) = if self.layout.places[source].rail { ALONG_RAIL } else { ALONG };
            // Resistance in series makes a net fall more for the same share of the current; half of it is between the
            // pin and the tie on average.
            let mean = mean * pulled.max(0.1) * (1.0 + 0.5 * self.resistive[source] / SLOPE);
            return mix(1.0 - chance, null, chance, moved / mean - mean.ln());
        }
        null
    }
}

/// Whether a fault sits at the joint of this pin.
pub(super) fn at_joint(causes: &[Cause], pin: usize) -> bool {
    causes.iter().any(|cause| match *cause {
        Cause::Open(p) | Cause::High(p) => p == pin,
        Cause::Swap(a, b) => a == pin || b == pin,
        Cause::Missing(_) | Cause::Short(_) | Cause::Leak(_) | Cause::Bridge(..) => false,
    })
}
