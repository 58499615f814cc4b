//! `pintally batch`: boards one after another, started by the jig's button or a key.

mod args;
mod bench;
mod hold;
mod keyboard;
mod live;
mod panel;
mod round;
mod tally;
mod words;

pub(super) use args::Args;

use std::{
    collections::VecDeque,
    path::Path,
    sync::{
        atomic::{AtomicBool, Ordering},
        mpsc,
    },
};

use self::{
    bench::Station,
    keyboard::Keyboard,
    live::Live,
    panel::{Panel, Pressed},
    round::Round,
    tally::Tally,
};
use super::{Screen, once, place, prepare};
use crate::{
    batch_run::{Action, Decision, Event, Machine, Naming, Outcome, Past, Progress, Prompt, Reason, Setup},
    exit_status::ExitStatus,
    failure::Failure,
    history::{Filter, History, SweepRow, log_of},
    log::{Ending, LogEvent, LogReader},
};

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let args = &args.filled()?;
    let stop = once::stop_switch();
    let mut station = Station::new(args, &stop, screen)?;
    let data = place::data_folder(args.data.as_deref())?;
    let mut history = open(&data)?;
    for error in history.catch_up()?.unusable {
        screen.tell(&format!("warning: left out: {error}"));
    }
    let name = name(args, &history)?;
    let _held = hold::take(&data, &name)?;
    let connectors: Vec<String> = station.connectors().map(|connector| connector.name.clone()).collect();
    let sweeps = sweeps(&history, &name)?;
    let mut past: Vec<Past> = sweeps.iter().filter_map(past).collect();
    decisions(&data, &sweeps, &mut past);
    if let Some(other) = past.iter().find(|sweep| !connectors.contains(&sweep.connector)) {
        return Err(Failure::new(
            ExitStatus::Configuration,
            format!(
                "expected the connectors of batch {name}, which has {}, found {}",
                other.connector,
                connectors.join(", ")
            ),
        )
        .hint("give the same --connector or --kind as when the batch began"));
    }
    let progress = Progress::of(&past, &connectors);
    let operator = args.operator.as_deref();
    let confirmed_by = prepare::confirm(args.practice, args.unpowered, operator, Some(&data), screen)?;
    let setup = Setup {
        connectors: connectors.clone(),
        naming: match (&args.count_from, args.practice) {
            (Some(first), _) => Naming::Counted(first.clone()),
            (None, true) => Naming::Counted("P001".to_owned()),
            (None, false) => Naming::Asked,
        },
        name_starts: args.name_starts,
        boards: args.boards,
        reseats: args.reseats,
    };
    let mut tally = Tally::new(&station);
    tally.resume(&data, &sweeps, &past, &progress);
    if args.resume.is_some() {
        let done = if progress.done == 1 { "board is" } else { "boards are" };
        screen.tell(&format!("batch {name} goes on: {} {done} done", progress.done));
    } else {
        screen.tell(&format!("batch {name}; /help tells the keys"));
    }
    let (machine, actions) = Machine::new(setup, &progress);
    let first = station.connectors().next().filter(|_| args.live);
    let live = first.map(|connector| Live::take(&name, connector, &stop)).transpose()?.flatten();
    let (live, keys) = live.map_or((None, None), |(live, keys)| (Some(live), Some(keys)));
    if live.is_some() {
        screen.hold();
    }
    let round = Round {
        args,
        name: &name,
        data: &data,
        confirmed_by: &confirmed_by,
        history,
        tally,
        last_session: None,
        has_head: false,
        live,
    };
    let reason = follow(machine, actions, round, &mut station, (&stop, keys), screen);
    screen.release()?;
    let reason = reason?;
    match reason.0 {
        Reason::Complete => {}
        Reason::Stopped => screen.tell(&format!("stopped; go on with: pintally batch --resume {name} ...")),
    }
    Ok(match reason.1 {
        Outcome::Matches | Outcome::Unjudged => ExitStatus::Matches,
        Outcome::Differs => ExitStatus::Differs,
        _ => ExitStatus::Inconclusive,
    })
}

