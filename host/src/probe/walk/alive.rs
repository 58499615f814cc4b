//! What the walk does when a touch shows that the board is not dead: it says so, by the rules of a sweep.

use super::{State, Walk};
use crate::{
    probe::{Action, Known},
    readings::PinValue,
    sweep::{AliveSign, Settling},
};

impl Walk {
    /// Says so if what was decided where the probe should be shows a voltage of the board's own.
    pub(super) fn look_for_life(&self, value: PinValue, settling: &Settling, actions: &mut Vec<Action>) {
        let is_ground = self.touched_place().is_some_and(|pin| self.setting.grounds.contains(&pin));
        if let Some(sign) = AliveSign::of_decided(value, settling, is_ground, self.setting.compliance) {
            self.alive(sign, actions);
        }
    }

    /// A sign where the probe should be. While the walk is paused it may be anywhere.
    pub(super) fn alive(&self, sign: AliveSign, actions: &mut Vec<Action>) {
        actions.extend(self.touched_place().map(|pin| Action::Alive { pin, sign }));
    }

    /// Where the probe should be; at the ground clip, the pin that it is to prove.
    const fn touched_place(&self) -> Option<usize> {
        match &self.state {
            State::Proving { known: Known::Pin { pin, .. }, .. }
            | State::Proving { pin, known: Known::GroundClip, .. }
            | State::Asking { pin, .. }
            | State::Confirming { pin, .. } => Some(*pin),
            State::Paused(_) | State::Done => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{super::tests::Desk, *};
    use crate::{probe::Deed, units::Volts};

    fn alive(actions: &[Action]) -> Vec<(usize, AliveSign)> {
        let alive = |action: &Action| match action {
            Action::Alive { pin, sign } => Some((*pin, *sign)),
            _ => None,
        };
        actions.iter().filter_map(alive).collect()
    }

    /// The meter shows these millivolts one after another.
    fn ramp(desk: &mut Desk, millivolts: impl IntoIterator<Item = f64>) -> Vec<Action> {
        millivolts.into_iter().flat_map(|shown| desk.hear(&format!("{:+.8E}", shown * 1e-3))).collect()
    }

    #[test]
    fn a_ground_pin_below_ground_is_alive_and_one_above_is_a_finding() {
        // The first pin is ground, the second is not.
        for (millivolts, ground, line) in
            [(-30, true, false), (-80, true, true), (-4, false, false), (60, false, false)]
        {
            let mut desk = Desk::new(true);
            assert_eq!(!alive(&desk.touch(millivolts)).is_empty(), ground, "ground pin at {millivolts} mV");
            let mut desk = Desk::new(true);
            desk.deed(Deed::Jump(1));
            assert_eq!(!alive(&desk.touch(millivolts)).is_empty(), line, "line at {millivolts} mV");
        }
    }

    #[test]
    fn a_drop_that_falls_and_does_not_end_is_alive_and_one_that_rises_is_not() {
        for (step, expected) in [(-3.0, 1), (3.0, 0)] {
            let mut desk = Desk::new(true);
            desk.touch(0);
            let seen = alive(&ramp(&mut desk, (0..300).map(|n| 1000.0 + step * f64::from(n))));
            assert_eq!(seen.len(), expected, "{seen:?}");
            assert!(
                seen.iter().all(|(pin, sign)| *pin == 1 && matches!(sign, AliveSign::Falling { .. })),
                "{seen:?}"
            );
        }
    }

    #[test]
    fn a_voltage_below_the_range_is_no_open_joint() {
        let mut desk = Desk::new(true);
        desk.touch(0);
        let shown: Vec<Action> = (0..20).flat_map(|_| desk.hear("-9.90000000E+37")).collect();
        assert_eq!(alive(&shown), [(1, AliveSign::BelowRange)]);
        // A single one is a conversion that began before the tip touched, or a damaged frame.
        let mut desk = Desk::new(true);
        assert_eq!(alive(&desk.hear("-9.90000000E+37")), []);
        assert_eq!(alive(&desk.touch(0)), []);
    }

    #[test]
    fn what_lies_above_the_open_leads_is_no_lifted_tip() {
        let mut desk = Desk::new(true);
        desk.touch(0);
        assert!(matches!(alive(&desk.touch(8000))[..], [(1, AliveSign::AboveCompliance { .. })]));
        // Also where the meter shows the voltage of its own open leads.
        let mut desk = Desk::with_open_leads(true, Some(Volts::of(6.5)));
        desk.touch(0);
        assert_eq!(alive(&desk.touch(6480)), []);
        assert!(matches!(alive(&desk.touch(8000))[..], [(1, AliveSign::AboveCompliance { .. })]));
    }

    #[test]
    fn the_known_pin_is_looked_at_as_well_and_a_pause_is_left_alone() {
        let mut desk = Desk::new(true);
        desk.touch(0);
        desk.show(None, 250);
        assert!(matches!(alive(&desk.touch(-30))[..], [(0, AliveSign::GroundBelow(_))]));
        desk.deed(Deed::Pause);
        assert_eq!(alive(&desk.touch(-800)), []);
    }
}
