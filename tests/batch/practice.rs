//! A practice batch of 200 boards with known faults, a channel of the jig that wears from board 120 on, and a meter that
//! drifts: yield and findings against the truth, and when each drift was noticed.
//!
//! `cargo test -p tests --test batch -- --nocapture` prints the table.

use pintally::{
    batch::{Batch, Entry, Notice, Suspicion, Tuning},
    compare::{Assumptions, Engine},
    connector::Connector,
    practice::{Design, DirectMeter, Fault, Specimen, demo, draw_faults, known_good, random::Random},
    readings::{BoardReadings, PinValue},
    reference::{Conditions, Reference, learn},
    units::Volts,
};

const BOARDS: usize = 200;

/// Bench meter with 0.1 mV.
fn meter() -> DirectMeter {
    DirectMeter { exponent: -4, ..DirectMeter::default() }
}

/// Test current of [`DirectMeter::default`], in amperes.
const CURRENT: f64 = 1e-3;

struct Bench {
    connector: Connector,
    design: Design,
    reference: Reference,
}

impl Bench {
    fn new() -> Self {
        let connector = demo::connector().unwrap();
        let design = Design::new(&connector, 1);
        let boards = known_good(&design, 5, 7, &meter()).unwrap();
        let reference = learn(&connector, &boards, Conditions::default()).unwrap();
        Self { connector, design, reference }
    }

    /// Sweeps a batch: `faults` of each board, and what jig and meter add to a reading in volts, by board and pin.
    fn batch(
        &self,
        seed: u64,
        faults: impl Fn(usize) -> Vec<Fault>,
        adds: impl Fn(usize, usize, f64) -> f64,
    ) -> (Batch, Vec<Notice>) {
        let engine = Engine::new(&self.connector, &self.reference, &Assumptions::default()).unwrap();
        let mut random = Random::new(seed, "boards of a batch");
        let mut batch = Batch::new(self.connector.pins.len(), Tuning::default());
        let mut notices = Vec::new();
        for number in 1..=BOARDS {
            let name = format!("T{number:03}");
            let specimen = Specimen::new(&self.design, &name, random.bits(), &faults(number)).unwrap();
            let read: BoardReadings = specimen.read(&meter()).unwrap();
            let values = read.values.iter().enumerate().map(|(pin, &value)| match value {
                PinValue::Volts(volts) => {
                    PinValue::Volts(Volts::of(volts.get() + adds(number, pin, volts.get())))
                }
                other => other,
            });
            let board = BoardReadings { board: name, values: values.collect() };
            notices.extend(batch.take(&Entry::of(&engine.judge(&board), "2031-05-06T08:00:00Z")));
        }
        (batch, notices)
    }

    fn pin(&self, name: &str) -> usize {
        self.connector.pins.iter().position(|pin| pin.name.as_str() == name).unwrap()
    }
}

/// Boards that have faults: every fourth, with one to three each; none is misplaced, for such a board is swept again.
fn some_faults(design: &Design, number: usize) -> Vec<Fault> {
    if !number.is_multiple_of(4) {
        return Vec::new();
    }
    let faults = draw_faults(design, number as u64);
    if faults.iter().any(|fault| matches!(fault, Fault::Placement(_))) { Vec::new() } else { faults }
}

/// Half an ohm a board from board 120 on, at this pin.
fn wear(worn: usize) -> impl Fn(usize, usize, f64) -> f64 {
    move |number, pin, _| if pin == worn { 0.5 * CURRENT * number.saturating_sub(119) as f64 } else { 0.0 }
}

/// One part in ten thousand of the reading more, a board, from board 60 on.
fn scale(number: usize, _: usize, volts: f64) -> f64 {
    1e-4 * number.saturating_sub(59) as f64 * volts
}

