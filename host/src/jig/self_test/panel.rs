//! Lid, button, sense input and bleed resistor.

use super::{Diagnosis, Fault, Finding, Seen};
use crate::units::Volts;

/// What the panel showed; `None` where the part is not fitted or was not tried.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Panel {
    /// Whether the lid contact said shut with the lid shut, and with the lid open.
    pub lid_shut: Option<bool>,
    /// Whether it said shut with the lid open.
    pub lid_open: Option<bool>,
    /// Whether the button was pressed when nobody touched it.
    pub button_at_rest: Option<bool>,
    /// Whether it was heard when the operator pressed it.
    pub button_heard: Option<bool>,
    /// The sense input with the meter unplugged and the open plate on, in mV.
    pub sensed_nothing: Option<i32>,
    /// The sense input with a cell in the meter's place.
    pub sensed_cell: Option<Cell>,
    /// What the meter showed while the bleed resistor was on the common line.
    pub bled: Option<Bled>,
}

/// A cell of known voltage on the common line, and what the sense input said.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cell {
    /// The cell, measured with a meter.
    pub volts: Volts,
    /// What the sense input said, in mV.
    pub sensed: i32,
}

/// What the meter showed with the bleed resistor on, the open plate under it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bled(pub Seen);

/// What a sense input may show without any voltage, in mV: the limit above which a board is refused (docs/facts.md 2.5).
const NOTHING_MV: i32 = 50;

/// A sense input of 1 % resistors and a 10-bit converter with its own reference is within 10 %.
const SENSE_TOLERANCE: f64 = 0.10;

/// Below this share of the cell's voltage the input counts as dead.
const DEAD: f64 = 0.1;

/// What a bleed resistor may measure, in ohms: 330 Ω empties 100 µF from 5 V to 50 mV in 0.15 s (docs/facts.md 4). Below
/// 100 Ω a charged rail sends 50 mA and more through the switch at 5 V, above 1 kΩ a rail takes half a second.
const BLEED_OHMS: std::ops::RangeInclusive<f64> = 100.0..=1000.0;

/// Judges the panel, after the whole jig: where the common line is at fault, it hides sense input and bleed resistor.
pub(super) fn diagnose(panel: &Panel, diagnosis: &mut Diagnosis) {
    let hidden = diagnosis.findings.iter().any(|finding| finding.fault.is_of_the_common_line());
    let mut found = |fault, evidence: String| {
        diagnosis.findings.push(Finding::new(fault, Vec::new(), evidence));
    };
    if panel.lid_shut == Some(false) {
        found(
            Fault::LidStuckOpen,
            "with the lid shut its contact says open; no channel can be closed".to_owned(),
        );
    }
    if panel.lid_open == Some(true) {
        found(Fault::LidStuckClosed, "with the lid open its contact says shut".to_owned());
    }
    if panel.button_at_rest == Some(true) {
        found(Fault::ButtonStuck, "it says pressed while nobody touches it".to_owned());
    } else if panel.button_heard == Some(false) {
        found(Fault::ButtonDead, "it was pressed, and no event came".to_owned());
    }
    if hidden {
        return;
    }
    let offset = panel.sensed_nothing.filter(|millivolts| millivolts.abs() > NOTHING_MV);
    if let Some(millivolts) = offset {
        let evidence =
            format!("it shows {millivolts} mV with the meter unplugged and nothing on the common line");
        found(Fault::SenseMisreads, evidence);
    } else if let Some(Cell { volts, sensed }) = panel.sensed_cell {
        let (put, seen) = (volts.get() * 1e3, f64::from(sensed));
        let evidence = format!("a cell of {volts} V is on the common line, it shows {:.3} V", seen * 1e-3);
        if seen < DEAD * put {
            found(Fault::SenseDead, evidence);
        } else if (seen - put).abs() > SENSE_TOLERANCE * put {
            found(Fault::SenseMisreads, evidence);
        }
    }
    match panel.bled {
        Some(Bled(Seen::Overload)) => {
            found(Fault::BleedMissing, "with the bleed resistor on, the meter still shows OL".to_owned());
        }
        Some(Bled(Seen::Load { ohms, .. })) if !BLEED_OHMS.contains(&ohms.get()) => {
            let evidence = format!("with the bleed resistor on, the meter sees {ohms}");
            found(Fault::BleedResistor, evidence);
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Ohms;

    fn check(panel: Panel, expected: &[Fault]) {
        let mut diagnosis = Diagnosis { findings: vec![], unclear: vec![], paths: None, current: None };
        diagnose(&panel, &mut diagnosis);
        let found: Vec<Fault> = diagnosis.findings.iter().map(|finding| finding.fault).collect();
        assert_eq!(found, expected, "{panel:?}");
    }

    #[test]
    fn each_part_of_the_panel_has_its_faults() {
        let bled = |ohms: f64| Some(Bled(Seen::Load { volts: Volts::of(ohms * 1e-3), ohms: Ohms::of(ohms) }));
        let cell = |sensed| Some(Cell { volts: Volts::of(1.5), sensed });
        let sound = Panel {
            lid_shut: Some(true),
            lid_open: Some(false),
            button_at_rest: Some(false),
            button_heard: Some(true),
            sensed_nothing: Some(4),
            sensed_cell: cell(1480),
            bled: bled(331.0),
        };
        check(sound.clone(), &[]);
        check(Panel::default(), &[]);
        check(Panel { lid_shut: Some(false), ..sound.clone() }, &[Fault::LidStuckOpen]);
        check(Panel { lid_open: Some(true), ..sound.clone() }, &[Fault::LidStuckClosed]);
        let stuck = Panel { button_at_rest: Some(true), button_heard: Some(false), ..sound.clone() };
        check(stuck, &[Fault::ButtonStuck]);
        check(Panel { button_heard: Some(false), ..sound.clone() }, &[Fault::ButtonDead]);
        check(Panel { sensed_cell: cell(0), ..sound.clone() }, &[Fault::SenseDead]);
        check(Panel { sensed_cell: cell(1200), ..sound.clone() }, &[Fault::SenseMisreads]);
        check(Panel { sensed_nothing: Some(-80), ..sound.clone() }, &[Fault::SenseMisreads]);
        check(Panel { bled: Some(Bled(Seen::Overload)), ..sound.clone() }, &[Fault::BleedMissing]);
        check(Panel { bled: bled(33.0), ..sound.clone() }, &[Fault::BleedResistor]);
        check(Panel { bled: Some(Bled(Seen::Unread)), ..sound }, &[]);
    }
}
