use super::*;
use crate::{
    compare::{Assumptions, Engine},
    connector::{Connector, Pin, Role},
    probe::Deed,
    readings::BoardReadings,
    reference::{Conditions, learn},
};

/// Millivolts that good boards read at the pins of the connector; `None` for an overload.
const GOOD: [Option<i64>; 5] = [Some(0), Some(500), Some(620), Some(700), None];

/// Feeds a walk with a stream of 25 readings a second.
pub(super) struct Desk {
    pub(super) walk: Walk,
    now: Moment,
}

impl Desk {
    pub(super) fn new(with_reference: bool) -> Self {
        Self::with_open_leads(with_reference, None)
    }

    /// The meter shows this voltage while its leads hang open, not an overload.
    pub(super) fn with_open_leads(with_reference: bool, open_leads: Option<Volts>) -> Self {
        let profile = crate::meter::shipped("bench-stream").unwrap();
        let mut pins: Vec<Pin> = (1..=5).map(|n| Pin::named(&n.to_string())).collect();
        pins[0].role = Some(Role::Ground);
        pins[4].role = Some(Role::Unconnected);
        let connector = Connector { name: "J1".into(), pins };
        let engine = with_reference.then(|| {
            let boards: Vec<BoardReadings> = (0..5_i64)
                .map(|board| BoardReadings {
                    board: format!("G{board}"),
                    values: GOOD
                        .iter()
                        .map(|mv| {
                            mv.map_or(PinValue::Overload, |mv| {
                                volts(if mv > 0 { mv + board - 2 } else { mv })
                            })
                        })
                        .collect(),
                })
                .collect();
            let reference = learn(&connector, &boards, Conditions::default()).unwrap();
            Engine::new(&connector, &reference, &Assumptions::default()).unwrap()
        });
        let setting = Setting {
            order: (0..5).collect(),
            channels: (0..5).map(Channel).collect(),
            grounds: vec![0],
            expects: Expects::new(&connector, engine),
            timing: Timing::of(&profile),
            compliance: Some(Volts::of(6.5)),
            open_leads,
        };
        let mut desk = Self { walk: Walk::new(setting, &profile), now: Moment::START };
        desk.show(None, 20);
        desk
    }

    /// The meter shows this for so many readings.
    pub(super) fn show(&mut self, millivolts: Option<i64>, readings: usize) -> Vec<Action> {
        let mut actions = Vec::new();
        for n in 0..readings {
            // The last digit flickers.
            let line = match millivolts {
                Some(mv) => format!("{:+.8E}", mv as f64 * 1e-3 + 1e-4 * (n % 2) as f64),
                None => "+9.90000000E+37".to_owned(),
            };
            actions.extend(self.hear(&line));
        }
        actions
    }

    /// The meter sends its next line.
    pub(super) fn hear(&mut self, line: &str) -> Vec<Action> {
        self.now = self.now.after(Duration::from_millis(40));
        self.walk.meter_bytes(format!("{line}\r\n").as_bytes(), self.now)
    }

    /// Touches a pin and lifts.
    pub(super) fn touch(&mut self, millivolts: i64) -> Vec<Action> {
        let mut actions = self.show(Some(millivolts), 25);
        actions.extend(self.show(None, 25));
        actions
    }

    pub(super) fn deed(&mut self, deed: Deed) -> Vec<Action> {
        self.walk.deed(&deed, self.now)
    }

    /// Values in millivolts: −1 for an overload, `None` where there is none.
    fn values(&self) -> Vec<Option<i64>> {
        let value = |value: PinValue| match value {
            PinValue::Volts(volts) => Some((volts.get() * 1e3).round() as i64),
            PinValue::Overload => Some(-1),
            PinValue::Unread(_) => None,
        };
        self.walk.values().into_iter().map(value).collect()
    }
}

fn volts(millivolts: i64) -> PinValue {
    PinValue::Volts(Volts::of(millivolts as f64 * 1e-3))
}

