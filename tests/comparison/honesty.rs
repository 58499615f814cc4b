//! What a judgement must not claim: a match it cannot stand for, a fault it has no right to name, or silence about pins
//! that it did not judge. The boards are those of the independent circuit simulator.

use pintally::{
    compare::{Assumptions, Difference, Doubt, Engine, Judgement, Kind, PinVerdict, Placement, Verdict},
    connector::{Connector, Role},
    readings::{BoardReadings, PinValue, Unread},
    reference::{Conditions, learn},
    units::Volts,
};

use super::boards::{Case, load};

const fn v(volts: f64) -> PinValue {
    PinValue::Volts(Volts::of(volts))
}

/// Judges a sound board of this connector after `change`, by five others.
fn judge(connector: &Connector, case: &Case, change: impl FnOnce(&mut Vec<PinValue>)) -> Judgement {
    judge_by(connector, &case.good[..5], case, change)
}

fn judge_by(
    connector: &Connector,
    good: &[BoardReadings],
    case: &Case,
    change: impl FnOnce(&mut Vec<PinValue>),
) -> Judgement {
    let reference = learn(connector, good, Conditions::default()).unwrap();
    let engine = Engine::new(connector, &reference, &Assumptions::default()).unwrap();
    let mut values = case.good[6].values.clone();
    change(&mut values);
    engine.judge(&BoardReadings { board: "B".into(), values })
}

/// Pins that show a junction's drop on every known-good board.
fn drops(case: &Case) -> Vec<usize> {
    let is_drop = |value: &PinValue| value.volts().is_some_and(|volts| (0.3..1.0).contains(&volts.get()));
    (0..case.drawn.pins.len())
        .filter(|&pin| case.good.iter().all(|board| is_drop(&board.values[pin])))
        .collect()
}

#[test]
fn a_connector_that_is_raised_at_most_pins_does_not_match() {
    for case in load("boards") {
        let pins = drops(&case);
        for (step, share) in [(0.060, 0.7), (0.120, 0.7), (0.120, 0.9), (0.200, 0.8)] {
            let raised = (pins.len() as f64 * share) as usize;
            let judgement = judge(&case.drawn, &case, |values| {
                for (index, &pin) in pins.iter().take(raised).enumerate() {
                    // From .6 to 1.4 of the step, as joints and dirt differ.
                    let factor = 0.6 + 0.2 * (index * 7 % 5) as f64;
                    values[pin] = v(values[pin].volts().unwrap().get() + step * factor);
                }
            });
            let name = format!("{} {step} {share}: {} {:?}", case.name, judgement.verdict, judgement.shared);
            assert!(!judgement.verdict.matches(), "{name}");
            let raised_pins = &pins[..raised];
            let is_sound = |pin: &usize| !raised_pins.contains(pin);
            let blamed = judgement.findings.iter().flat_map(|finding| &finding.pins);
            assert!(
                blamed.copied().filter(|pin| is_sound(pin)).count() <= 1,
                "{name}: {:?}",
                judgement.findings
            );
        }
    }
}

#[test]
fn pins_that_only_read_alike_on_good_boards_are_no_net() {
    for case in load("boards") {
        // Boards as alike as those of one batch: of every pin the same reading on all, and a few pins the same as others.
        let pins = drops(&case);
        let mut good = vec![case.good[0].clone(); 5];
        for (number, board) in good.iter_mut().enumerate() {
            board.board = format!("G{number}");
            for trio in pins.chunks_exact(3) {
                (board.values[trio[1]], board.values[trio[2]]) =
                    (board.values[trio[0]], board.values[trio[0]]);
            }
        }
        let alike = good[0].values.clone();
        for trio in pins.chunks_exact(3) {
            for (kind, reading) in [(Kind::ShortToGround, v(0.002)), (Kind::Leakage, v(0.2))] {
                let judgement = judge_by(&case.bare, &good, &case, |values| {
                    values.clone_from(&alike);
                    values[trio[1]] = reading;
                });
                let found: Vec<_> = judgement.findings.iter().map(|f| (f.kind, f.pins.as_slice())).collect();
                assert_eq!(found, [(kind, &[trio[1]][..])], "{} pin {}", case.name, trio[1]);
            }
        }
    }
}

