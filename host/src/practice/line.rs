//! The common line of the jig: what the meter's black lead touches, and what is switched, plugged and driven there.

use std::collections::VecDeque;

use protocol::Channel;

use super::{
    circuit::{Drive, Node, SolveError, Solver, Switch},
    course::{Course, Rest},
    jig::JigSetup,
    specimen::Specimen,
    wires::Wires,
};
use crate::{meter::DiodeSource, moment::Moment, units::Volts};

/// The line with the board and the meter on it, at one moment.
#[derive(Debug)]
pub struct CommonLine {
    solver: Solver,
    common: Node,
    /// Where the meter's leads are: the common line, but for a bad clip.
    leads: Node,
    channels: Vec<Switch>,
    bleed: Option<Switch>,
    source: DiodeSource,
    reversed: bool,
    plugged: bool,
    /// Channel that is closed now.
    closed: Option<Channel>,
    bleeding: bool,
    /// The meter is in diode test, and not in DC volts.
    driving: bool,
    /// Changes that lie ahead, in order of time.
    ahead: VecDeque<(Moment, Option<Channel>)>,
    now: Moment,
    /// As the circuit has it, at the last moment asked for.
    last: Volts,
    course: Course,
    /// Where each channel settles, the open line last; found when first needed.
    rests: Vec<Option<Rest>>,
    /// The first solution that could not be found.
    trouble: Option<SolveError>,
}

impl CommonLine {
    /// Puts a board on a jig, with a meter on the common line.
    ///
    /// # Errors
    /// [`SolveError::BadPart`] if the board has a part without a usable value.
    pub fn new(
        specimen: &Specimen,
        setup: &JigSetup,
        source: DiodeSource,
        now: Moment,
    ) -> Result<Self, SolveError> {
        let mut circuit = specimen.circuit().clone();
        let Wires { common, leads, channels, bleed } = Wires::join(&mut circuit, specimen, setup);
        let solver = Solver::new(&circuit)?;
        let course = Course::Fresh(now, solver.initial_charge());
        Ok(Self {
            common,
            leads,
            bleed,
            source,
            reversed: specimen.is_reversed(),
            plugged: true,
            closed: None,
            bleeding: false,
            driving: true,
            ahead: VecDeque::new(),
            now,
            last: Volts::ZERO,
            course,
            rests: vec![None; channels.len() + 1],
            channels,
            solver,
            trouble: None,
        })
    }

    /// Opens or closes a contact at a moment that is not before the last one asked for. A later change that was
    /// announced for after this moment no longer happens.
    pub fn switch(&mut self, at: Moment, channel: Option<Channel>) {
        while self.ahead.back().is_some_and(|(later, _)| *later >= at) {
            self.ahead.pop_back();
        }
        self.ahead.push_back((at, channel));
    }

    /// Puts the bleed resistor on the line, or takes it off.
    pub fn bleed(&mut self, on: bool, at: Moment) {
        if on != self.bleeding {
            self.go_to(at);
            self.bleeding = on;
            self.change();
        }
    }

    /// Connects the meter, or takes its plugs out.
    pub fn plug(&mut self, plugged: bool, at: Moment) {
        if plugged != self.plugged {
            self.go_to(at);
            self.plugged = plugged;
            self.rests.fill(None);
            self.change();
        }
    }

    /// Turns the meter to diode test, or to DC volts: then it drives nothing.
    pub fn drive_current(&mut self, on: bool, at: Moment) {
        if on != self.driving {
            self.go_to(at);
            self.driving = on;
            self.rests.fill(None);
            self.change();
        }
    }

    /// Whether the meter is connected.
    #[must_use]
    pub const fn is_plugged(&self) -> bool {
        self.plugged
    }

    /// What the meter sees. Moments must not run backwards; an earlier one counts as the last.
    pub fn voltage(&mut self, at: Moment) -> Volts {
        if !self.driving {
            // Red on ground, and a line that leads nowhere has no voltage.
            return Volts::of(-self.sensed(at).unwrap_or(Volts::ZERO).get());
        }
        self.go_to(at);
        self.last = self.course.voltage(self.now).unwrap_or(self.last);
        self.drive().shown(self.last)
    }

    /// What a sense input sees: the line against ground, above it positive, with the meter's plugs out for that moment.
    pub fn sensed(&mut self, at: Moment) -> Option<Volts> {
        self.go_to(at);
        let charge = self.course.charge(self.now);
        let unplugged = Drive { source: None, ..self.drive() };
        let solution = self.solver.instant(&unplugged, &charge).map_err(|error| self.note(error)).ok()?;
        Some(Volts::of(-solution.at(self.common).get()))
    }

