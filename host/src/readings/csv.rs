//! Readings of many boards as a table: the columns `board`, `pin` and `reading`, one row a pin.
//!
//! Boards come out one at a time, so that a table of ten thousand boards needs the memory of one (and the
//! names of those that went by). The rows of a board stand together.

mod pins;

pub use super::row_error::{RowError, RowProblem};

use std::{collections::HashSet, io::Read};

use crate::{
    connector::Connector,
    delimited::{Fields, LineError, Lines, Separator, unguarded},
    label,
};

use super::{BoardReadings, PinValue, Unread, typed};
use pins::Pins;

/// Bad rows that are kept as warnings at most; further ones are counted.
pub const MOST_WARNINGS: usize = 1000;

/// What to do about a row that cannot be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Strictness {
    /// The first bad row ends the table.
    StopAtBadRow,
    /// Bad rows are left out and kept as warnings; their pins have no reading. Of two rows of one pin neither is kept.
    KeepGoodRows,
}

/// The boards of a table, one after another.
#[derive(Debug)]
pub struct Boards<'c, R> {
    lines: Lines<R>,
    fields: Fields,
    table: Table,
    pins: Pins<'c>,
    strictness: Strictness,
    /// The board whose rows are being read.
    current: Option<Current>,
    /// The board that the last row ended.
    ready: Option<BoardReadings>,
    /// The bad row that ends the table.
    failed: Option<RowError>,
    /// Names of the boards before it.
    past: HashSet<String>,
    warnings: Vec<RowError>,
    further: u64,
    ended: bool,
}

impl<'c, R: Read> Boards<'c, R> {
    /// Reads the first line of the table.
    ///
    /// # Errors
    /// [`RowError`] if the table is empty or lacks one of its columns. Other columns are passed over.
    pub fn new(reader: R, connector: &'c Connector, strictness: Strictness) -> Result<Self, RowError> {
        let mut lines = Lines::new(reader);
        let mut fields = Fields::default();
        let at = |line, problem| RowError { line, column: 1, problem };
        let table = match lines.next_line() {
            Err(error) => return Err(at(lines.number(), error.into())),
            Ok(None) => return Err(at(1, RowProblem::Empty)),
            Ok(Some((line, header))) => {
                let separator = Separator::of_header(header);
                fields.split(header, separator).map_err(|error| at(line, error.into()))?;
                Table::of(separator, &fields)
                    .ok_or_else(|| at(line, RowProblem::Columns { found: header.to_owned() }))?
            }
        };
        Ok(Self {
            lines,
            fields,
            table,
            pins: Pins::of(connector),
            strictness,
            current: None,
            ready: None,
            failed: None,
            past: HashSet::new(),
            warnings: Vec::new(),
            further: 0,
            ended: false,
        })
    }

    /// The bad rows that were left out since this was last asked.
    pub fn take_warnings(&mut self) -> Vec<RowError> {
        std::mem::take(&mut self.warnings)
    }

    /// How many more bad rows there were than [`Boards::take_warnings`] could hand out.
    #[must_use]
    pub const fn further_warnings(&self) -> u64 {
        self.further
    }

    fn read_row(&mut self) -> Result<(), RowError> {
        let (line, row) = match self.lines.next_line() {
            Ok(Some(found)) => found,
            Ok(None) => {
                self.ended = true;
                self.ready = self.current.take().map(|current| current.readings);
                return Ok(());
            }
            Err(error) => {
                return Err(RowError { line: self.lines.number(), column: 1, problem: error.into() });
            }
        };
        self.fields.split(row, self.table.separator).map_err(|error| {
            let column = if let LineError::Quote { column } = error { column } else { 1 };
            RowError { line, column, problem: error.into() }
        })?;
        let fields = &self.fields;
        if fields.are_blank() {
            return Ok(());
        }
        let at = |index, problem| RowError { line, column: fields.column(index), problem };
        let Table { board, pin, reading, columns, .. } = self.table;
        if fields.len() != columns {
            return Err(at(columns, RowProblem::FieldCount { expected: columns, found: fields.len() }));
        }
        let name = unguarded(fields.get(board));
        let current = match &mut self.current {
            Some(current) if current.readings.board == name => current,
            // The row begins a board even if the rest of it cannot be used.
            other => {
                label::name(name).map_err(|problem| at(board, RowProblem::Board(problem)))?;
                if !self.past.insert(name.to_owned()) {
                    return Err(at(board, RowProblem::BoardAgain { board: name.to_owned() }));
                }
                self.ready = other.take().map(|done| done.readings);
                other.insert(Current::new(name, self.pins.connector.pins.len()))
            }
        };
        let index = self.pins.find(unguarded(fields.get(pin))).map_err(|problem| at(pin, problem))?;
        let value = typed::parse(fields.get(reading)).map_err(|error| at(reading, error.into()))?;
        current.set(index, value, line).map_err(|first| {
            let pin_name = self.pins.connector.pins[index].name.clone();
            at(pin, RowProblem::PinTwice { board: name.to_owned(), pin: pin_name, first })
        })
    }

