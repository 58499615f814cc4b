//! The pairing simulation with fixed seeds; the long run is `cargo run --release -p tests --example pairing`.

use tests::pairing_trial::{Condition, Tally, Trial, sweeping_profiles};

/// One sweep of every meter at every lag.
fn try_all(condition: Condition) -> Tally {
    let mut total = Tally::default();
    for (number, profile) in (0u64..).zip(sweeping_profiles()) {
        for lag in 0..5 {
            let seed = 1000 * number + u64::from(lag);
            let (tally, wrong) = Trial { profile: profile.clone(), lag, condition, seed }.sweep();
            assert_eq!(wrong, [], "{} {condition:?} lag {lag}: {tally:?}", profile.name);
            total += tally;
        }
    }
    total
}

#[test]
fn no_pin_is_given_up_where_nothing_is_wrong() {
    for condition in Condition::ALL.into_iter().filter(|condition| condition.is_harmless()) {
        let tally = try_all(condition);
        assert_eq!((tally.ended_early, tally.suspected), (0, 0), "{condition:?}");
        assert!(tally.unread * 100 <= tally.pins, "{condition:?}: {tally:?}");
        // A wrong pairing of pins that read alike would not show: most pins must differ from the one before.
        assert!(tally.alike * 5 < tally.pins, "{tally:?}");
    }
}

#[test]
fn no_reading_lands_on_a_wrong_pin_whatever_happens_on_the_line() {
    for condition in
        [Condition::Ramps, Condition::Lost, Condition::Doubled, Condition::Flipped, Condition::All]
    {
        let tally = try_all(condition);
        assert!(
            tally.right * 10 > tally.pins * 8,
            "{condition:?}: most pins are read all the same: {tally:?}"
        );
    }
}

/// Found by a link that was late now and then: the second answer to a request that had been made again opened the
/// old channel's visit when the next channel had been asked for, and every later pin got its neighbour's reading.
#[test]
fn late_answers_cost_no_pin_and_move_none() {
    let tally = try_all(Condition::Late);
    assert_eq!(tally.suspected, 0, "{tally:?}");
    assert!(tally.right * 100 >= tally.pins * 95, "{tally:?}");
}

#[test]
fn a_lag_beyond_the_profiles_is_caught_and_the_pins_are_void_or_right() {
    let tally = try_all(Condition::Overlong);
    assert_eq!((tally.ended_early, tally.suspected), (0, 0));
    assert!(tally.checks_failed > 0 && tally.retries > 0, "{tally:?}");
}
