//! Session logs of the practice bench, in memory: real sweeps for tests of what is made from logs.

use std::time::Duration;

use pintally::{
    connector::{self, Connector},
    fingerprint::Fingerprint,
    log::{Ending, Header, LogEvent, LogWriter, ReferenceSource, SyncPolicy},
    meter::{self, Profile},
    moment::Moment,
    practice::{
        Bench, BenchDevices, Design, DirectMeter, Fault, JigSetup, JigTrouble, Specimen, known_good,
        meter::MeterOptions,
    },
    reference::{self, Reference, learn},
    session::{Session, Settings},
    sweep::{Record, Recorder, Score, Swept, run},
    units::Volts,
};

/// What to sweep; [`Order::default`] is a board without faults.
#[derive(Debug, Clone, Default)]
pub struct Order {
    /// Name of the board.
    pub board: String,
    /// Which board: the same number gives the same board and noise.
    pub seed: u64,
    /// When the sweep began; 2 March 2026 where nothing is said.
    pub started: Option<String>,
    /// Faults, as they are typed.
    pub faults: Vec<&'static str>,
    /// Troubles of the jig, as they are typed.
    pub jig_troubles: Vec<&'static str>,
    /// Notes.
    pub notes: Vec<&'static str>,
    /// Whether there is no reference.
    pub unjudged: bool,
}

/// A sweep and its log.
#[derive(Debug)]
pub struct Practised {
    /// The header.
    pub header: Header,
    /// The bytes of the log.
    pub log: Vec<u8>,
    /// What came of it live.
    pub swept: Swept,
}

impl Practised {
    /// Puts the log into the folder of logs of a data directory. Gives the name of the session.
    ///
    /// # Panics
    /// If the folder cannot be written.
    #[allow(clippy::disallowed_methods, reason = "tests of the history need logs in files")]
    pub fn file_in(&self, data: &std::path::Path) -> String {
        let path = pintally::history::log_of(data, &self.header.session);
        std::fs::create_dir_all(data.join(pintally::history::LOGS)).expect("a folder that can be made");
        std::fs::write(path, &self.log).expect("a folder that can be written");
        self.header.session.clone()
    }
}

/// A bench on which boards are swept, of the demonstration connector where nothing else is said.
#[derive(Debug)]
pub struct PracticeBench {
    connector: Connector,
    design: Design,
    profile: Profile,
    reference: Reference,
}

impl Default for PracticeBench {
    fn default() -> Self {
        Self::new()
    }
}

impl PracticeBench {
    /// Sets it up.
    ///
    /// # Panics
    /// Never: connector and profile are built in.
    #[must_use]
    pub fn new() -> Self {
        Self::with(connector::from_toml(connector::DEMO).expect("the connector is built in"))
    }

    /// Sets it up for boards with this connector.
    ///
    /// # Panics
    /// If the practice bench cannot hold it.
    #[must_use]
    pub fn with(connector: Connector) -> Self {
        let profile = meter::shipped("bench-stream").expect("the profile is built in");
        let design = Design::new(&connector, 1);
        let direct = DirectMeter { source: profile.diode.source, ..DirectMeter::default() };
        let boards = known_good(&design, 5, 1, &direct).expect("boards without faults have a solution");
        let reference = learn(&connector, &boards, reference::Conditions::default())
            .expect("five boards teach something");
        Self { connector, design, profile, reference }
    }

    /// Sweeps a board in simulated time.
    ///
    /// # Panics
    /// If the order names faults that do not exist.
    #[must_use]
    pub fn sweep(&self, order: &Order) -> Practised {
        let faults: Vec<Fault> = order.faults.iter().map(|text| text.parse().expect("a fault")).collect();
        let specimen =
            Specimen::new(&self.design, &order.board, order.seed, &faults).expect("faults that fit");
        let mut setup = JigSetup::straight(&self.connector, 1).expect("few enough pins");
        let parsed = order.jig_troubles.iter().map(|text| text.parse::<JigTrouble>().expect("a trouble"));
        setup.troubles = parsed.collect();
        let options = MeterOptions { noise: Volts::of(0.0002), ..MeterOptions::of(&self.profile) };
        let bench =
            Bench::new(&specimen, setup.clone(), self.profile.clone(), options, order.seed, Moment::START)
                .expect("a bench that can be switched on");

        let header = self.header(order, &setup);
        let session = Session::new(header.clone()).expect("a header that was just made");
        let writer = LogWriter::start(Vec::new(), header.clone(), Moment::START, SyncPolicy::HeaderAndEnd);
        let mut book = Book {
            writer: writer.expect("memory can be written"),
            names: self.connector.pins.iter().map(|pin| pin.name.clone()).collect(),
            last: Moment::START,
        };
        for &text in &order.notes {
            book.event(LogEvent::Note { text: text.to_owned() });
        }
        let score = Score {
            setting: session.setting(),
            profile: self.profile.clone(),
            names: book.names.clone(),
            jig_port: "bench".to_owned(),
            meter_port: "bench".to_owned(),
            settle: Duration::from_millis(3),
            dwell: None,
            override_alive: false,
        };
        let swept = run(&mut BenchDevices::new(bench), score, &mut book, &mut |_| {});
        let how = if swept.outcome.is_ok() { Ending::Complete } else { Ending::Failed };
        book.event(LogEvent::End { how, detail: None });
        Practised { header, log: book.writer.into_sink(), swept }
    }

    fn header(&self, order: &Order, setup: &JigSetup) -> Header {
        let text = self.reference.to_toml();
        let started = order.started.clone().unwrap_or_else(|| "2026-03-02T09:15:00Z".to_owned());
        Header {
            program: "pintally test".to_owned(),
            session: session_name(&started, order),
            started,
            board: Some(order.board.clone()),
            operator: Some("Ada".to_owned()),
            connector: self.connector.clone(),
            wiring: setup.wiring.clone(),
            profile: self.profile.to_toml(),
            reference: (!order.unjudged).then(|| ReferenceSource {
                fingerprint: Fingerprint::of(text.as_bytes()),
                path: Some("j5.reference".to_owned()),
                text: Some(text),
            }),
            zero: None,
            settings: Settings::default().to_value(),
            practice: Some(serde_json::json!({
                "seed": order.seed,
                "faults": order.faults,
                "jig_troubles": order.jig_troubles,
            })),
        }
    }
}

/// A name that every file system takes.
fn session_name(started: &str, order: &Order) -> String {
    let plain = |c: char| if c.is_ascii_alphanumeric() { c } else { '-' };
    format!("{started}-{}-{}", order.board, order.seed).chars().map(plain).collect()
}

/// Writes a log in memory.
struct Book {
    writer: LogWriter<Vec<u8>>,
    names: Vec<connector::PinName>,
    last: Moment,
}

impl Book {
    fn event(&mut self, event: LogEvent) {
        let notice = self.writer.write(self.last, event);
        assert!(notice.is_none(), "memory can be written: {notice:?}");
    }
}

impl Recorder for Book {
    fn record(&mut self, at: Moment, record: Record<'_>) {
        self.last = at;
        if let Some(event) = LogEvent::of(record, &self.names) {
            self.event(event);
        }
    }
}
