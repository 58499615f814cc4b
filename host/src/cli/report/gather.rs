//! Sweeps of a batch, gathered by connector and jig.

use std::{fs::File, io::BufReader, path::Path};

use crate::{
    batch::{Batch, Entry, Outcome, Tuning},
    connector::Connector,
    exit_status::ExitStatus,
    failure::Failure,
    log::{LogReader, OpenError},
    record::SweepRecord,
    report::{BatchPage, SweepLine, in_brief},
};

/// Batches, one a connector and jig.
pub(super) struct Gathered {
    tuning: Tuning,
    groups: Vec<Group>,
}

struct Group {
    page: BatchPage,
    batch: Batch,
    practice: usize,
    overridden: usize,
    damaged: usize,
}

impl Gathered {
    pub(super) const fn new(tuning: Tuning) -> Self {
        Self { tuning, groups: Vec::new() }
    }

    /// Takes the next sweep.
    pub(super) fn take(&mut self, record: &SweepRecord) {
        // Every practice sweep has a bench of its own, and all of them are one jig.
        let jig = match &record.practice {
            Some(_) => format!("the practice bench with wiring {}", record.wiring.name()),
            None => record.jig_name(),
        };
        let found = self.groups.iter().position(|group| group.is_for(&record.connector, &jig));
        let at = found.unwrap_or_else(|| {
            self.groups.push(Group::new(record, jig, self.tuning));
            self.groups.len() - 1
        });
        self.groups[at].take(record);
    }

    /// What came of them.
    pub(super) fn pages(self) -> Vec<BatchPage> {
        self.groups.into_iter().map(Group::finish).collect()
    }
}

impl Group {
    fn new(record: &SweepRecord, jig: String, tuning: Tuning) -> Self {
        let batch = Batch::new(record.connector.pins.len(), tuning);
        let page = BatchPage {
            connector: record.connector.clone(),
            wiring: Some(record.wiring.clone()),
            jig,
            summary: batch.summary(),
            sweeps: Vec::new(),
            cautions: Vec::new(),
        };
        Self { page, batch, practice: 0, overridden: 0, damaged: 0 }
    }

    fn is_for(&self, connector: &Connector, jig: &str) -> bool {
        self.page.connector == *connector && self.page.jig == jig
    }

    fn take(&mut self, record: &SweepRecord) {
        let entry = record.judgement.as_ref().map(|judgement| Entry::of(judgement, &record.started));
        self.page.sweeps.push(SweepLine {
            board: record.board.clone().unwrap_or_else(|| record.session.clone()),
            when: record.started.clone(),
            outcome: entry.as_ref().map(|entry| entry.outcome),
            what: in_brief(record),
            fingerprint: record.fingerprint.to_string(),
        });
        if let Some(entry) = entry {
            self.batch.take(&entry);
        }
        self.practice += usize::from(record.practice.is_some());
        self.overridden += usize::from(!record.overrides.is_empty());
        self.damaged += usize::from(!record.troubles.is_empty());
    }

    fn finish(self) -> BatchPage {
        let Self { mut page, batch, practice, overridden, damaged } = self;
        page.summary = batch.summary();
        let mut say = |count: usize, what: &str| {
            if count > 0 {
                page.cautions.push(format!("{count} of {} sweeps {what}.", page.sweeps.len()));
            }
        };
        say(practice, "are practice: their boards are emulated and their readings invented");
        say(overridden, "overrode a safety check; their own reports say which");
        say(damaged, "have a log that is not whole");
        page
    }
}

/// When a sweep began, so that its place in the batch is known: text that sorts by time.
pub(super) fn began(path: &Path) -> Result<String, Failure> {
    let name = path.display();
    let file = File::open(path).map_err(|error| {
        Failure::new(ExitStatus::NoInput, format!("cannot read session log {name}: {error}"))
    })?;
    let reader = LogReader::new(BufReader::new(file)).map_err(|error: OpenError| {
        let hint = error.hint();
        Failure::new(ExitStatus::Data, format!("{name}: {error}")).hint(hint)
    })?;
    let started = &reader.header().started;
    // The same moment in another zone sorts alike; a text that is no time sorts as it is.
    Ok(started.parse::<jiff::Timestamp>().map_or_else(|_| started.clone(), |at| format!("{at:.6}")))
}

/// The worst verdict of the boards as they are now. One that was seated wrongly is not known to be sound.
pub(super) fn status(pages: &[BatchPage]) -> ExitStatus {
    let any = |outcome: Outcome| {
        pages.iter().any(|page| {
            let count = &page.summary.of_boards.count;
            match outcome {
                Outcome::Differs => count.differing > 0,
                Outcome::Inconclusive => count.inconclusive > 0 || count.misplaced > 0 || count.judged() == 0,
                Outcome::Matches => true,
            }
        })
    };
    if any(Outcome::Differs) {
        ExitStatus::Differs
    } else if any(Outcome::Inconclusive) {
        ExitStatus::Inconclusive
    } else {
        ExitStatus::Matches
    }
}
