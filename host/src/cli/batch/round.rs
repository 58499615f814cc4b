//! One sweep of a batch, from its header to its line in the results.

use std::path::Path;

use super::{
    Args,
    bench::{FromNow, Station},
    live::Live,
    tally::Tally,
    words,
};
use crate::{
    batch_run::{Decision, Job, Outcome, Prompt},
    cli::{Screen, history as listing, logbook::Logbook, once, place, precheck, prepare, verdict::Format},
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    history::{Entry, Found, History, HistoryError, log_of},
    jig::wear,
    log::{self, Header, LogEvent, SyncPolicy},
    meter::Talk,
    moment::Moment,
    record::SweepRecord,
    session::{BatchPlace, Session, Settings},
};

/// What a sweep of a batch needs besides the station.
pub(super) struct Round<'a> {
    pub(super) args: &'a Args,
    pub(super) name: &'a str,
    pub(super) data: &'a Path,
    pub(super) confirmed_by: &'a str,
    pub(super) history: History,
    pub(super) tally: Tally,
    /// The session of the last sweep.
    pub(super) last_session: Option<String>,
    /// The head of a table was printed.
    pub(super) has_head: bool,
    /// The live screen, where there is one.
    pub(super) live: Option<Live>,
}

impl Round<'_> {
    /// Sweeps, judges, prints and takes the session into the history.
    pub(super) fn sweep(
        &mut self,
        job: &Job,
        station: &mut Station,
        screen: &mut Screen,
    ) -> Result<Outcome, Failure> {
        let practice = station.put_on(job)?.map(|emulation| (emulation.describe(), emulation.is_sound()));
        if let Some((_, is_sound)) = practice {
            self.tally.put_in(job.place, is_sound);
        }
        let header = self.header(job, station, practice.map(|(whole, _)| whole))?;
        let session = Session::new(header).or_fail(ExitStatus::Configuration)?;
        let name = session.header.session.clone();
        let policy = if self.args.practice { SyncPolicy::HeaderAndEnd } else { SyncPolicy::EachResult };
        let mut logbook = Logbook::begin(&log_of(self.data, &name), session.header.clone(), policy)?;
        once::note_confirmations(&mut logbook, self.confirmed_by);
        if let Some(name) = &self.args.jig_name {
            let (action, detail) = (wear::NAMED.to_owned(), Some(name.clone()));
            logbook.note(LogEvent::Operator { action, detail });
        }
        // A meter that can be told to measures DC volts itself; any other stays plugged in from board to board.
        if !self.args.practice && !matches!(session.profile.talk, Talk::Triggered { .. }) {
            precheck::not_measured("the meter stays connected in a batch", &mut logbook, screen);
        }
        let quiet = screen.is_quiet() || self.args.practice || self.live.is_some();
        let ports = station.port_names.clone();
        let mut devices = FromNow::new(station.devices()?);
        let refused = once::refused_for_volts(&mut devices, &ports, &session, &mut logbook, quiet, screen);
        let swept = match (refused, &mut self.live) {
            (Some(refused), _) => refused,
            (None, Some(live)) => {
                live.told(&screen.news());
                live.begin(job, &session)?;
                let swept =
                    once::sweep_watched(&mut devices, &ports, &session, None, &mut logbook, &mut |notice| {
                        live.notice(notice).iter().for_each(|text| screen.tell(text));
                    });
                live.end();
                swept
            }
            (None, None) => once::sweep(&mut devices, &ports, &session, None, &mut logbook, quiet, screen),
        };
        let judged = once::judge(&session, &swept, logbook, screen);
        self.last_session = Some(name.clone());
        let record = match self.history.ingest(&name) {
            Ok(record) => Some(record),
            Err(error) => {
                warn(&error, screen);
                let file = std::fs::File::open(log_of(self.data, &name)).ok();
                file.and_then(|file| SweepRecord::read(file).ok())
            }
        };
        let judged = match judged {
            Ok(judged) => judged,
            Err(failure) => {
                screen.failure(&failure);
                return Ok(Outcome::Failed);
            }
        };
        if let Some(record) = record {
            self.print(job, &record, screen)?;
            for notice in self.tally.take(job.connector, &record) {
                screen.tell(&format!("notice: {}", notice.what));
                screen.tell(&format!("  next: {}", notice.next));
            }
        }
        Ok(Outcome::of(judged.judgement.as_ref()))
    }

    /// Tells the operator what is waited for.
    pub(super) fn ask(&mut self, prompt: &Prompt, text: &str, screen: &mut Screen) {
        match (&mut self.live, prompt) {
            // The answer to a question is what was seen last; the question stands above it already.
            (None, _)
            | (_, Prompt::Help | Prompt::Nothing | Prompt::NoName(_) | Prompt::NoCommand { .. }) => {
                screen.tell(text);
            }
            (Some(live), _) => live.ask(prompt, text),
        }
    }

    /// Writes down what the operator decided about the last session.
    pub(super) fn decided(&mut self, what: Decision, screen: &mut Screen) {
        let what = what.word();
        let Some(session) = self.last_session.clone() else { return };
        let event = LogEvent::Operator { action: what.to_owned(), detail: None };
        let written = log::append(&log_of(self.data, &session), Moment::START, event);
        if let Err(error) = written {
            screen.tell(&format!("warning: `{what}` is not in the session log: {error}"));
        }
        if let Err(error) = self.history.ingest(&session) {
            warn(&error, screen);
        }
    }

    /// Writes a note about a board.
    pub(super) fn note(&mut self, board: &str, text: &str, screen: &mut Screen) {
        match self.history.note(board, text, place::now_us()) {
            Ok(noted) => {
                screen.tell("noted");
                if let Some(error) = noted.left {
                    screen.tell(&format!("note: the history will take it in when it is asked next: {error}"));
                }
            }
            Err(error) => screen.tell(&format!("warning: not noted: {error}")),
        }
    }

    /// A board is done.
    pub(super) fn done(&mut self, board: &str, place: u32, outcome: Outcome, screen: &mut Screen) {
        self.tally.done(place, outcome);
        if !screen.is_quiet() {
            screen.tell(&format!(
                "board {place}, {}: {}; {}",
                crate::label::shown(board),
                words::outcome(outcome),
                self.tally.line()
            ));
        }
    }

    /// Prints the line of a sweep, as the history lists it.
    fn print(&mut self, job: &Job, record: &SweepRecord, screen: &mut Screen) -> Result<(), Failure> {
        let Entry { sweep, findings, .. } = Entry::of(record, 0);
        let found = Found { sweep, findings };
        match self.args.format {
            Format::Text => {
                let attempt =
                    if job.attempt > 1 { format!(", sweep {}", job.attempt) } else { String::new() };
                screen.line(&format!("{}{attempt}", listing::line(&found)))?;
            }
            Format::Json => screen.line(&listing::json(&found).to_string())?,
            Format::Csv => {
                let table = listing::csv(std::slice::from_ref(&found)).or_fail(ExitStatus::Software)?;
                // The head of the table comes once.
                for line in table.lines().skip(usize::from(self.has_head)) {
                    screen.line(line)?;
                }
                self.has_head = true;
            }
        }
        screen.flush()
    }

    fn header(
        &self,
        job: &Job,
        station: &Station,
        practice: Option<serde_json::Value>,
    ) -> Result<Header, Failure> {
        let prepared = station.connectors.get(job.connector).ok_or_else(|| {
            Failure::new(
                ExitStatus::Software,
                format!("expected a connector of the batch, found {}", job.connector),
            )
        })?;
        let args = self.args;
        let started = place::now();
        let settings = Settings {
            settle_us: args.bench.settle_us(),
            assumed_spread: args.assumptions.spread()?,
            false_alarms: args.assumptions.false_alarms()?,
            batch: Some(BatchPlace { name: self.name.to_owned(), place: job.place, attempt: job.attempt }),
            ..Settings::default()
        };
        Ok(Header {
            program: crate::cli::PROGRAM.to_owned(),
            session: place::session_name(&started, Some(&job.board)),
            started,
            board: Some(job.board.clone()),
            operator: prepare::operator(args.operator.as_deref())?,
            connector: prepared.connector.clone(),
            wiring: prepared.wiring.clone(),
            profile: station.profile.to_toml(),
            reference: prepared.reference.clone(),
            zero: prepared.zero.clone(),
            settings: settings.to_value(),
            practice,
        })
    }
}

fn warn(error: &HistoryError, screen: &mut Screen) {
    screen.tell(&format!("warning: this sweep is in its log, but not in the history: {error}"));
    screen.tell(&format!("  hint: {}", error.hint()));
}
