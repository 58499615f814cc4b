//! What the comparison says about one board.

use std::sync::Arc;

use crate::{
    readings::{PinValue, Unread},
    units::{Kelvin, Ohms, Volts},
};

/// The judgement of one board on one connector. Pins are indices into the connector's pins.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// Which board.
    pub board: String,
    /// The verdict, with its reason.
    pub verdict: Verdict,
    /// Pins whose reading differs, whether they are at fault or only move along.
    pub flagged: Vec<usize>,
    /// The faults that explain the readings, the surest first.
    pub findings: Vec<Finding>,
    /// Pins near their limits: weak evidence for a fault, too little to condemn, worth a second reading.
    pub doubtful: Vec<usize>,
    /// How the whole board is wrongly connected, if it is; then no single pin is blamed.
    pub placement: Option<Placement>,
    /// What all pins have in common and what was taken out before judging a single one.
    pub shared: Shared,
    /// Every pin: reading, reference, difference, limit, verdict.
    pub pins: Vec<PinJudgement>,
    /// What this check does not show.
    pub not_shown: Arc<NotShown>,
}

impl Judgement {
    /// Puts the findings at these pins first, each group in its order: what was repaired is what a technician wants to
    /// know of first, and where a fault most likely sits.
    pub fn put_first(&mut self, pins: &[usize]) {
        self.findings.sort_by_key(|finding| !finding.pins.iter().any(|pin| pins.contains(pin)));
    }
}

/// The verdict on a board.
#[derive(Debug, Clone, PartialEq)]
pub enum Verdict {
    /// All pins are within their limits.
    Matches {
        /// Pins that were judged.
        pins: usize,
    },
    /// Some pins differ.
    Differs(Difference),
    /// Nothing is condemned, but not all could be judged.
    Inconclusive(Doubt),
}

/// Why a board differs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Difference {
    /// Faults were named.
    Faults {
        /// How many.
        count: usize,
        /// Pins that differ besides, and that no fault explains.
        unexplained: usize,
        /// Pins that were not read.
        unread: usize,
    },
    /// The board is wrongly connected as a whole.
    Placement(Placement),
    /// Pins lie outside their limits, and no fault that the engine knows explains them.
    Unexplained {
        /// How many.
        pins: usize,
        /// Pins that were not read.
        unread: usize,
    },
}

/// Why a board could not be judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Doubt {
    /// Pins have no reading.
    Unread {
        /// How many.
        pins: usize,
    },
    /// Pins have no reference.
    NoReference {
        /// How many.
        pins: usize,
    },
    /// All pins are within their limits, but only if this board was read with another test current than the reference, and
    /// nobody said so: a board that is raised at most of its pins looks the same.
    OtherMeter,
    /// Pins differ by little more than their limits, and the evidence for a fault is weak.
    Weak {
        /// How many.
        pins: usize,
    },
}

/// A fault that explains readings.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What is wrong.
    pub kind: Kind,
    /// The pins at fault: one, or the two that are bridged or swapped.
    pub pins: Vec<usize>,
    /// Resistance of the joint or the leak, where the fault has one.
    pub ohms: Option<Ohms>,
    /// Probability that this fault is there, given the readings and the assumptions.
    pub probability: f64,
    /// What the fault predicts beside what was seen: its own pins first, then the pins that move along.
    pub evidence: Vec<Evidence>,
    /// What else could be the cause, the likeliest first.
    pub alternatives: Vec<Alternative>,
    /// The cheapest check that would settle it.
    pub next: Check,
}

/// What kind of fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Kind {
    /// No contact from pin to board.
    OpenJoint,
    /// The net touches ground.
    ShortToGround,
    /// Two nets touch.
    Bridge,
    /// The joint has a resistance that it should not have.
    HighResistanceJoint,
    /// The net is tied to ground by a resistance that should not be there: residue, moisture, a damaged part.
    Leakage,
    /// Two jumpers or traces are exchanged.
    Swapped,
    /// A part on the net is missing or its path is broken beyond the joint.
    MissingPart,
}

/// One pin's part in a finding.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Evidence {
    /// Which pin.
    pub pin: usize,
    /// What a good board would read here.
    pub expected: PinValue,
    /// What the fault makes of it.
    pub predicted: PinValue,
    /// What was read.
    pub seen: PinValue,
}

