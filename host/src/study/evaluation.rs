//! What a study says about the gauge.

use std::collections::HashMap;

use crate::{
    readings::PinValue,
    statistics::{Gauge, crossed},
};

/// Shares of the smallest fault that six deviations of the gauge may take: below the first it serves, above the second
/// it does not (the bands of 10 and 30 % that AIAG gives for a tolerance; common practice).
const BANDS: (f64, f64) = (0.10, 0.30);

/// One reading of a study.
#[derive(Debug, Clone, PartialEq)]
pub struct Measurement {
    /// Which board.
    pub board: String,
    /// Who read it, or which seating.
    pub operator: String,
    /// Which pin.
    pub pin: String,
    /// What was read.
    pub value: PinValue,
}

/// Whether a gauge shows the smallest fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fitness {
    /// Six deviations are at most a tenth of the smallest fault.
    Serves,
    /// Up to three tenths: it may serve, for a fault that is looked at twice.
    Doubtful,
    /// More: faults of that size drown in the gauge.
    Fails,
}

/// The gauge at one pin, voltages in volts.
#[derive(Debug, Clone, PartialEq)]
pub struct PinGauge {
    /// Which pin.
    pub pin: String,
    /// Components of variance.
    pub gauge: Gauge,
    /// Six deviations of the gauge over the smallest fault.
    pub share: f64,
    /// Whether it shows the smallest fault.
    pub fitness: Fitness,
}

/// Where most of the scatter at a pin comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// One operator reads one board differently each time it is seated: repeatability.
    Seating,
    /// Operators read differently: reproducibility.
    Operators,
}

/// A pin without a voltage at some readings, or without any reading: its contact comes and goes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LostContact {
    /// Which pin.
    pub pin: String,
    /// Readings of it.
    pub readings: usize,
    /// How many were OL.
    pub overloads: usize,
    /// How many were none: not settled, not visited.
    pub unread: usize,
}

/// What a study says.
#[derive(Debug, Clone, PartialEq)]
pub struct StudyResult {
    /// Boards, operators, repeats.
    pub size: (usize, usize, usize),
    /// The smallest fault, in volts.
    pub smallest: f64,
    /// Each pin that read a voltage every time, in the order of the readings.
    pub pins: Vec<PinGauge>,
    /// Pins that were read as a voltage only now and then, or not at all: the gauge fails there.
    pub lost: Vec<LostContact>,
    /// Pins that read OL every time: there is nothing to measure, as where a good board has no path.
    pub left_out: Vec<String>,
}

/// A study cannot be evaluated.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum StudyError {
    /// Variance needs two of each.
    #[error(
        "expected at least 2 boards, 2 operators and 2 repeats, found {boards}, {operators} and {repeats}"
    )]
    TooSmall {
        /// Boards.
        boards: usize,
        /// Operators.
        operators: usize,
        /// Readings of the first board by the first operator.
        repeats: usize,
    },
    /// A crossed study has every board read equally often by everybody.
    #[error("expected {expected} readings of board {board} by {operator} at pin {pin}, found {found}")]
    Unbalanced {
        /// The board.
        board: String,
        /// The operator.
        operator: String,
        /// The pin.
        pin: String,
        /// As many as of the first board by the first operator.
        expected: usize,
        /// How many there are.
        found: usize,
    },
    /// Nothing can be analysed.
    #[error("expected pins that read a voltage, found OL at all of them")]
    NoVoltages,
    /// The smallest fault is no voltage.
    #[error("expected a smallest fault above 0 V, found {0} V")]
    Smallest(String),
}

