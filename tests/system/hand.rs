//! A simulated hand probes connectors: the small version of the long trial (`cargo run --release -p tests --example hand`).

use pintally::{meter::shipped, practice::Habits};
use tests::hand_trial::{Tally, Trial};

#[test]
fn each_reading_goes_to_the_pin_that_was_asked_for() {
    let mut all = Tally::default();
    for (index, meter) in ["bench-stream", "fs9721", "es14", "scpi-bench"].into_iter().enumerate() {
        for round in 0..3 {
            let seed = 1 + round * 4 + index as u64;
            let trial = Trial {
                profile: shipped(meter).unwrap(),
                seed,
                habits: Habits::default(),
                with_reference: true,
            };
            let (tally, wrong) = trial.probe();
            assert!(wrong.is_empty(), "{meter} seed {seed}: {wrong:?}");
            all += tally;
        }
    }
    assert_eq!((all.wrong, all.missed, all.opens_missed, all.opens_wrong), (0, 0, 0, 0), "{all:?}");
    assert!(all.open_joints >= 12, "{all:?}");
    // Fewer than one touch in fifty pins is asked for again where nothing is wrong.
    assert!(all.extra * 50 < all.pins, "{all:?}");
}

/// Found by long runs, each before the rule that asks for a second touch: slips to a neighbour that read, on that board, what
/// the pin should have read.
#[test]
fn a_slip_to_a_neighbour_that_reads_within_the_limits_of_the_pin_is_found_out() {
    for (meter, seed) in
        [("fs9721", 750), ("scpi-bench", 908), ("es14", 1035), ("bench-stream", 2349), ("bench-stream", 2973)]
    {
        let profile = shipped(meter).unwrap();
        let (tally, wrong) = Trial { profile, seed, habits: Habits::default(), with_reference: true }.probe();
        assert!(wrong.is_empty(), "{meter} seed {seed}: {wrong:?}");
        assert_eq!((tally.missed, tally.opens_missed), (0, 0), "{meter} seed {seed}: {tally:?}");
    }
}

#[test]
fn a_clumsy_hand_costs_touches_and_no_wrong_reading() {
    let clumsy = Habits {
        slips: 0.05,
        drags: 0.05,
        lifts_early: 0.10,
        bad_contact: 0.20,
        dirty: 0.02,
        rests: 0.02,
        ..Habits::default()
    };
    let mut all = Tally::default();
    for seed in 100..104 {
        let profile = shipped("bench-stream").unwrap();
        let (tally, wrong) = Trial { profile, seed, habits: clumsy, with_reference: true }.probe();
        assert!(wrong.is_empty(), "seed {seed}: {wrong:?}");
        all += tally;
    }
    assert_eq!(all.missed, 0, "{all:?}");
    assert!(all.extra > 0, "{all:?}");
}