    /// The channel that is closed, electrically, at the last moment asked for.
    #[must_use]
    pub const fn closed(&self) -> Option<Channel> {
        self.closed
    }

    /// The first solution that could not be found; the line then stayed as it was.
    #[must_use]
    pub const fn trouble(&self) -> Option<SolveError> {
        self.trouble
    }

    fn drive(&self) -> Drive {
        let channel = self.closed.and_then(|channel| self.channels.get(usize::from(channel.0))).copied();
        Drive {
            source: (self.plugged && self.driving).then_some((self.leads, self.source)),
            closed: [channel, self.bleed.filter(|_| self.bleeding)],
            reversed: self.reversed,
        }
    }

    fn note(&mut self, error: SolveError) {
        self.trouble.get_or_insert(error);
    }

    /// Passes time, and every change on the way.
    fn go_to(&mut self, at: Moment) {
        while let Some(&(when, channel)) = self.ahead.front().filter(|(when, _)| *when <= at) {
            self.ahead.pop_front();
            self.pass(when);
            if channel != self.closed {
                self.closed = channel;
                self.change();
            }
        }
        self.pass(at);
    }

    /// Forgets the course but not the charge.
    fn change(&mut self) {
        self.course = Course::Fresh(self.now, self.course.charge(self.now));
    }

    /// Passes time while nothing is switched.
    fn pass(&mut self, at: Moment) {
        self.now = self.now.max(at);
        if self.course.reaches(self.now) {
            return;
        }
        if let Err(error) = self.follow() {
            self.note(error);
            // The last voltage stays, rather than an invented one.
            let charge = self.course.charge(self.now);
            self.course = Course::Resting(Rest { voltage: self.last, charge });
        }
    }

    fn follow(&mut self) -> Result<(), SolveError> {
        let drive = self.drive();
        let rest = self.rest(&drive)?;
        self.course.follow(&self.solver, &drive, self.leads, &rest, self.now)
    }

