//! One sweep from open devices to a closed log: what `sweep` does once and `batch` again and again.

use std::{
    path::Path,
    sync::{Arc, atomic::AtomicBool},
    time::Duration,
};

use super::{Screen, logbook::Logbook, progress::Progress};
use crate::{
    compare::Judgement,
    connector::{PinName, Role},
    exit_status::ExitStatus,
    failure::Failure,
    history::History,
    log::{Confirmation, Ending, Header, LogEvent},
    meter::PortSettings,
    port::{self, Address, PortDevices},
    readings::{BoardReadings, PinValue, Unread},
    session::Session,
    sweep::{Devices, Floor, Notice, Score, Stops, SweepError, Swept, measure_volts, run as run_sweep},
};

/// The devices of a sweep, and what their ports are called.
pub(super) struct Bench {
    /// Switching board and meter.
    pub(super) devices: Box<dyn Devices>,
    /// Name of the switching board's port, then of the meter's.
    pub(super) ports: [String; 2],
}

/// What came of a sweep that reached its end.
pub(super) struct Judged {
    /// The readings as they are judged.
    pub(super) readings: BoardReadings,
    /// The judgement, if there is a reference.
    pub(super) judgement: Option<Judgement>,
    /// Whether all of it is in the log.
    is_written: bool,
}

impl Judged {
    /// Tells, after the judgement has been shown, that its log has no end.
    ///
    /// # Errors
    /// Some of the log could not be written.
    pub(super) fn check_written(&self, log: &Path) -> Result<(), Failure> {
        if self.is_written {
            return Ok(());
        }
        let message = format!("the end of the session log {} could not be written", log.display());
        Err(Failure::new(ExitStatus::Io, message).hint(
            "the readings are in the log: make room on the disk, then `pintally replay` judges them again",
        ))
    }
}

/// Set when the operator wants to stop.
pub(super) fn stop_switch() -> Arc<AtomicBool> {
    let stop = Arc::new(AtomicBool::new(false));
    let seen = Arc::clone(&stop);
    // A handler can be set once a process; in tests that is enough.
    let _ = ctrlc::set_handler(move || seen.store(true, std::sync::atomic::Ordering::Relaxed));
    stop
}

/// Opens the ports of switching board and meter.
pub(super) fn open(
    jig: &Address,
    meter: &Address,
    meter_settings: &PortSettings,
    stop: Arc<AtomicBool>,
) -> Result<Bench, Failure> {
    let ports = [jig.to_string(), meter.to_string()];
    let jig = port::open(jig, &port::SWITCHING_BOARD)?;
    let meter = port::open(meter, meter_settings)?;
    Ok(Bench { devices: Box::new(PortDevices::new(jig, meter, stop)), ports })
}

/// Writes down who confirmed that the board is dead.
pub(super) fn note_confirmations(logbook: &mut Logbook, by: &str) {
    for what in [Confirmation::BatteryOut, Confirmation::PowerOff, Confirmation::Discharged] {
        logbook.note(LogEvent::Confirmed { what, by: Some(by.to_owned()) });
    }
}

/// Sweeps, with a line of progress. What is on the board was measured before ([`refused_for_volts`]).
pub(super) fn sweep(
    devices: &mut dyn Devices,
    ports: &[String; 2],
    session: &Session,
    dwell: Option<Duration>,
    logbook: &mut Logbook,
    quiet: bool,
    screen: &mut Screen,
) -> Swept {
    let names: Vec<PinName> = session.header.connector.pins.iter().map(|pin| pin.name.clone()).collect();
    if !quiet {
        let setting = session.setting();
        let visit = dwell.unwrap_or_else(|| setting.timing.estimate());
        let estimate = visit.saturating_mul(setting.plan.visits.len() as u32);
        screen.tell(&format!(
            "sweeping {} pins of {} on {}, about {:.0} s",
            setting.plan.pins(),
            session.header.connector.name,
            ports[0],
            estimate.as_secs_f64().ceil()
        ));
    }
    let progress = Progress::new(names, quiet);
    let swept = sweep_watched(devices, ports, session, dwell, logbook, &mut |notice| progress.notice(notice));
    progress.finish();
    swept
}

/// Sweeps; `watch` sees each notice as it comes.
pub(super) fn sweep_watched(
    devices: &mut dyn Devices,
    ports: &[String; 2],
    session: &Session,
    dwell: Option<Duration>,
    logbook: &mut Logbook,
    watch: &mut dyn FnMut(&Notice),
) -> Swept {
    let [jig_port, meter_port] = ports.clone();
    let score = Score {
        setting: session.setting(),
        profile: session.profile.clone(),
        names: session.header.connector.pins.iter().map(|pin| pin.name.clone()).collect(),
        jig_port,
        meter_port,
        settle: Duration::from_micros(u64::from(session.settings.settle_us)),
        dwell,
        override_alive: session.settings.override_alive.is_some(),
    };
    run_sweep(devices, score, logbook, watch)
}

