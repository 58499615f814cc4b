//! What the screen shows, as plain values.

use crate::{
    connector::Connector,
    readings::{PinValue, Unread},
};

/// Everything on the screen.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct State {
    /// What is done to which board: `probe J5, board T-1042`.
    pub title: String,
    /// What to do now, in one sentence.
    pub sentence: String,
    /// What was seen last, or what went wrong, in one sentence.
    pub seen: String,
    /// How the sentence is meant.
    pub mood: Mood,
    /// The pins, row by row.
    pub rows: Vec<Row>,
    /// What is found so far, the latest last.
    pub found: Vec<String>,
    /// Pins done, and pins in all.
    pub done: (usize, usize),
    /// What the meter shows.
    pub meter: String,
    /// What the keys do, in one line.
    pub keys: String,
    /// What is being typed, as it is shown in place of the keys.
    pub typing: Option<String>,
}

/// How a sentence is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Mood {
    /// Go on.
    #[default]
    Calm,
    /// Do it again.
    Again,
    /// Something needs attention.
    Trouble,
}

/// A row of the connector.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Row {
    /// Its name; empty where the connector has no rows.
    pub name: String,
    /// Its pins, in their order.
    pub cells: Vec<Cell>,
}

/// A pin on the screen.
#[derive(Debug, Clone, PartialEq)]
pub struct Cell {
    /// The pin, by its index in the connector.
    pub pin: usize,
    /// Its name.
    pub name: String,
    /// What was read; empty before.
    pub value: String,
    /// How it stands.
    pub mark: Mark,
    /// It is the pin that is asked for.
    pub is_here: bool,
    /// It was repaired.
    pub is_repaired: bool,
}

/// How a pin stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Mark {
    /// Not read yet.
    #[default]
    Waiting,
    /// Read, and nothing speaks against it.
    Read,
    /// It differs.
    Differs,
    /// Passed over, or read without a value.
    Unread,
}

impl Mark {
    /// Its sign, so that it needs no colour.
    #[must_use]
    pub const fn sign(self) -> char {
        match self {
            Self::Waiting => '.',
            Self::Read => ' ',
            Self::Differs => '!',
            Self::Unread => '-',
        }
    }
}

impl State {
    /// A screen for a connector of which nothing is read yet.
    #[must_use]
    pub fn new(title: String, connector: &Connector, repaired: &[usize]) -> Self {
        let mut rows: Vec<Row> = Vec::new();
        for (pin, of) in connector.pins.iter().enumerate() {
            let name = of.row.clone().unwrap_or_default();
            let cell = Cell {
                pin,
                name: of.name.to_string(),
                value: String::new(),
                mark: Mark::Waiting,
                is_here: false,
                is_repaired: repaired.contains(&pin),
            };
            match rows.iter_mut().find(|row| row.name == name) {
                Some(row) => row.cells.push(cell),
                None => rows.push(Row { name, cells: vec![cell] }),
            }
        }
        Self { title, rows, done: (0, connector.pins.len()), ..Self::default() }
    }

    /// Shows what was read at a pin.
    pub fn read(&mut self, pin: usize, value: Option<PinValue>, differs: bool) {
        let Some(cell) = self.cell(pin) else { return };
        (cell.value, cell.mark) = match value {
            None => (String::new(), Mark::Waiting),
            Some(PinValue::Unread(Unread::NotSettled { .. })) => ("moves".to_owned(), Mark::Unread),
            Some(value @ PinValue::Unread(_)) => (value.to_string(), Mark::Unread),
            Some(value) => (value.to_string(), if differs { Mark::Differs } else { Mark::Read }),
        };
        let cells = self.rows.iter().flat_map(|row| &row.cells);
        self.done.0 = cells.filter(|cell| cell.mark != Mark::Waiting).count();
    }

    /// The name of a pin.
    #[must_use]
    pub fn name_of(&self, pin: usize) -> String {
        let cells = self.rows.iter().flat_map(|row| &row.cells);
        cells
            .into_iter()
            .find(|cell| cell.pin == pin)
            .map_or_else(|| "?".to_owned(), |cell| cell.name.clone())
    }

    /// Moves the place to a pin, or away from all.
    pub fn go_to(&mut self, pin: Option<usize>) {
        for cell in self.rows.iter_mut().flat_map(|row| &mut row.cells) {
            cell.is_here = Some(cell.pin) == pin;
        }
    }

    /// Keeps a line of what is found; the same pin is told once, by its latest line.
    pub fn find(&mut self, pin: &str, line: Option<String>) {
        let begins = format!("{pin} ");
        self.found.retain(|found| !found.starts_with(&begins));
        self.found.extend(line);
    }

    fn cell(&mut self, pin: usize) -> Option<&mut Cell> {
        self.rows.iter_mut().flat_map(|row| &mut row.cells).find(|cell| cell.pin == pin)
    }
}
