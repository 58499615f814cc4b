//! Carries an interrupted session on: its log is read, paired again, and copied to the beginning of a new one.

use std::{path::Path, time::Duration};

use crate::{
    cli::{PROGRAM, Screen, logbook::Logbook, place},
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    log::{Header, LogEvent, LogLine, LogReader, OpenError, TroubleKind},
    moment::Moment,
    probe::{Deed, Walk},
    session::{Replay, Session},
};

/// A session that was interrupted.
pub(super) struct Resumed {
    pub(super) session: Session,
    lines: Vec<LogLine>,
    walk: Walk,
}

/// The new part begins so long after the old one: the break itself is not told by the log's clock.
const BREAK: Duration = Duration::from_secs(1);

impl Resumed {
    /// Reads the log of a session. A torn last line is left out, as a crash leaves it; other damage is refused, since
    /// what was read after it cannot be trusted.
    pub(super) fn read(path: &Path, screen: &mut Screen) -> Result<Self, Failure> {
        let name = path.display();
        let mut reader = LogReader::open(path).map_err(|error| {
            let hint = error.hint();
            let status = match &error {
                OpenError::Io(_) => ExitStatus::NoInput,
                _ => ExitStatus::Data,
            };
            Failure::new(status, format!("{name}: {error}")).hint(hint)
        })?;
        let session = Session::new(reader.header().clone()).or_fail(ExitStatus::Data)?;
        let mut replay = Replay::new(&session);
        let mut lines = Vec::new();
        for item in &mut reader {
            replay.item(&item);
            match item {
                Ok(line) => lines.push(line),
                Err(trouble) if matches!(trouble.kind, TroubleKind::Torn) => {
                    screen.tell(&format!("note: {name}: {trouble}"));
                }
                Err(trouble) => {
                    return Err(Failure::new(ExitStatus::Data, format!("{name}: {trouble}")).hint(
                        "`pintally replay` judges what is left; probe the board again from the start",
                    ));
                }
            }
        }
        let walk = replay.into_walk().ok_or_else(|| {
            let found =
                format!("{name}: expected the log of a session by hand, found that of a sweep on a jig");
            Failure::new(ExitStatus::Data, found).hint("`pintally replay` judges what it holds")
        })?;
        Ok(Self { session, lines, walk })
    }

    /// The header of the session that carries it on.
    pub(super) fn header(&self, started: String) -> Header {
        let old = &self.session.header;
        Header {
            program: PROGRAM.to_owned(),
            session: place::session_name(&started, old.board.as_deref()),
            started,
            ..old.clone()
        }
    }

    /// Copies what happened into the new log, and gives the walk as it stood, with the moment to go on from.
    pub(super) fn into_walk(self, logbook: &mut Logbook) -> (Walk, Moment) {
        let mut last = Moment::START;
        for line in self.lines {
            last = last.max(line.at);
            if !matches!(line.event, LogEvent::Judgement { .. } | LogEvent::End { .. }) {
                logbook.copy(line.at, line.event);
            }
        }
        let (now, mut walk) = (last.after(BREAK), self.walk);
        let (action, _) = Deed::Resume.to_log(&self.session.header.connector);
        let detail = Some(self.session.header.session);
        logbook.copy(now, LogEvent::Operator { action: action.to_owned(), detail });
        let _ = walk.deed(&Deed::Resume, now);
        (walk, now)
    }
}
