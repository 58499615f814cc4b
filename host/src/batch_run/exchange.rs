//! What is said to a batch, and what it says: the words between it and the edge that waits, sweeps and signals.

use protocol::{Light, Sound};

use super::{Decision, Doubt, Naming, OnTheJig, Outcome};
use crate::label::LabelProblem;

/// What a batch is set up with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Setup {
    /// The connectors of a board, in the order in which they are swept.
    pub connectors: Vec<String>,
    /// Where names come from.
    pub naming: Naming,
    /// A scanned or typed name also starts the sweep.
    pub name_starts: bool,
    /// The batch ends after so many boards.
    pub boards: Option<u32>,
    /// How often a connector may be asked to be seated anew for the sake of a doubt: connectors bear a limited number of
    /// matings.
    pub reseats: u32,
}

/// What happened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// The jig's button was pressed.
    Button,
    /// A line was typed or scanned.
    Line(String),
    /// A line was typed or scanned while a sweep ran, before anything was asked: it starts nothing, since the board that
    /// was swept is still on the jig.
    Early(String),
    /// The sweep that was asked for is over.
    Swept(Outcome),
    /// The operator wants to stop: the batch can be resumed.
    Stop,
}

/// What to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Action {
    /// Tell the operator what is waited for.
    Ask(Prompt),
    /// Show it on the jig.
    Signal(Light, Sound),
    /// Sweep, then tell what came of it.
    Sweep(Job),
    /// Write down what the operator decided about the session before.
    Decided(Decision),
    /// Write a note about the board.
    Note {
        /// Which board.
        board: String,
        /// The words.
        text: String,
    },
    /// A board is done.
    Done {
        /// Its name.
        board: String,
        /// Its place in the batch.
        place: u32,
        /// The outcome of its worst connector.
        outcome: Outcome,
    },
    /// A board was given up.
    GivenUp {
        /// Its name.
        board: String,
        /// Its place in the batch.
        place: u32,
    },
    /// The batch is over.
    End(Reason),
}

/// One sweep of one connector.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Job {
    /// Name of the board.
    pub board: String,
    /// Its place in the batch, from 1.
    pub place: u32,
    /// The connector, by its index in the order of the batch.
    pub connector: usize,
    /// Which sweep of this connector of the board, from 1.
    pub attempt: u32,
}

/// What is waited for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Prompt {
    /// The name of the next board.
    Name,
    /// The board on the jig and a press.
    Start {
        /// Its name.
        board: String,
    },
    /// The next connector of the same board, and a press.
    NextConnector {
        /// Which one, by its index.
        connector: usize,
    },
    /// The same connector seated anew, and a press.
    Reseat {
        /// Which one, by its index.
        connector: usize,
        /// Why.
        doubt: Doubt,
    },
    /// What kept a sweep from its end put right, and a press.
    Remedy {
        /// The connector.
        connector: usize,
    },
    /// The board that was on the jig when the batch ended, and a press.
    Unfinished(OnTheJig),
    /// A line was no name.
    NoName(LabelProblem),
    /// A line was no command.
    NoCommand {
        /// What was typed.
        found: String,
    },
    /// Nothing to do it to.
    Nothing,
    /// The keys.
    Help,
}

/// Why a batch ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reason {
    /// All boards are done.
    Complete,
    /// The operator stopped it.
    Stopped,
}
