//! The steps of a judgement in their order.

use std::sync::Arc;

use super::{
    Assumptions, Batch, Difference, Finding, Judgement, NotShown, PinJudgement, PinVerdict, Placement,
    Shared, Verdict,
    common::{self, Common, Today},
    evidence::{self, Expectation},
    faults::{Scene, explain},
    layout::{Class, Layout},
    limits::{self, Factor},
    placement::{self, Seats},
    verdicts::{
        DROP, belongs, clearly, flagged, is_strange, of_other_kind, settle, show_limits_held, verdict,
    },
};
use crate::{
    connector::Connector,
    physics::Source,
    readings::{BoardReadings, PinValue, Unread},
    reference::{Reference, Unfitting},
    units::{Kelvin, Ohms, Volts},
};

/// Judges boards of one connector against one reference. Making it costs more than using it: keep it for a batch.
#[derive(Debug, Clone)]
pub struct Engine {
    layout: Layout,
    seats: Seats,
    expected: Vec<Expectation>,
    resistive: Vec<f64>,
    factors: Vec<Factor>,
    reference: Vec<PinValue>,
    source: Source,
    assumptions: Assumptions,
    /// Ratio of the board's test current over the reference's, where both are known.
    told: Option<f64>,
    /// Ratio of currents that a batch has shown; the expectations are carried over already.
    carried: Option<f64>,
    not_shown: Arc<NotShown>,
}

/// A fault this probable is named even if no pin of it lies outside its limits: two pins that read the same, each a
/// little low, can be better evidence than one far off.
const SURE: f64 = 0.8;

/// A fault that is not named, but likelier than this, makes a verdict inconclusive: about as rare on good boards as a
/// false alarm, or a technician would look again at every tenth.
const DOUBTFUL: f64 = 0.7;

/// A board that would need so many faults, and differs at more than half of the pins that show a drop, is no board with
/// faults but another connector, or another kind of board. Common practice: a rebuilt connector has one to three.
const STRANGE_FAULTS: usize = 6;

/// What a check does not show is told anew for a board at which it is a quarter more than under the reference's conditions.
const MUCH_MORE: f64 = 1.25;

/// Judges one board.
///
/// # Errors
/// [`Unfitting`] if the reference was made for other pins.
pub fn judge(
    connector: &Connector,
    reference: &Reference,
    board: &BoardReadings,
    assumptions: &Assumptions,
) -> Result<Judgement, Unfitting> {
    Ok(Engine::new(connector, reference, assumptions)?.judge(board))
}

impl Engine {
    /// Prepares to judge boards of this connector.
    ///
    /// # Errors
    /// [`Unfitting`] if the reference was made for other pins.
    pub fn new(
        connector: &Connector,
        reference: &Reference,
        assumptions: &Assumptions,
    ) -> Result<Self, Unfitting> {
        reference.fits(connector)?;
        let mut layout = Layout::new(connector, reference);
        let expected = evidence::learn(&layout, reference, assumptions);
        for (place, pin) in layout.places.iter_mut().zip(&expected) {
            // Nobody knows which of the known-good boards is right.
            if pin.contested {
                place.class = Class::Unknown;
            }
        }
        let mut engine = Self {
            seats: Seats::new(connector),
            resistive: expected.iter().map(|pin| pin.resistive).collect(),
            factors: limits::factors(&expected, &layout, assumptions.false_alarms),
            reference: (0..connector.pins.len()).map(|pin| held(reference.value(pin))).collect(),
            source: source(reference, assumptions),
            assumptions: *assumptions,
            told: told(reference, assumptions),
            carried: None,
            not_shown: Arc::default(),
            layout,
            expected,
        };
        let today = engine.today(&Common::default());
        let scene = engine.scene(&engine.layout, &today, &engine.reference);
        let not_shown = limits::not_shown(reference, &engine.layout, &today, &engine.factors, &scene);
        engine.not_shown = Arc::new(not_shown);
        Ok(engine)
    }

    /// Takes one board of a batch into account for what the batch shares.
    pub fn observe(&self, batch: &mut Batch, board: &BoardReadings) {
        let values = self.values(board);
        if placement::find(&self.layout, &self.seats, &self.today(&Common::default()), &values).is_none() {
            batch.take(&self.expected, &volts(&values));
        }
    }

    /// Carries the reference over to the meter of a batch, if the batch was read with another one.
    #[must_use]
    pub fn together(mut self, batch: &Batch) -> Self {
        // What is known need not be learned.
        if self.told.is_some() {
            return self;
        }
        if let Some((expected, ratio)) = batch.carry_over(&self.layout, &self.expected) {
            self.resistive = expected.iter().map(|pin| pin.resistive).collect();
            self.expected = expected;
            self.carried = Some(ratio);
        }
        self
    }

    /// What no judgement of this engine shows.
    #[must_use]
    pub fn not_shown(&self) -> &NotShown {
        &self.not_shown
    }