#[test]
fn a_drawing_of_ground_alone_leaves_the_other_nets_to_be_learned() {
    for case in load("boards") {
        let mut ground = case.bare.clone();
        for (pin, drawn) in ground.pins.iter_mut().zip(&case.drawn.pins) {
            if drawn.role == Some(Role::Ground) {
                (pin.net, pin.role) = (Some("GND".to_owned()), drawn.role);
            }
        }
        for (index, board) in case.test.iter().enumerate() {
            let found = [&case.bare, &ground].map(|connector| {
                let reference = learn(connector, &case.good[..5], Conditions::default()).unwrap();
                let engine = Engine::new(connector, &reference, &Assumptions::default()).unwrap();
                let findings = engine.judge(board).findings;
                findings.into_iter().map(|finding| (finding.kind, finding.pins)).collect::<Vec<_>>()
            });
            assert_eq!(found[0], found[1], "{} board {index}", case.name);
        }
    }
}

#[test]
fn every_pin_of_a_row_without_contact_is_named() {
    for case in load("boards") {
        let pins = drops(&case);
        let row = &pins[..pins.len() / 2];
        let judgement = judge(&case.drawn, &case, |values| {
            for &pin in row {
                values[pin] = PinValue::Overload;
            }
        });
        let mut named: Vec<usize> =
            judgement.findings.iter().flat_map(|finding| finding.pins.clone()).collect();
        named.sort_unstable();
        assert_eq!(named, row, "{}: {}", case.name, judgement.verdict);
        assert!(judgement.findings.iter().all(|finding| finding.kind == Kind::OpenJoint));
    }
}

#[test]
fn a_reading_below_ground_is_a_live_board_and_no_short() {
    for case in load("boards") {
        let pin = drops(&case)[0];
        let judgement = judge(&case.drawn, &case, |values| values[pin] = v(-0.2));
        assert_eq!(judgement.placement, Some(Placement::Powered), "{}", case.name);
    }
}

#[test]
fn known_good_boards_that_contradict_each_other_judge_nothing_there() {
    for case in load("boards") {
        let pin = drops(&case)[0];
        let seen = case.good[6].values[pin].volts().unwrap().get();
        for other in [v(seen - 0.15), v(seen - 0.25), v(seen + 0.6), PinValue::Overload] {
            let mut good = vec![case.good[6].clone(), case.good[6].clone()];
            good[1].board = "other".to_owned();
            good[1].values[pin] = other;
            for own in [v(seen), other] {
                let judgement = judge_by(&case.drawn, &good, &case, |values| values[pin] = own);
                assert_eq!(judgement.pins[pin].verdict, PinVerdict::NoReference, "{} {other:?}", case.name);
                assert_eq!(judgement.verdict, Verdict::Inconclusive(Doubt::NoReference { pins: 1 }));
                assert!(judgement.not_shown.contested.contains(&pin));
            }
        }
    }
}

#[test]
fn a_fault_does_not_hide_the_pins_that_were_not_read() {
    let case = &load("boards")[0];
    let pins = drops(case);
    let judgement = judge(&case.drawn, case, |values| {
        values[pins[0]] = PinValue::Overload;
        values[pins[1]] = PinValue::Unread(Unread::NotListed);
    });
    let Verdict::Differs(Difference::Faults { count: 1, unread: 1, .. }) = judgement.verdict else {
        panic!("{}", judgement.verdict)
    };
    assert_eq!(judgement.not_shown.unread, [pins[1]]);
    assert!(judgement.verdict.to_string().ends_with("; 1 pin was not read"), "{}", judgement.verdict);
}

#[test]
fn an_open_joint_moves_no_other_pin() {
    for case in load("boards") {
        let pins = drops(&case);
        let judgement = judge(&case.drawn, &case, |values| {
            values[pins[0]] = PinValue::Overload;
            let far = pins[pins.len() - 1];
            values[far] = v(values[far].volts().unwrap().get() - 0.035);
        });
        let along = judgement.pins.iter().filter(|pin| pin.verdict == PinVerdict::MovesAlong).count();
        let pulls = |kind| matches!(kind, Kind::ShortToGround | Kind::Leakage | Kind::Bridge);
        let is_pulled = judgement.findings.iter().any(|finding| pulls(finding.kind));
        assert!(along == 0 || is_pulled, "{}: {}", case.name, judgement.verdict);
    }
}
