//! Sound boards by chance alone: do false alarms come as rarely as is stated?

use std::collections::BTreeMap;

use pintally::{
    batch::{Batch, Chart, Entry, Outcome, PinEntry, PinState, Suspicion, Tuning},
    practice::random::Random,
    units::Volts,
};

const PINS: usize = 30;
const BATCHES: u64 = 150;
const BOARDS: usize = 200;

/// A sound board: every pin differs by its own constant offset (a reference from few boards is never exact) and by
/// 0.6 to 6 mV of chance.
fn board(number: usize, random: &mut Random) -> Entry {
    let pins = (0..PINS).map(|pin| {
        let (offset, spread) = (1e-3 * (pin % 7) as f64 - 3e-3, 0.6e-3 + 0.18e-3 * pin as f64);
        PinEntry {
            // One drop for all: no slope can be told, so the two series that all pins share are one.
            expected: Volts::new(0.6),
            difference: Volts::new(offset + spread * random.normal()),
            limit: Volts::new(1.0),
            state: PinState::Sound,
        }
    });
    let pins = pins.collect();
    Entry {
        board: format!("T{number}"),
        when: String::new(),
        outcome: Outcome::Matches,
        placement: None,
        shared: Volts::new(2e-3 + 4e-3 * random.normal()),
        pins,
        faults: Vec::new(),
    }
}

/// Each watcher's false alarms over 150 batches of 200 sound boards, beside the number that its stated run length lets
/// expect. Chance scatters a count by its root; three of that are allowed. Run lengths are set short, or there would be
/// too few alarms to count; that limits belong to their run lengths at every length is shown in `statistics`.
#[test]
fn false_alarms_come_as_rarely_as_stated() {
    let tuning = Tuning { run_length: 60.0 };
    let mut alarms: BTreeMap<&str, u32> = BTreeMap::new();
    let mut stated = None;
    for seed in 0..BATCHES {
        let mut random = Random::new(seed, "sound boards");
        let mut batch = Batch::new(PINS, tuning);
        for number in 1..=BOARDS {
            for notice in batch.take(&board(number, &mut random)) {
                let watcher = match notice.what {
                    Suspicion::PinDrifts { chart: Chart::MovingAverage, .. } => "pins, moving average",
                    Suspicion::PinDrifts { chart: Chart::CumulativeSum, .. } => "pins, cumulative sum",
                    Suspicion::AllDrift { .. } => "all together, both",
                    _ => "other",
                };
                *alarms.entry(watcher).or_default() += 1;
            }
        }
        stated = Some(batch.summary().stated);
    }
    let stated = stated.unwrap();
    assert_eq!(stated.charted, PINS);
    let boards = (BATCHES as usize * BOARDS) as f64;
    let of_pins: u32 =
        ["pins, moving average", "pins, cumulative sum"].iter().filter_map(|w| alarms.get(w)).sum();
    let of_all = alarms.get("all together, both").copied().unwrap_or(0);
    println!(
        "{boards} sound boards, {PINS} pins; stated: one alarm in {} boards or fewer",
        tuning.run_length
    );
    println!("{alarms:?}");
    println!(
        "all kinds: one in {:.0}; pins: one in {:.0}, stated between {:.0} (two charts, as if independent) and {:.0} (as one)",
        boards / f64::from(of_pins + of_all),
        boards / f64::from(of_pins),
        stated.each / 2.0,
        stated.each
    );
    assert_eq!(alarms.get("other"), None, "nothing else may be suspected of sound boards");
    // The two charts of one series often raise the same alarm, so that the truth lies between one and the sum of both.
    let one = boards / stated.each;
    for (name, count, most) in [("pins", of_pins, 2.0 * one), ("all", of_all, 2.0 * one)] {
        let (count, three) = (f64::from(count), 3.0 * most.sqrt());
        assert!(count <= most + three, "{name}: {count} alarms, at most {most:.0} stated");
        assert!(
            count >= one - three,
            "{name}: {count} alarms, at least {one:.0} stated: limits are too wide"
        );
    }
    // All kinds together are no more frequent than the one number that is stated.
    let most = boards / stated.run_length;
    assert!(f64::from(of_pins + of_all) <= most + 3.0 * most.sqrt());
}
