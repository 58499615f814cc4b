//! `pintally sweep`: reads every pin of a connector on a jig and judges the board.

use std::{
    io::{BufRead, IsTerminal},
    path::PathBuf,
    sync::{Arc, atomic::AtomicBool},
    time::Duration,
};

use clap::Args as Arguments;

use super::{
    Screen, config, dwell, emulation,
    emulation::Emulation,
    inputs,
    jig::{Operator, zero},
    logbook::Logbook,
    place,
    precheck::{self, Bench as _},
    progress::Progress,
    verdict::{self, Format},
};
use crate::{
    connector::{Connector, PinName, Wiring},
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    fingerprint::Fingerprint,
    log::{Confirmation, Ending, Header, LogEvent, ReferenceSource, SyncPolicy, Zero},
    meter::Profile,
    port::{self, Address, PortDevices},
    practice::{
        BenchDevices,
        serve::{Order, Orders},
    },
    readings::csv::Strictness,
    reference::{Conditions, Reference, learn},
    session::{SWEEP_LIMIT, Session, Settings, ZeroFile, describe_zero},
    sweep::{Devices, Floor, Score, SweepError, Swept, run as run_sweep},
    units::Volts,
};

/// Read every pin of a connector on a jig and judge the board
///
/// Battery out, power off, capacitors discharged: only then connect anything. Red lead on board ground, black to
/// the switching board, meter in diode test.
#[derive(Debug, Clone, Arguments)]
pub(super) struct Args {
    /// Port of the switching board: a serial port or tcp:HOST:PORT
    #[arg(long, value_name = "PORT", conflicts_with = "practice")]
    jig: Option<Address>,
    /// Port of the meter: a serial port or tcp:HOST:PORT
    #[arg(long, value_name = "PORT", conflicts_with = "practice")]
    meter: Option<Address>,
    /// Meter profile: a shipped one by name, or a file; `bench-stream` where the configuration names none
    #[arg(long, value_name = "PROFILE")]
    profile: Option<String>,
    /// Connector file, TOML or CSV; on the practice bench a demonstration connector stands ready
    #[arg(long, value_name = "FILE", required_unless_present = "practice")]
    connector: Option<PathBuf>,
    /// Wiring file: which pin lies on which channel; pin by pin from channel 0 on where none is given
    #[arg(long, value_name = "FILE")]
    wiring: Option<PathBuf>,
    /// Judge by this reference
    #[arg(long, value_name = "FILE", conflicts_with = "known_good")]
    reference: Option<PathBuf>,
    /// Judge by these readings of known-good boards, CSV with board,pin,reading
    #[arg(long, value_name = "FILE")]
    known_good: Option<PathBuf>,
    /// Ticket number or other name of the board
    #[arg(long, value_name = "NAME")]
    board: Option<String>,
    /// Who sweeps
    #[arg(long, value_name = "NAME")]
    operator: Option<String>,
    /// Pins that were repaired, visited first: A4,A5
    #[arg(long, value_name = "PINS", value_delimiter = ',')]
    repaired: Vec<String>,
    /// A note for the log
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// Time from closing a channel to reading, in milliseconds
    #[arg(long, value_name = "MILLISECONDS", default_value_t = 3)]
    settle_ms: u16,
    /// Let the switching board walk alone and stay so long at each pin, in milliseconds, for a meter that streams: nothing
    /// is decided on the way, and pins that were left before their readings agreed are not settled
    #[arg(long, value_name = "MILLISECONDS", value_parser = clap::value_parser!(u32).range(1..=60_000))]
    dwell_ms: Option<u32>,
    /// Subtract the path resistances in this file (`pintally jig zero` writes it)
    #[arg(long, value_name = "FILE")]
    zero: Option<PathBuf>,
    /// Age from which a zero is called old, in days
    #[arg(long, value_name = "DAYS", default_value_t = 7, requires = "zero")]
    zero_days: u16,
    /// Sweeps since it was measured after which a zero is called old
    #[arg(long, value_name = "SWEEPS", default_value_t = SWEEP_LIMIT, requires = "zero")]
    zero_sweeps: u64,
    /// What this switching board is called, where its microcontroller has no number of its own
    #[arg(long, value_name = "NAME")]
    jig_name: Option<String>,
    /// Confirm, without being asked, that battery and power are off and the board is discharged
    #[arg(long)]
    unpowered: bool,
    /// Go on although the board shows signs of life; the reason goes into the log
    #[arg(long, value_name = "REASON")]
    override_alive: Option<String>,
    /// Write the session log here; a new file in the data directory where none is given
    #[arg(long, value_name = "FILE")]
    log: Option<PathBuf>,
    /// Data directory, for the session log
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// How to print the judgement
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Standard deviation between good boards to assume where they cannot tell it, in millivolts
    #[arg(long, value_name = "MILLIVOLTS")]
    assume_spread: Option<f64>,
    /// Share of good boards that may be flagged at any of their pins
    #[arg(long, value_name = "SHARE")]
    false_alarms: Option<f64>,
    /// Say less on the way
    #[arg(long)]
    quiet: bool,
    /// Sweep a board of the practice bench: nothing needs to be connected
    #[arg(long)]
    practice: bool,
    /// On the practice bench: do not wait, let simulated time jump
    #[arg(long, requires = "practice")]
    instant: bool,
    #[command(flatten)]
    config: config::Args,
    #[command(flatten)]
    emulation: emulation::Args,
}

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let args = &args.filled()?;
    let profile = inputs::profile(args.profile.as_deref().unwrap_or(config::PROFILE))?;
    let (connector, wiring) =
        inputs::connector_and_wiring(args.connector.as_deref(), args.wiring.as_deref())?;
    let emulation = match args.practice {
        true => Some(Emulation::new(&args.emulation, connector.clone(), wiring.clone(), profile.clone())?),
        false => None,
    };
    let zero =
        zero::load(args.zero.as_deref(), args.zero_days, args.zero_sweeps, args.data.as_deref(), screen)?;
    let header = header(args, &connector, wiring, &profile, emulation.as_ref(), zero.as_ref(), screen)?;
    let session = Session::new(header).or_fail(ExitStatus::Configuration)?;
    let confirmed_by = confirm(args, screen)?;

    let path = match &args.log {
        Some(path) => path.clone(),
        None => place::new_log(args.data.as_deref(), &session.header)?,
    };
    let policy = if args.practice { SyncPolicy::HeaderAndEnd } else { SyncPolicy::EachResult };
    let mut logbook = Logbook::begin(&path, session.header.clone(), policy)?;
    for what in [Confirmation::BatteryOut, Confirmation::PowerOff, Confirmation::Discharged] {
        logbook.note(LogEvent::Confirmed { what, by: Some(confirmed_by.clone()) });
    }
    if let Some(text) = &args.note {
        logbook.note(LogEvent::Note { text: text.clone() });
    }
    if let Some(why) = &args.override_alive {
        let by = args.operator.clone().unwrap_or_else(|| "operator".to_owned());
        logbook.note(LogEvent::Override { what: "signs of a live board".to_owned(), by, why: why.clone() });
    }

    let swept = match sweep(args, &session, emulation.as_ref(), zero.as_ref(), &mut logbook, screen) {
        Ok(swept) => swept,
        Err(failure) => {
            warn(logbook.end(Ending::Failed, Some(failure.error.to_string())), screen);
            return Err(failure);
        }
    };
    finish(args, &session, emulation.as_ref(), swept, logbook, screen)
}