fn took(actions: &[Action]) -> Vec<(usize, How)> {
    let took = |action: &Action| match action {
        Action::Took { result, how } => Some((result.pin, *how)),
        _ => None,
    };
    actions.iter().filter_map(took).collect()
}

#[test]
fn touches_that_fit_are_taken_one_by_one() {
    let mut desk = Desk::new(true);
    for (pin, mv) in [0, 500, 620, 700].into_iter().enumerate() {
        assert_eq!(took(&desk.touch(mv)), [(pin, How::Fits)]);
    }
    // The last pin shows nothing: the operator holds it and says so.
    assert_eq!(desk.deed(Deed::Confirm), [Action::Confirming { pin: 4 }]);
    let actions = desk.show(None, 20);
    assert_eq!(took(&actions), [(4, How::Fits)]);
    assert_eq!(actions.last(), Some(&Action::Done));
    assert_eq!(desk.values(), [Some(0), Some(500), Some(620), Some(700), Some(-1)]);
}

#[test]
fn a_reading_that_differs_counts_after_a_second_touch() {
    let mut desk = Desk::new(true);
    desk.touch(0);
    let first = desk.touch(300);
    assert!(matches!(first[..], [Action::Again { pin: 1, neighbour: None, touches: 1, .. }]), "{first:?}");
    assert_eq!(desk.values()[1], None);
    assert_eq!(took(&desk.touch(301)), [(1, How::Differs)]);
    assert_eq!(desk.values()[1], Some(301));
}

#[test]
fn a_poor_touch_is_forgotten_once_the_pin_reads_as_it_should() {
    let mut desk = Desk::new(true);
    desk.touch(0);
    desk.touch(560);
    assert_eq!(took(&desk.touch(500)), [(1, How::Fits)]);
}

#[test]
fn a_slip_to_a_neighbour_needs_three_touches_that_agree() {
    let mut desk = Desk::new(true);
    desk.touch(0);
    let first = desk.touch(620);
    assert!(matches!(first[..], [Action::Again { pin: 1, neighbour: Some(2), .. }]), "{first:?}");
    assert!(matches!(desk.touch(620)[..], [Action::Again { touches: 2, .. }]));
    assert_eq!(took(&desk.touch(621)), [(1, How::Differs)]);
}

#[test]
fn an_open_joint_is_noticed_by_the_wait_and_taken_after_the_proof() {
    let mut desk = Desk::new(true);
    desk.touch(0);
    let waited = desk.show(None, 250);
    let [Action::Prove { pin: 1, known, once_more: false }] = waited[..] else { panic!("{waited:?}") };
    assert!(matches!(known, Known::Pin { pin: 0, .. }), "{known:?}");
    // Without the proof no key takes it as open.
    assert!(matches!(desk.deed(Deed::Confirm)[..], [Action::Prove { .. }]));
    assert_eq!(desk.touch(1), [Action::Proven { pin: 1 }]);
    assert_eq!(desk.deed(Deed::Confirm), [Action::Confirming { pin: 1 }]);
    assert_eq!(took(&desk.show(None, 20)), [(1, How::Differs)]);
    assert_eq!(desk.values()[1], Some(-1));
}

#[test]
fn what_is_touched_instead_of_the_known_pin_counts_for_nothing() {
    let mut desk = Desk::new(true);
    desk.touch(0);
    desk.show(None, 250);
    // It would fit the pin that shows nothing; it may as well be a slip at the known one.
    let actions = desk.touch(500);
    assert!(matches!(actions[..], [Action::NotProof { pin: 1, .. }]), "{actions:?}");
    assert_eq!(desk.values()[1], None);
    assert_eq!(took(&desk.touch(500)), [(1, How::Fits)]);
}

