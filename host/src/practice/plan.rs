//! Faults sorted by what they change in a board, and refused where they would change nothing.

use super::{
    design::{Design, NetKind, Piece},
    fault::{Fault, Placement},
    seating,
};
use crate::{
    connector::PinName,
    units::{Ohms, Volts},
};

/// Why a fault cannot be put into a board.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum FaultError {
    /// The connector has no such pin.
    #[error("fault `{fault}`: expected a pin of connector {connector}, found `{pin}`")]
    NoSuchPin {
        /// The fault as written.
        fault: String,
        /// The pin that was named.
        pin: PinName,
        /// The connector.
        connector: String,
    },
    /// The fault makes no sense at this place.
    #[error("fault `{fault}` changes nothing: {reason}")]
    Meaningless {
        /// The fault as written.
        fault: String,
        /// Why.
        reason: &'static str,
    },
}

/// Faults sorted by what they change.
pub(super) struct Plan {
    pub(super) joints: Vec<Joint>,
    /// Resistance from a net to another, or to ground.
    pub(super) bypasses: Vec<(usize, Option<usize>, Ohms)>,
    pub(super) missing: Vec<usize>,
    pub(super) live: Vec<(usize, Volts)>,
    pub(super) charged: Vec<(usize, Volts)>,
    pub(super) placement: Option<Placement>,
}

#[derive(Clone, Copy)]
pub(super) struct Joint {
    pub(super) net: usize,
    /// Beyond that of a good joint; `None` if it is open.
    pub(super) extra: Option<Ohms>,
}

impl Plan {
    /// Sorts them.
    ///
    /// # Errors
    /// [`FaultError`] for the first that names a pin that does not exist or would change nothing.
    pub(super) fn new(design: &Design, faults: &[Fault]) -> Result<Self, FaultError> {
        let joints = design.net_of.iter().map(|&net| Joint { net, extra: Some(Ohms::ZERO) }).collect();
        let mut plan = Self {
            joints,
            bypasses: Vec::new(),
            missing: Vec::new(),
            live: Vec::new(),
            charged: Vec::new(),
            placement: None,
        };
        for fault in faults {
            plan.add(design, fault)?;
        }
        Ok(plan)
    }

    fn add(&mut self, design: &Design, fault: &Fault) -> Result<(), FaultError> {
        let meaningless = |reason| FaultError::Meaningless { fault: fault.to_string(), reason };
        let find = |name: &PinName| {
            design.find(name).ok_or_else(|| FaultError::NoSuchPin {
                fault: fault.to_string(),
                pin: name.clone(),
                connector: design.connector.name.clone(),
            })
        };
        let joint = |name: &PinName| match find(name)? {
            (_, net) if design.nets[net].kind == NetKind::Unconnected => {
                Err(meaningless("the pin is connected to nothing"))
            }
            found => Ok(found),
        };
        let off_ground = |name: &PinName| match find(name)? {
            (_, net) if design.nets[net].kind == NetKind::Ground => Err(meaningless("the pin is ground")),
            (_, net) => Ok(net),
        };
        match fault {
            Fault::Open(pin) => self.joints[joint(pin)?.0].extra = None,
            Fault::Raised(pin, ohms) => {
                // Two faults on one joint add up; an open joint stays open.
                let extra = &mut self.joints[joint(pin)?.0].extra;
                *extra = extra.map(|before| Ohms::of(before.get() + ohms.get()));
            }
            Fault::Short(pin, ohms) | Fault::Leak(pin, ohms) => {
                self.bypasses.push((off_ground(pin)?, None, *ohms));
            }
            Fault::Bridge([a, b], ohms) => {
                let (a, b) = (find(a)?.1, find(b)?.1);
                if a == b {
                    return Err(meaningless("both pins are on the same net"));
                }
                self.bypasses.push((a, Some(b), *ohms));
            }
            Fault::Swap([a, b]) => {
                let ((a, net_a), (b, net_b)) = (find(a)?, find(b)?);
                if net_a == net_b {
                    return Err(meaningless("both pins are on the same net"));
                }
                let kept = self.joints[a].net;
                self.joints[a].net = self.joints[b].net;
                self.joints[b].net = kept;
            }
            Fault::Missing(pin) => {
                let part = design.nets[find(pin)?.1].own_part;
                self.missing.push(part.ok_or_else(|| meaningless("no part stands on the net of the pin"))?);
            }
            Fault::Placement(placement) => {
                if self.placement.is_some() {
                    return Err(meaningless("the board can be placed wrongly in one way at a time"));
                }
                if !seating::changes(&design.connector, *placement) {
                    return Err(meaningless("the connector has too few pins"));
                }
                self.placement = Some(*placement);
            }
            Fault::Live(pin, volts) => self.live.push((off_ground(pin)?, *volts)),
            Fault::Charged(pin, volts) => {
                let net = off_ground(pin)?;
                let at = design.nets[net].point;
                let holds = |piece: &Piece| matches!(piece, Piece::Capacitor(a, _, _) if *a == at);
                if !design.parts.iter().any(|part| part.pieces.iter().any(holds)) {
                    return Err(meaningless("no capacitor stands on the net of the pin"));
                }
                self.charged.push((net, *volts));
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::practice::sample;

    #[test]
    fn faults_that_change_nothing_are_refused() {
        let design = Design::new(&sample::connector(), 3);
        for (text, message) in [
            ("open:A17", "fault `open:A17` changes nothing: the pin is connected to nothing"),
            ("short:A1", "fault `short:A1` changes nothing: the pin is ground"),
            ("bridge:B1+B2", "fault `bridge:B1+B2` changes nothing: both pins are on the same net"),
            ("missing:A1", "fault `missing:A1` changes nothing: no part stands on the net of the pin"),
            (
                "charged:A15=1",
                "fault `charged:A15=1` changes nothing: no capacitor stands on the net of the pin",
            ),
            ("open:C9", "fault `open:C9`: expected a pin of connector J1, found `C9`"),
        ] {
            let error = Plan::new(&design, &[text.parse().unwrap()]).err().unwrap();
            assert_eq!(error.to_string(), message);
        }
    }
}