    /// Judges one board.
    #[must_use]
    pub fn judge(&self, board: &BoardReadings) -> Judgement {
        let values = self.values(board);
        let plain = self.today(&Common::default());
        if let Some(placement) = placement::find(&self.layout, &self.seats, &plain, &values) {
            return self.misplaced(board, &values, placement);
        }
        let known = self.known();
        let common = common::estimate(&self.layout, &self.expected, &volts(&values), known);
        if common::is_outlandish(&common, known.is_some(), self.not_shown.known_good) {
            let placement = if self.scatters(&plain, &values) {
                Placement::OtherConnector
            } else {
                Placement::OffTogether
            };
            return self.misplaced(board, &values, placement);
        }
        let today = self.today(&common);
        let layout = &*self.layout.as_read(&today, &values);
        let explained = explain(&self.scene(layout, &today, &values));
        let (mut pins, mut differs) = self.pins(&values, &today);
        let mut doubtful: Vec<usize> = Vec::new();
        let mut findings: Vec<Finding> = Vec::with_capacity(explained.len());
        for finding in explained {
            if finding.pins.iter().any(|&pin| differs[pin]) || finding.probability >= SURE {
                findings.push(finding);
            } else if finding.probability > DOUBTFUL {
                doubtful.extend(finding.pins);
            }
        }
        // With a fault at hand a pin that belongs to it need not stand out among all pins of all boards.
        for pin in (0..pins.len()).filter(|&pin| clearly(&pins[pin], &today[pin])) {
            let mut own = findings.iter().flat_map(|f| &f.pins);
            if own.any(|&other| belongs(layout, pin, other)) {
                differs[pin] = true;
            }
        }
        settle(layout, &mut pins, &differs, &findings);
        show_limits_held(&mut pins, &today);
        if findings.len() >= STRANGE_FAULTS && is_strange(&pins) {
            return self.misplaced(board, &values, Placement::OtherConnector);
        }
        let is_guessed = known.is_none() && (common.ratio - 1.0).abs() > f64::EPSILON;
        doubtful.sort_unstable();
        doubtful.dedup();
        Judgement {
            board: board.board.clone(),
            verdict: verdict(&pins, &findings, doubtful.len(), is_guessed),
            flagged: flagged(&pins),
            findings,
            doubtful,
            placement: None,
            shared: self.shared(&common),
            not_shown: self.not_shown_today(layout, &today, &values),
            pins,
        }
    }

    /// What a good board would read at each pin today and how far a good pin may differ, given the readings so far:
    /// what all pins share is taken out. `None` for a pin of which known-good boards say nothing.
    #[must_use]
    pub fn expected(&self, values: &[PinValue]) -> Vec<Option<(PinValue, Volts)>> {
        let values = self.values(&BoardReadings { board: String::new(), values: values.to_vec() });
        let common = common::estimate(&self.layout, &self.expected, &volts(&values), self.known());
        let today = self.today(&common);
        (0..today.len())
            .map(|pin| {
                let limit = self.factors[pin].limit(&today[pin]).max(self.assumptions.least.get());
                match self.layout.places[pin].class {
                    Class::Ground | Class::Junction | Class::Resistor => {
                        Some((PinValue::Volts(Volts::of(today[pin].centre)), Volts::of(limit)))
                    }
                    Class::Open => Some((PinValue::Overload, Volts::ZERO)),
                    Class::Unknown => None,
                }
            })
            .collect()
    }

    /// What the pins share as far as it need not be estimated from a board: where the meters are known, or a batch has told
    /// the ratio of currents, no board is asked again.
    fn known(&self) -> Option<Common> {
        let carried = self.carried.map(|_| Common::default());
        carried.or(self.told.map(|ratio| Common { ratio, ..Common::default() }))
    }

    /// Whether drops are off both ways. Dirt, temperature and another current move all one way; another connector does not.
    fn scatters(&self, plain: &[Today], values: &[PinValue]) -> bool {
        let (mut above, mut below) = (0, 0);
        for (today, value) in plain.iter().zip(values) {
            let Some(seen) = value.volts().map(Volts::get).filter(|seen| *seen > DROP) else { continue };
            let off = seen - today.centre;
            if today.centre > DROP && off.abs() > 3.0 * today.deviation {
                if off > 0.0 { above += 1 } else { below += 1 }
            }
        }
        6 * above.min(below) > above + below
    }

    /// What this judgement does not show: less than the engine could under the reference's conditions where limits are
    /// wider today, and nothing at pins without a reading.
    fn not_shown_today(&self, layout: &Layout, today: &[Today], values: &[PinValue]) -> Arc<NotShown> {
        let scene = self.scene(layout, today, values);
        let smallest_joint = limits::smallest_joint(today, &self.factors, &scene);
        let unread: Vec<usize> =
            (0..values.len()).filter(|&pin| matches!(values[pin], PinValue::Unread(_))).collect();
        let is_much_more = |(now, then): (&Option<Ohms>, &Option<Ohms>)| match (now, then) {
            (Some(now), Some(then)) => now.get() > MUCH_MORE * then.get(),
            _ => false,
        };
        if unread.is_empty() && !smallest_joint.iter().zip(&self.not_shown.smallest_joint).any(is_much_more) {
            return Arc::clone(&self.not_shown);
        }
        Arc::new(NotShown { smallest_joint, unread, ..NotShown::clone(&self.not_shown) })
    }

