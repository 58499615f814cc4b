//! A simulated hand probes connectors: is each reading that of the pin to which it was written?

use pintally::{
    connector::{self, Connector},
    fingerprint::Fingerprint,
    log::{Header, ReferenceSource},
    meter::Profile,
    moment::Moment,
    practice::{
        Design, DirectMeter, Fault, Habits, HandBench, Specimen, draw_faults, known_good,
        meter::MeterOptions, random::Random,
    },
    probe::{Action, Probed, Score, Walk, run},
    readings::PinValue,
    reference::{Conditions, learn},
    session::{Session, Settings, short_current},
    sweep::Unrecorded,
    units::Volts,
};

/// Probing one connector.
#[derive(Debug, Clone)]
pub struct Trial {
    /// The meter.
    pub profile: Profile,
    /// Chooses the design, the board, its faults and what the hand does.
    pub seed: u64,
    /// How steady the hand is.
    pub habits: Habits,
    /// Whether a reference is at hand; without one every reading is taken at its first touch.
    pub with_reference: bool,
}

/// What became of the pins.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Tally {
    /// Connectors.
    pub connectors: u64,
    /// Pins.
    pub pins: u64,
    /// Pins that got the reading of another pin, although their references differ by more than their limits.
    pub wrong: u64,
    /// Pins whose latest touch was on another pin, although their references differ by more than their limits, while
    /// an earlier one that counted with it was on the pin and read the same: on this board a fault makes them alike.
    pub confirmed: u64,
    /// Pins that got the reading of another pin whose reference is within the limits of theirs.
    pub alike: u64,
    /// Pins without a reading at the end.
    pub missed: u64,
    /// Pins that show nothing on this board.
    pub opens: u64,
    /// Of these, those of a fault.
    pub open_joints: u64,
    /// Open joints that were not entered as open, but with the reading of another pin whose reference tells it apart.
    pub opens_missed: u64,
    /// Open joints that were entered with the reading of another pin whose reference is within the limits of theirs:
    /// one touch cannot tell.
    pub opens_alike: u64,
    /// Pins entered as open that are not, and whose reference tells them apart from what was touched.
    pub opens_wrong: u64,
    /// Touches asked for beyond the first at pins that are as expected.
    pub extra: u64,
    /// Of these, those because nothing was seen for long.
    pub extra_waits: u64,
    /// Touches asked for beyond the first at pins that differ.
    pub extra_at_faults: u64,
    /// Seconds of simulated time.
    pub seconds: f64,
}

/// A pin that got another's reading.
#[derive(Debug, Clone, PartialEq)]
pub struct Wrong {
    /// The pin.
    pub pin: String,
    /// Where the tip was.
    pub touched: Option<String>,
    /// What was written down.
    pub value: PinValue,
    /// What the pin reads.
    pub truth: PinValue,
}

/// A session by hand with everything that its log would hold.
///
/// # Panics
/// If the demonstration connector or its reference cannot be used, which the program's own tests exclude.
#[must_use]
pub fn session(connector: &Connector, profile: &Profile, reference: Option<String>) -> Session {
    let wiring = connector::Wiring::straight(connector).expect("the demonstration connector is small");
    let settings = Settings { by_hand: true, ..Settings::default() };
    let header = Header {
        program: "trial".into(),
        session: "trial".into(),
        started: "2026-11-25T12:00:00Z".into(),
        board: Some("trial".into()),
        operator: None,
        connector: connector.clone(),
        wiring,
        profile: profile.to_toml(),
        reference: reference.map(|text| ReferenceSource {
            fingerprint: Fingerprint::of(text.as_bytes()),
            path: None,
            text: Some(text),
        }),
        zero: None,
        settings: settings.to_value(),
        practice: None,
    };
    Session::new(header).expect("made of sound parts")
}

impl Trial {
    /// Probes the connector.
    ///
    /// # Panics
    /// If the practice bench cannot be built, which its own tests exclude.
    #[must_use]
    pub fn probe(&self) -> (Tally, Vec<Wrong>) {
        self.probe_watched(&mut |_, _| {})
    }

