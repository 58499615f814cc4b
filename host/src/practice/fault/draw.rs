//! Faults by chance, at places where such a fault can be.

use super::{BRIDGE, Fault, Placement};
use crate::{
    practice::{
        design::{Design, NetKind},
        random::Random,
    },
    units::Ohms,
};

/// Probability that a faulty board is placed wrongly instead. Invented: about one in fifteen.
const MISPLACED: f64 = 0.07;

/// Tries for one fault before a smaller number of faults is accepted.
const TRIES: usize = 100;

/// Draws one to three faults of kinds drawn at random. They touch different nets; a misplaced board has no other
/// fault, since nothing else could be told about it. Powered and charged boards are not drawn: no sweep gets that far.
#[must_use]
pub fn draw_faults(design: &Design, seed: u64) -> Vec<Fault> {
    let mut random = Random::new(seed, "faults");
    if random.chance(MISPLACED) {
        let placement = match random.below(3) {
            0 => Placement::LeadsReversed,
            1 => Placement::Shifted(if random.chance(0.5) { 1 } else { -1 }),
            _ => Placement::Turned,
        };
        return vec![Fault::Placement(placement)];
    }
    let wanted = 1 + random.below(3);
    let mut faults: Vec<Fault> = Vec::new();
    let mut used: Vec<usize> = Vec::new();
    for _ in 0..wanted {
        for _ in 0..TRIES {
            let Some(fault) = draw_one(design, &mut random) else { continue };
            let nets: Vec<usize> = fault.pins().iter().filter_map(|pin| Some(design.find(pin)?.1)).collect();
            if nets.iter().any(|net| used.contains(net)) {
                continue;
            }
            used.extend(nets);
            faults.push(fault);
            break;
        }
    }
    faults
}

/// A fault of a random kind at a random place; `None` if it could not be there.
fn draw_one(design: &Design, random: &mut Random) -> Option<Fault> {
    let count = design.net_of.len();
    let at = random.below(count);
    let kind = |pin: usize| design.net(pin).map(|net| net.kind);
    let name = |pin: usize| design.connector.pins.get(pin).map(|pin| pin.name.clone());
    let pin = name(at)?;
    let joined = kind(at)? != NetKind::Unconnected;
    let above_ground = matches!(kind(at)?, NetKind::Line | NetKind::Rail);
    match random.below(7) {
        0 if joined => Some(Fault::Open(pin)),
        1 if joined => Some(Fault::Raised(pin, rounded(random.decades(50.0, 500.0)))),
        2 if above_ground => Some(Fault::Short(pin, rounded(random.decades(0.5, 10.0)))),
        3 if above_ground => Some(Fault::Leak(pin, rounded(random.decades(60.0, 1200.0)))),
        4 => {
            // Solder joins neighbours. A bridge to ground is a short to ground and drawn as such.
            let next = at + 1;
            let neighbours = design.connector.pins.get(next)?.row == design.connector.pins[at].row;
            let bridgeable =
                |pin| matches!(kind(pin), Some(NetKind::Line | NetKind::Rail | NetKind::Unconnected));
            let apart = design.net_of[at] != design.net_of[next];
            let something = joined || kind(next)? != NetKind::Unconnected;
            (neighbours && apart && something && bridgeable(at) && bridgeable(next))
                .then(|| Some(Fault::Bridge([pin, name(next)?], BRIDGE)))?
        }
        5 if above_ground => {
            // Jumpers run to lines that the repair had to rebuild, anywhere under the connector.
            let other = random.below(count);
            let line = matches!(kind(other), Some(NetKind::Line | NetKind::Rail));
            (line && design.net_of[other] != design.net_of[at])
                .then(|| Some(Fault::Swap([pin, name(other)?])))?
        }
        6 if above_ground => Some(Fault::Missing(pin)),
        _ => None,
    }
}

/// Three digits, so that a fault reads well and its text gives the same value again.
fn rounded(ohms: f64) -> Ohms {
    let one = 10_f64.powi(ohms.log10().floor() as i32 - 2);
    let digits = (ohms / one).round();
    // Dividing by a whole power of ten where there is one keeps 1.23 from becoming 1.2300000000000002.
    Ohms::of(if one < 1.0 { digits / one.recip().round() } else { digits * one })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::practice::{Specimen, sample};

    #[test]
    fn drawn_faults_are_possible_and_read_back() {
        let design = Design::new(&sample::connector(), 1);
        for seed in 0..400 {
            let faults = draw_faults(&design, seed);
            assert!((1..=3).contains(&faults.len()), "seed {seed}");
            for fault in &faults {
                assert_eq!(fault.to_string().parse::<Fault>().as_ref(), Ok(fault));
            }
            assert!(Specimen::new(&design, "T", seed, &faults).is_ok(), "seed {seed}: {faults:?}");
        }
    }

    #[test]
    fn every_kind_comes_up() {
        let design = Design::new(&sample::connector(), 1);
        let kinds: std::collections::BTreeSet<&str> =
            (0..200).flat_map(|seed| draw_faults(&design, seed)).map(|fault| fault.kind()).collect();
        assert_eq!(kinds.len(), 10, "{kinds:?}");
    }

    #[test]
    fn a_connector_with_nothing_to_break_gets_no_joint_faults() {
        let mut connector = sample::connector();
        connector.pins.retain(|pin| pin.role == Some(crate::connector::Role::Unconnected));
        let design = Design::new(&connector, 1);
        for seed in 0..100 {
            let faults = draw_faults(&design, seed);
            assert!(faults.iter().all(|fault| matches!(fault, Fault::Placement(_))), "{faults:?}");
        }
        connector.pins.clear();
        assert_eq!(Design::new(&connector, 1).nets, []);
    }
}