/// What becomes of a sweep whose board has a voltage: nothing is read. `None` where the sweep may begin.
pub(super) fn refused_for_volts(
    devices: &mut dyn Devices,
    ports: &[String; 2],
    session: &Session,
    logbook: &mut Logbook,
    quiet: bool,
    screen: &mut Screen,
) -> Option<Swept> {
    let error = without_volts(devices, ports, session, logbook, quiet, screen).err()?;
    let pins = session.header.connector.pins.len();
    Some(Swept {
        values: vec![PinValue::Unread(Unread::NoReading); pins],
        results: vec![None; pins],
        took: Duration::ZERO,
        floor: Floor::default(),
        outcome: Err(error),
    })
}

/// With a meter that can be told to: DC volts at the power pins before diode test, at every pin where none is called so.
///
/// # Errors
/// A pin keeps a voltage and nobody has overridden that, or a device does not do its part.
fn without_volts(
    devices: &mut dyn Devices,
    ports: &[String; 2],
    session: &Session,
    logbook: &mut Logbook,
    quiet: bool,
    screen: &mut Screen,
) -> Result<(), SweepError> {
    let Header { connector, wiring, .. } = &session.header;
    let named = || connector.pins.iter().zip(wiring.channels());
    let is_power = |role: Option<Role>| role == Some(Role::Power);
    let has_power = named().any(|(pin, _)| is_power(pin.role));
    let pins = named().filter(|(pin, _)| is_power(pin.role) || !has_power);
    let mut stops = Stops {
        profile: &session.profile,
        pins: pins.map(|(pin, &channel)| (pin.name.clone(), channel)).collect(),
        ports: ports.clone(),
    };
    let (mut count, mut most) = (0, 0.0_f64);
    loop {
        let outcome = measure_volts(&stops, devices, &mut |(pin, volts, safe)| {
            (count, most) = (count + 1, most.max(volts.get().abs()));
            logbook.note(LogEvent::Measured { what: format!("pin {pin}"), volts, safe });
        });
        let (error, pin, why) = match (&outcome, &session.settings.override_alive) {
            (
                Err(error @ (SweepError::BoardCharged { pin, .. } | SweepError::BeyondVolts { pin })),
                Some(why),
            ) => (error, pin, why),
            _ => {
                if outcome.is_ok() && count > 0 && !quiet {
                    let s = if count == 1 { "" } else { "s" };
                    screen.tell(&format!("DC volts before diode test, {count} pin{s}: {most:.3} V at most"));
                }
                return outcome;
            }
        };
        let text = format!("going on by the operator's decision although {error}: {why}");
        screen.tell(&format!("warning: {text}"));
        logbook.note(LogEvent::Told { text });
        // An override is for this pin: the others are measured and bled all the same.
        let behind = stops.pins.iter().position(|(name, _)| name == pin).map(|at| at + 1);
        stops.pins.drain(..behind.unwrap_or(stops.pins.len()));
        if stops.pins.is_empty() {
            return Ok(());
        }
    }
}

/// Judges and closes the log.
///
/// # Errors
/// What ended the sweep before its last pin, with what to do about it. The log is closed then too.
pub(super) fn judge(
    session: &Session,
    swept: &Swept,
    logbook: Logbook,
    screen: &mut Screen,
) -> Result<Judged, Failure> {
    if let Err(error) = &swept.outcome {
        let path = logbook.path.display().to_string();
        let ending = match error {
            SweepError::Stopped { .. } => Ending::Stopped,
            _ => Ending::Failed,
        };
        warn(logbook.end(ending, Some(error.to_string())), screen);
        return Err(Failure::from(error.clone())
            .hint(format!("what was read is in the session log: pintally replay {path}")));
    }
    conclude(session, &swept.values, logbook, screen)
}

/// Judges what the meter showed at the pins, and closes the log.
///
/// # Errors
/// The reference does not fit, which was looked at before anything was measured.
pub(super) fn conclude(
    session: &Session,
    shown: &[PinValue],
    mut logbook: Logbook,
    screen: &mut Screen,
) -> Result<Judged, Failure> {
    let readings = session.readings(shown);
    let judgement = session.judge(shown).transpose()?;
    if let Some(judgement) = &judgement {
        let text = crate::report::json(&session.header.connector, judgement, false);
        // Our own JSON, so it parses; if not, the log keeps the text.
        let value = serde_json::from_str(&text).unwrap_or(serde_json::Value::String(text));
        logbook.note(LogEvent::Judgement { value });
    }
    let unwritten = logbook.end(Ending::Complete, None);
    let is_written = unwritten.is_empty();
    warn(unwritten, screen);
    Ok(Judged { readings, judgement, is_written })
}

/// Takes a session into the history. The log is the record: what goes wrong here is a warning.
pub(super) fn remember(data: &Path, session: &str, screen: &mut Screen) {
    let taken_in = History::open(data).and_then(|mut history| history.ingest(session));
    if let Err(error) = taken_in {
        screen.tell(&format!("warning: this sweep is in its log, but not in the history: {error}"));
        screen.tell(&format!("  hint: {}", error.hint()));
    }
}

/// Shows what went wrong with a log.
pub(super) fn warn(warnings: Vec<String>, screen: &mut Screen) {
    for warning in warnings {
        screen.tell(&format!("warning: {warning}"));
    }
}
