//! How the common line goes with time while nothing is switched.
//!
//! Most of the time nothing moves: the solution that belongs to a closed channel is found once and kept. Only
//! while a capacitor is still on its way is the circuit followed in steps.

use super::circuit::{Charge, Drive, Node, SolveError, Solver, Stride};
use crate::{moment::Moment, units::Volts};

/// Error of a step of time before the two half steps cancel most of it, against meters that show 0.1 mV.
const TOLERANCE: Volts = Volts::of(100e-6);

/// Capacitors this near to where they are going count as there.
const ARRIVED: Volts = Volts::of(20e-6);

/// First step of time after a change and shortest of all, in seconds: a hundredth of what the fastest meter looks at
/// once.
const SHORTEST_STEP: f64 = 20e-6;

/// Where the circuit settles.
#[derive(Debug, Clone)]
pub(super) struct Rest {
    pub(super) voltage: Volts,
    pub(super) charge: Charge,
}

/// What is known of the time since the last change.
#[derive(Debug)]
pub(super) enum Course {
    /// Nothing is known but the charge at the moment of the last change.
    Fresh(Moment, Charge),
    /// On the way: the step in progress.
    Moving(Box<Moving>),
    /// Everything has settled.
    Resting(Rest),
}

/// One step of time, and where in it the present lies.
#[derive(Debug)]
pub(super) struct Moving {
    began: Moment,
    /// Start of the step, in seconds after `began`.
    from_s: f64,
    from: Volts,
    from_charge: Charge,
    stride: Stride,
    to: Volts,
}

impl Course {
    /// Voltage of the leads, as the circuit has it; `None` while nothing is known of it.
    pub(super) fn voltage(&self, now: Moment) -> Option<Volts> {
        match self {
            Self::Resting(rest) => Some(rest.voltage),
            Self::Moving(moving) => Some(moving.voltage(now)),
            Self::Fresh(..) => None,
        }
    }

    /// What the capacitors carry.
    pub(super) fn charge(&self, now: Moment) -> Charge {
        match self {
            Self::Fresh(_, charge) => charge.clone(),
            Self::Moving(moving) => moving.charge(now),
            Self::Resting(rest) => rest.charge.clone(),
        }
    }

    /// Whether it is known up to this moment.
    pub(super) fn reaches(&self, now: Moment) -> bool {
        match self {
            Self::Resting(_) => true,
            Self::Moving(moving) => moving.end_s() >= moving.elapsed_s(now),
            Self::Fresh(..) => false,
        }
    }

    /// Steps until the present lies inside a step, or everything rests.
    ///
    /// # Errors
    /// [`SolveError`] if a step has no solution; the course then ends before it.
    pub(super) fn follow(
        &mut self,
        solver: &Solver,
        drive: &Drive,
        leads: Node,
        rest: &Rest,
        now: Moment,
    ) -> Result<(), SolveError> {
        while !self.reaches(now) {
            let (began, from_s, charge, from, wish) = match self {
                Self::Resting(_) => return Ok(()),
                Self::Fresh(began, charge) => (*began, 0.0, charge.clone(), None, SHORTEST_STEP),
                Self::Moving(moving) => {
                    let Stride { end, charge, next, .. } = &moving.stride;
                    (moving.began, moving.end_s(), charge.clone(), Some(end.clone()), *next)
                }
            };
            if charge.distance(&rest.charge).get() <= ARRIVED.get() {
                *self = Self::Resting(rest.clone());
                return Ok(());
            }
            let from = match from {
                Some(end) => end,
                None => solver.instant(drive, &charge)?,
            };
            let stride = solver.stride(drive, &charge, &from, [SHORTEST_STEP, wish], TOLERANCE)?;
            let (from, to) = (from.at(leads), stride.end.at(leads));
            *self = Self::Moving(Box::new(Moving { began, from_s, from, from_charge: charge, stride, to }));
        }
        Ok(())
    }
}

impl Moving {
    fn end_s(&self) -> f64 {
        self.from_s + self.stride.seconds
    }

    fn elapsed_s(&self, now: Moment) -> f64 {
        now.since(self.began).as_secs_f64()
    }

    /// How much of the step is gone. Within a step whose error is held to the tolerance a straight line is as good.
    fn part(&self, now: Moment) -> f64 {
        ((self.elapsed_s(now) - self.from_s) / self.stride.seconds).clamp(0.0, 1.0)
    }

    fn voltage(&self, now: Moment) -> Volts {
        let (from, to) = (self.from.get(), self.to.get());
        Volts::of(from + (to - from) * self.part(now))
    }

    fn charge(&self, now: Moment) -> Charge {
        self.from_charge.towards(&self.stride.charge, self.part(now))
    }
}