/// Evaluates a study against the smallest fault, in volts. Repeats are readings of one board by one operator, in order.
///
/// # Errors
/// [`StudyError`] if the study is too small, not balanced, or has no voltages.
pub fn evaluate(measurements: &[Measurement], smallest: f64) -> Result<StudyResult, StudyError> {
    if !(smallest > 0.0 && smallest.is_finite()) {
        return Err(StudyError::Smallest(smallest.to_string()));
    }
    let boards = distinct(measurements.iter().map(|m| m.board.as_str()));
    let operators = distinct(measurements.iter().map(|m| m.operator.as_str()));
    let names = distinct(measurements.iter().map(|m| m.pin.as_str()));
    let mut cells: HashMap<(&str, &str, &str), Vec<PinValue>> = HashMap::new();
    for m in measurements {
        cells.entry((&m.pin, &m.board, &m.operator)).or_default().push(m.value);
    }
    let repeats = measurements.first().map_or(0, |first| {
        cells.get(&(first.pin.as_str(), first.board.as_str(), first.operator.as_str())).map_or(0, Vec::len)
    });
    if boards.len() < 2 || operators.len() < 2 || repeats < 2 {
        return Err(StudyError::TooSmall { boards: boards.len(), operators: operators.len(), repeats });
    }
    let (mut pins, mut lost, mut left_out) = (Vec::new(), Vec::new(), Vec::new());
    let readings = boards.len() * operators.len() * repeats;
    for pin in &names {
        let mut volts = Vec::with_capacity(readings);
        let mut overloads = 0;
        for board in &boards {
            for operator in &operators {
                let cell = cells.get(&(*pin, *board, *operator)).map_or(&[][..], Vec::as_slice);
                if cell.len() != repeats {
                    return Err(StudyError::Unbalanced {
                        board: (*board).to_owned(),
                        operator: (*operator).to_owned(),
                        pin: (*pin).to_owned(),
                        expected: repeats,
                        found: cell.len(),
                    });
                }
                overloads += cell.iter().filter(|value| matches!(value, PinValue::Overload)).count();
                volts.extend(cell.iter().filter_map(|value| value.volts()).map(|v| v.get()));
            }
        }
        if overloads == readings {
            left_out.push((*pin).to_owned());
            continue;
        }
        match crossed(boards.len(), operators.len(), repeats, &volts) {
            Some(study) => pins.push(PinGauge::of(pin, Gauge::of(&study), smallest)),
            None => {
                let unread = readings - overloads - volts.len();
                lost.push(LostContact { pin: (*pin).to_owned(), readings, overloads, unread });
            }
        }
    }
    if pins.is_empty() && lost.is_empty() {
        return Err(StudyError::NoVoltages);
    }
    Ok(StudyResult { size: (boards.len(), operators.len(), repeats), smallest, pins, lost, left_out })
}

impl StudyResult {
    /// The pin with the largest share: the gauge is as good as its worst pin.
    #[must_use]
    pub fn worst(&self) -> Option<&PinGauge> {
        self.pins.iter().max_by(|a, b| a.share.total_cmp(&b.share))
    }

    /// Whether the gauge shows the smallest fault at every pin. One that loses contact at a pin shows no fault there.
    #[must_use]
    pub fn fitness(&self) -> Fitness {
        self.worst().filter(|_| self.lost.is_empty()).map_or(Fitness::Fails, |pin| pin.fitness)
    }
}

impl PinGauge {
    fn of(pin: &str, gauge: Gauge, smallest: f64) -> Self {
        let share = 6.0 * gauge.sigma() / smallest;
        let fitness = if share <= BANDS.0 {
            Fitness::Serves
        } else if share <= BANDS.1 {
            Fitness::Doubtful
        } else {
            Fitness::Fails
        };
        Self { pin: pin.to_owned(), gauge, share, fitness }
    }

    /// Where most of its scatter comes from. In a crossed study every reading is a seating of its own, so that contacts
    /// scatter within the readings of one operator.
    #[must_use]
    pub fn source(&self) -> Source {
        if self.gauge.reproducibility() > self.gauge.repeatability {
            Source::Operators
        } else {
            Source::Seating
        }
    }
}

impl Fitness {
    /// In a word or two.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Serves => "serves",
            Self::Doubtful => "doubtful",
            Self::Fails => "fails",
        }
    }
}

