//! The ladder plate: a resistor to ground on every position, each of another value.

use crate::units::Ohms;

/// Values of the first 64 positions, in ohms: of the E96 series (IEC 60063), each at least 10 Ω and 2.4 % above the
/// one before, so that positions are told apart at 0.3 mA by a meter that shows 1 mV, with resistors that are 0.5 % off,
/// and the last still reads below the 1.2 V of meters with a 1 V range at 1 mA (docs/facts.md 2.1).
const VALUES: [f64; 64] = [
    47.5, 57.6, 68.1, 78.7, 88.7, 100.0, 110.0, 121.0, 133.0, 143.0, 154.0, 165.0, 178.0, 191.0, 205.0,
    215.0, 226.0, 237.0, 249.0, 261.0, 274.0, 287.0, 301.0, 316.0, 332.0, 348.0, 365.0, 383.0, 402.0, 412.0,
    422.0, 432.0, 442.0, 453.0, 464.0, 475.0, 487.0, 499.0, 511.0, 523.0, 536.0, 549.0, 562.0, 576.0, 590.0,
    604.0, 619.0, 634.0, 649.0, 665.0, 681.0, 698.0, 715.0, 732.0, 750.0, 768.0, 787.0, 806.0, 825.0, 845.0,
    866.0, 887.0, 909.0, 931.0,
];

/// The resistor on a position of the ladder plate, counted from 0.
///
/// From position 64 on the values come again from the last to the first, then again from the first, a bank of 16 further
/// on: whole banks that are exchanged still show. Two single wires with the same value do not.
#[must_use]
pub fn ladder_resistor(position: usize) -> Ohms {
    let (block, place) = (position / VALUES.len(), position % VALUES.len());
    let place =
        if block % 2 == 1 { VALUES.len() - 1 - place } else { (place + 16 * (block / 2)) % VALUES.len() };
    Ohms::of(VALUES[place])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn neighbours_are_told_apart() {
        for pair in VALUES.windows(2) {
            assert!(pair[1] - pair[0] >= 10.0 && pair[1] / pair[0] > 1.02, "{pair:?}");
        }
    }

    /// IEC 60063: the E96 series is 10^(k/96) rounded to three digits.
    #[test]
    fn every_value_can_be_bought() {
        let series: Vec<f64> = (0..96).map(|k| (100.0 * 10f64.powf(f64::from(k) / 96.0)).round()).collect();
        for value in VALUES {
            let digits = if value < 100.0 { (value * 10.0).round() } else { value };
            assert!(series.contains(&digits), "{value}");
        }
    }

    #[test]
    fn no_two_banks_of_sixteen_are_alike() {
        let bank = |bank: usize| (0..16).map(|at| ladder_resistor(16 * bank + at).get()).collect::<Vec<_>>();
        for a in 0..8 {
            for b in 0..a {
                assert_ne!(bank(a), bank(b), "{a} {b}");
            }
        }
    }
}
