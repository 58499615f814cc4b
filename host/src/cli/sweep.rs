//! `pintally sweep`: reads every pin of a connector on a jig and judges the board.

use std::{
    io::IsTerminal,
    path::{Path, PathBuf},
    time::Duration,
};

use clap::Args as Arguments;

use super::{
    Screen, config, emulation,
    emulation::Emulation,
    inputs,
    jig::{Operator, zero},
    live_sweep::LiveSweep,
    logbook::Logbook,
    once::{self, Judged},
    options, place,
    precheck::{self, Bench},
    prepare, verdict,
};
use crate::{
    connector::{Connector, Wiring},
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    log::{Ending, Header, SyncPolicy, Zero},
    meter::{Profile, Talk},
    practice::BenchDevices,
    readings::PinValue,
    session::{SWEEP_LIMIT, Session, Settings, ZeroFile},
    sweep::{Devices, Swept},
};

/// Read every pin of a connector on a jig and judge the board
///
/// Battery out, power off, capacitors discharged: only then connect anything. Red lead on board ground, black to
/// the switching board, meter in diode test.
///
/// Without --reference and --known-good nothing is compared: the readings are printed, to make a reference of, and exit
/// status 0 says that all pins were read.
#[derive(Debug, Clone, Arguments)]
pub(super) struct Args {
    #[command(flatten)]
    bench: options::Bench,
    /// Let the switching board walk alone and stay so long at each pin, in milliseconds, for a meter that streams: nothing
    /// is decided on the way, and pins that were left before their readings agreed are not settled
    #[arg(long, value_name = "MILLISECONDS", value_parser = clap::value_parser!(u32).range(1..=60_000))]
    dwell_ms: Option<u32>,
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
    /// Who sweeps
    #[arg(long, value_name = "NAME")]
    operator: Option<String>,
    /// Pins that were repaired, visited first: A4,A5
    #[arg(long, value_name = "PINS", value_delimiter = ',')]
    repaired: Vec<String>,
    #[command(flatten)]
    one_board: options::OneBoard,
    /// Subtract the path resistances in this file (`pintally jig zero` writes it)
    #[arg(long, value_name = "FILE")]
    zero: Option<PathBuf>,
    /// Age from which a zero is called old, in days
    #[arg(long, value_name = "DAYS", default_value_t = zero::DAYS, requires = "zero")]
    zero_days: u16,
    /// Sweeps since it was measured after which a zero is called old
    #[arg(long, value_name = "SWEEPS", default_value_t = SWEEP_LIMIT, requires = "zero")]
    zero_sweeps: u64,
    /// What this switching board is called, where its microcontroller has no number of its own
    #[arg(long, value_name = "NAME")]
    jig_name: Option<String>,
    #[command(flatten)]
    assumptions: options::Assumptions,
    /// Show the rows on a live screen while the sweep runs
    #[arg(long)]
    live: bool,
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
    let profile = args.bench.meter.profile()?;
    args.fits_dwell(&profile)?;
    let (connector, wiring) =
        inputs::connector_and_wiring(args.connector.as_deref(), args.wiring.as_deref())?;
    let emulation = match args.practice {
        true => Some(Emulation::new(&args.emulation, connector.clone(), wiring.clone(), profile.clone())?),
        false => None,
    };
    let (operator, data) = (args.operator.as_deref(), args.one_board.data.as_deref());
    let zero = zero::load(args.zero.as_deref(), args.zero_days, args.zero_sweeps, data, screen)?;
    let header = header(args, &connector, wiring, &profile, emulation.as_ref(), zero.as_ref(), screen)?;
    let session = Session::new(header).or_fail(ExitStatus::Configuration)?;
    if matches!(profile.talk, Talk::Polled { .. }) && session.header.wiring.check().is_none() {
        screen.tell(&format!(
            "warning: this meter is asked and does not tell how fast it converts: were it more than 1.6 times slower than \
             the {:.1} readings/s of profile {}, a pin could get the reading of the pin before it, and without a check \
             channel nothing would show it",
            profile.timing.readings_per_second, profile.name
        ));
    }
    let confirmed_by = args.one_board.confirm(args.practice, operator, screen)?;

