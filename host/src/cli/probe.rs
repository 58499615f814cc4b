//! `pintally probe`: walks the pins of a connector by hand and judges the board.

mod desk;
mod keys;
mod live;
mod plain;
mod resume;
mod sound;
#[cfg(feature = "tones")]
mod tones;

use std::path::{Path, PathBuf};

use clap::{Args as Arguments, ValueEnum};

use super::{
    Screen, config, emulation, emulation::Emulation, inputs, logbook::Logbook, once, options, place, ports,
    prepare, verdict,
};
use crate::{
    connector::{Connector, PinName, Wiring},
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    log::{Ending, Header, SyncPolicy},
    meter::Profile,
    moment::Moment,
    port::Address,
    probe::{self, Action, Bench, Probed, Score, Walk},
    session::{Session, Settings},
    sweep::SweepError,
};
use {
    desk::{Desk, Keyboard},
    live::Live,
    plain::Plain,
    resume::Resumed,
    sound::Sound,
};

/// Walk the pins of a connector by hand and judge the board
///
/// Red lead clipped to board ground, black probe in your hand, meter in diode test: touch the pin that is asked for and
/// hold it until you hear that it was taken. Battery out, power off, capacitors discharged before anything is touched.
///
/// Keys, in plain mode each with Enter: Enter or space confirms that a held pin shows nothing; s skips, u takes back, b
/// goes back, r repeats, j A5 jumps to pin A5, p pauses, g goes on, q ends for now. The button of a switching board does
/// as a foot switch for Enter.
#[derive(Debug, Clone, Arguments)]
pub(super) struct Args {
    #[command(flatten)]
    meter: options::Meter,
    /// Port of a switching board whose button is the foot switch and whose buzzer sounds; no channel is closed
    #[arg(long, value_name = "PORT", conflicts_with = "practice")]
    jig: Option<Address>,
    /// Connector file, TOML or CSV; for practice a demonstration connector stands ready
    #[arg(long, value_name = "FILE", required_unless_present_any = ["practice", "resume"])]
    connector: Option<PathBuf>,
    /// Go on with the session of this log: what it holds is copied into a new log
    #[arg(long, value_name = "LOG", conflicts_with_all = ["connector", "reference", "known_good", "board", "repaired", "repair", "checklist"])]
    resume: Option<PathBuf>,
    /// Expect what this reference says, and judge by it
    #[arg(long, value_name = "FILE", conflicts_with = "known_good")]
    reference: Option<PathBuf>,
    /// Expect and judge by these readings of known-good boards, CSV with board,pin,reading
    #[arg(long, value_name = "FILE")]
    known_good: Option<PathBuf>,
    /// Expect nothing and judge nothing: the readings of a known-good board are the result
    #[arg(long, conflicts_with_all = ["reference", "known_good", "resume"])]
    learn: bool,
    /// Who probes
    #[arg(long, value_name = "NAME")]
    operator: Option<String>,
    /// Pins that were repaired, asked for first: A4,A5
    #[arg(long, value_name = "PINS", value_delimiter = ',')]
    repaired: Vec<String>,
    #[command(flatten)]
    one_board: options::OneBoard,
    #[command(flatten)]
    assumptions: options::Assumptions,
    /// Say what happens in plain lines instead of on a live screen
    #[arg(long)]
    plain: bool,
    /// What sounds
    #[arg(long, value_enum, default_value_t = Sounds::Bell)]
    sound: Sounds,
    /// Speak the number of each pin, by a speech program of the system (spd-say, espeak-ng, say)
    #[arg(long)]
    speak: bool,
    /// Let a simulated hand probe a practice board: nothing needs to be connected
    #[arg(long)]
    practice: bool,
    /// For practice: do not wait, let simulated time jump
    #[arg(long, requires = "practice")]
    instant: bool,
    #[command(flatten)]
    config: config::Args,
    #[command(flatten)]
    emulation: emulation::Args,
}

impl Args {
    /// What was typed, and what the configuration says where nothing was. A switching board is only used as a foot
    /// switch if it was named: it may not be plugged in.
    fn filled(&self) -> Result<Self, Failure> {
        let defaults = self.config.defaults(self.practice)?;
        let mut args = self.clone();
        args.meter.fill(&defaults)?;
        if let (Some(jig), Some(meter)) = (&args.jig, &args.meter.meter) {
            ports::apart(jig, meter)?;
        }
        args.one_board.fill(&defaults);
        defaults.operator(&mut args.operator);
        Ok(args)
    }
}