    /// Probes the connector and shows each action.
    ///
    /// # Panics
    /// As [`probe`](Self::probe).
    #[must_use]
    pub fn probe_watched(&self, watch: &mut dyn FnMut(&Action, Moment)) -> (Tally, Vec<Wrong>) {
        let connector = connector::from_toml(connector::DEMO).expect("shipped with the program");
        let design = Design::new(&connector, self.seed);
        let diode = self.profile.diode;
        let direct = DirectMeter {
            source: diode.source,
            exponent: diode.resolution.get().log10().round() as i8,
            limit: diode.overload_above,
        };
        let (specimen, faults) = self.board(&design);
        let conditions = Conditions {
            test_current: Some(short_current(diode.source)),
            compliance: Some(diode.overload_above),
            ..Conditions::default()
        };
        let boards = known_good(&design, 5, self.seed, &direct).expect("good boards can be read");
        let reference = learn(&connector, &boards, conditions).expect("five boards teach");
        let text = self.with_reference.then(|| reference.to_toml());
        let session = session(&connector, &self.profile, text);
        let setting = session.hand.clone().expect("set up by hand");
        let told_apart = {
            // Also without a reference on the bench, the references say which pins can be told apart.
            let with = self::session(&connector, &self.profile, Some(reference.to_toml()));
            with.hand.expect("set up by hand").expects
        };
        let drops = specimen.drops(diode.source).expect("the board can be solved");
        let truth: Vec<PinValue> = drops.iter().map(|&drop| direct.shows(drop)).collect();
        let options = MeterOptions { noise: Volts::of(0.0002), ..MeterOptions::of(&self.profile) };
        let mut bench = HandBench::new(
            &connector,
            drops,
            &self.profile,
            options,
            self.habits,
            self.seed.wrapping_mul(31),
            Moment::START,
        );
        let mut walk = Walk::new(setting, &self.profile);
        let score = Score {
            connector: connector.clone(),
            profile: self.profile.clone(),
            meter_port: "the meter".into(),
            jig_port: None,
            override_alive: false,
        };
        let mut tally = Tally { connectors: 1, pins: connector.pins.len() as u64, ..Tally::default() };
        let mut asked = vec![(0_u64, 0_u64); connector.pins.len()];
        // Touches that settled, by pin: when, and what was seen.
        let mut settled: Vec<Vec<(Moment, PinValue)>> = vec![Vec::new(); connector.pins.len()];
        let mut ended = Moment::START;
        let probed = run(&mut bench, &score, &mut walk, &mut Unrecorded, &mut |action, _, now| {
            ended = now;
            if let Some(action) = action {
                watch(action, now);
            }
            match action {
                Some(
                    Action::Again { pin, seen, touches: 1.., .. }
                    | Action::Either { pin, seen, touches: 1.., .. },
                ) => {
                    settled[*pin].push((now, *seen));
                }
                Some(Action::Took { result, .. }) => settled[result.pin].push((result.decided, result.value)),
                _ => {}
            }
            if let Some(
                Action::Again { pin, .. }
                | Action::Either { pin, .. }
                | Action::Unsettled { pin }
                | Action::NotProof { pin, .. }
                | Action::Prove { pin, .. },
            ) = action
            {
                asked[*pin].0 += 1;
                asked[*pin].1 += u64::from(matches!(action, Some(Action::Prove { .. })));
            }
        });
        tally.seconds = ended.as_micros() as f64 * 1e-6;
        let wrong = self.count(
            &probed,
            &bench,
            &connector,
            &truth,
            &told_apart,
            &asked,
            &settled,
            &faults,
            &mut tally,
        );
        (tally, wrong)
    }

