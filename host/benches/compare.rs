//! Time to judge one board, by pins, half of the boards faulty, beside a plain rule of 5 % of the reference.
//!
//! The rule does far less: it names nothing and takes nothing out. `cargo bench -p pintally --bench compare`.
#![allow(missing_docs, reason = "a benchmark")]

use std::hint::black_box;

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use pintally::{
    compare::{Assumptions, Engine},
    connector::{Connector, Pin, PinName, Role},
    readings::{BoardReadings, PinValue},
    reference::{Conditions, learn},
    units::Volts,
};

/// Boards of one measurement: enough that every kind of fault comes up.
const BOARDS: usize = 100;

fn connector(pins: usize) -> Connector {
    let pin = |index: usize| Pin {
        name: PinName::new(&(index + 1).to_string()),
        row: Some(if index.is_multiple_of(2) { "A".into() } else { "B".into() }),
        position: u16::try_from(index / 2 + 1).ok(),
        net: Some(if index.is_multiple_of(7) { "GND".into() } else { format!("S{index}") }),
        role: Some(if index.is_multiple_of(7) { Role::Ground } else { Role::Signal }),
        pair: None,
        note: None,
    };
    Connector { name: "J1".into(), pins: (0..pins).map(pin).collect() }
}

/// A sound board of invented drops; the scatter is a fixed sequence (Lehmer's generator), so that every run is the same.
fn board(name: String, pins: usize, seed: &mut u64) -> BoardReadings {
    let values = (0..pins)
        .map(|index| {
            *seed = *seed * 48_271 % 0x7fff_ffff;
            let scatter = *seed as f64 / 2_147_483_647.0 - 0.5;
            let drop = if index.is_multiple_of(7) { 0.0 } else { 0.40 + 0.005 * (index * 37 % 90) as f64 };
            PinValue::Volts(Volts::of((drop + 0.008 * scatter).max(0.0)))
        })
        .collect();
    BoardReadings { board: name, values }
}

/// Puts one fault into every other board.
fn spoil(board: &mut BoardReadings, turn: usize) {
    let pins = board.values.len();
    let pin = 1 + (turn * 13) % (pins - 3);
    let low = |value: PinValue, volts: f64| {
        PinValue::Volts(Volts::of(value.volts().map_or(volts, |v| v.get().min(volts))))
    };
    match turn % 5 {
        0 => board.values[pin] = PinValue::Overload,
        1 => board.values[pin] = low(board.values[pin], 0.004),
        2 => board.values[pin] = low(board.values[pin], 0.25),
        3 => board.values.swap(pin, pin + 2),
        _ => {
            let joint = low(board.values[pin], 0.38);
            (board.values[pin], board.values[pin + 2]) = (joint, joint);
        }
    }
}

fn judge(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("judge");
    for pins in [30, 60, 120, 240] {
        let connector = connector(pins);
        let mut seed = 20_040_101;
        let good: Vec<BoardReadings> = (0..5).map(|n| board(format!("G{n}"), pins, &mut seed)).collect();
        let reference =
            learn(&connector, &good, Conditions::default()).expect("the boards fit the connector");
        let engine =
            Engine::new(&connector, &reference, &Assumptions::default()).expect("the reference fits");
        let boards: Vec<BoardReadings> = (0..BOARDS)
            .map(|n| {
                let mut board = board(format!("T{n}"), pins, &mut seed);
                if n % 2 == 1 {
                    spoil(&mut board, n / 2);
                }
                board
            })
            .collect();
        group.throughput(Throughput::Elements(BOARDS as u64));
        group.bench_with_input(BenchmarkId::new("engine", pins), &boards, |bencher, boards| {
            bencher.iter(|| {
                boards.iter().map(|board| engine.judge(black_box(board)).flagged.len()).sum::<usize>()
            });
        });
        let centres: Vec<Option<f64>> =
            (0..pins).map(|pin| reference.value(pin).volts().map(Volts::get)).collect();
        group.bench_with_input(BenchmarkId::new("rule of 5 %", pins), &boards, |bencher, boards| {
            bencher.iter(|| boards.iter().map(|board| rule(&centres, black_box(board))).sum::<usize>());
        });
    }
    group.finish();
}

fn rule(centres: &[Option<f64>], board: &BoardReadings) -> usize {
    let differs = |(value, centre): (&PinValue, &Option<f64>)| match (value.volts(), centre) {
        (Some(seen), Some(centre)) => (seen.get() - centre).abs() > (0.05 * centre).max(0.01),
        (None, None) => false,
        _ => true,
    };
    board.values.iter().zip(centres).filter(|pair| differs(*pair)).count()
}

criterion_group!(benches, judge);
criterion_main!(benches);