    fn reject(&mut self, error: RowError) {
        let unreadable = matches!(error.problem, RowProblem::Line(LineError::Io(_)));
        if unreadable || self.strictness == Strictness::StopAtBadRow {
            self.ended = true;
            self.current = None;
            self.failed = Some(error);
        } else if self.warnings.len() < MOST_WARNINGS {
            self.warnings.push(error);
        } else {
            self.further += 1;
        }
    }
}

impl<R: Read> Iterator for Boards<'_, R> {
    type Item = Result<BoardReadings, RowError>;

    /// The next board that is complete, or the bad row that ends the table.
    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(board) = self.ready.take() {
                return Some(Ok(board));
            }
            if self.ended {
                return self.failed.take().map(Err);
            }
            if let Err(error) = self.read_row() {
                self.reject(error);
            }
        }
    }
}

/// Where the columns stand.
#[derive(Debug, Clone, Copy)]
struct Table {
    separator: Separator,
    columns: usize,
    board: usize,
    pin: usize,
    reading: usize,
}

impl Table {
    fn of(separator: Separator, fields: &Fields) -> Option<Self> {
        let only = |name: &str| {
            let mut found = (0..fields.len()).filter(|&index| fields.get(index).eq_ignore_ascii_case(name));
            found.next().filter(|_| found.next().is_none())
        };
        Some(Self {
            separator,
            columns: fields.len(),
            board: only("board")?,
            pin: only("pin")?,
            reading: only("reading")?,
        })
    }
}

/// A board whose rows are being read.
#[derive(Debug)]
struct Current {
    readings: BoardReadings,
    /// Line of each pin's reading; 0 where there is none yet.
    lines: Vec<u64>,
}

impl Current {
    fn new(board: &str, pins: usize) -> Self {
        let readings = BoardReadings {
            board: board.to_owned(),
            values: vec![PinValue::Unread(Unread::NotListed); pins],
        };
        Self { readings, lines: vec![0; pins] }
    }

