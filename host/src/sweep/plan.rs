//! In which order the pins are visited.

use protocol::Channel;

use crate::connector::{Connector, Role};

/// Every visit of a sweep, in order.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Plan {
    /// The visits.
    pub visits: Vec<Visit>,
}

/// One channel to close.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Visit {
    /// The channel.
    pub channel: Channel,
    /// What hangs on it.
    pub target: Target,
}

/// What hangs on a channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Target {
    /// A pin, by its index in the connector.
    Pin(usize),
    /// The check channel: a known resistor that shows whether readings still belong to their channel.
    Check,
}

/// The check channel is visited after so many pins.
const CHECK_EVERY: usize = 16;

impl Plan {
    /// Orders the pins: `first` (the repaired ones) before all, then everything but rails in the connector's
    /// order, rails last, since their capacitors keep a charge that the next pin would see. The check channel,
    /// if there is one, is visited at the beginning, every 16 pins and at the end.
    ///
    /// `channel_of` gives the channel of each pin, by index; a pin without one is not visited.
    #[must_use]
    pub fn new(
        connector: &Connector,
        channel_of: impl Fn(usize) -> Option<Channel>,
        check: Option<Channel>,
        first: &[usize],
    ) -> Self {
        let is_rail = |&pin: &usize| connector.pins[pin].role == Some(Role::Power);
        let rest = || (0..connector.pins.len()).filter(|pin| !first.contains(pin));
        let order = first
            .iter()
            .copied()
            .filter(|&pin| pin < connector.pins.len())
            .chain(rest().filter(|pin| !is_rail(pin)))
            .chain(rest().filter(is_rail));
        let pins: Vec<Visit> = order
            .filter_map(|pin| channel_of(pin).map(|channel| Visit { channel, target: Target::Pin(pin) }))
            .collect();
        let Some(channel) = check else { return Self { visits: pins } };
        let check = Visit { channel, target: Target::Check };
        let mut visits = Vec::with_capacity(pins.len() + pins.len() / CHECK_EVERY + 2);
        for group in pins.chunks(CHECK_EVERY) {
            visits.push(check);
            visits.extend_from_slice(group);
        }
        visits.push(check);
        Self { visits }
    }

    /// Pins that are visited.
    #[must_use]
    pub fn pins(&self) -> usize {
        self.visits.iter().filter(|visit| matches!(visit.target, Target::Pin(_))).count()
    }

    /// What hangs on a channel, if the plan visits it.
    #[must_use]
    pub fn target_of(&self, channel: Channel) -> Option<Target> {
        self.visits.iter().find(|visit| visit.channel == channel).map(|visit| visit.target)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::connector::{Pin, PinName};

    fn connector(roles: &[Role]) -> Connector {
        let pins = roles
            .iter()
            .enumerate()
            .map(|(index, &role)| Pin {
                name: PinName::new(&index.to_string()),
                row: None,
                position: None,
                net: None,
                role: Some(role),
                pair: None,
                note: None,
            })
            .collect();
        Connector { name: "J1".into(), pins }
    }

    fn order(plan: &Plan) -> Vec<Option<usize>> {
        plan.visits
            .iter()
            .map(|visit| match visit.target {
                Target::Pin(pin) => Some(pin),
                Target::Check => None,
            })
            .collect()
    }

    #[test]
    fn repaired_pins_first_and_rails_last() {
        let connector = connector(&[Role::Power, Role::Signal, Role::Ground, Role::Power, Role::Signal]);
        let plan = Plan::new(&connector, |pin| Some(Channel(pin as u8)), None, &[4, 3]);
        assert_eq!(order(&plan), [Some(4), Some(3), Some(1), Some(2), Some(0)]);
    }

    #[test]
    fn the_check_channel_frames_every_sixteen_pins() {
        let connector = connector(&[Role::Signal; 20]);
        let plan = Plan::new(&connector, |pin| Some(Channel(pin as u8)), Some(Channel(63)), &[]);
        let checks: Vec<usize> =
            order(&plan).iter().enumerate().filter(|(_, pin)| pin.is_none()).map(|(at, _)| at).collect();
        assert_eq!(checks, [0, 17, 22]);
        assert_eq!(plan.pins(), 20);
    }

    #[test]
    fn a_pin_without_a_channel_is_not_visited() {
        let connector = connector(&[Role::Signal; 3]);
        let plan = Plan::new(&connector, |pin| (pin != 1).then_some(Channel(pin as u8)), None, &[]);
        assert_eq!(order(&plan), [Some(0), Some(2)]);
    }
}
