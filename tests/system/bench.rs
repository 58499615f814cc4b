//! Sweeps of the demonstration connector on the practice bench, in simulated time.

use pintally::{
    connector,
    meter::{self},
    moment::Moment,
    practice::{Bench, BenchDevices, Design, JigSetup, Specimen, meter::MeterOptions},
};

const J5: &str = include_str!("../../fixtures/connectors/j5-display.toml");

#[test]
fn the_bench_solves_every_board() {
    let connector = connector::from_toml(J5).unwrap();
    let profile = meter::shipped("bench-stream").unwrap();
    let design = Design::new(&connector, 1);
    for seed in 1..=5 {
        let specimen = Specimen::new(&design, "P", seed, &[]).unwrap();
        let setup = JigSetup::straight(&connector, seed).unwrap();
        let bench =
            Bench::new(&specimen, setup, profile.clone(), MeterOptions::of(&profile), seed, Moment::START)
                .unwrap();
        let mut devices = BenchDevices::new(bench);
        let score = tests::pairing_trial::score(&profile, 40, None);
        let swept = tests::pairing_trial::sweep(&mut devices, score).0;
        assert_eq!(devices.bench().jig().line().trouble(), None, "seed {seed}");
        assert_eq!(swept.outcome, Ok(()));
    }
}