    /// Where the present drive settles.
    fn rest(&mut self, drive: &Drive) -> Result<Rest, SolveError> {
        let place = self.closed.map_or(self.channels.len(), |channel| usize::from(channel.0));
        let kept = self.rests.get_mut(place).filter(|_| !self.bleeding);
        if let Some(Some(rest)) = &kept {
            return Ok(rest.clone());
        }
        let solution = self.solver.operating_point(drive)?;
        let rest = Rest { voltage: solution.at(self.leads), charge: self.solver.charge_of(&solution) };
        if let Some(kept) = kept {
            *kept = Some(rest.clone());
        }
        Ok(rest)
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::{
        connector::Connector,
        practice::{circuit::Circuit, sample},
        units::{Amperes, Ohms},
    };

    const SOURCE: DiodeSource =
        DiodeSource::ConstantCurrent { current: Amperes::of(1e-3), compliance: Volts::of(3.2) };

    /// A board of one pin with a capacitor and a resistor to ground on it.
    fn line(farads: f64, ohms: f64, initial: f64) -> CommonLine {
        let mut connector: Connector = sample::connector();
        connector.pins.truncate(1);
        let mut circuit = Circuit::new(crate::units::Kelvin::ROOM);
        let contact = circuit.node();
        circuit.capacitor(contact, Node::GROUND, farads, Volts::of(initial));
        circuit.resistor(contact, Node::GROUND, Ohms::of(ohms));
        let specimen = Specimen::of_parts("T", circuit, vec![contact]);
        let setup = JigSetup::straight(&connector, 1).unwrap();
        CommonLine::new(&specimen, &setup, SOURCE, Moment::START).unwrap()
    }

    fn ms(milliseconds: f64) -> Moment {
        Moment::START.after(Duration::from_secs_f64(milliseconds * 1e-3))
    }

    #[test]
    fn a_rail_ramps_by_current_over_capacitance() {
        // dV/dt = I/C: 1 mA into 10 µF is 0.1 V a millisecond, into 1000 µF 1 V a second.
        for (farads, volts_per_ms) in [(10e-6, 0.1), (1000e-6, 1e-3)] {
            let mut line = line(farads, 1e9, 0.0);
            line.switch(ms(1.0), Some(Channel(0)));
            for after in [0.5, 2.0, 5.0] {
                let seen = line.voltage(ms(1.0 + after)).get();
                // The path adds half an ohm at 1 mA.
                assert!(
                    (seen - volts_per_ms * after - 0.5e-3).abs() < 0.2e-3,
                    "{farads} F, {after} ms: {seen}"
                );
            }
        }
    }

    #[test]
    fn left_charge_decays_by_its_time_constant() {
        // 1 kΩ and 10 µF: 63.212, 86.466, 95.021, 98.168, 99.326 % gone after 1 to 5 time constants (1 − e^−k).
        let mut line = line(10e-6, 1e3, 1.0);
        line.plug(false, Moment::START);
        line.switch(Moment::START, Some(Channel(0)));
        for (constants, gone) in [(1.0, 63.212), (2.0, 86.466), (3.0, 95.021), (4.0, 98.168), (5.0, 99.326)] {
            let seen = line.voltage(ms(10.0 * constants)).get();
            assert!((seen - (1.0 - gone / 100.0)).abs() < 0.2e-3, "{constants}: {seen}");
        }
    }

    #[test]
    fn charge_stays_on_a_pin_while_others_are_measured() {
        let mut line = line(10e-6, 1e9, 0.0);
        line.switch(Moment::START, Some(Channel(0)));
        let before = line.voltage(ms(3.0)).get();
        line.switch(ms(3.0), None);
        assert!(line.voltage(ms(50.0)).get() > 3.0, "open leads show the compliance");
        line.switch(ms(100.0), Some(Channel(0)));
        let after = line.voltage(ms(100.1)).get();
        assert!((after - before - 0.010).abs() < 1e-3, "{before} then {after} after 0.1 ms more at 1 mA");
    }

    #[test]
    fn the_bleed_resistor_empties_a_rail_in_time() {
        // t = R·C·ln(V0/V): 330 Ω, 100 µF from 5 V to 50 mV take 0.152 s.
        let mut line = line(100e-6, 1e9, -5.0);
        line.plug(false, Moment::START);
        line.switch(Moment::START, Some(Channel(0)));
        let sensed = line.sensed(ms(1.0)).unwrap().get();
        assert!((sensed - 5.0).abs() < 1e-3, "above ground is positive: {sensed}");
        line.bleed(true, ms(2.0));
        assert!(line.sensed(ms(142.0)).unwrap().get() > 0.050);
        assert!(line.sensed(ms(164.0)).unwrap().get() < 0.050);
    }

    #[test]
    fn a_change_that_is_called_off_never_happens() {
        let mut line = line(1e-9, 100.0, 0.0);
        line.switch(ms(0.0), Some(Channel(0)));
        assert!(line.voltage(ms(0.5)).get() < 1.0);
        // The firmware opens everything while a later closing is still on its way.
        line.switch(ms(2.0), Some(Channel(0)));
        line.switch(ms(1.0), None);
        assert!(line.voltage(ms(1.5)).get() > 3.0);
        assert!(line.voltage(ms(3.0)).get() > 3.0);
        assert_eq!(line.closed(), None);
    }

    #[test]
    fn time_that_runs_backwards_stands_still() {
        let mut line = line(10e-6, 1e9, 0.0);
        line.switch(Moment::START, Some(Channel(0)));
        let seen = line.voltage(ms(4.0));
        assert_eq!(line.voltage(ms(1.0)), seen);
    }

    /// Every channel of many boards, closed and opened at odd times, so that charge is left everywhere.
    #[test]
    fn every_board_can_be_followed() {
        use crate::practice::{Design, demo, draw_faults, random::Random};

        let connector = demo::connector().unwrap();
        let setup = JigSetup::straight(&connector, 1).unwrap();
        let handheld =
            DiodeSource::BehindResistance { open_circuit: Volts::of(2.8), resistance: Ohms::of(2200.0) };
        for seed in 0..12 {
            let design = Design::new(&connector, seed);
            let specimen = Specimen::new(&design, "T", seed, &draw_faults(&design, seed)).unwrap();
            let source = if seed % 2 == 0 { SOURCE } else { handheld };
            let mut line = CommonLine::new(&specimen, &setup, source, Moment::START).unwrap();
            let mut random = Random::new(seed, "times");
            let mut now = 1.0;
            for channel in 0..setup.channels {
                line.switch(ms(now), Some(Channel(channel)));
                now += random.decades(0.01, 300.0);
                let seen = line.voltage(ms(now)).get();
                assert!((-0.5..6.6).contains(&seen), "design {seed}, channel {channel}: {seen}");
                line.switch(ms(now), None);
                now += random.decades(0.01, 30.0);
            }
            assert_eq!(line.trouble(), None, "design {seed}");
        }
    }
}