impl Args {
    /// What was typed, and what the configuration says where nothing was. The practice bench takes only people and
    /// places from it: it is the same bench everywhere.
    fn filled(&self) -> Result<Self, Failure> {
        let typed = self.clone();
        let config = self.config.load()?;
        let filled =
            Self { operator: typed.operator.or(config.operator), data: typed.data.or(config.data), ..typed };
        if filled.practice {
            return Ok(filled);
        }
        Ok(Self {
            jig: Some(
                filled
                    .jig
                    .or(config.jig)
                    .ok_or_else(|| config::no_port("--jig", "switching board", &self.config))?,
            ),
            meter: Some(
                filled
                    .meter
                    .or(config.meter)
                    .ok_or_else(|| config::no_port("--meter", "meter", &self.config))?,
            ),
            profile: filled.profile.or(config.profile),
            wiring: filled.wiring.or(config.wiring),
            ..filled
        })
    }
}

/// Opens the devices and sweeps.
fn sweep(
    args: &Args,
    session: &Session,
    emulation: Option<&Emulation>,
    zero: Option<&ZeroFile>,
    logbook: &mut Logbook,
    screen: &mut Screen,
) -> Result<Swept, Failure> {
    let stop = Arc::new(AtomicBool::new(false));
    let seen = Arc::clone(&stop);
    // A handler can be set once a process; in tests that is enough.
    let _ = ctrlc::set_handler(move || seen.store(true, std::sync::atomic::Ordering::Relaxed));
    let (mut devices, ports) = open(args, session, emulation, stop)?;
    let expected = precheck::Expected { called: args.jig_name.as_deref(), zero };
    precheck::run(session, &expected, &mut devices, logbook, screen)?;
    if let Some(dwell) = args.dwell_ms {
        return dwell::run(session, Duration::from_millis(dwell.into()), devices.devices(), logbook);
    }
    let [jig_port, meter_port] = ports;
    let names: Vec<PinName> = session.header.connector.pins.iter().map(|pin| pin.name.clone()).collect();
    let score = Score {
        setting: session.setting(),
        profile: session.profile.clone(),
        names: names.clone(),
        jig_port,
        meter_port,
        settle: Duration::from_micros(u64::from(session.settings.settle_us)),
        override_alive: session.settings.override_alive.is_some(),
    };
    if !args.quiet {
        let estimate = score.setting.timing.estimate() * score.setting.plan.visits.len() as u32;
        screen.tell(&format!(
            "sweeping {} pins of {} on {}, about {:.0} s",
            score.setting.plan.pins(),
            session.header.connector.name,
            score.jig_port,
            estimate.as_secs_f64().ceil()
        ));
    }
    let progress = Progress::new(names, args.quiet);
    let swept = run_sweep(devices.devices(), score, logbook, &mut |notice| progress.notice(notice));
    progress.finish();
    Ok(swept)
}

