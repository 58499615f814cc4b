//! The short form of the soak: `cargo run --release -p tests --example soak` is the long one.
//!
//! Alone in its test binary: memory and descriptors are those of the process, and other tests would use some beside it.

#![allow(clippy::unwrap_used, reason = "a test that makes a folder")]

use std::time::Duration;

use tests::soak::BOARDS;

#[test]
fn a_bench_that_is_never_switched_off_keeps_its_time_and_its_memory() {
    let folder = tempfile::tempdir().unwrap();
    let mut samples = Vec::new();
    tests::soak::soak(3 * BOARDS, BOARDS, folder.path(), &mut |sample| samples.push(sample));
    let [first, .., last] = samples[..] else { panic!("{samples:?}") };
    assert_eq!(first.descriptors, last.descriptors, "{samples:?}");
    if let (Some(first), Some(last)) = (first.resident_kib, last.resident_kib) {
        // A log kept in memory alone would be 16 times 300 KiB.
        assert!(last < first + 4096, "{samples:?}");
    }
    // No sweep is slower or quicker late than early, by less than a reading of the meter (40 ms).
    let (early, late) = (first.sweep_time, last.sweep_time);
    assert!(early.abs_diff(late) < Duration::from_millis(40), "{samples:?}");
    // The switching board's clock has run 80 ppm fast for five minutes, which is 26 ms: its time is known no worse than at
    // first, and no channel is said to have settled later than a few messages take.
    for sample in &samples {
        assert!(sample.settled_late < Duration::from_millis(5), "{samples:?}");
        assert!(sample.clock_known_within <= first.clock_known_within, "{samples:?}");
    }
}