/// Another cause that the readings leave possible.
#[derive(Debug, Clone, PartialEq)]
pub struct Alternative {
    /// What would be wrong.
    pub kind: Kind,
    /// The pins at fault.
    pub pins: Vec<usize>,
    /// Its resistance, where it has one.
    pub ohms: Option<Ohms>,
    /// Probability that it is this instead.
    pub probability: f64,
}

/// What to do next about a finding.
#[derive(Debug, Clone, PartialEq)]
pub enum Check {
    /// Reflow the joint of this pin, then read it again.
    Reflow(usize),
    /// Look for solder, debris or residue at these pins, clean, then read again.
    LookBetween(Vec<usize>),
    /// Look for solder against ground at the pin, or part it from its net to see which side is shorted.
    LookForShort(usize),
    /// Measure resistance between the pin's pad and the next point of its net; nothing separates a joint from the
    /// part behind it otherwise.
    MeasureBehind(usize),
    /// Follow both jumpers to their ends.
    FollowJumpers(usize, usize),
    /// Clean around the pin, dry, and read again; a leak that stays is a part.
    Clean(usize),
    /// Look whether the part on the net is there.
    LookForPart(usize),
}

/// How a board is wrongly connected as a whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Placement {
    /// Red and black are exchanged.
    LeadsReversed,
    /// Seated off by one or more positions along the rows: pin at position p reads what p − by should.
    Shifted {
        /// Positions towards higher numbers.
        by: i32,
    },
    /// Seated the other way round, by 180 degrees.
    Turned,
    /// Hardly any pin has a path, not even ground: the ground clip is off or the board is not seated.
    NoContact,
    /// All pins are raised by about the same: a poor contact of the ground clip or a lead.
    PoorGroundContact,
    /// Readings do not stay within what a junction can show: the board holds charge or has power.
    Powered,
    /// The readings are no drops in diode test.
    OtherMeterMode,
    /// The readings belong to another connector, or to another kind of board.
    OtherConnector,
    /// Most readings are off by more than temperature or another meter explains: a dirty or half seated connector, a
    /// board straight from hot air, a reference of something else.
    OffTogether,
}

/// What all pins have in common, estimated from the board itself and taken out before judging single pins.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Shared {
    /// Junctions drop by this much more than in the reference (their median).
    pub drop: Option<Volts>,
    /// Warmer than the reference boards by this, where junctions of different drops tell it apart.
    pub warmer: Option<Kelvin>,
    /// Test current over that of the reference, where it is not the same.
    pub current_ratio: Option<f64>,
    /// Resistance common to all pins: a lead, the ground clip.
    pub path: Option<Ohms>,
}

/// One pin of the judgement.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PinJudgement {
    /// What was read.
    pub reading: PinValue,
    /// What the known-good boards read.
    pub reference: PinValue,
    /// What a good board would read today: the reference with what all pins share put in.
    pub expected: PinValue,
    /// Reading minus expected, where both are voltages.
    pub difference: Option<Volts>,
    /// How far a good pin may differ.
    pub limit: Option<Volts>,
    /// The pin's verdict.
    pub verdict: PinVerdict,
}

/// The verdict on one pin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PinVerdict {
    /// Within its limit.
    Matches,
    /// Differs and a finding blames it.
    AtFault,
    /// Differs because another pin's fault moves it.
    MovesAlong,
    /// Differs and no fault explains it.
    Unexplained,
    /// Not judged: the pin was not read.
    Unread(Unread),
    /// Not judged: known-good boards say nothing of it.
    NoReference,
    /// Not judged: the whole board is wrongly connected.
    Misplaced,
}

/// What a check with one reading a pin cannot show, for this connector and reference.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct NotShown {
    /// Per pin the smallest joint resistance that would be seen.
    pub smallest_joint: Vec<Option<Ohms>>,
    /// Neighbouring pins whose bridge would hide in their limits.
    pub like_neighbours: Vec<(usize, usize)>,
    /// Pins that read `OL` on a good board: an open joint there reads the same.
    pub open_by_design: Vec<usize>,
    /// Pins at which known-good boards contradict each other or the drawing.
    pub contested: Vec<usize>,
    /// Pins of this board that were not read.
    pub unread: Vec<usize>,
    /// How many known-good boards stand behind the reference.
    pub known_good: usize,
}