    /// Keeps a reading, or tells on which line the pin already has one. Nobody knows which of two is right, so that neither
    /// is kept.
    fn set(&mut self, index: usize, value: PinValue, line: u64) -> Result<(), u64> {
        match self.lines[index] {
            0 => {
                self.lines[index] = line;
                self.readings.values[index] = value;
                Ok(())
            }
            first => {
                self.readings.values[index] = PinValue::Unread(Unread::NotListed);
                Err(first)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::{connector::Pin, units::Volts};

    use super::*;

    fn connector() -> Connector {
        Connector::new("J1", ["1", "2", "A3"].map(Pin::named).to_vec()).unwrap()
    }

    fn volts(value: f64) -> PinValue {
        PinValue::Volts(Volts::of(value))
    }

    const NOT_LISTED: PinValue = PinValue::Unread(Unread::NotListed);

    fn read(text: &str, strictness: Strictness) -> (Vec<BoardReadings>, Vec<String>) {
        let connector = connector();
        let mut boards = match Boards::new(text.as_bytes(), &connector, strictness) {
            Ok(boards) => boards,
            Err(error) => return (vec![], vec![error.to_string()]),
        };
        let (mut good, mut errors) = (vec![], vec![]);
        for board in &mut boards {
            match board {
                Ok(board) => good.push(board),
                Err(error) => errors.push(error.to_string()),
            }
        }
        errors.extend(boards.take_warnings().iter().map(ToString::to_string));
        (good, errors)
    }

    fn board(name: &str, values: [PinValue; 3]) -> BoardReadings {
        BoardReadings { board: name.to_owned(), values: values.to_vec() }
    }

    #[test]
    fn boards_come_out_one_by_one() {
        let expected = vec![
            board("T1", [volts(0.319), PinValue::Overload, volts(0.447)]),
            board("T2", [volts(0.0), NOT_LISTED, PinValue::Unread(Unread::Skipped)]),
        ];
        for text in [
            "board,pin,reading\nT1,1,0.319\nT1,2,OL\nT1,A3,447mV\nT2,A3,-\nT2,1,0\n",
            "\u{feff}board,pin,reading\r\nT1,1,.319\r\nT1,2,O.L\r\n\r\nT1,A3,\"0,447\"\r\nT2,A3,\r\nT2,1,0.000",
            "Reading;Board;PIN;when\n0,319;T1;1;x\nopen;T1;2;\n0,447;T1;A3;\n;T2;A3;\n0,0;T2;1;\n",
            "pin\tboard\treading\n1\tT1\t0,319\n2\tT1\t0L\nA3\t\"T1\"\t0.447V\nA3\tT2\t-\n1\tT2\t0\n",
        ] {
            assert_eq!(read(text, Strictness::StopAtBadRow), (expected.clone(), vec![]), "{text}");
        }
    }

    #[test]
    fn a_bad_row_is_named_and_ends_the_table() {
        let check = |rows: &str, expected: &str| {
            let text = format!("board,pin,reading\nT0,1,OL\nT1,1,0.1\nT1,2,0.2\nT1,A3,0.3\n{rows}");
            let (good, errors) = read(&text, Strictness::StopAtBadRow);
            assert_eq!(errors, [expected], "{rows}");
            assert_eq!(good[0], board("T0", [PinValue::Overload, NOT_LISTED, NOT_LISTED]), "{rows}");
        };
        check("T2,1,319", "line 6, column 6: expected a unit or a decimal point, found `319`");
        check("T2,9,0.1", "line 6, column 4: expected a pin of connector J1, found `9`");
        check("T2,1,0,319", "line 6, column 8: expected 3 fields as in the first line, found 4");
        check("T2,1", "line 6, column 1: expected 3 fields as in the first line, found 2");
        check(",1,0.1", "line 6, column 1: board: expected some text, found none");
        check("T2,1,x\nT3,1,y", "line 6, column 6: expected volts such as 0.318 or 318mV, or OL, found `x`");
        check(
            "T1,2,0.2",
            "line 6, column 4: expected each pin of a board once, found pin 2 of board T1 again; the first is on line 4",
        );
        check(
            "T2,1,0.1\nT1,2,0.2",
            "line 7, column 1: expected the rows of a board to stand together, found board T1 again",
        );
        check(
            "\"T2,1,0.1",
            "line 6, column 1: expected the quote at column 1 to be closed at the end of its field",
        );
    }

    #[test]
    fn good_rows_are_kept_when_asked() {
        let text =
            "board,pin,reading\nT1,1,0.1\nT1,2,x\nT1,7,0.2\nT2,1,319\nT2,2,0.2\n\"T3\nT1,A3,0.3\nT4,1,OL\n";
        let (good, errors) = read(text, Strictness::KeepGoodRows);
        assert_eq!(
            good,
            [
                board("T1", [volts(0.1), NOT_LISTED, NOT_LISTED]),
                board("T2", [NOT_LISTED, volts(0.2), NOT_LISTED]),
                board("T4", [PinValue::Overload, NOT_LISTED, NOT_LISTED]),
            ]
        );
        let lines: Vec<_> = errors.iter().map(|error| error.split(',').next().unwrap()).collect();
        assert_eq!(lines, ["line 3", "line 4", "line 5", "line 7", "line 8"]);
    }

    #[test]
    fn two_rows_of_one_pin_are_both_left_out() {
        let text = "board,pin,reading\nT1,1,0.1\nT1,2,0.2\nT1,1,0.4\nT1,1,0.4\n";
        let (good, errors) = read(text, Strictness::KeepGoodRows);
        assert_eq!(good, [board("T1", [NOT_LISTED, volts(0.2), NOT_LISTED])]);
        assert_eq!(errors.len(), 2);
    }

    /// What spreadsheets write for empty rows.
    #[test]
    fn rows_without_any_text_are_passed_over() {
        for text in [
            "board;pin;reading\n;;\nT1;1;0,1\n ; ;\nT1;2;0,2\n;;\n",
            "board,pin,reading\n,,,,\nT1,1,0.1\n\"\",,\"\"\nT1,2,0.2\n",
        ] {
            let expected = vec![board("T1", [volts(0.1), volts(0.2), NOT_LISTED])];
            assert_eq!(read(text, Strictness::StopAtBadRow), (expected, vec![]), "{text}");
        }
    }

    #[test]
    fn the_columns_are_named() {
        let check = |text: &str, expected: &str| {
            assert_eq!(read(text, Strictness::KeepGoodRows), (vec![], vec![expected.to_owned()]));
        };
        check("", "line 1, column 1: expected the columns board, pin and reading, found an empty table");
        check(
            "board,pin\n",
            "line 1, column 1: expected the columns board, pin and reading, found `board,pin`",
        );
        check(
            "board,pin,reading,pin\n",
            "line 1, column 1: expected the columns board, pin and reading, found `board,pin,reading,pin`",
        );
    }

    #[test]
    fn warnings_do_not_grow_without_end() {
        let text = "board,pin,reading\n".to_owned() + &"T1,1,x\n".repeat(MOST_WARNINGS + 5);
        let connector = connector();
        let mut boards = Boards::new(text.as_bytes(), &connector, Strictness::KeepGoodRows).unwrap();
        assert_eq!(boards.by_ref().count(), 1);
        assert_eq!(boards.further_warnings(), 5);
        assert_eq!(boards.take_warnings().len(), MOST_WARNINGS);
    }

    #[test]
    fn a_failing_stream_ends_the_table() {
        struct Torn;
        impl Read for Torn {
            fn read(&mut self, _: &mut [u8]) -> std::io::Result<usize> {
                Err(std::io::Error::other("cable out"))
            }
        }
        let connector = connector();
        let stream = "board,pin,reading\nT1,1,0.1\n".as_bytes().chain(Torn);
        let mut boards = Boards::new(stream, &connector, Strictness::KeepGoodRows).unwrap();
        let error = boards.next().unwrap().unwrap_err();
        assert_eq!(error.to_string(), "line 2, column 1: cannot read on: cable out");
        assert!(boards.next().is_none());
    }
}
