//! The states of a batch.

use protocol::{Light, Sound};

use super::{
    Action, Decision, Doubt, Event, Job, Naming, Outcome, Progress, Prompt, Reason, Setup, next_name,
};
use crate::label::{self, LabelProblem};

/// A batch.
#[derive(Debug)]
pub struct Machine {
    setup: Setup,
    state: State,
    place: u32,
    done: u32,
    next_name: Option<String>,
    last: Option<Board>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum State {
    WaitsForName,
    WaitsForStart(Board),
    Sweeping(Board),
    WaitsForConnector(Board),
    WaitsForReseat(Board),
    WaitsForRemedy(Board),
    Ended,
}

/// The board on the jig.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Board {
    name: String,
    place: u32,
    connector: usize,
    /// Sweeps of this connector so far.
    attempts: u32,
    /// Times that this connector was asked to be seated anew.
    reseats: u32,
    /// Sweeps of this connector since it was seated last.
    since_seated: u32,
    /// The worst outcome of the connectors before.
    so_far: Outcome,
}

impl Board {
    /// Nothing was swept of it yet.
    const fn is_untouched(&self) -> bool {
        self.attempts == 0 && self.connector == 0
    }
}

impl Machine {
    /// Begins a batch, or goes on with one.
    #[must_use]
    pub fn new(setup: Setup, progress: &Progress) -> (Self, Vec<Action>) {
        let next_name = match &setup.naming {
            Naming::Asked => None,
            Naming::Counted(first) => match &progress.last_name {
                None => Some(first.clone()),
                Some(last) => next_name(last).or_else(|| Some(first.clone())),
            },
        };
        let mut machine = Self {
            setup,
            state: State::Ended,
            place: progress.next_place.max(1),
            done: progress.done,
            next_name,
            last: None,
        };
        let actions = match &progress.on_the_jig {
            Some(on) => {
                machine.state = State::WaitsForStart(Board {
                    name: on.board.clone(),
                    place: on.place,
                    connector: on.connector,
                    attempts: on.attempts,
                    reseats: 0,
                    since_seated: 0,
                    so_far: on.so_far,
                });
                vec![Action::Signal(Light::Ready, Sound::Ready), Action::Ask(Prompt::Unfinished(on.clone()))]
            }
            None => machine.next_board(Sound::Ready),
        };
        (machine, actions)
    }

    /// Whether the batch is over.
    #[must_use]
    pub fn is_over(&self) -> bool {
        self.state == State::Ended
    }

    /// Takes what happened and tells what to do.
    pub fn take(&mut self, event: Event) -> Vec<Action> {
        match event {
            Event::Stop => self.stop(),
            Event::Swept(outcome) => self.swept(outcome),
            Event::Button => self.press(),
            Event::Line(line) => self.line(line.trim(), true),
            Event::Early(line) => self.line(line.trim(), false),
        }
    }

    /// A line was typed or scanned; whether it may start a sweep.
    fn line(&mut self, line: &str, may_start: bool) -> Vec<Action> {
        match (line, line.strip_prefix('/')) {
            ("", _) if may_start => self.press(),
            ("", _) => Vec::new(),
            (_, Some(command)) => self.command(command),
            (name, None) => self.named(name, may_start),
        }
    }

    /// The button, or the return key alone.
    fn press(&mut self) -> Vec<Action> {
        match std::mem::replace(&mut self.state, State::Ended) {
            State::WaitsForStart(board) | State::WaitsForConnector(board) | State::WaitsForRemedy(board) => {
                self.sweep(Board { since_seated: 0, ..board })
            }
            State::WaitsForReseat(board) => {
                self.sweep(Board { since_seated: 0, reseats: board.reseats + 1, ..board })
            }
            state @ State::WaitsForName => {
                self.state = state;
                vec![Action::Ask(Prompt::Name)]
            }
            // A press while it sweeps, or after the end, means nothing.
            state @ (State::Sweeping(_) | State::Ended) => {
                self.state = state;
                Vec::new()
            }
        }
    }