/// Jig and meter, and who moves the meter's plugs.
enum Bench {
    /// Hardware, and whoever is at the keyboard; nobody where the operator has confirmed everything beforehand.
    Ports(PortDevices, Option<Operator>),
    /// The practice bench behind ports of its own.
    Served(Box<dyn Devices>, Orders),
    /// The practice bench, in simulated time.
    Instant(Box<BenchDevices>),
}

fn open(
    args: &Args,
    session: &Session,
    emulation: Option<&Emulation>,
    stop: Arc<AtomicBool>,
) -> Result<(Bench, [String; 2]), Failure> {
    Ok(match (emulation, &args.jig, &args.meter) {
        (Some(emulation), _, _) if args.instant => {
            let ports = ["the practice bench".to_owned(), "the practice bench".to_owned()];
            (Bench::Instant(Box::new(BenchDevices::new(emulation.bench()?))), ports)
        }
        (Some(emulation), _, _) => {
            let (devices, ports, orders) = place::serve(emulation, &session.profile, stop)?;
            (Bench::Served(devices, orders), ports)
        }
        (None, Some(jig), Some(meter)) => {
            let names = [jig.to_string(), meter.to_string()];
            let open = |address, settings| {
                port::open(address, settings).map_err(|error| {
                    let hint = error.hint();
                    Failure::new(ExitStatus::Unavailable, error).hint(hint)
                })
            };
            let jig = open(jig, &port::SWITCHING_BOARD)?;
            let meter = open(meter, &session.profile.port)?;
            let asks = !args.unpowered && std::io::stdin().is_terminal();
            (Bench::Ports(PortDevices::new(jig, meter, stop), asks.then(Operator::new)), names)
        }
        _ => return Err(Failure::new(ExitStatus::Usage, "expected --jig and --meter, or --practice")),
    })
}

impl precheck::Bench for Bench {
    fn devices(&mut self) -> &mut dyn Devices {
        match self {
            Self::Ports(devices, _) => devices,
            Self::Served(devices, _) => devices.as_mut(),
            Self::Instant(devices) => devices.as_mut(),
        }
    }

    fn has_hands(&self) -> bool {
        !matches!(self, Self::Ports(_, None))
    }

    fn plug(&mut self, plugged: bool, to: &mut precheck::Asking<'_>) -> Result<(), Failure> {
        match self {
            Self::Ports(devices, Some(operator)) => {
                let what = if plugged {
                    "Now connect the meter: diode test, red clip on board ground, black to the common line"
                } else {
                    "Take both plugs of the meter out of the jig, so that the voltage on the board can be measured first"
                };
                operator.ask(what, to.has_button, to.talk, devices, to.logbook, to.screen).map(|_| ())
            }
            Self::Ports(_, None) => Ok(()),
            Self::Served(_, orders) => {
                // A bench that is gone shows in the next request.
                let _ = orders.give(Order::Plug(plugged));
                Ok(())
            }
            Self::Instant(devices) => {
                devices.plug(plugged);
                Ok(())
            }
        }
    }
}