    let policy = if args.practice { SyncPolicy::HeaderAndEnd } else { SyncPolicy::EachResult };
    // Before the log: a port that is not there leaves none without an end.
    let (mut bench, ports) = bench(args, &session, emulation.as_ref())?;
    let options::Begun { mut logbook, home } = args.one_board.begin(&session.header, policy)?;
    let path = logbook.path.clone();
    args.one_board.note(&confirmed_by, operator, &mut logbook);

    let expected = precheck::Expected { called: args.jig_name.as_deref(), zero: zero.as_ref() };
    let swept = precheck::run(&session, &expected, &mut bench, &mut logbook, screen)
        .and_then(|()| walk(args, &session, bench.devices(), &ports, &mut logbook, screen));
    let swept = match swept {
        Ok(swept) => swept,
        Err(failure) => {
            once::warn(logbook.end(Ending::Failed, Some(failure.error.to_string())), screen);
            return Err(failure);
        }
    };
    let judged = once::judge(&session, &swept, logbook, screen);
    if let Some(home) = &home {
        once::remember(home, &session.header.session, screen);
    }
    show(args, &session, emulation.as_ref(), &swept, &judged?, &path, screen)
}

impl Args {
    /// What was typed, and what the configuration says where nothing was.
    fn filled(&self) -> Result<Self, Failure> {
        let defaults = self.config.defaults(self.practice)?;
        let mut args = self.clone();
        args.bench.fill(&defaults)?;
        args.one_board.fill(&defaults);
        defaults.operator(&mut args.operator);
        defaults.wiring(&mut args.wiring);
        defaults.zero(&mut args.zero);
        Ok(args)
    }

    /// How long the switching board stays at each pin, where it walks alone.
    fn dwell(&self) -> Option<Duration> {
        self.dwell_ms.map(|dwell| Duration::from_millis(dwell.into()))
    }

    /// Refuses a walk with a meter that must be asked.
    fn fits_dwell(&self, profile: &Profile) -> Result<(), Failure> {
        if self.dwell_ms.is_none() || profile.talk == Talk::Streaming {
            return Ok(());
        }
        let found =
            format!("a fixed dwell wants a meter that sends by itself, found profile {}", profile.name);
        Err(Failure::new(ExitStatus::Configuration, found)
            .hint("leave --dwell-ms out: this meter is asked pin by pin"))
    }
}

/// Goes over the pins: at the pace of the readings, or at a fixed dwell.
fn walk(
    args: &Args,
    session: &Session,
    devices: &mut dyn Devices,
    ports: &[String; 2],
    logbook: &mut Logbook,
    screen: &mut Screen,
) -> Result<Swept, Failure> {
    if let Some(refused) =
        once::refused_for_volts(devices, ports, session, logbook, screen.is_quiet(), screen)
    {
        return Ok(refused);
    }
    let dwell = args.dwell();
    let live = if args.live { LiveSweep::take(session)? } else { None };
    let Some(mut live) = live else {
        let quiet = screen.is_quiet();
        return Ok(once::sweep(devices, ports, session, dwell, logbook, quiet, screen));
    };
    let swept =
        once::sweep_watched(devices, ports, session, dwell, logbook, &mut |notice| live.notice(notice));
    live.give_back(screen);
    Ok(swept)
}