#[test]
fn beside_a_pin_that_shows_nothing_an_open_joint_is_confirmed_twice() {
    let mut desk = Desk::new(true);
    for mv in [0, 500, 620] {
        desk.touch(mv);
    }
    let mut asked = desk.deed(Deed::Confirm);
    let mut proofs = 0;
    for round in 0..2 {
        assert_eq!(desk.values()[3], None, "{round}");
        // The second time the operator is told why.
        assert!(
            matches!(asked[..], [Action::Prove { pin: 3, once_more, .. }] if once_more == (round > 0)),
            "{asked:?}"
        );
        let proven = desk.touch(620);
        proofs += usize::from(proven == [Action::Proven { pin: 3 }]);
        desk.deed(Deed::Confirm);
        asked = desk.show(None, 20);
    }
    assert_eq!((proofs, desk.values()[3]), (2, Some(-1)));
}

#[test]
fn a_short_at_a_pin_that_should_show_nothing_is_seen() {
    let mut desk = Desk::new(true);
    desk.deed(Deed::Jump(4));
    assert!(matches!(desk.touch(2)[..], [Action::Again { pin: 4, .. }]));
    assert_eq!(took(&desk.touch(2)), [(4, How::Differs)]);
}

#[test]
fn a_number_on_the_display_is_never_taken_as_open() {
    let mut desk = Desk::new(true);
    desk.deed(Deed::Jump(4));
    desk.show(Some(2), 3);
    assert_eq!(desk.deed(Deed::Confirm), [Action::ShowsNumber]);
}

#[test]
fn undo_back_jump_skip_and_pause_keep_the_place() {
    let mut desk = Desk::new(true);
    desk.touch(0);
    desk.touch(500);
    let undone = desk.deed(Deed::Undo);
    assert!(matches!(undone[..], [Action::Undone { pin: 1 }, Action::Ask { pin: 1, .. }]), "{undone:?}");
    assert_eq!(desk.values(), [Some(0), None, None, None, None]);
    desk.deed(Deed::Back);
    assert_eq!(desk.walk.pin(), Some(0));
    // A pin that is read once more goes on with the first that is missing.
    desk.touch(0);
    assert_eq!(desk.walk.pin(), Some(1));
    desk.deed(Deed::Pause);
    assert_eq!(desk.touch(500), []);
    assert_eq!(desk.deed(Deed::Skip), [Action::Paused]);
    desk.deed(Deed::GoOn);
    assert_eq!(took(&desk.deed(Deed::Skip)), [(1, How::Skipped)]);
    desk.deed(Deed::Jump(3));
    assert_eq!(took(&desk.touch(700)), [(3, How::Fits)]);
    // Undoing a second reading brings the first one back.
    desk.deed(Deed::Jump(0));
    desk.touch(1);
    desk.deed(Deed::Undo);
    assert_eq!(desk.values()[0], Some(0));
}

#[test]
fn without_a_reference_every_touch_is_taken_and_an_open_pin_wants_the_proof() {
    let mut desk = Desk::new(false);
    for (pin, mv) in [3, 517].into_iter().enumerate() {
        assert_eq!(took(&desk.touch(mv)), [(pin, How::Unjudged)]);
    }
    assert!(matches!(desk.deed(Deed::Confirm)[..], [Action::Prove { pin: 2, .. }]));
    desk.touch(517);
    desk.deed(Deed::Confirm);
    assert_eq!(took(&desk.show(None, 20)), [(2, How::Unjudged)]);
    // The drawing says that nothing hangs on the last pin.
    desk.deed(Deed::Jump(4));
    assert_eq!(desk.deed(Deed::Confirm), [Action::Confirming { pin: 4 }]);
}

#[test]
fn a_resumed_walk_does_not_take_what_is_touched_at_that_moment() {
    let mut desk = Desk::new(true);
    desk.touch(0);
    desk.show(Some(500), 2);
    desk.deed(Deed::Resume);
    assert_eq!(took(&desk.show(Some(500), 30)), []);
    desk.show(None, 20);
    assert_eq!(took(&desk.touch(500)), [(1, How::Fits)]);
}

