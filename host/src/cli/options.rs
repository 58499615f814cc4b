//! Options that several commands share, a group for each theme: what their help says, how they are checked, and what
//! the configuration fills in. Where two commands mean the same option in other words, each keeps its own.

use std::{
    path::PathBuf,
    sync::{Arc, atomic::AtomicBool},
};

use clap::Args as Arguments;

use super::{
    Screen, config::Defaults, emulation::Emulation, inputs, logbook::Logbook, once, place, ports, prepare,
    verdict::Format,
};
use crate::{
    connector::Connector,
    exit_status::ExitStatus,
    failure::Failure,
    history,
    label::{self, LabelProblem},
    log::{Header, LogEvent, SyncPolicy},
    meter::Profile,
    port::Address,
    session::Settings,
    units::{Amperes, Volts},
};

/// Meter profile where neither the command line nor the configuration names one.
pub(super) const PROFILE: &str = "bench-stream";

/// The meter
#[derive(Debug, Clone, Arguments)]
pub(super) struct Meter {
    /// Port of the meter: a serial port or tcp:HOST:PORT
    #[arg(long, value_name = "PORT", conflicts_with = "practice")]
    pub(super) meter: Option<Address>,
    /// Meter profile: a shipped one by name, or a file; `bench-stream` where the configuration names none
    #[arg(long, value_name = "PROFILE")]
    profile: Option<String>,
}

/// Switching board and meter
#[derive(Debug, Clone, Arguments)]
pub(super) struct Bench {
    /// Port of the switching board: a serial port or tcp:HOST:PORT
    #[arg(long, value_name = "PORT", conflicts_with = "practice")]
    jig: Option<Address>,
    #[command(flatten)]
    pub(super) meter: Meter,
    /// Time from closing a channel to reading, in milliseconds: 1500 at most, since the switching board opens every
    /// channel when it has heard nothing for 2 s
    #[arg(long, value_name = "MILLISECONDS", default_value_t = 3, value_parser = clap::value_parser!(u16).range(..=1500))]
    pub(super) settle_ms: u16,
}

/// A session with one board, on a jig or by hand
#[derive(Debug, Clone, Arguments)]
pub(super) struct OneBoard {
    /// Ticket number or other name of the board
    #[arg(long, value_name = "NAME")]
    board: Option<String>,
    /// Repair notes, TOML: what was found and done at each pin; these pins come first
    #[arg(long, value_name = "FILE")]
    repair: Option<PathBuf>,
    /// What to test once the board has power, TOML with `checklist = [...]`; shown at the end
    #[arg(long, value_name = "FILE")]
    checklist: Option<PathBuf>,
    /// A note for the log
    #[arg(long, value_name = "TEXT", value_parser = note)]
    note: Option<String>,
    /// Confirm, without being asked, that battery and power are off and the board is discharged
    #[arg(long)]
    pub(super) unpowered: bool,
    /// Go on although the board shows signs of life; the reason goes into the log
    #[arg(long, value_name = "REASON", value_parser = reason)]
    pub(super) override_alive: Option<String>,
    /// Write the session log here; a new file in the data directory where none is given
    #[arg(long, value_name = "FILE")]
    log: Option<PathBuf>,
    /// Data directory, for the session log
    #[arg(long, value_name = "DIR")]
    pub(super) data: Option<PathBuf>,
    /// How to print the judgement
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub(super) format: Format,
}

/// What is assumed about good boards
#[derive(Debug, Clone, Arguments)]
#[group(id = "assumptions")]
pub(super) struct Assumptions {
    /// Standard deviation between good boards to assume where they cannot tell it, in millivolts
    #[arg(long, value_name = "MILLIVOLTS")]
    assume_spread: Option<f64>,
    /// Share of good boards that may be flagged at any of their pins
    #[arg(long, value_name = "SHARE")]
    false_alarms: Option<f64>,
}

impl Meter {
    /// Takes from the configuration what was not typed.
    pub(super) fn fill(&mut self, defaults: &Defaults<'_>) -> Result<(), Failure> {
        defaults.meter(&mut self.meter)?;
        defaults.profile(&mut self.profile);
        Ok(())
    }

    /// The profile as it was named.
    pub(super) fn profile_name(&self) -> &str {
        self.profile.as_deref().unwrap_or(PROFILE)
    }

    /// The profile that was named.
    pub(super) fn profile(&self) -> Result<Profile, Failure> {
        inputs::profile(self.profile_name())
    }
}

impl Bench {
    /// Takes from the configuration what was not typed.
    pub(super) fn fill(&mut self, defaults: &Defaults<'_>) -> Result<(), Failure> {
        defaults.jig(&mut self.jig)?;
        self.meter.fill(defaults)?;
        match (&self.jig, &self.meter.meter) {
            (Some(jig), Some(meter)) => ports::apart(jig, meter),
            _ => Ok(()),
        }
    }

    /// Opens both ports.
    pub(super) fn open(&self, profile: &Profile, stop: Arc<AtomicBool>) -> Result<once::Bench, Failure> {
        match (&self.jig, &self.meter.meter) {
            (Some(jig), Some(meter)) => once::open(jig, meter, &profile.port, stop),
            _ => Err(Failure::new(ExitStatus::Usage, "expected --jig and --meter, or --practice")),
        }
    }