    /// A name was typed or scanned: that of the next board, or another one for the board that waits to start.
    fn named(&mut self, line: &str, may_start: bool) -> Vec<Action> {
        let name = match label::name(line) {
            Ok(name) => name.to_owned(),
            Err(problem) => return vec![Action::Ask(Prompt::NoName(problem))],
        };
        let board = match &self.state {
            State::WaitsForName => self.fresh(name),
            // Nothing was swept of it yet, so it can still be called otherwise.
            State::WaitsForStart(board) if board.is_untouched() => Board { name, ..board.clone() },
            _ => return vec![Action::Ask(Prompt::NoCommand { found: line.to_owned() })],
        };
        if self.setup.name_starts && may_start {
            return self.sweep(board);
        }
        let ask = Action::Ask(Prompt::Start { board: board.name.clone() });
        self.state = State::WaitsForStart(board);
        vec![ask]
    }

    fn command(&mut self, command: &str) -> Vec<Action> {
        let (word, rest) = command.split_once(' ').unwrap_or((command, ""));
        match (word, rest.trim()) {
            ("stop", "") => self.stop(),
            ("skip", "") => self.skip(),
            ("keep", "") => self.keep(),
            ("again", "") => self.again(),
            ("help", "") => vec![Action::Ask(Prompt::Help)],
            ("note", text) => match (self.on_the_jig().or(self.last.as_ref()), label::note(text)) {
                (None, _) => vec![Action::Ask(Prompt::Nothing)],
                (Some(_), Ok("")) => vec![Action::Ask(Prompt::NoName(LabelProblem::Empty))],
                (Some(_), Err(problem)) => vec![Action::Ask(Prompt::NoName(problem))],
                (Some(board), Ok(text)) => {
                    vec![Action::Note { board: board.name.clone(), text: text.to_owned() }]
                }
            },
            _ => vec![Action::Ask(Prompt::NoCommand { found: format!("/{command}") })],
        }
    }

    fn swept(&mut self, outcome: Outcome) -> Vec<Action> {
        let State::Sweeping(board) = &self.state else { return Vec::new() };
        let board = board.clone();
        match outcome {
            Outcome::Failed => {
                let ask = Prompt::Remedy { connector: board.connector };
                self.state = State::WaitsForRemedy(board);
                vec![Action::Signal(Light::Trouble, Sound::Trouble), Action::Ask(ask)]
            }
            // Reading the same contacts once more costs no mating.
            Outcome::Doubtful(Doubt::Reading) if board.since_seated < 2 => self.sweep(board),
            Outcome::Doubtful(doubt) if board.reseats < self.setup.reseats => {
                let ask = Prompt::Reseat { connector: board.connector, doubt };
                self.state = State::WaitsForReseat(board);
                vec![Action::Signal(Light::Inconclusive, Sound::Inconclusive), Action::Ask(ask)]
            }
            outcome => self.settled(board, outcome),
        }
    }

    /// A connector is done: the next one, or the next board.
    fn settled(&mut self, board: Board, outcome: Outcome) -> Vec<Action> {
        let so_far = board.so_far.worse(outcome);
        let connector = board.connector + 1;
        let (light, sound) = signal(outcome);
        if connector < self.setup.connectors.len() {
            let board = Board { connector, so_far, attempts: 0, reseats: 0, since_seated: 0, ..board };
            self.state = State::WaitsForConnector(board);
            return vec![Action::Signal(light, sound), Action::Ask(Prompt::NextConnector { connector })];
        }
        self.done += 1;
        let done = Action::Done { board: board.name.clone(), place: board.place, outcome: so_far };
        self.last = Some(Board { so_far, ..board });
        let (light, sound) = signal(so_far);
        // The light stays until the next board starts: that is what the operator looks at.
        let mut actions = vec![Action::Signal(light, sound), done];
        let next = self.next_board(Sound::Silent);
        actions.extend(next.into_iter().filter(|action| !matches!(action, Action::Signal(..))));
        actions
    }

    /// Waits for the next board, unless all are done.
    fn next_board(&mut self, sound: Sound) -> Vec<Action> {
        if self.setup.boards.is_some_and(|boards| self.done >= boards) {
            self.state = State::Ended;
            return vec![Action::End(Reason::Complete)];
        }
        let ask = match self.next_name.clone() {
            Some(name) => {
                let ask = Prompt::Start { board: name.clone() };
                self.state = State::WaitsForStart(self.fresh(name));
                ask
            }
            None => {
                self.state = State::WaitsForName;
                Prompt::Name
            }
        };
        vec![Action::Signal(Light::Ready, sound), Action::Ask(ask)]
    }

