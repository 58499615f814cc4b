//! What must change nothing, and what must never break.

use pintally::{
    compare::{Assumptions, Batch, Engine, Judgement},
    connector::{Connector, Pin, PinName, Role},
    readings::{BoardReadings, PinValue, Unread},
    reference::{Conditions, Reference, learn},
    report,
    units::Volts,
};
use proptest::prelude::*;

use super::boards::load;

fn judge(connector: &Connector, good: &[BoardReadings], board: &BoardReadings) -> Judgement {
    let reference = learn(connector, good, Conditions::default()).unwrap();
    Engine::new(connector, &reference, &Assumptions::default()).unwrap().judge(board)
}

/// What is said, with pins by name, so that an order of pins does not show.
fn said(connector: &Connector, judgement: &Judgement) -> Vec<String> {
    let name = |pin: usize| connector.pins[pin].name.as_str();
    let mut lines: Vec<String> = judgement
        .findings
        .iter()
        .map(|finding| {
            let mut pins: Vec<&str> = finding.pins.iter().map(|&pin| name(pin)).collect();
            pins.sort_unstable();
            format!("{} {pins:?} {:.6}", finding.kind.code(), finding.probability)
        })
        .chain(judgement.flagged.iter().map(|&pin| format!("flagged {}", name(pin))))
        .collect();
    lines.sort();
    lines.push(format!("{:?}", judgement.placement));
    lines
}

#[test]
fn the_order_of_known_good_boards_changes_nothing() {
    for case in load("boards").into_iter().take(3) {
        let mut turned = case.good[..5].to_vec();
        turned.reverse();
        for board in &case.test {
            let (there, back) =
                (judge(&case.drawn, &case.good[..5], board), judge(&case.drawn, &turned, board));
            assert_eq!(said(&case.drawn, &there), said(&case.drawn, &back), "{} {}", case.name, board.board);
        }
    }
}

#[test]
fn other_names_and_exchanged_rows_change_nothing() {
    for case in load("boards").into_iter().take(3) {
        let other = |name: &PinName| PinName::new(&format!("X{name}"));
        let mut renamed = case.drawn.clone();
        for pin in &mut renamed.pins {
            pin.name = other(&pin.name);
            pin.pair = pin.pair.as_ref().map(other);
            pin.row = pin.row.as_deref().map(|row| if row == "A" { "B".to_owned() } else { "A".to_owned() });
        }
        for board in &case.test {
            let drawn = said(&case.drawn, &judge(&case.drawn, &case.good[..5], board));
            let named = said(&case.drawn, &judge(&renamed, &case.good[..5], board));
            assert_eq!(drawn, named, "{} {}", case.name, board.board);
        }
    }
}

#[test]
fn a_board_is_judged_the_same_in_any_company() {
    let case = load("boards").remove(0);
    let reference = learn(&case.drawn, &case.good[..5], Conditions::default()).unwrap();
    let engine = Engine::new(&case.drawn, &reference, &Assumptions::default()).unwrap();
    let there: Vec<Judgement> = case.test.iter().map(|board| engine.judge(board)).collect();
    let back: Vec<Judgement> = case.test.iter().rev().map(|board| engine.judge(board)).collect();
    assert!(there.iter().eq(back.iter().rev()));
}

#[test]
fn the_same_meter_teaches_a_batch_nothing() {
    // A fault that every board of a batch has must stay a fault: nothing of a pin's centre is learned.
    let case = load("boards").remove(1);
    let reference = learn(&case.drawn, &case.good[..5], Conditions::default()).unwrap();
    let engine = Engine::new(&case.drawn, &reference, &Assumptions::default()).unwrap();
    let pin = 12;
    let batch_of = |value: PinValue| -> Vec<BoardReadings> {
        let mut boards = case.good[5..].to_vec();
        boards.iter_mut().for_each(|board| board.values[pin] = value);
        boards
    };
    let boards = batch_of(PinValue::Volts(Volts::of(0.2)));
    let mut batch = Batch::default();
    boards.iter().for_each(|board| engine.observe(&mut batch, board));
    let together = engine.clone().together(&batch);
    for board in &boards {
        assert!(together.judge(board).flagged.contains(&pin), "{}", board.board);
    }
}

