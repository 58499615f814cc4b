-- Form 1 of the history. Once released, a form is never edited: the next one is a file of its own.
-- Keys are names that follow from the logs, so that a rebuilt history has the very same rows.

-- Boards by ticket number or whatever else they were called.
CREATE TABLE board (
  name TEXT NOT NULL PRIMARY KEY
) STRICT, WITHOUT ROWID;

-- Connectors as they stood in the logs, each drawing once.
CREATE TABLE connector (
  sha256 BLOB NOT NULL PRIMARY KEY,  -- of `pins` and the name
  name   TEXT NOT NULL,
  pins   TEXT NOT NULL               -- JSON list of pin names: the order of pins everywhere else
) STRICT, WITHOUT ROWID;

-- References by which boards were judged.
CREATE TABLE reference (
  sha256     BLOB NOT NULL PRIMARY KEY,
  known_good INTEGER                 -- boards in it, where its text is in a log
) STRICT, WITHOUT ROWID;

-- One row a session log: what, when, and what came of it.
CREATE TABLE sweep (
  session    TEXT NOT NULL PRIMARY KEY,  -- its log is logs/SESSION.jsonl
  bytes      INTEGER NOT NULL,           -- length of the log
  sha256     BLOB NOT NULL,              -- of the log
  started    TEXT NOT NULL,              -- as in the log
  started_us INTEGER,                    -- microseconds since 1970-01-01 UTC, if `started` is a time
  board      TEXT REFERENCES board (name),
  connector  BLOB NOT NULL REFERENCES connector (sha256),
  reference  BLOB REFERENCES reference (sha256),
  batch      TEXT,
  place      INTEGER,                    -- of the board in the batch, from 1
  attempt    INTEGER,                    -- of this connector of the board, from 1
  practice   INTEGER NOT NULL,           -- 1 for an emulated board
  ending     TEXT,                       -- complete, stopped, failed; none if the log was cut short
  took_us    INTEGER NOT NULL,
  verdict    TEXT,                       -- matches, differs, inconclusive; none without a reference
  words      TEXT,                       -- the verdict in words
  placement  TEXT,                       -- how the whole board was wrongly connected
  flagged    INTEGER NOT NULL,           -- pins that differ
  unread     INTEGER NOT NULL,           -- pins without a reading
  troubles   INTEGER NOT NULL            -- lines of the log that cannot be used
) STRICT;

CREATE INDEX sweep_by_time ON sweep (started_us);
CREATE INDEX sweep_by_board ON sweep (board, started_us);
CREATE INDEX sweep_by_connector ON sweep (connector, started_us);
CREATE INDEX sweep_by_batch ON sweep (batch, place) WHERE batch IS NOT NULL;

-- How a sweep was made.
CREATE TABLE conditions (
  session        TEXT NOT NULL PRIMARY KEY REFERENCES sweep (session) ON DELETE CASCADE,
  program        TEXT NOT NULL,
  operator       TEXT,
  meter          TEXT NOT NULL,  -- its profile
  meter_amperes  REAL NOT NULL,  -- into a short in diode test
  jig            TEXT,           -- number of the switching board, if it has one
  wiring         TEXT NOT NULL,
  reference_path TEXT,
  zeroed         INTEGER NOT NULL,
  kelvin         REAL,
  checks_good    INTEGER,        -- of the check channel, if the jig has one
  checks_failed  INTEGER,
  shared_volts   REAL,           -- what all pins had in common, and what was taken out before judging
  shared_kelvin  REAL,
  shared_ratio   REAL,
  shared_ohms    REAL,
  put_in         TEXT            -- of an emulated board: JSON
) STRICT, WITHOUT ROWID;

-- The pins of a sweep in one row: see docs/history.md for the layout.
CREATE TABLE readings (
  session TEXT NOT NULL PRIMARY KEY REFERENCES sweep (session) ON DELETE CASCADE,
  pins    BLOB NOT NULL
) STRICT;

CREATE TABLE finding (
  session     TEXT NOT NULL REFERENCES sweep (session) ON DELETE CASCADE,
  number      INTEGER NOT NULL,  -- the surest has 1
  kind        TEXT NOT NULL,
  pins        TEXT NOT NULL,     -- JSON list of pin names
  ohms        REAL,
  probability REAL NOT NULL,
  PRIMARY KEY (session, number)
) STRICT, WITHOUT ROWID;

CREATE INDEX finding_by_kind ON finding (kind, session);

-- What people wrote down or overrode, and what was removed on request.
CREATE TABLE note (
  session TEXT NOT NULL REFERENCES sweep (session) ON DELETE CASCADE,
  kind    TEXT NOT NULL,     -- note, override, removed
  number  INTEGER NOT NULL,
  at_us   INTEGER,           -- of a note: since the session began
  text    TEXT NOT NULL,
  by      TEXT,
  PRIMARY KEY (session, kind, number)
) STRICT, WITHOUT ROWID;

-- Files in the folder of the logs that are none, so that they are not read again and again.
CREATE TABLE unusable (
  file  TEXT NOT NULL PRIMARY KEY,
  bytes INTEGER NOT NULL,
  why   TEXT NOT NULL
) STRICT, WITHOUT ROWID;
