//! How a batch goes, while it goes and at its end.

use std::{
    collections::{BTreeMap, BTreeSet},
    path::Path,
};

use super::bench::Station;
use crate::{
    batch::{Batch, Count, Entry, Tuning},
    batch_run::{Doubt, Outcome, Past, Progress},
    cli::Screen,
    connector::{Connector, Wiring},
    history::{SweepRow, log_of},
    record::SweepRecord,
    report::{NoticeText, notice},
};

/// Pins and kinds of fault that are named at the end.
const MOST_NAMED: usize = 5;

/// How a batch goes.
pub(super) struct Tally {
    connectors: Vec<(Connector, Wiring, Batch)>,
    /// Outcome of each board that is done, by its place.
    boards: BTreeMap<u32, Outcome>,
    /// Boards of a practice batch into which nothing was put, or something was.
    put_in: BTreeMap<u32, bool>,
}

impl Tally {
    /// Of a batch that begins.
    pub(super) fn new(station: &Station) -> Self {
        let connectors = station.connectors.iter().map(|prepared| {
            let pins = prepared.connector.pins.len();
            (prepared.connector.clone(), prepared.wiring.clone(), Batch::new(pins, Tuning::default()))
        });
        Self { connectors: connectors.collect(), boards: BTreeMap::new(), put_in: BTreeMap::new() }
    }

    /// Takes in what was swept before. A log that cannot be read is missing in the charts, not in the count.
    pub(super) fn resume(&mut self, data: &Path, sweeps: &[SweepRow], past: &[Past], progress: &Progress) {
        for row in sweeps {
            let file = std::fs::File::open(log_of(data, &row.session)).ok();
            let Some(record) = file.and_then(|file| SweepRecord::read(file).ok()) else { continue };
            if let Some(place) = record.settings.batch.as_ref().map(|batch| batch.place)
                && let Some(practice) = &record.practice
            {
                self.put_in.insert(place, practice.faults.is_empty());
            }
            let index = self.connectors.iter().position(|(connector, ..)| connector.name == row.connector);
            if let Some(index) = index.filter(|_| record.is_complete()) {
                let _ = self.take(index, &record);
            }
        }
        let unfinished = progress.on_the_jig.as_ref().map(|on| on.place);
        let places: BTreeSet<u32> = past.iter().map(|sweep| sweep.place).collect();
        for place in places.into_iter().filter(|place| Some(*place) != unfinished) {
            let latest = |connector: &str| {
                let of_it = past.iter().filter(|sweep| sweep.place == place && sweep.connector == connector);
                of_it.max_by_key(|sweep| sweep.attempt).map(|sweep| sweep.outcome)
            };
            let outcomes = self.connectors.iter().filter_map(|(connector, ..)| latest(&connector.name));
            self.boards.insert(place, outcomes.fold(Outcome::Matches, Outcome::worse));
        }
    }

    /// Remembers whether nothing was put into a practice board.
    pub(super) fn put_in(&mut self, place: u32, is_sound: bool) {
        self.put_in.insert(place, is_sound);
    }

    /// Takes a sweep and tells what it makes noticeable.
    pub(super) fn take(&mut self, connector: usize, record: &SweepRecord) -> Vec<NoticeText> {
        let (Some((connector, wiring, batch)), Some(judgement)) =
            (self.connectors.get_mut(connector), &record.judgement)
        else {
            return Vec::new();
        };
        let notices = batch.take(&Entry::of(judgement, &record.started));
        notices.iter().map(|found| notice(connector, Some(wiring), found)).collect()
    }

    /// A board is done.
    pub(super) fn done(&mut self, place: u32, outcome: Outcome) {
        self.boards.insert(place, outcome);
    }

    /// The tally in one line.
    pub(super) fn line(&self) -> String {
        let count = self.count(|_| true);
        let all = count.all();
        let plural = if all == 1 { "" } else { "s" };
        let mut line = format!("{all} board{plural}: {count}");
        if let Some(share) = count.share() {
            line.push_str(&format!(
                "; yield {:.0} % ({:.0} to {:.0} %)",
                share.value() * 100.0,
                share.low * 100.0,
                share.high * 100.0
            ));
        }
        line
    }

    /// Counts the boards at these places.
    fn count(&self, is_wanted: impl Fn(u32) -> bool) -> Count {
        let mut count = Count::default();
        for (_, outcome) in self.boards.iter().filter(|(place, _)| is_wanted(**place)) {
            *match outcome {
                Outcome::Matches => &mut count.matching,
                Outcome::Differs => &mut count.differing,
                Outcome::Inconclusive | Outcome::Doubtful(Doubt::Reading) => &mut count.inconclusive,
                Outcome::Doubtful(Doubt::Seating) => &mut count.misplaced,
                Outcome::Unjudged | Outcome::Failed => &mut count.unjudged,
            } += 1;
        }
        count
    }

    /// Tells how the batch went.
    pub(super) fn finish(&self, screen: &mut Screen) {
        if screen.is_quiet() || self.boards.is_empty() {
            return;
        }
        screen.tell(&format!("\n{}", self.line()));
        screen.tell("  (the interval of the yield is that of Wilson, 95 %)");
        for (connector, wiring, batch) in &self.connectors {
            let summary = batch.summary();
            let name = |pin: usize| connector.pins.get(pin).map_or("?", |pin| pin.name.as_str());
            let pins: Vec<String> = summary
                .by_pin
                .iter()
                .take(MOST_NAMED)
                .map(|by| format!("{} on {}", name(by.pin), by.boards))
                .collect();
            let kinds: Vec<String> = summary
                .by_kind
                .iter()
                .take(MOST_NAMED)
                .map(|by| format!("{} {}", by.faults, by.kind))
                .collect();
            if !kinds.is_empty() {
                screen.tell(&format!("{}: {}; pins {}", connector.name, kinds.join(", "), pins.join(", ")));
            }
            for found in &summary.notices {
                let text = notice(connector, Some(wiring), found);
                screen.tell(&format!("noticed after board {} ({}): {}", found.at, found.board, text.what));
            }
            screen.tell(&format!(
                "{}: {} pins are charted; sound boards before a false alarm, on average: {:.0} or more",
                connector.name, summary.stated.charted, summary.stated.run_length
            ));
        }
        self.finish_practice(screen);
    }

    /// Verdicts against what was put in.
    fn finish_practice(&self, screen: &mut Screen) {
        if self.put_in.is_empty() {
            return;
        }
        let of = |is_sound: bool| self.count(|place| self.put_in.get(&place) == Some(&is_sound));
        let (sound, faulty) = (of(true), of(false));
        let mut line = format!(
            "practice: of {} sound boards {} match; of {} boards with faults {} do not match",
            sound.judged(),
            sound.matching,
            faulty.judged(),
            faulty.judged() - faulty.matching
        );
        let others = self.count(|_| true).all() - sound.judged() - faulty.judged();
        if others > 0 {
            line.push_str(&format!("; {others} misplaced or not judged"));
        }
        screen.tell(&line);
    }
}