/// Judges, prints, and closes the log.
fn finish(
    args: &Args,
    session: &Session,
    emulation: Option<&Emulation>,
    swept: Swept,
    mut logbook: Logbook,
    screen: &mut Screen,
) -> Result<ExitStatus, Failure> {
    let connector = &session.header.connector;
    let path = logbook.path.display().to_string();
    if let Err(error) = swept.outcome {
        let ending = match error {
            SweepError::Stopped { .. } => Ending::Stopped,
            _ => Ending::Failed,
        };
        warn(logbook.end(ending, Some(error.to_string())), screen);
        let mut failure = Failure::new(error.exit_status(), error.clone());
        failure.hints = error.hints();
        return Err(failure.hint(format!("what was read is in the session log: pintally replay {path}")));
    }
    let readings = session.readings(&swept.values);
    let judgement = session.judge(&swept.values).transpose().or_fail(ExitStatus::Configuration)?;
    if let Some(judgement) = &judgement {
        let text = crate::report::json(connector, judgement, false);
        // Our own JSON, so it parses; if not, the log keeps the text.
        let value = serde_json::from_str(&text).unwrap_or(serde_json::Value::String(text));
        logbook.note(LogEvent::Judgement { value });
    }
    warn(logbook.end(Ending::Complete, None), screen);
    let status = verdict::print(connector, &readings, judgement.as_ref(), args.format, screen)?;
    if let Some(zero) =
        session.header.zero.as_ref().and_then(describe_zero).filter(|_| args.format == Format::Text)
    {
        screen.line(&zero)?;
    }
    if let Some(text) = args.dwell_ms.and_then(|_| verdict::unsettled(connector, &swept.values)) {
        screen.tell(&format!(
            "{text}; let the switching board stay longer with --dwell-ms, or wait for each pin without it"
        ));
    }
    if !args.quiet {
        let pins = session.setting().plan.pins();
        match args.dwell_ms {
            Some(_) => {
                screen.tell(&format!("\nwalked over {pins} pins in {:.1} s", swept.took.as_secs_f64()))
            }
            None => screen.tell(&format!("\n{}", pace(pins, swept.took, swept.floor))),
        }
        if let Some(emulation) = emulation {
            let truth = emulation.truth()?;
            if truth.is_empty() {
                screen.tell("practice: no fault was put in");
            }
            for line in truth {
                screen.tell(&format!("practice: put in {line}"));
            }
        }
        screen.tell(&format!("session log: {path}"));
    }
    Ok(status)
}

/// What a technician does by hand: 3 to 5 s a pin (common practice of the trade).
const BY_HAND: Duration = Duration::from_secs(4);

/// How long it took, beside the least that switching board and meter allow and beside working by hand.
fn pace(pins: usize, took: Duration, floor: Floor) -> String {
    let seconds = |time: Duration| format!("{:.1} s", time.as_secs_f64());
    let confirming = match floor.confirmations {
        Duration::ZERO => String::new(),
        time => format!(", {} of it confirming open and slow pins", seconds(time)),
    };
    let by_hand = BY_HAND.as_secs_f64() * pins as f64;
    let by_hand = match by_hand {
        short if short < 90.0 => format!("{short:.0} s"),
        long => format!("{:.0} minutes", long / 60.0),
    };
    format!(
        "swept {pins} pins in {}, floor {}{confirming}; by hand about {by_hand}",
        seconds(took),
        seconds(floor.total())
    )
}

fn warn(warnings: Vec<String>, screen: &mut Screen) {
    for warning in warnings {
        screen.tell(&format!("warning: {warning}"));
    }
}

fn header(
    args: &Args,
    connector: &Connector,
    wiring: Option<Wiring>,
    profile: &Profile,
    emulation: Option<&Emulation>,
    zero: Option<&ZeroFile>,
    screen: &mut Screen,
) -> Result<Header, Failure> {
    let started = place::now();
    let board = match (&args.board, emulation) {
        (Some(name), _) => Some(checked_name("--board", name)?),
        (None, Some(emulation)) => Some(emulation.board()),
        (None, None) => None,
    };
    let wiring = match (wiring, emulation) {
        (_, Some(emulation)) => emulation.setup.wiring.clone(),
        (Some(wiring), None) => wiring,
        (None, None) => Wiring::straight(connector).or_fail(ExitStatus::Configuration)?,
    };
    let reference = reference(args, connector, emulation, screen)?;
    Ok(Header {
        program: super::PROGRAM.to_owned(),
        session: place::session_name(&started, board.as_deref()),
        started,
        board,
        operator: args.operator.as_deref().map(|name| checked_name("--operator", name)).transpose()?,
        connector: connector.clone(),
        wiring: wiring.clone(),
        profile: profile.to_toml(),
        reference,
        zero: match zero {
            Some(zero) => Some(zero::fitting(zero, connector, &wiring, profile)?),
            None => emulation.map(Emulation::zero).filter(|zero: &Zero| !zero.paths.is_empty()),
        },
        settings: settings(args, connector)?.to_value(),
        practice: emulation.map(Emulation::describe),
    })
}

