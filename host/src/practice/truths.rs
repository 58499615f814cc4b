//! The truth about a board: what was put in, and whether it can be seen at all.

use super::{
    circuit::Node,
    design::Design,
    direct::DirectMeter,
    fault::{Fault, Truth},
    plan::FaultError,
    specimen::Specimen,
};
use crate::units::Volts;

/// What was put into a board and how far each fault moves its own pins by itself.
///
/// # Errors
/// [`FaultError`] if a fault does not fit the design. A circuit that does not settle counts as not moved.
pub fn truths(
    design: &Design,
    seed: u64,
    faults: &[Fault],
    meter: &DirectMeter,
) -> Result<Vec<Truth>, FaultError> {
    let capped = |specimen: &Specimen, pins: &[usize]| {
        let contacts: Vec<Node> = pins.iter().map(|&pin| specimen.contacts()[pin]).collect();
        let drops = specimen.drops_at(meter.source, &contacts).unwrap_or_default();
        drops.into_iter().map(|drop| drop.get().min(meter.limit.get())).collect::<Vec<_>>()
    };
    let good = Specimen::new(design, "good", seed, &[])?;
    faults
        .iter()
        .map(|fault| {
            let bad = Specimen::new(design, "bad", seed, std::slice::from_ref(fault))?;
            let pins = affected(design, fault);
            let (before, after) = (capped(&good, &pins), capped(&bad, &pins));
            let moves = before.iter().zip(&after).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
            let pins = pins.into_iter().map(|pin| design.connector.pins[pin].name.clone()).collect();
            Ok(Truth { fault: fault.clone(), pins, moves: Volts::of(moves) })
        })
        .collect()
}

/// Pins whose reading a fault may move by itself.
fn affected(design: &Design, fault: &Fault) -> Vec<usize> {
    if matches!(fault, Fault::Placement(_)) {
        return (0..design.net_of.len()).collect();
    }
    let named: Vec<(usize, usize)> = fault.pins().iter().filter_map(|pin| design.find(pin)).collect();
    if fault.is_of_a_net() {
        let mut pins: Vec<usize> = named.iter().flat_map(|&(_, net)| design.pins_of(net)).collect();
        pins.sort_unstable();
        pins.dedup();
        pins
    } else {
        named.into_iter().map(|(pin, _)| pin).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        meter::DiodeSource,
        practice::{
            NetKind,
            circuit::{Drive, Solver},
            draw_faults, sample,
        },
        units::Ohms,
    };

    /// Over a thousand boards: the circuit settles, every reading is finite and between ground and the open leads, and
    /// every fault moves its own pins if its kind must.
    #[test]
    fn a_thousand_faulty_boards_settle() {
        let meter = DirectMeter::default();
        let handheld =
            DiodeSource::BehindResistance { open_circuit: Volts::of(3.2), resistance: Ohms::of(2700.0) };
        let mut seen = std::collections::BTreeSet::new();
        let mut steps = 0;
        let mut total = 0;
        for seed in 0..1000 {
            let design = Design::new(&sample::connector(), seed / 4);
            let faults = draw_faults(&design, seed);
            assert!((1..=3).contains(&faults.len()));
            let specimen = Specimen::new(&design, "T", seed, &faults).unwrap();
            let source = if seed % 2 == 0 { meter.source } else { handheld };
            let solver = Solver::new(specimen.circuit()).unwrap();
            // Every eighth pin, another one from board to board.
            for &contact in specimen.contacts().iter().skip((seed % 8) as usize).step_by(8) {
                let drive = Drive { reversed: specimen.is_reversed(), ..Drive::at(contact, source) };
                let solution = solver.operating_point(&drive).unwrap();
                let shown = drive.shown(solution.at(contact)).get();
                assert!((-1e-6..3.3).contains(&shown), "seed {seed}: {shown}");
                steps = steps.max(solution.steps);
                total += solution.steps;
            }
            for truth in truths(&design, seed, &faults, &meter).unwrap() {
                seen.insert(truth.fault.kind());
                let must = matches!(truth.fault, Fault::Raised(..) | Fault::Short(..) | Fault::Leak(..));
                let blocked = truth.pins.iter().any(|pin| {
                    let (pin, net) = design.find(pin).unwrap();
                    design.nets[net].kind == NetKind::Line && design.connector.pins[pin].pair.is_some()
                });
                // A raised joint of a line that reads OL anyway cannot show. The least that must: 1200 Ω beside an
                // identification resistor of 47 Ω take 47²/1247 Ω away, 1.8 mV at 1 mA.
                assert!(!must || blocked || truth.moves.get() > 1.5e-3, "seed {seed}: {truth}");
            }
        }
        println!("at most {steps} Newton steps, {} on average", total / 5_000);
        assert_eq!(seen.len(), 10, "{seen:?}");
    }
}