fn any_value() -> impl Strategy<Value = PinValue> {
    prop_oneof![
        8 => (-0.2f64..3.0).prop_map(|v| PinValue::Volts(Volts::of(v))),
        2 => prop::sample::select(vec![0.0, 0.3, 0.5, 0.5, 0.6]).prop_map(|v| PinValue::Volts(Volts::of(v))),
        1 => prop::sample::select(vec![1e9, -1e9, 1e300, 1e-300, f64::MAX, f64::MIN])
            .prop_map(|v| PinValue::Volts(Volts::of(v))),
        2 => Just(PinValue::Overload),
        1 => Just(PinValue::Unread(Unread::NoReading)),
    ]
}

fn any_connector() -> impl Strategy<Value = Connector> {
    let role = prop::option::of(prop::sample::select(vec![
        Role::Ground,
        Role::Power,
        Role::Signal,
        Role::Unconnected,
    ]));
    let pin = (role, prop::option::of(0u8..6), prop::option::of(1u16..9), prop::option::of(1usize..12));
    prop::collection::vec(pin, 1..12).prop_map(|pins| Connector {
        name: "J1".into(),
        pins: pins
            .into_iter()
            .enumerate()
            .map(|(index, (role, net, position, pair))| Pin {
                name: PinName::new(&(index + 1).to_string()),
                row: position.map(|p| if p.is_multiple_of(2) { "A".into() } else { "B".into() }),
                position,
                net: net.map(|net| format!("N{net}")),
                role,
                pair: pair.map(|pair| PinName::new(&pair.to_string())),
                note: None,
            })
            .collect(),
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, ..ProptestConfig::default() })]

    /// Whatever was typed, read or drawn: no panic, no NaN, and probabilities are probabilities.
    #[test]
    fn senseless_readings_are_judged(
        (connector, boards, more) in any_connector().prop_flat_map(|connector| {
            let pins = connector.pins.len();
            let board = || prop::collection::vec(any_value(), pins);
            (Just(connector), prop::collection::vec(board(), 1..5), prop::collection::vec(board(), 1..12))
        }),
        spread in 0.0f64..0.1,
    ) {
        let named = |prefix: &str, values: Vec<Vec<PinValue>>| -> Vec<BoardReadings> {
            values
                .into_iter()
                .enumerate()
                .map(|(index, values)| BoardReadings { board: format!("{prefix}{index}"), values })
                .collect()
        };
        let (good, test) = (named("G", boards), named("T", more));
        let reference = learn(&connector, &good, Conditions::default()).unwrap();
        let back = Reference::from_toml(&reference.to_toml()).unwrap();
        prop_assert_eq!(back.to_toml(), reference.to_toml());
        let assumptions = Assumptions { spread: Volts::of(spread), ..Assumptions::default() };
        let mut engine = Engine::new(&connector, &reference, &assumptions).unwrap();
        let mut batch = Batch::default();
        for round in 0..2 {
            for board in &test {
                let judgement = engine.judge(board);
                prop_assert_eq!(judgement.pins.len(), connector.pins.len());
                for finding in &judgement.findings {
                    prop_assert!((0.0..=1.0).contains(&finding.probability));
                    prop_assert!(finding.ohms.is_none_or(|ohms| ohms.get() >= 0.0));
                }
                let json = report::json(&connector, &judgement, true);
                prop_assert!(serde_json::from_str::<serde_json::Value>(&json).is_ok());
                for text in [json, report::text(&connector, &judgement), report::csv(&connector, &judgement)] {
                    prop_assert!(!text.contains("NaN") && !text.contains("inf"), "{}", text);
                }
                engine.observe(&mut batch, board);
            }
            if round == 0 {
                engine = engine.together(&batch);
            }
        }
    }
}
