//! One practice bench that is never switched off: board after board is put on, swept, recorded in a file, judged and
//! replayed. The process is watched for memory and descriptors that it does not give back, and the host's idea of the
//! switching board's time, whose clock runs fast, for drift.

use std::{fs::File, path::Path, time::Duration};

use pintally::{
    connector::{self, PinName},
    fingerprint::Fingerprint,
    log::{Ending, Header, LogEvent, LogReader, LogWriter, ReferenceSource, SyncPolicy},
    meter,
    moment::Moment,
    practice::{
        Bench, BenchDevices, Design, DirectMeter, JigSetup, Specimen, known_good, meter::MeterOptions,
    },
    reference::{self, learn},
    session::{Replay, Session, Settings},
    sweep::{Devices, Record, Recorder, Score, run},
    units::Volts,
};

use crate::quartz::Quartz;

/// The process and the bench after some sweeps.
#[derive(Debug, Clone, Copy)]
pub struct Sample {
    /// Sweeps done.
    pub sweeps: u32,
    /// Memory of the process that is in the machine's memory, in KiB; `None` where the system does not tell.
    pub resident_kib: Option<u64>,
    /// Open descriptors of the process; `None` where the system does not tell.
    pub descriptors: Option<usize>,
    /// Time of the bench since it was switched on.
    pub bench_time: Duration,
    /// Median time of the sweeps since the last sample.
    pub sweep_time: Duration,
    /// By how much at most a channel was said to have settled later than it had, since the last sample. Never earlier.
    pub settled_late: Duration,
    /// How closely at worst the host knew the switching board's time, since the last sample: by a clock that was
    /// learned since the bench was switched on. The truth is always within.
    pub clock_known_within: Duration,
}

/// Boards that are put on in turn: samples that are taken after a multiple of so many sweeps saw the same boards.
pub const BOARDS: u32 = 8;

/// Sweeps so many boards, and hands out a sample after every `every` of them. Gives the number of pins read.
///
/// # Panics
/// If a sweep fails, a sound board is not read whole, a log has trouble, or a replay reads otherwise than live.
pub fn soak(sweeps: u32, every: u32, folder: &Path, watch: &mut dyn FnMut(Sample)) -> u64 {
    let connector = connector::from_toml(connector::DEMO).expect("the connector is built in");
    let profile = meter::shipped("bench-stream").expect("the profile is built in");
    let design = Design::new(&connector, 1);
    let direct = DirectMeter { source: profile.diode.source, ..DirectMeter::default() };
    let boards = known_good(&design, 5, 1, &direct).expect("boards without faults have a solution");
    let known = learn(&connector, &boards, reference::Conditions::default()).expect("five boards teach");
    let text = known.to_toml();
    let setup = JigSetup::straight(&connector, 1).expect("few enough pins");
    let options = MeterOptions { noise: Volts::of(0.0002), ..MeterOptions::of(&profile) };
    let specimen =
        |seed: u32| Specimen::new(&design, "soak", u64::from(seed % BOARDS), &[]).expect("no faults to fit");
    let bench = Bench::new(&specimen(0), setup.clone(), profile.clone(), options, 1, Moment::START);
    let mut devices = Quartz::new(BenchDevices::new(bench.expect("a bench that can be switched on")));
    let names: Vec<PinName> = connector.pins.iter().map(|pin| pin.name.clone()).collect();
    let (mut pins, mut times, mut settled_late) = (0, Vec::new(), Duration::ZERO);

    for sweep in 1..=sweeps {
        devices.devices.bench().load(&specimen(sweep)).expect("a board without faults");
        let header = Header {
            program: "pintally soak".to_owned(),
            session: format!("soak-{sweep}"),
            started: "2026-03-02T09:15:00Z".to_owned(),
            board: Some(format!("S{sweep}")),
            operator: None,
            connector: connector.clone(),
            wiring: setup.wiring.clone(),
            profile: profile.to_toml(),
            reference: Some(ReferenceSource {
                fingerprint: Fingerprint::of(text.as_bytes()),
                path: None,
                text: Some(text.clone()),
            }),
            zero: None,
            settings: Settings::default().to_value(),
            practice: Some(serde_json::json!({ "soak": sweep })),
        };
        let session = Session::new(header.clone()).expect("a header that was just made");
        let path = folder.join("soak.jsonl");
        let writer = LogWriter::create(&path, header, devices.now(), SyncPolicy::HeaderAndEnd);
        let mut book = Book { writer: writer.expect("a folder that can be written"), names: &names };
        let score = Score {
            setting: session.setting(),
            profile: profile.clone(),
            names: names.clone(),
            jig_port: "bench".to_owned(),
            meter_port: "bench".to_owned(),
            settle: Duration::from_millis(3),
            dwell: None,
            override_alive: false,
        };
        let swept = run(&mut devices, score, &mut book, &mut |_| {});
        assert_eq!(swept.outcome, Ok(()), "sweep {sweep}");
        book.event(devices.now(), LogEvent::End { how: Ending::Complete, detail: None });
        book.writer.finish().expect("a file that can be written");
        times.push(swept.took);
        pins += swept.values.len() as u64;
        for result in swept.results.iter().flatten() {
            let late = devices.late(result.settled).expect("a channel settles before it is said to have");
            settled_late = settled_late.max(late);
        }
        devices.forget();

        let reader = LogReader::open(&path).expect("a log that was just written");
        let mut replay = Replay::new(&Session::new(reader.header().clone()).expect("its header"));
        for item in reader {
            assert!(item.is_ok(), "a log without trouble: {item:?}");
            replay.item(&item);
        }
        let replayed = replay.finish();
        assert_eq!(replayed.values, swept.values, "sweep {sweep}: a replay reads otherwise");
        session.judge(&swept.values).expect("a reference").expect("that fits");
        std::fs::remove_file(&path).expect("a file that was just written");

        if sweep % every == 0 {
            times.sort_unstable();
            watch(Sample {
                sweeps: sweep,
                resident_kib: resident_kib(),
                descriptors: std::fs::read_dir("/proc/self/fd").ok().map(Iterator::count),
                bench_time: devices.now().since(Moment::START),
                sweep_time: times.get(times.len() / 2).copied().unwrap_or_default(),
                settled_late: std::mem::take(&mut settled_late),
                clock_known_within: devices.take_widest(),
            });
            times.clear();
        }
    }
    pins
}

/// Linux tells it in KiB.
#[allow(clippy::disallowed_methods, reason = "looks at its own process")]
fn resident_kib() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"))?;
    line.trim().trim_end_matches("kB").trim().parse().ok()
}

struct Book<'a> {
    writer: LogWriter<File>,
    names: &'a [PinName],
}

impl Book<'_> {
    fn event(&mut self, at: Moment, event: LogEvent) {
        assert!(self.writer.write(at, event).is_none(), "a log that cannot be written");
    }
}

impl Recorder for Book<'_> {
    fn record(&mut self, at: Moment, record: Record<'_>) {
        if let Some(event) = LogEvent::of(record, self.names) {
            self.event(at, event);
        }
    }
}