fn reference(
    args: &Args,
    connector: &Connector,
    emulation: Option<&Emulation>,
    screen: &mut Screen,
) -> Result<Option<ReferenceSource>, Failure> {
    let (reference, path): (Reference, Option<&PathBuf>) =
        match (&args.reference, &args.known_good, emulation) {
            (Some(path), _, _) => (inputs::reference(path)?, Some(path)),
            (None, Some(path), _) => {
                let boards = inputs::all_boards(path, connector, Strictness::StopAtBadRow, screen)?;
                let learned = learn(connector, &boards, Conditions::default()).or_fail(ExitStatus::Data)?;
                (learned, Some(path))
            }
            (None, None, Some(emulation)) => (emulation.reference()?, None),
            (None, None, None) => {
                screen.tell(
                    "note: no --reference and no --known-good: the readings are written down, not judged",
                );
                return Ok(None);
            }
        };
    let text = reference.to_toml();
    Ok(Some(ReferenceSource {
        fingerprint: Fingerprint::of(text.as_bytes()),
        path: path.map(|path| path.display().to_string()),
        text: Some(text),
    }))
}

fn settings(args: &Args, connector: &Connector) -> Result<Settings, Failure> {
    let repaired = inputs::pins("--repaired", &args.repaired, connector)?;
    let repaired = repaired.into_iter().map(|pin| connector.pins[pin].name.clone()).collect();
    let spread = args.assume_spread.map(|millivolts| millivolts * 1e-3);
    if spread.is_some_and(|volts| !(0.0..=1.0).contains(&volts)) {
        return Err(Failure::new(ExitStatus::Usage, "expected --assume-spread from 0 to 1000 millivolts"));
    }
    if args.false_alarms.is_some_and(|share| !(share > 0.0 && share < 1.0)) {
        return Err(Failure::new(ExitStatus::Usage, "expected --false-alarms between 0 and 1"));
    }
    Ok(Settings {
        repaired,
        settle_us: u32::from(args.settle_ms) * 1000,
        override_alive: args.override_alive.clone(),
        assumed_spread: spread.and_then(Volts::new),
        false_alarms: args.false_alarms,
        batch: None,
        by_hand: false,
    })
}

fn checked_name(option: &str, text: &str) -> Result<String, Failure> {
    crate::label::name(text)
        .map(str::to_owned)
        .map_err(|problem| Failure::new(ExitStatus::Usage, format!("{option}: {problem}")))
}

/// Has the operator confirm that the board is dead, before anything is connected to it. Returns who did.
fn confirm(args: &Args, screen: &mut Screen) -> Result<String, Failure> {
    let who = args.operator.clone().unwrap_or_else(|| "operator".to_owned());
    if args.practice {
        return Ok("practice bench: an emulated board".to_owned());
    }
    if args.unpowered {
        return Ok(format!("{who}, by --unpowered"));
    }
    let input = std::io::stdin();
    if !input.is_terminal() {
        return Err(Failure::new(
            ExitStatus::Usage,
            "expected a confirmation that the board is dead, found no terminal to ask at",
        )
        .hint("take the battery out, switch the power off, discharge the capacitors; then say --unpowered"));
    }
    screen.tell("Before anything touches the board:");
    screen.tell("  battery disconnected, power supply off, capacitors discharged and checked with DC volts;");
    screen.tell("  red lead on board ground, meter in diode test, wrist strap on.");
    screen.tell("Type `yes` if all of this is so:");
    let mut answer = String::new();
    input.lock().read_line(&mut answer).or_fail(ExitStatus::Io)?;
    match answer.trim().eq_ignore_ascii_case("yes") {
        true => Ok(who),
        false => {
            Err(Failure::new(ExitStatus::Usage, "the board was not confirmed to be dead: nothing was closed"))
        }
    }
}