/// Does what the machine says until the batch is over; how it ended, and its worst board.
fn follow(
    mut machine: Machine,
    actions: Vec<Action>,
    mut round: Round<'_>,
    station: &mut Station,
    (stop, keys): (&AtomicBool, Option<mpsc::Receiver<String>>),
    screen: &mut Screen,
) -> Result<(Reason, Outcome), Failure> {
    let mut panel = Panel::default();
    let mut keyboard = match (round.args.practice, keys) {
        (true, _) => None,
        (false, Some(keys)) => Some(Keyboard::live(keys)),
        (false, None) => Some(Keyboard::standard()),
    };
    let mut actions = VecDeque::from(actions);
    let mut worst = Outcome::Matches;
    loop {
        let mut awaited = None;
        while let Some(action) = actions.pop_front() {
            match action {
                Action::Signal(light, sound) => panel.show(light, sound),
                Action::Ask(prompt) => {
                    let names: Vec<&str> =
                        station.connectors().map(|connector| connector.name.as_str()).collect();
                    if !round.args.practice || matches!(prompt, Prompt::Unfinished(_)) {
                        if keyboard.as_mut().is_some_and(|keys| keys.forget_starts(round.args.name_starts)) {
                            screen
                                .tell("note: what was typed before this question starts and decides nothing");
                        }
                        round.ask(&prompt, &words::prompt(&prompt, &names), screen);
                    }
                    awaited = Some(prompt);
                }
                Action::Sweep(job) => {
                    if let Some(devices) = station.ports() {
                        panel.send(devices)?;
                    }
                    let outcome = round.sweep(&job, station, screen)?;
                    actions.extend(machine.take(Event::Swept(outcome)));
                }
                Action::Decided(what) => round.decided(what, screen),
                Action::Note { board, text } => round.note(&board, &text, screen),
                Action::Done { board, place, outcome } => {
                    worst = worst.worse(outcome);
                    round.done(&board, place, outcome, screen);
                }
                Action::GivenUp { board, place } => {
                    worst = worst.worse(Outcome::Inconclusive);
                    screen.tell(&format!("board {place}, {}: given up", crate::label::shown(&board)));
                }
                Action::End(reason) => {
                    if let Some(devices) = station.ports() {
                        panel.send(devices)?;
                    }
                    round.tally.finish(screen);
                    return Ok((reason, worst));
                }
            }
        }
        if let Some(live) = &mut round.live {
            live.told(&screen.news());
        }
        let wants_name = machine.wants_name();
        let mut line = |keyboard: &mut Keyboard| {
            if let Some(live) = &mut round.live {
                live.show();
            }
            // Without anybody to type there will be no name any more, whatever is pressed.
            let line = keyboard.line();
            line.or_else(|| (wants_name && keyboard.has_ended()).then(|| "/stop".to_owned()))
        };
        actions.extend(machine.take(match (station.ports(), &mut keyboard) {
            (Some(devices), Some(keyboard)) => match panel.wait(devices, &mut || line(keyboard))? {
                Pressed::Button => Event::Button,
                Pressed::Line(line) => Event::Line(line),
                Pressed::Stop => Event::Stop,
            },
            // The hands of the practice bench do what they are asked, and give up what cannot be put right.
            _ if stop.load(Ordering::Relaxed) => Event::Stop,
            _ if matches!(awaited, Some(Prompt::Remedy { .. })) => Event::Line("/skip".to_owned()),
            _ => Event::Button,
        }));
    }
}

/// The name of the batch: the one to resume, or a new one.
fn name(args: &Args, history: &History) -> Result<String, Failure> {
    let exists = |name: &str| -> Result<bool, Failure> { Ok(!sweeps(history, name)?.is_empty()) };
    if let Some(name) = &args.resume {
        if !exists(name)? {
            let found = format!(
                "expected a batch that was begun, found none of the name {}",
                crate::label::Found(name)
            );
            return Err(Failure::new(ExitStatus::NoInput, found)
                .hint("`pintally history --format csv --all` names the batch of each sweep"));
        }
        return Ok(name.clone());
    }
    let name = match &args.name {
        Some(name) => prepare::checked_name("--name", name)?,
        None => place::session_name(&place::now(), None),
    };
    if exists(&name)? {
        return Err(Failure::new(
            ExitStatus::Usage,
            format!("expected a new name for the batch, found {name} in the history already"),
        )
        .hint(format!("go on with it: --resume {name}")));
    }
    Ok(name)
}

/// The sweeps of a batch in the order in which they were made, as their places tell it: the clock may have been set
/// back in between.
fn sweeps(history: &History, name: &str) -> Result<Vec<SweepRow>, Failure> {
    let filter = Filter { batch: Some(name.to_owned()), ..Filter::default() };
    let (found, _) = history.sweeps(&filter)?;
    let mut sweeps: Vec<SweepRow> = found.into_iter().map(|found| found.sweep).collect();
    sweeps.sort_by_key(|sweep| sweep.batch.as_ref().map(|batch| (batch.place, batch.attempt)));
    Ok(sweeps)
}

/// What a row of the history says about how far the batch got.
fn past(row: &SweepRow) -> Option<Past> {
    let batch = row.batch.as_ref()?;
    let outcome = match (row.ending, row.verdict.as_deref()) {
        (Some(Ending::Complete), None) => Outcome::Unjudged,
        (Some(Ending::Complete), Some("matches")) => Outcome::Matches,
        (Some(Ending::Complete), Some("differs")) if row.placement.is_none() => Outcome::Differs,
        // A second reading was as doubtful as the first: that is the result, unless the operator sweeps it again.
        (Some(Ending::Complete), Some("inconclusive")) if batch.attempt > 1 => Outcome::Inconclusive,
        (Some(Ending::Complete), Some("inconclusive")) => Outcome::Doubtful(crate::batch_run::Doubt::Reading),
        (Some(Ending::Complete), Some(_)) => Outcome::Doubtful(crate::batch_run::Doubt::Seating),
        _ => Outcome::Failed,
    };
    Some(Past {
        board: row.board.clone().unwrap_or_default(),
        place: batch.place,
        connector: row.connector.clone(),
        attempt: batch.attempt,
        outcome,
        decided: None,
    })
}

/// Reads from the logs of the last board what the operator decided about it. For boards before it the batch went on, so
/// that nothing is left to be asked.
fn decisions(data: &Path, sweeps: &[SweepRow], past: &mut [Past]) {
    let last = past.iter().map(|sweep| sweep.place).max();
    for sweep in past.iter_mut().filter(|sweep| Some(sweep.place) == last) {
        let row = sweeps.iter().find(|row| {
            row.connector == sweep.connector
                && row
                    .batch
                    .as_ref()
                    .is_some_and(|batch| (batch.place, batch.attempt) == (sweep.place, sweep.attempt))
        });
        // A log that is gone or damaged decides nothing: the board is asked for again.
        let Some(lines) = row.and_then(|row| LogReader::open(&log_of(data, &row.session)).ok()) else {
            continue;
        };
        sweep.decided = lines
            .filter_map(|line| match line.ok()?.event {
                LogEvent::Operator { action, .. } => Decision::of(&action),
                _ => None,
            })
            .last();
    }
}

fn open(data: &Path) -> Result<History, Failure> {
    Ok(History::open(data)?)
}
