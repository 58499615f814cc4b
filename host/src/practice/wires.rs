//! The jig's wires as a circuit: what each channel leads to, with what is wrong with it.

use protocol::Channel;

use super::{
    circuit::{Circuit, Node, Switch},
    jig::JigSetup,
    specimen::Specimen,
    trouble::JigTrouble,
};
use crate::{
    physics::Junction,
    units::{Amperes, Ohms, Volts},
};

/// Resistance of the bleed resistor. docs/facts.md 4: 330 Ω takes 100 µF from 5 V to 50 mV in 0.15 s.
const BLEED: Ohms = Ohms::of(330.0);

/// A multiplexer's own clamp diode, which every open pin then shows (docs/facts.md 2.3, trap 1).
const MULTIPLEXER_CLAMP: Junction =
    Junction { saturation: Amperes::of(1e-13), ideality: 1.05, series: Ohms::of(20.0) };

/// Output resistance of the supply behind a clamp diode.
const SUPPLY_RESISTANCE: Ohms = Ohms::of(1.0);

/// A gap in the air.
const NO_CONTACT: Ohms = Ohms::of(1e12);

/// Channels of a bank.
const BANK: usize = 16;

/// The nodes and contacts of a jig.
#[derive(Debug)]
pub(super) struct Wires {
    pub(super) common: Node,
    pub(super) leads: Node,
    pub(super) channels: Vec<Switch>,
    pub(super) bleed: Option<Switch>,
}

impl Wires {
    /// Joins every channel to what it leads to.
    pub(super) fn join(circuit: &mut Circuit, specimen: &Specimen, setup: &JigSetup) -> Self {
        let common = circuit.node();
        let mut ends = ends(circuit, specimen, setup);
        let mut paths = setup.paths();
        let mut leads = common;
        let mut bleed = Some(BLEED);
        let banks = |bank: u8| {
            let first = usize::from(bank) * BANK;
            first..(first + BANK).min(usize::from(setup.channels))
        };
        for trouble in &setup.troubles {
            let place = |channel: &Channel| Some(usize::from(channel.0)).filter(|&at| at < ends.len());
            match trouble {
                JigTrouble::Worn(channel, ohms) => {
                    if let Some(at) = place(channel) {
                        paths[at] = Ohms::of(paths[at].get() + ohms.get());
                    }
                }
                JigTrouble::Dead(channel) => {
                    if let Some(at) = place(channel) {
                        ends[at] = circuit.node();
                    }
                }
                JigTrouble::BankDead(bank) => {
                    for at in banks(*bank) {
                        ends[at] = circuit.node();
                    }
                }
                JigTrouble::Crossed([a, b]) => {
                    if let (Some(a), Some(b)) = (place(a), place(b)) {
                        ends.swap(a, b);
                    }
                }
                JigTrouble::BanksExchanged([a, b]) => {
                    for (a, b) in banks(*a).zip(banks(*b)) {
                        ends.swap(a, b);
                    }
                }
                JigTrouble::Shifted => {
                    // The check channel is wired on the switching board itself and stays where it is.
                    let moved: Vec<usize> =
                        setup.wiring.channels().iter().map(|channel| usize::from(channel.0)).collect();
                    let nowhere = circuit.node();
                    let there: Vec<Node> = moved.iter().filter_map(|&at| ends.get(at).copied()).collect();
                    for (place, at) in moved.into_iter().enumerate() {
                        if let Some(end) = ends.get_mut(at) {
                            *end = there.get(place + 1).copied().unwrap_or(nowhere);
                        }
                    }
                }
                JigTrouble::Leaky(channel, ohms) => {
                    if let Some(at) = place(channel) {
                        circuit.resistor(ends[at], Node::GROUND, *ohms);
                    }
                }
                JigTrouble::Bridged([a, b], ohms) => {
                    if let (Some(a), Some(b)) = (place(a), place(b)) {
                        circuit.resistor(ends[a], ends[b], *ohms);
                    }
                }
                JigTrouble::Stuck(channel) => {
                    if let Some(at) = place(channel) {
                        circuit.resistor(common, ends[at], paths[at]);
                    }
                }
                JigTrouble::Clamps => circuit.junction(common, Node::GROUND, MULTIPLEXER_CLAMP),
                JigTrouble::SupplyClamp(volts) => {
                    let rail = circuit.node();
                    circuit.supply(rail, Volts::of(volts.get()), SUPPLY_RESISTANCE);
                    circuit.junction(common, rail, MULTIPLEXER_CLAMP);
                }
                JigTrouble::CommonLeak(ohms) => circuit.resistor(common, Node::GROUND, *ohms),
                JigTrouble::CommonShort => circuit.resistor(common, Node::GROUND, Ohms::ZERO),
                JigTrouble::BleedStuck => circuit.resistor(common, Node::GROUND, BLEED),
                JigTrouble::BleedMissing => bleed = None,
                JigTrouble::Clip(ohms) => leads = behind(circuit, leads, *ohms),
                JigTrouble::ClipOff => leads = behind(circuit, leads, NO_CONTACT),
                JigTrouble::GroundOff => {
                    for channel in setup.wiring.channels() {
                        if let Some(end) = ends.get_mut(usize::from(channel.0)) {
                            *end = circuit.node();
                        }
                    }
                }
                // Of the check channel see `ends`; of the panel see `jig.rs`.
                JigTrouble::Check(_)
                | JigTrouble::CheckOpen
                | JigTrouble::SenseDead
                | JigTrouble::SenseOff(_)
                | JigTrouble::LidStuck { .. }
                | JigTrouble::ButtonStuck { .. } => {}
            }
        }
        let channels =
            ends.iter().zip(&paths).map(|(&end, &path)| circuit.switch(common, end, path)).collect();
        let bleed = bleed.map(|ohms| {
            let drain = circuit.node();
            circuit.resistor(drain, Node::GROUND, ohms);
            circuit.switch(common, drain, Ohms::ZERO)
        });
        Self { common, leads, channels, bleed }
    }
}

/// Where each channel's wire ends: at a contact, at the check resistor, or nowhere.
fn ends(circuit: &mut Circuit, specimen: &Specimen, setup: &JigSetup) -> Vec<Node> {
    let mut ends: Vec<Option<Node>> = vec![None; usize::from(setup.channels)];
    for (channel, &contact) in setup.wiring.channels().iter().zip(specimen.contacts()) {
        if let Some(end) = ends.get_mut(usize::from(channel.0)) {
            *end = Some(contact);
        }
    }
    if let Some(check) = setup.wiring.check() {
        let node = circuit.node();
        let mut resistor = Some(check.resistor);
        for trouble in &setup.troubles {
            match trouble {
                JigTrouble::Check(ohms) => resistor = Some(*ohms),
                JigTrouble::CheckOpen => resistor = None,
                _ => {}
            }
        }
        if let Some(ohms) = resistor {
            circuit.resistor(node, Node::GROUND, ohms);
        }
        if let Some(end) = ends.get_mut(usize::from(check.channel.0)) {
            *end = Some(node);
        }
    }
    ends.into_iter().map(|end| end.unwrap_or_else(|| circuit.node())).collect()
}

/// A node behind a resistance.
fn behind(circuit: &mut Circuit, node: Node, ohms: Ohms) -> Node {
    let end = circuit.node();
    circuit.resistor(node, end, ohms);
    end
}