/// What sounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Sounds {
    /// Rhythms on the terminal's bell
    Bell,
    /// Tones through the audio device; needs the feature `tones`
    Tones,
    /// Nothing
    Off,
}

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let args = &args.filled()?;
    // First: what cannot sound is said before a log is begun.
    let sound = Sound::new(args.sound, args.speak && !args.instant, screen)?;
    let resumed = args.resume.as_deref().map(|path| Resumed::read(path, screen)).transpose()?;
    let (profile, connector) = match &resumed {
        Some(Resumed { session, .. }) => (session.profile.clone(), session.header.connector.clone()),
        None => (args.meter.profile()?, inputs::connector_and_wiring(args.connector.as_deref(), None)?.0),
    };
    let emulation = match args.practice {
        true => Some(Emulation::new(&args.emulation, connector.clone(), None, profile.clone())?),
        false => None,
    };
    let started = place::now();
    let header = match &resumed {
        Some(resumed) => resumed.header(started),
        None => header(args, &connector, &profile, emulation.as_ref(), started, screen)?,
    };
    let session = Session::new(header).or_fail(ExitStatus::Configuration)?;
    let Some(setting) = session.hand.clone() else {
        return Err(Failure::new(ExitStatus::Data, "expected a session by hand, found one of a jig")
            .hint("a sweep cannot be carried on by hand: probe the board from the start"));
    };
    let operator = args.operator.as_deref();
    let confirmed_by = args.one_board.confirm(args.practice, operator, screen)?;

    let policy = if args.instant { SyncPolicy::HeaderAndEnd } else { SyncPolicy::EachResult };
    let options::Begun { mut logbook, home } = args.one_board.begin(&session.header, policy)?;
    let (mut walk, since) = match resumed {
        Some(resumed) => resumed.into_walk(&mut logbook),
        None => (Walk::new(setting, &session.profile), Moment::START),
    };
    args.one_board.note(&confirmed_by, operator, &mut logbook);

    let score = Score {
        connector: connector.clone(),
        profile: session.profile.clone(),
        meter_port: args
            .meter
            .meter
            .as_ref()
            .map_or_else(|| "the practice hand".to_owned(), ToString::to_string),
        jig_port: args.jig.as_ref().map(ToString::to_string),
        override_alive: args.one_board.override_alive.is_some(),
    };
    let (mut view, keyboard) = view(args, &session, &walk)?;
    let mut bench = bench(args, &session, emulation.as_ref(), since, keyboard)?;
    let names: Vec<PinName> = connector.pins.iter().map(|pin| pin.name.clone()).collect();
    let probed = probe::run(bench.as_mut(), &score, &mut walk, &mut logbook, &mut |action, walk, _| {
        view.show(action, walk, screen);
        if let Some(action) = action {
            sound.play(action, &names);
        }
    });
    drop(bench);
    // The terminal is given back before anything is printed.
    drop(view);
    let status = finish(args, &session, emulation.as_ref(), &probed, logbook, screen);
    if let Some(home) = &home {
        once::remember(home, &session.header.session, screen);
    }
    status
}

/// What the operator looks at.
enum View {
    Live(Box<Live>),
    Plain(Plain),
}

impl View {
    fn show(&mut self, action: Option<&Action>, walk: &Walk, screen: &mut Screen) {
        match (self, action) {
            (Self::Live(live), action) => live.show(action, walk),
            (Self::Plain(plain), Some(action)) => plain.show(action, walk, screen),
            (Self::Plain(_), None) => {}
        }
    }
}

/// The live screen where there is a terminal for it, else plain lines; and the keys that go with it.
fn view(args: &Args, session: &Session, walk: &Walk) -> Result<(View, Keyboard), Failure> {
    let connector = &session.header.connector;
    if !args.plain && !args.instant {
        let live = Live::take(session, walk).map_err(|error| {
            Failure::new(ExitStatus::Io, format!("cannot draw on this terminal: {error}"))
                .hint("--plain says what happens in lines instead")
        })?;
        if let Some((live, keys)) = live {
            return Ok((View::Live(Box::new(live)), Keyboard::keys(connector, keys)));
        }
    }
    Ok((View::Plain(Plain::new(connector)), Keyboard::lines(connector)))
}

