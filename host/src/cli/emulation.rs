//! The practice bench as the command line sets it up: which board, which faults, which meter.

use std::path::PathBuf;

use clap::Args as Arguments;
use serde_json::json;

use super::inputs;
use crate::{
    connector::{Connector, Wiring},
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    log::Zero,
    meter::{Function, Profile},
    moment::Moment,
    practice::{
        Bench, Design, DirectMeter, Fault, Habits, HandBench, JigSetup, JigTrouble, Specimen, draw_faults,
        fault::FaultList,
        known_good,
        meter::{MeterOptions, MeterTrouble},
        truths,
    },
    readings::BoardReadings,
    reference::{Conditions, Polarity, Reference, learn},
    session::short_current,
    units::Volts,
};

/// The board that is designed for a connector is the same for every seed; only its specimens differ.
const DESIGN_SEED: u64 = 1;

/// Known-good boards of the practice bench.
const KNOWN_GOOD: usize = 5;

/// Noise of the practice meter, in volts: a fifth of a millivolt, so that the last digit of a 1 mV display
/// flickers now and then as on a bench.
const NOISE: Volts = Volts::of(0.0002);

/// What is on the practice bench
#[derive(Debug, Clone, Arguments)]
#[command(next_help_heading = "Practice bench")]
#[group(id = "emulation")]
pub(super) struct Args {
    /// Which of endlessly many practice boards: the same number gives the same board and noise
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    pub(super) seed: u64,
    /// Put a fault in, such as open:A4, short:A9, bridge:A4+A5, raised:B3=150, leak:B7=900, swap:A4+A6, missing:B2,
    /// placement:turned, live:B1=3.3; or `random` for one to three drawn by the seed. May be repeated
    #[arg(long = "fault", value_name = "FAULT")]
    pub(super) faults: Vec<String>,
    /// Put in the faults that this file lists (TOML or JSON)
    #[arg(long, value_name = "FILE")]
    pub(super) fault_list: Option<PathBuf>,
    /// Put a trouble into the practice jig, such as worn:14=50, dead:3, crossed:4+5, leaky:7=900 or clamps.
    /// May be repeated
    #[arg(long = "jig-trouble", value_name = "TROUBLE")]
    pub(super) jig_troubles: Vec<String>,
    /// Let the practice meter lag by so many readings more than its profile says
    #[arg(long, value_name = "READINGS", default_value_t = 0)]
    pub(super) meter_lag: u32,
    /// Press HOLD on the practice meter after so many seconds
    #[arg(long, value_name = "SECONDS")]
    pub(super) meter_hold: Option<u32>,
    /// Leave the practice meter on DC voltage instead of diode test
    #[arg(long)]
    pub(super) meter_on_volts: bool,
    /// Put a trouble into the practice meter or its line, such as relative, max-min, low-battery, asleep=20, hum=0.1@60,
    /// steps=0.01, jitter=0.05, lost=0.02, doubled=0.05 or flipped=0.005. May be repeated
    #[arg(long = "meter-trouble", value_name = "TROUBLE")]
    pub(super) meter_troubles: Vec<String>,
}

/// A practice bench, ready to be switched on.
pub(super) struct Emulation {
    pub(super) connector: Connector,
    pub(super) setup: JigSetup,
    profile: Profile,
    options: MeterOptions,
    meter_troubles: Vec<MeterTrouble>,
    specimen: Specimen,
    design: Design,
    faults: Vec<Fault>,
    seed: u64,
}

impl Emulation {
    /// Builds the bench for a connector and a meter.
    pub(super) fn new(
        args: &Args,
        connector: Connector,
        wiring: Option<Wiring>,
        profile: Profile,
    ) -> Result<Self, Failure> {
        let design = Design::new(&connector, DESIGN_SEED);
        let faults = faults(args, &design)?;
        let specimen = Specimen::new(&design, &format!("P{:03}", args.seed), args.seed, &faults)
            .or_fail(ExitStatus::Usage)?;
        let mut setup = match wiring {
            Some(wiring) => JigSetup::wired(wiring, args.seed),
            None => JigSetup::straight(&connector, args.seed).or_fail(ExitStatus::Configuration)?,
        };
        setup.troubles = args
            .jig_troubles
            .iter()
            .map(|text| text.parse::<JigTrouble>())
            .collect::<Result<_, _>>()
            .or_fail(ExitStatus::Usage)?;
        let meter_troubles: Vec<MeterTrouble> = args
            .meter_troubles
            .iter()
            .map(|text| text.parse())
            .collect::<Result<_, _>>()
            .or_fail(ExitStatus::Usage)?;
        let mut options = MeterOptions {
            noise: NOISE,
            lag: args.meter_lag,
            hold_from: args.meter_hold.map(|seconds| Moment::from_micros(u64::from(seconds) * 1_000_000)),
            function: if args.meter_on_volts { Function::DcVoltage } else { Function::Diode },
            ..MeterOptions::of(&profile)
        };
        for trouble in &meter_troubles {
            trouble.befall(&mut options);
        }
        let seed = args.seed;
        Ok(Self { connector, setup, profile, options, meter_troubles, specimen, design, faults, seed })
    }