    /// The settling time as settings hold it.
    pub(super) fn settle_us(&self) -> u32 {
        u32::from(self.settle_ms) * 1000
    }
}

impl OneBoard {
    /// Takes from the configuration what was not typed.
    pub(super) fn fill(&mut self, defaults: &Defaults<'_>) {
        defaults.data(&mut self.data);
    }

    /// The name of the board: as typed, or that of the practice board.
    pub(super) fn name(&self, emulation: Option<&Emulation>) -> Result<Option<String>, Failure> {
        match &self.board {
            Some(name) => prepare::checked_name("--board", name).map(Some),
            None => Ok(emulation.map(Emulation::board)),
        }
    }

    /// The settings that do not depend on how the pins are reached; `repaired` are the pins of `--repaired`.
    pub(super) fn settings(
        &self,
        assumptions: &Assumptions,
        repaired: &[String],
        connector: &Connector,
    ) -> Result<Settings, Failure> {
        let repaired = inputs::pins("--repaired", repaired, connector)?;
        Ok(Settings {
            repaired: repaired.into_iter().map(|pin| connector.pins[pin].name.clone()).collect(),
            override_alive: self.override_alive.clone(),
            assumed_spread: assumptions.spread()?,
            false_alarms: assumptions.false_alarms()?,
            repair: inputs::repair(self.repair.as_deref(), self.checklist.as_deref(), connector)?,
            ..Settings::default()
        })
    }

    /// Has the operator confirm that the board is dead, before anything is connected to it. Returns who did.
    pub(super) fn confirm(
        &self,
        practice: bool,
        operator: Option<&str>,
        screen: &mut Screen,
    ) -> Result<String, Failure> {
        prepare::confirm(practice, self.unpowered, operator, self.data.as_deref(), screen)
    }

    /// Begins the log.
    pub(super) fn begin(&self, header: &Header, policy: SyncPolicy) -> Result<Begun, Failure> {
        let (path, home) = match &self.log {
            Some(path) => (path.clone(), None),
            None => {
                let home = place::data_folder(self.data.as_deref())?;
                (history::log_of(&home, &header.session), Some(home))
            }
        };
        Ok(Begun { logbook: Logbook::begin(&path, header.clone(), policy)?, home })
    }

    /// Writes down who confirmed that the board is dead, the note, and what the operator overrides.
    pub(super) fn note(&self, confirmed_by: &str, operator: Option<&str>, logbook: &mut Logbook) {
        once::note_confirmations(logbook, confirmed_by);
        if let Some(text) = &self.note {
            logbook.note(LogEvent::Note { text: text.clone() });
        }
        if let Some(why) = &self.override_alive {
            let (what, by) = ("signs of a live board".to_owned(), operator.unwrap_or("operator").to_owned());
            logbook.note(LogEvent::Override { what, by, why: why.clone() });
        }
    }
}

impl Assumptions {
    /// Standard deviation between good boards.
    pub(super) fn spread(&self) -> Result<Option<Volts>, Failure> {
        prepare::spread(self.assume_spread)
    }

    /// Share of good boards that may be flagged.
    pub(super) fn false_alarms(&self) -> Result<Option<f64>, Failure> {
        prepare::false_alarms(self.false_alarms)
    }
}

fn note(text: &str) -> Result<String, LabelProblem> {
    label::note(text).map(str::to_owned)
}

/// Why a check is overridden: a text that says something.
fn reason(text: &str) -> Result<String, LabelProblem> {
    match label::note(text)? {
        "" => Err(LabelProblem::Empty),
        reason => Ok(reason.to_owned()),
    }
}

/// A session whose log has begun.
pub(super) struct Begun {
    pub(super) logbook: Logbook,
    /// The data directory, if the log lies in it.
    pub(super) home: Option<PathBuf>,
}

/// A test current that was typed, in milliamperes. The smallest that a meter drives in diode test is 10 µA (the lowest setting
/// in docs/facts.md 2.1); less is a current in amperes.
pub(super) fn test_current(milliamperes: Option<f64>) -> Result<Option<Amperes>, Failure> {
    const LOWEST: f64 = 0.01;
    // No meter drives as much; a typed comma must not become a current.
    const HIGHEST: f64 = 100.0;
    match milliamperes {
        Some(typed) if !(LOWEST..=HIGHEST).contains(&typed) => {
            let found = format!(
                "expected --test-current from {LOWEST} to {HIGHEST} mA (milliamperes), found {typed}"
            );
            let failure = Failure::new(ExitStatus::Usage, found);
            Err(if typed > 0.0 && typed < LOWEST {
                let meant = typed * 1e3;
                failure
                    .hint(format!("if {typed} A was meant, that is {meant:.3} mA: --test-current {meant:.3}"))
            } else {
                failure.hint("the manual of the meter says which current it drives in diode test: 0.3 to 1.5 mA is usual")
            })
        }
        typed => Ok(typed.map(|typed| Amperes::of(typed * 1e-3))),
    }
}