/// Meter, keys and perhaps a switching board; or the practice hand.
fn bench(
    args: &Args,
    session: &Session,
    emulation: Option<&Emulation>,
    since: Moment,
    keyboard: Keyboard,
) -> Result<Box<dyn Bench>, Failure> {
    match (emulation, &args.meter.meter) {
        (Some(emulation), _) if args.instant => Ok(Box::new(emulation.hand(since)?)),
        (Some(emulation), _) => Ok(Box::new(desk::Paced::new(emulation.hand(since)?, since, keyboard))),
        (None, Some(meter)) => {
            Ok(Box::new(Desk::open(meter, &session.profile.port, args.jig.as_ref(), since, keyboard)?))
        }
        _ => Err(Failure::new(ExitStatus::Usage, "expected --meter, or --practice")),
    }
}

/// Judges, prints, and closes the log.
fn finish(
    args: &Args,
    session: &Session,
    emulation: Option<&Emulation>,
    probed: &Probed,
    logbook: Logbook,
    screen: &mut Screen,
) -> Result<ExitStatus, Failure> {
    let connector = &session.header.connector;
    let path = logbook.path.display().to_string();
    if let Err(error) = &probed.outcome {
        let ending = match error {
            SweepError::Stopped { .. } => Ending::Stopped,
            _ => Ending::Failed,
        };
        once::warn(logbook.end(ending, Some(error.to_string())), screen);
        let failure = failed(error);
        return Err(failure.hint(format!("go on later where you stopped: pintally probe --resume {path}")));
    }
    let judged = once::conclude(session, &probed.values, logbook, screen)?;
    let (readings, judgement, format) = (&judged.readings, judged.judgement.as_ref(), args.one_board.format);
    let status = verdict::print(connector, readings, judgement, format, screen)?;
    verdict::print_repair(connector, &session.settings.repair, readings, judgement, format, screen)?;
    let (touches, extra) = probed.touches;
    screen.tell(&format!(
        "\nprobed {} pins in {:.1} s, {touches} touches, {extra} of them asked for again",
        connector.pins.len(),
        probed.took.as_secs_f64()
    ));
    if let Some(emulation) = emulation {
        let truth = emulation.truth()?;
        if truth.is_empty() {
            screen.tell("practice: no fault was put in");
        }
        for line in truth {
            screen.tell(&format!("practice: put in {line}"));
        }
    }
    judged.check_written(Path::new(&path))?;
    screen.tell(&format!("session log: {path}"));
    Ok(status)
}

/// Why it ended, and what to do next by hand: there is no jig to take the board off, and nothing has to be read once
/// more.
fn failed(error: &SweepError) -> Failure {
    let mut failure = match error {
        SweepError::Stopped { done, total } => {
            let text = format!("stopped by the operator after {done} of {total} pins");
            return Failure::new(error.exit_status(), text);
        }
        error => Failure::from(error.clone()),
    };
    let by_hand = match error {
        SweepError::BoardAlive { .. } => {
            "lift the probe and take the red clip off, disconnect battery and supply, discharge the capacitors, check with \
             DC volts that they are empty"
        }
        SweepError::Unrecorded { .. } => {
            "make room on the disk, or name another place with --log FILE or --data DIR"
        }
        SweepError::Lost { .. } => "plug it in again",
        _ => return failure,
    };
    if let Some(first) = failure.hints.first_mut() {
        *first = by_hand.to_owned();
    }
    failure
}

fn header(
    args: &Args,
    connector: &Connector,
    profile: &Profile,
    emulation: Option<&Emulation>,
    started: String,
    screen: &mut Screen,
) -> Result<Header, Failure> {
    let board = args.one_board.name(emulation)?;
    let reference = match args.learn {
        true => None,
        false => prepare::reference(
            args.reference.as_deref(),
            args.known_good.as_deref(),
            connector,
            emulation,
            screen,
        )?,
    };
    let settings =
        Settings { by_hand: true, ..args.one_board.settings(&args.assumptions, &args.repaired, connector)? };
    Ok(Header {
        program: super::PROGRAM.to_owned(),
        session: place::session_name(&started, board.as_deref()),
        started,
        board,
        operator: prepare::operator(args.operator.as_deref())?,
        connector: connector.clone(),
        // By hand nothing is wired: the channels only number the pins.
        wiring: Wiring::straight(connector).or_fail(ExitStatus::Configuration)?,
        profile: profile.to_toml(),
        reference,
        zero: None,
        settings: settings.to_value(),
        practice: emulation.map(Emulation::describe),
    })
}
