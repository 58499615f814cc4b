//! From readings of known-good boards to a reference.

use super::{Conditions, OddBoard, OddPin, PinEvidence, Reference};
use crate::{
    connector::{Connector, Role},
    readings::{BoardReadings, PinValue},
    statistics::{mad, median_of, summarise},
    units::Volts,
};

/// A known-good reading below this is a ground pin where the drawing does not say: a junction drops at least
/// 0.15 V at 0.1 mA (Schottky, common practice), and contacts and copper below 10 ohm stay under 15 mV at 1.5 mA.
const GROUND: f64 = 0.015;

/// How far, in robust deviations of the board, a reading must stand apart before a known-good board is called
/// odd; and how far in volts, so that a very quiet pin does not accuse a board. Common practice.
const ODD_DEVIATIONS: f64 = 6.0;
const ODD_VOLTS: f64 = 0.030;

/// Known-good readings from which nothing can be learned.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Unlearnable {
    /// There is no board.
    #[error("expected the readings of at least one known-good board, found none")]
    NoBoard,
    /// A board has another number of readings than the connector has pins.
    #[error("expected {expected} readings of board {board}, one a pin, found {found}")]
    OtherCount {
        /// Which board.
        board: String,
        /// Pins of the connector.
        expected: usize,
        /// Readings of the board.
        found: usize,
    },
    /// A board stands twice among the known-good ones.
    #[error("expected each known-good board once, found {board} twice")]
    Twice {
        /// Which board.
        board: String,
    },
}

/// Learns a reference from one, a few or many known-good boards.
///
/// # Errors
/// [`Unlearnable`] if there is no board, a board is there twice, or a board's readings do not fit the connector.
pub fn learn(
    connector: &Connector,
    boards: &[BoardReadings],
    conditions: Conditions,
) -> Result<Reference, Unlearnable> {
    if boards.is_empty() {
        return Err(Unlearnable::NoBoard);
    }
    for (index, board) in boards.iter().enumerate() {
        if board.values.len() != connector.pins.len() {
            return Err(Unlearnable::OtherCount {
                board: board.board.clone(),
                expected: connector.pins.len(),
                found: board.values.len(),
            });
        }
        if boards[..index].iter().any(|earlier| earlier.board == board.board) {
            return Err(Unlearnable::Twice { board: board.board.clone() });
        }
    }
    let pins: Vec<PinEvidence> =
        (0..connector.pins.len()).map(|pin| evidence(connector, boards, pin)).collect();
    let odd = odd_boards(boards, &pins);
    Ok(Reference { connector: connector.name.clone(), conditions, boards: boards.to_vec(), pins, odd })
}

fn evidence(connector: &Connector, boards: &[BoardReadings], pin: usize) -> PinEvidence {
    let values: Vec<f64> = boards.iter().filter_map(|b| b.values[pin].volts()).map(Volts::get).collect();
    let overloads = boards.iter().filter(|b| b.values[pin] == PinValue::Overload).count();
    let centre = median_of(values.iter().copied());
    let drawn = &connector.pins[pin];
    let learned = match centre {
        Some(centre) if values.len() >= overloads => {
            Some(if centre.abs() < GROUND { Role::Ground } else { Role::Signal })
        }
        _ if overloads > 0 => Some(Role::Unconnected),
        _ => None,
    };
    PinEvidence {
        name: drawn.name.clone(),
        role: drawn.role.or(learned),
        count: values.len(),
        overloads,
        centre: centre.map(Volts::of),
        spread: summarise(&values).and_then(|s| s.deviation).map(Volts::of),
    }
}

/// Boards that stand apart after what moves a whole board (temperature, a lead's resistance) is taken out.
/// With fewer than three boards nobody can say which one is odd.
fn odd_boards(boards: &[BoardReadings], pins: &[PinEvidence]) -> Vec<OddBoard> {
    if boards.len() < 3 {
        return Vec::new();
    }
    let mut odd = Vec::new();
    for board in boards {
        let differences: Vec<f64> = board
            .values
            .iter()
            .zip(pins)
            .filter_map(|(value, pin)| Some(value.volts()?.get() - pin.centre?.get()))
            .collect();
        let (Some(middle), Some(scale)) = (median_of(differences.iter().copied()), mad(&differences)) else {
            continue;
        };
        let limit = (ODD_DEVIATIONS * scale).max(ODD_VOLTS);
        let mut apart: Vec<(f64, OddPin)> = Vec::new();
        for (value, pin) in board.values.iter().zip(pins) {
            let others = pin.value();
            let distance = match (value, others) {
                (PinValue::Volts(seen), PinValue::Volts(centre)) => {
                    (seen.get() - centre.get() - middle).abs()
                }
                (PinValue::Overload, PinValue::Volts(_)) | (PinValue::Volts(_), PinValue::Overload) => {
                    f64::MAX
                }
                _ => 0.0,
            };
            if distance > limit {
                apart.push((distance, OddPin { name: pin.name.clone(), seen: *value, others }));
            }
        }
        apart.sort_by(|a, b| b.0.total_cmp(&a.0));
        if !apart.is_empty() {
            odd.push(OddBoard {
                board: board.board.clone(),
                pins: apart.into_iter().map(|(_, p)| p).collect(),
            });
        }
    }
    odd.sort_by_key(|board| std::cmp::Reverse(board.pins.len()));
    odd
}