    fn sweep(&mut self, board: Board) -> Vec<Action> {
        if board.place == self.place {
            self.place += 1;
            if matches!(self.setup.naming, Naming::Counted(_)) {
                self.next_name = next_name(&board.name);
            }
        }
        let board = Board { attempts: board.attempts + 1, since_seated: board.since_seated + 1, ..board };
        let job = Job {
            board: board.name.clone(),
            place: board.place,
            connector: board.connector,
            attempt: board.attempts,
        };
        self.state = State::Sweeping(board);
        vec![Action::Signal(Light::Busy, Sound::Silent), Action::Sweep(job)]
    }

    /// Takes a doubtful result as it is.
    fn keep(&mut self) -> Vec<Action> {
        match &self.state {
            State::WaitsForReseat(board) => {
                let board = board.clone();
                let mut actions = vec![Action::Decided(Decision::Keep)];
                actions.extend(self.settled(board, Outcome::Inconclusive));
                actions
            }
            _ => vec![Action::Ask(Prompt::Nothing)],
        }
    }

    /// Gives the board up.
    fn skip(&mut self) -> Vec<Action> {
        match std::mem::replace(&mut self.state, State::Ended) {
            State::WaitsForStart(board) if board.is_untouched() => {
                // Nothing was swept: only its name is passed over.
                self.next_name = next_name(&board.name).filter(|_| self.next_name.is_some());
                self.next_board(Sound::Ready)
            }
            State::WaitsForStart(board)
            | State::WaitsForConnector(board)
            | State::WaitsForReseat(board)
            | State::WaitsForRemedy(board) => {
                let mut actions = vec![Action::Decided(Decision::Skip)];
                actions.push(Action::GivenUp { board: board.name.clone(), place: board.place });
                self.last = Some(board);
                actions.extend(self.next_board(Sound::Ready));
                actions
            }
            state => {
                self.state = state;
                vec![Action::Ask(Prompt::Nothing)]
            }
        }
    }

    /// Sweeps the last connector of the last board once more.
    fn again(&mut self) -> Vec<Action> {
        let is_free = match &self.state {
            State::WaitsForName => true,
            State::WaitsForStart(board) => board.is_untouched(),
            _ => false,
        };
        match self.last.take().filter(|_| is_free) {
            Some(board) => {
                self.done = self.done.saturating_sub(1);
                self.sweep(Board { since_seated: 0, so_far: Outcome::Matches, ..board })
            }
            None => vec![Action::Ask(Prompt::Nothing)],
        }
    }

    fn stop(&mut self) -> Vec<Action> {
        self.state = State::Ended;
        vec![Action::Signal(Light::Off, Sound::Silent), Action::End(Reason::Stopped)]
    }

    fn fresh(&self, name: String) -> Board {
        Board {
            name,
            place: self.place,
            connector: 0,
            attempts: 0,
            reseats: 0,
            since_seated: 0,
            so_far: Outcome::Matches,
        }
    }

    fn on_the_jig(&self) -> Option<&Board> {
        match &self.state {
            State::Sweeping(board)
            | State::WaitsForConnector(board)
            | State::WaitsForReseat(board)
            | State::WaitsForRemedy(board) => Some(board),
            State::WaitsForStart(board) if !board.is_untouched() => Some(board),
            _ => None,
        }
    }
}

/// What the jig shows of an outcome.
const fn signal(outcome: Outcome) -> (Light, Sound) {
    match outcome {
        Outcome::Matches => (Light::Matches, Sound::Matches),
        Outcome::Differs => (Light::Differs, Sound::Differs),
        Outcome::Unjudged | Outcome::Inconclusive | Outcome::Doubtful(_) => {
            (Light::Inconclusive, Sound::Inconclusive)
        }
        Outcome::Failed => (Light::Trouble, Sound::Trouble),
    }
}

#[cfg(test)]
mod tests;