/// Found by the trial: at an open joint only slips show a number, and over minutes two of them agreed.
#[test]
fn slips_at_an_open_joint_do_not_add_up_over_time() {
    let mut desk = Desk::new(true);
    desk.touch(0);
    assert!(matches!(desk.touch(300)[..], [Action::Again { pin: 1, .. }]));
    // Nothing for long, then the same slip once more.
    assert!(matches!(desk.show(None, 250)[..], [Action::Prove { pin: 1, .. }]));
    assert_eq!(desk.touch(0), [Action::Proven { pin: 1 }]);
    assert!(matches!(desk.touch(300)[..], [Action::Again { pin: 1, touches: 1, .. }]));
    // And the wait is noticed again, although the probe was proven.
    assert!(matches!(desk.show(None, 250)[..], [Action::Prove { pin: 1, .. }]));
}

#[test]
fn a_neighbour_that_reads_the_same_puts_a_pin_in_doubt_once() {
    let mut desk = Desk::new(true);
    desk.touch(0);
    // Pin 1 takes 660 from a slip to pin 2, which is off itself: nothing tells yet.
    desk.touch(660);
    assert_eq!(took(&desk.touch(660)), [(1, How::Differs)]);
    // As a neighbour's reading it wants three touches that agree.
    desk.touch(660);
    desk.touch(660);
    let actions = desk.touch(660);
    let doubt = actions.iter().find(|action| matches!(action, Action::Again { .. }));
    assert!(
        matches!(doubt, Some(Action::Again { pin: 1, neighbour: Some(2), touches: 0, .. })),
        "{actions:?}"
    );
    assert_eq!(took(&desk.touch(500)), [(1, How::Fits)]);
    assert_eq!(desk.walk.pin(), Some(3));
}

/// Found by the trial: a slip to a faulty neighbour that happened to read what the pin should was taken at once.
#[test]
fn a_reading_that_a_neighbour_has_too_counts_after_a_second_touch() {
    let mut desk = Desk::new(true);
    desk.touch(0);
    for _ in 0..3 {
        desk.touch(620);
    }
    assert_eq!(desk.values()[1], Some(620));
    let first = desk.touch(621);
    assert!(matches!(first[..], [Action::Either { pin: 2, neighbour: 1, touches: 1, .. }]), "{first:?}");
    assert_eq!(desk.values()[2], None);
    assert_eq!(took(&desk.touch(620)), [(2, How::Fits)]);
}

#[test]
fn a_pin_that_fits_is_doubted_once_when_its_neighbour_differs_and_reads_the_same() {
    let mut desk = Desk::new(true);
    desk.touch(0);
    assert_eq!(took(&desk.touch(500)), [(1, How::Fits)]);
    desk.touch(501);
    desk.touch(501);
    let actions = desk.touch(501);
    assert_eq!(took(&actions), [(2, How::Differs)]);
    let asked = actions.last();
    assert!(matches!(asked, Some(Action::Either { pin: 1, neighbour: 2, touches: 0, .. })), "{actions:?}");
    // The touch of before counts as the first; and the pin beside is not doubted in turn.
    assert_eq!(took(&desk.touch(500)), [(1, How::Fits)]);
    assert_eq!(desk.walk.pin(), Some(3));
}

#[test]
fn before_any_pin_was_read_the_clip_proves_the_probe() {
    let mut desk = Desk::new(true);
    let waited = desk.show(None, 250);
    assert!(matches!(waited[..], [Action::Prove { pin: 0, known: Known::GroundClip, .. }]), "{waited:?}");
    // What the reference says of a pin is no proof: this board may differ there.
    assert!(matches!(desk.touch(500)[..], [Action::NotProof { pin: 0, .. }]));
    assert!(matches!(desk.show(None, 250)[..], [Action::Prove { pin: 0, known: Known::GroundClip, .. }]));
    assert_eq!(desk.touch(1), [Action::Proven { pin: 0 }]);
}