    /// The same board on the jig of another seed, which has worn, and on a meter that shows `scale` of what is there.
    pub(super) fn aged(mut self, jig: u64, wear: Option<JigTrouble>, scale: f64) -> Self {
        self.setup.seed = jig;
        self.setup.troubles.extend(wear);
        self.options.scale = scale;
        self
    }

    /// Switches the bench on.
    pub(super) fn bench(&self) -> Result<Bench, Failure> {
        Bench::new(
            &self.specimen,
            self.setup.clone(),
            self.profile.clone(),
            self.options.clone(),
            self.seed,
            Moment::START,
        )
        .or_fail(ExitStatus::Software)
    }

    /// A hand with a probe over the practice board, from `now` on.
    pub(super) fn hand(&self, now: Moment) -> Result<HandBench, Failure> {
        let drops = self.specimen.drops(self.profile.diode.source).or_fail(ExitStatus::Software)?;
        let (options, habits) = (self.options.clone(), Habits::default());
        Ok(HandBench::new(&self.connector, drops, &self.profile, options, habits, self.seed, now))
    }

    /// The practice board.
    pub(super) const fn specimen(&self) -> &Specimen {
        &self.specimen
    }

    /// Readings of known-good boards of the same design on the same meter.
    pub(super) fn known_good(&self, count: usize) -> Result<Vec<BoardReadings>, Failure> {
        // The same for every seed, so that sweeps of different boards are judged alike.
        known_good(&self.design, count, DESIGN_SEED, &self.direct_meter()).or_fail(ExitStatus::Software)
    }

    /// What known-good boards of the same design read on the same meter.
    pub(super) fn reference(&self) -> Result<Reference, Failure> {
        let boards = self.known_good(KNOWN_GOOD)?;
        let conditions = Conditions {
            meter: Some(self.profile.name.clone()),
            test_current: Some(short_current(self.profile.diode.source)),
            compliance: Some(self.profile.diode.overload_above),
            polarity: Polarity::RedOnGround,
            note: Some("practice boards: emulated, no real readings".to_owned()),
            ..Conditions::default()
        };
        learn(&self.connector, &boards, conditions).or_fail(ExitStatus::Software)
    }

    /// The jig's path resistances, as a shorting plate would have shown them when the jig was new.
    pub(super) fn zero(&self) -> Zero {
        let sound = JigSetup { troubles: Vec::new(), ..self.setup.clone() };
        let channels = self.setup.wiring.channels().iter();
        let check = self.setup.wiring.check().map(|check| check.channel);
        let paths = sound.paths();
        let path =
            |channel: protocol::Channel| paths.get(usize::from(channel.0)).map(|&ohms| (channel, ohms));
        Zero { measured: None, paths: channels.copied().chain(check).filter_map(path).collect() }
    }

    /// Name of the practice board.
    pub(super) fn board(&self) -> String {
        self.specimen.name.clone()
    }

    /// What was put in, for the log.
    pub(super) fn describe(&self) -> serde_json::Value {
        let faults: Vec<String> = self.faults.iter().map(Fault::to_string).collect();
        let troubles: Vec<String> = self.setup.troubles.iter().map(JigTrouble::to_string).collect();
        let mut whole = json!({ "seed": self.seed, "faults": faults, "jig_troubles": troubles });
        if !self.meter_troubles.is_empty() {
            let troubles: Vec<String> = self.meter_troubles.iter().map(MeterTrouble::to_string).collect();
            whole["meter_troubles"] = json!(troubles);
        }
        if self.options.scale != 1.0 {
            whole["meter_scale"] = json!(self.options.scale);
        }
        whole
    }

    /// Whether nothing was put into the board.
    pub(super) const fn is_sound(&self) -> bool {
        self.faults.is_empty()
    }

    /// What was put in, for a person, one line a fault.
    pub(super) fn truth(&self) -> Result<Vec<String>, Failure> {
        let truths = truths(&self.design, self.seed, &self.faults, &self.direct_meter())
            .or_fail(ExitStatus::Software)?;
        Ok(truths
            .iter()
            .map(|truth| format!("{} (moves its own pins by {} V)", truth.fault, truth.moves))
            .collect())
    }

    fn direct_meter(&self) -> DirectMeter {
        let diode = self.profile.diode;
        DirectMeter {
            source: diode.source,
            exponent: diode.resolution.get().log10().round() as i8,
            limit: diode.overload_above,
        }
    }
}

fn faults(args: &Args, design: &Design) -> Result<Vec<Fault>, Failure> {
    let mut faults = Vec::new();
    for text in &args.faults {
        if text == "random" {
            faults.extend(draw_faults(design, args.seed));
        } else {
            faults.push(text.parse::<Fault>().or_fail(ExitStatus::Usage)?);
        }
    }
    if let Some(path) = &args.fault_list {
        let text = inputs::text(path)?;
        let list = match path.extension().is_some_and(|extension| extension == "json") {
            true => FaultList::from_json(&text),
            false => FaultList::from_toml(&text),
        };
        faults.extend(list.or_fail(ExitStatus::Data)?.faults);
    }
    Ok(faults)
}