fn show(title: &str, truly_faulty: usize, batch: &Batch, notices: &[Notice], connector: &Connector) {
    let summary = batch.summary();
    let (yields, share) = (summary.of_boards, summary.of_boards.now.unwrap());
    println!(
        "{title}: {BOARDS} boards, {truly_faulty} with faults; {} match, {} differ, {} inconclusive; yield {:.3} ({:.3} to {:.3}), truth {:.3}",
        yields.count.matching,
        yields.count.differing,
        yields.count.inconclusive,
        share.value(),
        share.low,
        share.high,
        (BOARDS - truly_faulty) as f64 / BOARDS as f64
    );
    let kinds: Vec<String> =
        summary.by_kind.iter().map(|kind| format!("{} {}", kind.faults, kind.kind)).collect();
    println!("  found: {}", kinds.join(", "));
    for notice in notices {
        let pin = notice.what.pin().map_or("all pins", |pin| connector.pins[pin].name.as_str());
        println!("  after board {:3}, {pin}: {:?}", notice.at, notice.what);
    }
}

fn first(notices: &[Notice], wanted: impl Fn(&Suspicion) -> bool) -> Option<usize> {
    notices.iter().find(|notice| wanted(&notice.what)).map(|notice| notice.at)
}

#[test]
fn a_wearing_channel_is_noticed_before_it_condemns_boards_and_nothing_else_is_suspected() {
    let bench = Bench::new();
    let worn = bench.pin("B8");
    let faults = |number| some_faults(&bench.design, number);
    let truly_faulty = (1..=BOARDS).filter(|&number| !faults(number).is_empty()).count();
    let (batch, notices) = bench.batch(11, faults, wear(worn));
    show("wear", truly_faulty, &batch, &notices, &bench.connector);

    let drifts = first(&notices, |what| matches!(what, Suspicion::PinDrifts { pin, .. } if *pin == worn));
    let fails = first(&notices, |what| matches!(what, Suspicion::KeepsFailing { pin, .. } if *pin == worn));
    let drifts = drifts.unwrap();
    assert!((120..150).contains(&drifts), "wear begins at board 120, noticed at {drifts}");
    assert!(fails.is_some_and(|fails| fails > drifts), "noticed at {drifts}, condemned boards by {fails:?}");
    // One false alarm in a thousand boards: none is likely, one possible.
    let others = notices.iter().filter(|notice| notice.what.pin() != Some(worn)).count();
    assert!(others <= 1, "{others} notices elsewhere");
}

#[test]
fn a_meter_that_drifts_is_noticed_as_the_meter() {
    let bench = Bench::new();
    let worn = bench.pin("B8");
    let faults = |number| some_faults(&bench.design, number);
    let truly_faulty = (1..=BOARDS).filter(|&number| !faults(number).is_empty()).count();
    let (batch, notices) = bench.batch(11, faults, scale);
    show("drift", truly_faulty, &batch, &notices, &bench.connector);
    let meter = first(&notices, |what| matches!(what, Suspicion::AllDrift { .. })).unwrap();
    assert!((60..160).contains(&meter), "drift begins at board 60, noticed at {meter}");

    let both = |number, pin, volts| wear(worn)(number, pin, volts) + scale(number, pin, volts);
    let (batch, notices) = bench.batch(11, faults, both);
    show("both", truly_faulty, &batch, &notices, &bench.connector);
    let drifts = first(&notices, |what| matches!(what, Suspicion::PinDrifts { pin, .. } if *pin == worn));
    assert!(drifts.is_some_and(|at| (120..150).contains(&at)), "the meter hides the channel: {drifts:?}");
}

#[test]
fn sound_jigs_and_meters_are_hardly_ever_suspected() {
    let bench = Bench::new();
    let mut all = 0;
    for seed in 0..5 {
        let (_, notices) =
            bench.batch(100 + seed, |number| some_faults(&bench.design, number), |_, _, _| 0.0);
        for notice in &notices {
            println!("batch {seed}, after board {:3}: {:?}", notice.at, notice.what);
        }
        all += notices.len();
    }
    println!("{all} notices in 1000 boards; stated: one or fewer");
    // Poisson with mean 1 exceeds 4 once in 270.
    assert!(all <= 4, "{all} false alarms in 1000 boards");
}
