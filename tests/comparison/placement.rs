//! Boards that are wrongly connected as a whole: one finding, and no pin is blamed.

use pintally::{
    compare::{Assumptions, Engine, Placement, Verdict},
    readings::{BoardReadings, PinValue},
    reference::{Conditions, learn},
    units::Volts,
};

use super::boards::load;

fn check(change: impl Fn(PinValue) -> PinValue, expected: Placement) {
    for case in load("boards") {
        let reference = learn(&case.drawn, &case.good[..5], Conditions::default()).unwrap();
        let engine = Engine::new(&case.drawn, &reference, &Assumptions::default()).unwrap();
        let values = case.good[6].values.iter().map(|value| change(*value)).collect();
        let judgement = engine.judge(&BoardReadings { board: "B".into(), values });
        assert_eq!(judgement.placement, Some(expected), "{}: {}", case.name, judgement.verdict);
        assert!(judgement.findings.is_empty() && judgement.flagged.is_empty());
        assert!(matches!(judgement.verdict, Verdict::Differs(_)));
    }
}

fn volts(change: impl Fn(f64) -> f64) -> impl Fn(PinValue) -> PinValue {
    move |value| value.volts().map_or(value, |volts| PinValue::Volts(Volts::of(change(volts.get()))))
}

#[test]
fn the_clip_is_off() {
    check(|_| PinValue::Overload, Placement::NoContact);
}

#[test]
fn the_clip_makes_poor_contact() {
    // 300 ohm in the clip, at 1 mA.
    check(volts(|v| v + 0.3), Placement::PoorGroundContact);
}

#[test]
fn the_board_is_charged() {
    // A rail that holds charge drives the pins above ground.
    check(volts(|v| if v > 0.1 { v - 1.4 } else { v }), Placement::Powered);
}

#[test]
fn the_meter_measures_volts() {
    check(volts(|_| 0.0), Placement::OtherMeterMode);
}

#[test]
fn the_meter_measures_ohms() {
    check(volts(|v| v * 1e4), Placement::OtherMeterMode);
}

#[test]
fn the_readings_belong_to_another_connector() {
    let cases = load("boards");
    let (mut tried, mut named) = (0, 0);
    for case in &cases {
        let reference = learn(&case.drawn, &case.good[..5], Conditions::default()).unwrap();
        let engine = Engine::new(&case.drawn, &reference, &Assumptions::default()).unwrap();
        let pins = case.drawn.pins.len();
        for other in cases.iter().filter(|other| other.name != case.name && other.drawn.pins.len() >= pins) {
            let values = other.good[6].values[..pins].to_vec();
            let judgement = engine.judge(&BoardReadings { board: "B".into(), values });
            // Nothing is blamed, whatever the wrong connection is called.
            assert!(judgement.placement.is_some(), "{} on {}: {}", other.name, case.name, judgement.verdict);
            assert!(judgement.findings.is_empty() && judgement.flagged.is_empty());
            named += usize::from(judgement.placement == Some(Placement::OtherConnector));
            tried += 1;
        }
    }
    // One of the fifteen is taken for a board that is seated one position off: its readings fit that by chance.
    assert!(tried == 15 && named >= 14, "{named} of {tried}");
}
