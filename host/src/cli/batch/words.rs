//! What the operator of a batch is told.

use crate::{
    batch_run::{Doubt, Outcome, Prompt},
    label::{Found, shown},
};

/// What is waited for. `names` are those of the connectors.
pub(super) fn prompt(prompt: &Prompt, names: &[&str]) -> String {
    let name = |connector: &usize| names.get(*connector).copied().unwrap_or("?");
    match prompt {
        Prompt::Name => "next board: scan or type its name".to_owned(),
        Prompt::Start { board } => format!(
            "board {}: battery out, power off, discharged? Put {} on the jig and press the button or return",
            shown(board),
            names.first().copied().unwrap_or("it")
        ),
        Prompt::NextConnector { connector } => {
            format!("the same board: connect {} and press the button or return", name(connector))
        }
        Prompt::Reseat { connector, doubt: Doubt::Reading } => format!(
            "{} reads near the limit or not at all: seat it anew and press, or /keep the result (each mating wears it)",
            name(connector)
        ),
        Prompt::Reseat { connector, doubt: Doubt::Seating } => format!(
            "{} is not connected as it should be: see the verdict, seat it anew and press, or /keep the result",
            name(connector)
        ),
        Prompt::Remedy { connector } => {
            format!(
                "{} was not swept to its end: put right what is named and press, or /skip the board",
                name(connector)
            )
        }
        Prompt::Unfinished(on) => {
            let swept = match on.attempts {
                0 => "not swept",
                _ => "not swept to its end or left in doubt",
            };
            format!(
                "board {} (number {} of the batch) was on the jig when the batch ended, {} {swept}: battery out, power off, discharged? Put it on again and press, or /skip it",
                shown(&on.board),
                on.place,
                name(&on.connector)
            )
        }
        Prompt::NoName(problem) => format!("that is no name or note: {problem}"),
        Prompt::NoCommand { found } => format!("{} means nothing here; /help tells the keys", Found(found)),
        Prompt::Nothing => "there is nothing to do that to now; /help tells the keys".to_owned(),
        Prompt::Help => [
            "button or return: start, or go on",
            "a name: that of the board to sweep next",
            "/again: sweep the last connector of the last board once more",
            "/keep: take a doubtful result as it is",
            "/skip: give this board up",
            "/note TEXT: write a note about this board, or the last one",
            "/stop: end; --resume goes on",
        ]
        .join("\n"),
    }
}

/// The outcome of a board in one word.
pub(super) const fn outcome(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Matches => "matches",
        Outcome::Differs => "differs",
        Outcome::Unjudged => "not judged",
        Outcome::Inconclusive | Outcome::Doubtful(Doubt::Reading) => "inconclusive",
        Outcome::Doubtful(Doubt::Seating) => "not connected as it should be",
        Outcome::Failed => "failed",
    }
}