/// Names in the order in which they come first.
fn distinct<'a>(names: impl Iterator<Item = &'a str>) -> Vec<&'a str> {
    let mut seen = std::collections::HashSet::new();
    names.filter(|name| seen.insert(*name)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{readings::Unread, units::Volts};

    fn read(board: &str, operator: &str, volts: f64) -> Measurement {
        let value = PinValue::Volts(Volts::of(volts));
        Measurement { board: board.into(), operator: operator.into(), pin: "A4".into(), value }
    }

    fn study(spread: f64) -> Vec<Measurement> {
        let mut all = Vec::new();
        for (board, base) in [("1", 0.5), ("2", 0.51), ("3", 0.52)] {
            for (operator, offset) in [("ann", 0.0), ("ben", spread)] {
                all.extend([0.0, spread].map(|s| read(board, operator, base + offset + s)));
            }
        }
        all
    }

    #[test]
    fn a_gauge_is_judged_by_the_smallest_fault() {
        for (spread, expected) in
            [(0.0001, Fitness::Serves), (0.001, Fitness::Doubtful), (0.01, Fitness::Fails)]
        {
            let result = evaluate(&study(spread), 0.030).unwrap();
            assert_eq!((result.size, result.fitness()), ((3, 2, 2), expected), "{spread}");
        }
    }

    #[test]
    fn what_cannot_be_evaluated_is_told() {
        let message = |all: &[Measurement]| evaluate(all, 0.03).unwrap_err().to_string();
        assert_eq!(message(&[]), "expected at least 2 boards, 2 operators and 2 repeats, found 0, 0 and 0");
        let mut short = study(0.001);
        short.pop();
        assert_eq!(message(&short), "expected 2 readings of board 3 by ben at pin A4, found 1");
        let mut open = study(0.001);
        open.iter_mut().for_each(|m| m.value = PinValue::Overload);
        assert_eq!(message(&open), "expected pins that read a voltage, found OL at all of them");
        assert!(evaluate(&study(0.001), f64::NAN).is_err());
    }

    /// An intermittent contact is what a gauge study is made to find.
    #[test]
    fn a_contact_that_comes_and_goes_fails_the_study() {
        let pin = |name: &str, change: &dyn Fn(usize) -> Option<PinValue>| {
            let all = study(0.0001).into_iter().enumerate();
            all.map(|(at, m)| Measurement { pin: name.into(), value: change(at).unwrap_or(m.value), ..m })
                .collect::<Vec<_>>()
        };
        let (overload, unread) = (PinValue::Overload, PinValue::Unread(Unread::NotListed));
        let all = [
            pin("sound", &|_| None),
            pin("unused", &|_| Some(overload)),
            pin("loose", &|at| (at == 3 || at == 7).then_some(overload)),
            pin("slow", &|at| (at == 5).then_some(unread)),
            pin("never read", &|_| Some(unread)),
            pin("OL or nothing", &|at| Some(if at < 4 { overload } else { unread })),
        ];
        let result = evaluate(&all.concat(), 0.030).unwrap();
        assert_eq!(result.fitness(), Fitness::Fails);
        assert_eq!(result.worst().map(|pin| pin.fitness), Some(Fitness::Serves));
        assert_eq!(result.left_out, ["unused"]);
        let lost: Vec<_> = result.lost.iter().map(|l| (l.pin.as_str(), l.overloads, l.unread)).collect();
        assert_eq!(lost, [("loose", 2, 0), ("slow", 0, 1), ("never read", 0, 12), ("OL or nothing", 4, 8)]);
        assert_eq!(evaluate(&all[..2].concat(), 0.030).unwrap().fitness(), Fitness::Serves);
    }

    /// One operator who reads 3 mV more is no dirty contact, and the other way round.
    #[test]
    fn scatter_is_told_by_its_source() {
        let with = |ben: f64, seating: f64| {
            let mut all = Vec::new();
            for (board, base) in [("1", 0.5), ("2", 0.51), ("3", 0.52)] {
                for (operator, offset) in [("ann", 0.0), ("ben", ben)] {
                    all.extend([0.0, seating].map(|s| read(board, operator, base + offset + s)));
                }
            }
            evaluate(&all, 0.030).unwrap().worst().unwrap().source()
        };
        assert_eq!(with(0.003, 0.0005), Source::Operators);
        assert_eq!(with(0.0, 0.003), Source::Seating);
    }
}