    #[allow(clippy::too_many_arguments, reason = "a trial counts everything at once")]
    fn count(
        &self,
        probed: &Probed,
        bench: &HandBench,
        connector: &Connector,
        truth: &[PinValue],
        told_apart: &pintally::probe::Expects,
        asked: &[(u64, u64)],
        settled: &[Vec<(Moment, PinValue)>],
        faults: &[Fault],
        tally: &mut Tally,
    ) -> Vec<Wrong> {
        let name = |pin: usize| connector.pins[pin].name.to_string();
        let is_open_joint = |pin: usize| {
            faults.iter().any(|fault| matches!(fault, Fault::Open(at) if *at == connector.pins[pin].name))
        };
        let mut wrong = Vec::new();
        for pin in 0..truth.len() {
            let Some(result) = &probed.results[pin] else {
                tally.missed += 1;
                continue;
            };
            let is_faulty = told_apart.of(pin).is_some_and(|expected| !expected.holds(truth[pin]));
            if is_faulty {
                tally.extra_at_faults += asked[pin].0;
            } else {
                tally.extra += asked[pin].0;
                tally.extra_waits += asked[pin].1;
            }
            if truth[pin] == PinValue::Overload {
                tally.opens += 1;
                if is_open_joint(pin) {
                    tally.open_joints += 1;
                    let slipped = bench.touched_by(result.decided);
                    let is_alike = slipped.is_some_and(|other| !told_apart.are_told_apart(pin, other));
                    let is_missed = result.value != PinValue::Overload;
                    tally.opens_missed += u64::from(is_missed && !is_alike);
                    tally.opens_alike += u64::from(is_missed && is_alike);
                }
            }
            let touched = bench.touched_by(result.decided);
            let entry = || Wrong {
                pin: name(pin),
                touched: touched.map(name),
                value: result.value,
                truth: truth[pin],
            };
            if result.value == PinValue::Overload && truth[pin] == PinValue::Overload || touched == Some(pin)
            {
                continue;
            }
            let is_open = result.value == PinValue::Overload;
            // The touches that counted: the last, and those before it that agree with it.
            let counted = settled[pin].iter().rev().take(usize::from(result.retries) + 1);
            let is_confirmed = counted
                .filter(|(_, seen)| is_same(*seen, result.value))
                .any(|(at, _)| bench.touched_by(*at) == Some(pin));
            if touched.is_some_and(|other| !told_apart.are_told_apart(pin, other)) {
                tally.alike += 1;
            } else if is_confirmed {
                tally.confirmed += 1;
            } else {
                tally.wrong += u64::from(!is_open);
                tally.opens_wrong += u64::from(is_open);
                wrong.push(entry());
            }
        }
        wrong
    }

    /// A board with one open joint, and every other one with faults of all kinds besides.
    fn board(&self, design: &Design) -> (Specimen, Vec<Fault>) {
        let mut random = Random::new(self.seed, "trial");
        let name = format!("T{}", self.seed);
        let mut faults: Vec<Fault> = Vec::new();
        if random.chance(0.5) {
            faults = draw_faults(design, self.seed);
            faults.retain(|fault| !matches!(fault, Fault::Placement(_)));
        }
        for _ in 0..50 {
            let pin = &design.connector.pins[random.below(design.connector.pins.len())].name;
            let mut with = faults.clone();
            with.push(Fault::Open(pin.clone()));
            if let Ok(specimen) = Specimen::new(design, &name, self.seed, &with) {
                return (specimen, with);
            }
        }
        let specimen = Specimen::new(design, &name, self.seed, &[]).expect("a good board can be built");
        (specimen, Vec::new())
    }
}

/// Two touches of one pin differ by the contact of the tip: the 6 mV that docs/probe.md states.
fn is_same(a: PinValue, b: PinValue) -> bool {
    match (a.volts(), b.volts()) {
        (Some(a), Some(b)) => (a.get() - b.get()).abs() <= 0.006,
        _ => false,
    }
}

impl std::ops::AddAssign for Tally {
    fn add_assign(&mut self, other: Self) {
        self.connectors += other.connectors;
        self.pins += other.pins;
        self.wrong += other.wrong;
        self.confirmed += other.confirmed;
        self.alike += other.alike;
        self.missed += other.missed;
        self.opens += other.opens;
        self.open_joints += other.open_joints;
        self.opens_missed += other.opens_missed;
        self.opens_alike += other.opens_alike;
        self.opens_wrong += other.opens_wrong;
        self.extra += other.extra;
        self.extra_waits += other.extra_waits;
        self.extra_at_faults += other.extra_at_faults;
        self.seconds += other.seconds;
    }
}
