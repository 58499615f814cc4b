//! The steps of a judgement in their order.

use std::sync::Arc;

use super::{
    Assumptions, Check, Difference, Doubt, Evidence, Finding, Judgement, Kind, NotShown, PinJudgement,
    PinVerdict, Shared, Verdict,
};
use crate::{
    connector::Connector,
    readings::{BoardReadings, PinValue, Unread},
    reference::{Reference, Unfitting},
    statistics::{Moderated, SampleVariance, median_of, prediction_factor, student_tail},
    units::{Ohms, Volts},
};

/// Judges boards of one connector against one reference. Making it costs more than using it: keep it for a batch.
#[derive(Debug, Clone)]
pub struct Engine {
    pins: Vec<PinModel>,
    not_shown: Arc<NotShown>,
}

/// What a batch of boards has in common, gathered in a first pass over them in constant memory.
#[derive(Debug, Clone, Default)]
pub struct Batch {
    boards: usize,
}

#[derive(Debug, Clone, Copy)]
struct PinModel {
    reference: PinValue,
    deviation: f64,
    freedom: f64,
    limit: f64,
}

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

impl Batch {
    /// Takes one board of the batch.
    pub fn add(&mut self, _board: &BoardReadings) {
        self.boards += 1;
    }
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
        let samples: Vec<SampleVariance> = reference
            .pins
            .iter()
            .map(|pin| SampleVariance {
                variance: pin.spread.map_or(0.0, |s| s.get().powi(2)),
                freedom: pin.count.saturating_sub(1) as f64,
            })
            .collect();
        let assumed = Moderated { variance: assumptions.spread.get().powi(2), freedom: 4.0 };
        let common = Moderated::learn(&samples).unwrap_or(assumed);
        let alarm = assumptions.false_alarms / connector.pins.len().max(1) as f64;
        let pins: Vec<PinModel> = reference
            .pins
            .iter()
            .zip(samples)
            .map(|(pin, sample)| {
                let variance = common.of(sample);
                let deviation = variance.variance.sqrt().max(0.001);
                let factor = prediction_factor(alarm, pin.count, variance.freedom);
                PinModel {
                    reference: pin.value(),
                    deviation,
                    freedom: variance.freedom,
                    limit: (factor * deviation).max(assumptions.least.get()),
                }
            })
            .collect();
        let not_shown = NotShown {
            smallest_joint: pins
                .iter()
                .map(|pin| pin.reference.volts().map(|_| Ohms::of(pin.limit / 0.001)))
                .collect(),
            like_neighbours: Vec::new(),
            open_by_design: (0..pins.len()).filter(|&p| pins[p].reference == PinValue::Overload).collect(),
            known_good: reference.boards.len(),
        };
        Ok(Self { pins, not_shown: Arc::new(not_shown) })
    }

    /// Starts to gather what a batch of boards has in common.
    #[must_use]
    pub fn batch(&self) -> Batch {
        Batch::default()
    }

    /// Takes what a batch of boards has in common into account: another meter's current is seen best on many.
    #[must_use]
    pub fn together(self, _batch: &Batch) -> Self {
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
        let value =
            |pin: usize| board.values.get(pin).copied().unwrap_or(PinValue::Unread(Unread::NotListed));
        let drop = median_of(self.pins.iter().enumerate().filter_map(|(index, pin)| {
            let reference = pin.reference.volts()?.get();
            (reference > 0.2).then_some(())?;
            Some(value(index).volts()?.get() - reference)
        }));
        let shift = drop.unwrap_or(0.0);
        let mut pins = Vec::with_capacity(self.pins.len());
        let mut findings = Vec::new();
        for (index, model) in self.pins.iter().enumerate() {
            let reading = value(index);
            let expected = match model.reference {
                PinValue::Volts(v) if v.get() > 0.2 => PinValue::Volts(Volts::of(v.get() + shift)),
                other => other,
            };
            let difference = match (reading, expected) {
                (PinValue::Volts(seen), PinValue::Volts(expected)) => Some(seen.get() - expected.get()),
                _ => None,
            };
            let kind = match (reading, expected, difference) {
                (PinValue::Overload, PinValue::Volts(_), _) => Some(Kind::OpenJoint),
                (PinValue::Volts(seen), _, _)
                    if seen.get() < 0.02 && difference.is_none_or(|d| d < -0.02) =>
                {
                    Some(Kind::ShortToGround)
                }
                (PinValue::Volts(_), PinValue::Overload, _) => Some(Kind::Leakage),
                (_, _, Some(d)) if d > model.limit => Some(Kind::HighResistanceJoint),
                (_, _, Some(d)) if d < -model.limit => Some(Kind::Leakage),
                _ => None,
            };
            if let Some(kind) = kind {
                let tail = difference.map_or(0.0, |d| student_tail(d / model.deviation, model.freedom));
                findings.push(Finding {
                    kind,
                    pins: vec![index],
                    ohms: None,
                    probability: 1.0 - tail,
                    evidence: vec![Evidence { pin: index, expected, predicted: reading, seen: reading }],
                    alternatives: Vec::new(),
                    next: match kind {
                        Kind::Leakage => Check::Clean(index),
                        Kind::ShortToGround => Check::LookForShort(index),
                        _ => Check::Reflow(index),
                    },
                });
            }
            let verdict = match (reading, model.reference, kind) {
                (PinValue::Unread(why), _, _) => PinVerdict::Unread(why),
                (_, PinValue::Unread(_), _) => PinVerdict::NoReference,
                (_, _, Some(_)) => PinVerdict::AtFault,
                _ => PinVerdict::Matches,
            };
            pins.push(PinJudgement {
                reading,
                reference: model.reference,
                expected,
                difference: difference.map(Volts::of),
                limit: expected.volts().map(|_| Volts::of(model.limit)),
                verdict,
            });
        }
        let count = |wanted: fn(&PinVerdict) -> bool| pins.iter().filter(|p| wanted(&p.verdict)).count();
        let unread = count(|v| matches!(v, PinVerdict::Unread(_)));
        let unknown = count(|v| matches!(v, PinVerdict::NoReference));
        let verdict = if !findings.is_empty() {
            Verdict::Differs(Difference::Faults { count: findings.len() })
        } else if unread > 0 {
            Verdict::Inconclusive(Doubt::Unread { pins: unread })
        } else if unknown > 0 {
            Verdict::Inconclusive(Doubt::NoReference { pins: unknown })
        } else {
            Verdict::Matches { pins: pins.len() }
        };
        Judgement {
            board: board.board.clone(),
            verdict,
            flagged: findings.iter().flat_map(|f| f.pins.iter().copied()).collect(),
            findings,
            placement: None,
            shared: Shared { drop: drop.map(Volts::of), ..Shared::default() },
            pins,
            not_shown: Arc::clone(&self.not_shown),
        }
    }
}