    fn values(&self, board: &BoardReadings) -> Vec<PinValue> {
        let mut values = board.values.clone();
        values.resize(self.expected.len(), PinValue::Unread(Unread::NotListed));
        for value in &mut values {
            *value = held(*value);
        }
        values
    }

    fn today(&self, common: &Common) -> Vec<Today> {
        self.expected.iter().enumerate().map(|(pin, e)| common::today(&self.layout, e, pin, common)).collect()
    }

    fn scene<'a>(&'a self, layout: &'a Layout, today: &'a [Today], values: &'a [PinValue]) -> Scene<'a> {
        Scene::new(layout, today, &self.resistive, values, self.source, &self.assumptions)
    }

    /// Every pin with its limit, and whether it lies outside.
    fn pins(&self, values: &[PinValue], today: &[Today]) -> (Vec<PinJudgement>, Vec<bool>) {
        let mut differs = Vec::with_capacity(values.len());
        let pins = (0..values.len())
            .map(|pin| {
                let reading = values[pin];
                let class = self.layout.places[pin].class;
                let expected = match class {
                    Class::Ground | Class::Junction | Class::Resistor => {
                        PinValue::Volts(Volts::of(today[pin].centre))
                    }
                    Class::Open => PinValue::Overload,
                    Class::Unknown => self.reference[pin],
                };
                let limit = self.factors[pin].limit(&today[pin]).max(self.assumptions.least.get());
                let difference = match (reading, expected) {
                    (PinValue::Volts(seen), PinValue::Volts(expected)) => Some(seen.get() - expected.get()),
                    _ => None,
                };
                let is_known = class != Class::Unknown;
                differs.push(match (reading, expected) {
                    (PinValue::Overload, PinValue::Volts(_)) | (PinValue::Volts(_), PinValue::Overload) => {
                        is_known
                    }
                    _ => {
                        is_known
                            && difference.is_some_and(|d| d.abs() > limit)
                            && of_other_kind(reading, &today[pin]).is_none()
                    }
                });
                PinJudgement {
                    reading,
                    reference: self.reference[pin],
                    expected,
                    difference: difference.map(Volts::of),
                    limit: expected.volts().map(|_| Volts::of(limit)),
                    verdict: match reading {
                        PinValue::Unread(why) => PinVerdict::Unread(why),
                        _ if !is_known => PinVerdict::NoReference,
                        _ => PinVerdict::Matches,
                    },
                }
            })
            .collect();
        (pins, differs)
    }

    fn misplaced(&self, board: &BoardReadings, values: &[PinValue], placement: Placement) -> Judgement {
        let pins = values
            .iter()
            .zip(&self.reference)
            .map(|(&reading, &reference)| PinJudgement {
                reading,
                reference,
                expected: reference,
                difference: None,
                limit: None,
                verdict: PinVerdict::Misplaced,
            })
            .collect();
        Judgement {
            board: board.board.clone(),
            verdict: Verdict::Differs(Difference::Placement(placement)),
            flagged: Vec::new(),
            findings: Vec::new(),
            doubtful: Vec::new(),
            placement: Some(placement),
            shared: Shared::default(),
            pins,
            not_shown: Arc::clone(&self.not_shown),
        }
    }

    fn shared(&self, common: &Common) -> Shared {
        let ratio = self.carried.unwrap_or(common.ratio);
        let differs = (ratio - 1.0).abs() > f64::EPSILON;
        let junctions: Vec<f64> = (0..self.expected.len())
            .filter(|&pin| self.layout.places[pin].class == Class::Junction)
            .map(|pin| common::shift(&self.layout, pin, &self.expected[pin], common))
            .collect();
        Shared {
            drop: crate::statistics::median_of(junctions).map(Volts::of),
            warmer: Kelvin::new(common.warmer),
            current_ratio: differs.then_some(ratio),
            path: (common.path > 0.0).then(|| Ohms::of(common.path / self.source.current_at(0.0).max(1e-6))),
        }
    }
}

/// Ratio of the test currents, where both meters are known.
fn told(reference: &Reference, assumptions: &Assumptions) -> Option<f64> {
    let ratio = assumptions.board_current?.get() / reference.conditions.test_current?.get();
    (ratio.is_finite() && ratio > 0.0).then(|| ratio.clamp(0.01, 100.0))
}

fn source(reference: &Reference, assumptions: &Assumptions) -> Source {
    let conditions = &reference.conditions;
    let current = assumptions.board_current.or(conditions.test_current).unwrap_or(assumptions.test_current);
    Source {
        short_current: current.get().clamp(1e-5, 0.1),
        inner: None,
        compliance: conditions.compliance.unwrap_or(assumptions.compliance).get().clamp(1.0, 50.0),
    }
}

/// A reading within what arithmetic can bear.
fn held(value: PinValue) -> PinValue {
    value.volts().map_or(value, |volts| PinValue::Volts(Volts::of(evidence::plausible(volts.get()))))
}

fn volts(values: &[PinValue]) -> Vec<Option<f64>> {
    values.iter().map(|value| value.volts().map(Volts::get)).collect()
}
