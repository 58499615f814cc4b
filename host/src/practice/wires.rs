//! The jig's wires as a circuit: what each channel leads to, with what is wrong with it.

use std::ops::Range;

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
        let ends = ends(circuit, specimen, setup);
        let paths = setup.paths();
        let mut harness = Harness { circuit, setup, common, leads: common, ends, paths, bleed: Some(BLEED) };
        for trouble in &setup.troubles {
            harness.suffer(trouble);
        }
        let Harness { circuit, leads, ends, paths, bleed, .. } = harness;
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

/// The wires before any contact is put in.
struct Harness<'a> {
    circuit: &'a mut Circuit,
    setup: &'a JigSetup,
    common: Node,
    leads: Node,
    /// Where each channel leads to.
    ends: Vec<Node>,
    /// Resistance of each channel's way there.
    paths: Vec<Ohms>,
    bleed: Option<Ohms>,
}

impl Harness<'_> {
    /// Puts one trouble in.
    fn suffer(&mut self, trouble: &JigTrouble) {
        let common = self.common;
        match trouble {
            JigTrouble::Worn(channel, ohms) => {
                if let Some(at) = self.place(*channel) {
                    self.paths[at] = Ohms::of(self.paths[at].get() + ohms.get());
                }
            }
            JigTrouble::Dead(channel) => self.cut(self.place(*channel)),
            JigTrouble::BankDead(bank) => self.cut(self.bank(*bank)),
            JigTrouble::GroundOff => {
                let wired = self.setup.wiring.channels().iter().filter_map(|&channel| self.place(channel));
                self.cut(wired.collect::<Vec<_>>());
            }
            JigTrouble::Crossed([a, b]) => {
                if let (Some(a), Some(b)) = (self.place(*a), self.place(*b)) {
                    self.ends.swap(a, b);
                }
            }
            JigTrouble::BanksExchanged([a, b]) => {
                for (a, b) in self.bank(*a).zip(self.bank(*b)) {
                    self.ends.swap(a, b);
                }
            }
            JigTrouble::Shifted => self.shift(),
            JigTrouble::Leaky(channel, ohms) => {
                if let Some(at) = self.place(*channel) {
                    self.circuit.resistor(self.ends[at], Node::GROUND, *ohms);
                }
            }
            JigTrouble::Bridged([a, b], ohms) => {
                if let (Some(a), Some(b)) = (self.place(*a), self.place(*b)) {
                    self.circuit.resistor(self.ends[a], self.ends[b], *ohms);
                }
            }
            JigTrouble::Stuck(channel) => {
                if let Some(at) = self.place(*channel) {
                    self.circuit.resistor(common, self.ends[at], self.paths[at]);
                }
            }
            JigTrouble::Clamps => self.circuit.junction(common, Node::GROUND, MULTIPLEXER_CLAMP),
            JigTrouble::SupplyClamp(volts) => {
                let rail = self.circuit.node();
                self.circuit.supply(rail, Volts::of(volts.get()), SUPPLY_RESISTANCE);
                self.circuit.junction(common, rail, MULTIPLEXER_CLAMP);
            }
            JigTrouble::CommonLeak(ohms) => self.circuit.resistor(common, Node::GROUND, *ohms),
            JigTrouble::CommonShort => self.circuit.resistor(common, Node::GROUND, Ohms::ZERO),
            JigTrouble::BleedStuck => self.circuit.resistor(common, Node::GROUND, BLEED),
            JigTrouble::BleedMissing => self.bleed = None,
            JigTrouble::Clip(ohms) => self.leads = behind(self.circuit, self.leads, *ohms),
            JigTrouble::ClipOff => self.leads = behind(self.circuit, self.leads, NO_CONTACT),
            // Of the check channel see `ends`; of the panel see `jig.rs`.
            JigTrouble::Check(_)
            | JigTrouble::CheckOpen
            | JigTrouble::SenseDead
            | JigTrouble::SenseOff(_)
            | JigTrouble::LidStuck { .. }
            | JigTrouble::ButtonStuck { .. } => {}
        }
    }

    /// A channel's place in the lists, if the jig has it.
    fn place(&self, channel: Channel) -> Option<usize> {
        Some(usize::from(channel.0)).filter(|&at| at < self.ends.len())
    }

    /// The places of a bank.
    fn bank(&self, bank: u8) -> Range<usize> {
        let channels = usize::from(self.setup.channels);
        let first = (usize::from(bank) * BANK).min(channels);
        first..(first + BANK).min(channels)
    }

    /// These channels lead nowhere.
    fn cut(&mut self, places: impl IntoIterator<Item = usize>) {
        for at in places {
            self.ends[at] = self.circuit.node();
        }
    }

    /// Every wire goes to the next contact; the check channel is wired on the switching board itself and stays.
    fn shift(&mut self) {
        let wired = self.setup.wiring.channels();
        let nowhere = self.circuit.node();
        let there: Vec<Node> =
            wired.iter().filter_map(|&channel| Some(self.ends[self.place(channel)?])).collect();
        for (place, &channel) in wired.iter().enumerate() {
            if let Some(at) = self.place(channel) {
                self.ends[at] = there.get(place + 1).copied().unwrap_or(nowhere);
            }
        }
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