/// The devices to sweep with.
fn bench(
    args: &Args,
    session: &Session,
    emulation: Option<&Emulation>,
) -> Result<(Bench, [String; 2]), Failure> {
    let stop = once::stop_switch();
    match emulation {
        Some(emulation) if args.instant => {
            let ports = ["the practice bench".to_owned(), "the practice bench".to_owned()];
            Ok((Bench::Instant(Box::new(BenchDevices::new(emulation.bench()?))), ports))
        }
        Some(emulation) => {
            let (devices, ports, orders) = place::serve_with_hands(emulation, &session.profile, stop)?;
            Ok((Bench::Served(devices, orders), ports))
        }
        None => {
            let once::Bench { devices, ports } = args.bench.open(&session.profile, stop)?;
            let asks = !args.one_board.unpowered && std::io::stdin().is_terminal();
            Ok((Bench::Ports(devices, asks.then(Operator::new)), ports))
        }
    }
}

/// Prints what was read and how it is judged.
fn show(
    args: &Args,
    session: &Session,
    emulation: Option<&Emulation>,
    swept: &Swept,
    judged: &Judged,
    path: &Path,
    screen: &mut Screen,
) -> Result<ExitStatus, Failure> {
    let connector = &session.header.connector;
    let status = verdict::print(
        connector,
        &judged.readings,
        judged.judgement.as_ref(),
        args.one_board.format,
        screen,
    )?;
    let notes = &session.settings.repair;
    verdict::print_repair(
        connector,
        notes,
        &judged.readings,
        judged.judgement.as_ref(),
        args.one_board.format,
        screen,
    )?;
    verdict::print_zero(session, args.one_board.format, screen)?;
    if let Some(text) = args.dwell_ms.and_then(|_| verdict::unsettled(connector, &swept.values)) {
        screen.tell(&format!(
            "{text}; let the switching board stay longer with --dwell-ms, or wait for each pin without it"
        ));
    }
    if !screen.is_quiet() {
        let pins = session.setting().plan.pins();
        match args.dwell_ms {
            Some(_) => {
                screen.tell(&format!("\nwalked over {pins} pins in {:.1} s", swept.took.as_secs_f64()));
            }
            None => screen.tell(&format!("\n{}", pace(pins, swept))),
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
        screen.tell(&format!("session log: {}", path.display()));
    }
    judged.check_written(path)?;
    Ok(status)
}

/// What a technician does by hand: 3 to 5 s a pin (common practice of the trade).
const BY_HAND: Duration = Duration::from_secs(4);

/// How many pins were read and how long it took, beside the least that switching board and meter allow and beside
/// working by hand.
fn pace(pins: usize, swept: &Swept) -> String {
    let (took, floor) = (swept.took, swept.floor);
    let read = swept.values.iter().filter(|value| !matches!(value, PinValue::Unread(_))).count();
    let count = if read == pins { format!("{pins}") } else { format!("{read} of {pins}") };
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
        "swept {count} pins in {}, floor {}{confirming}; by hand about {by_hand}",
        seconds(took),
        seconds(floor.total())
    )
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
    let board = args.one_board.name(emulation)?;
    let wiring = match (wiring, emulation) {
        (_, Some(emulation)) => emulation.setup.wiring.clone(),
        (Some(wiring), None) => wiring,
        (None, None) => Wiring::straight(connector).or_fail(ExitStatus::Configuration)?,
    };
    let reference = prepare::reference(
        args.reference.as_deref(),
        args.known_good.as_deref(),
        connector,
        emulation,
        screen,
    )?;
    let settings = Settings {
        settle_us: args.bench.settle_us(),
        ..args.one_board.settings(&args.assumptions, &args.repaired, connector)?
    };
    Ok(Header {
        program: super::PROGRAM.to_owned(),
        session: place::session_name(&started, board.as_deref()),
        started,
        board,
        operator: prepare::operator(args.operator.as_deref())?,
        connector: connector.clone(),
        wiring: wiring.clone(),
        profile: profile.to_toml(),
        reference,
        zero: match zero {
            Some(zero) => Some(zero::fitting(zero, connector, &wiring, profile)?),
            None => emulation.map(Emulation::zero).filter(|zero: &Zero| !zero.paths.is_empty()),
        },
        settings: settings.to_value(),
        practice: emulation.map(Emulation::describe),
    })
}
