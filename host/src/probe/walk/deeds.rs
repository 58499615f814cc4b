//! What the operator's deeds do to the walk.

use super::{State, Walk, asking};
use crate::{
    meter::Decoder,
    moment::Moment,
    probe::{Action, Deed, How, Known, tip::Tip},
    readings::{PinValue, Unread},
    sweep::PinResult,
};

impl Walk {
    /// The operator did something.
    pub fn deed(&mut self, deed: &Deed, now: Moment) -> Vec<Action> {
        let mut actions = self.tick(now);
        match (deed, &self.state) {
            (Deed::Resume, _) => {
                self.decoder = Decoder::new(&self.profile);
                self.tip = Tip::new(
                    self.setting.timing,
                    self.setting.open_leads,
                    !self.setting.expects.has_reference(),
                );
                if let State::Paused(inner) = &self.state {
                    self.state = (**inner).clone();
                }
                self.begin_anew(now);
                actions.extend(self.ask_again());
            }
            (Deed::GoOn, State::Paused(inner)) => {
                self.state = (**inner).clone();
                self.begin_anew(now);
                actions.extend(self.ask_again());
            }
            (_, State::Paused(_)) => actions.push(Action::Paused),
            (Deed::GoOn, _) => {}
            (Deed::Pause, State::Done) => {}
            (Deed::Pause, _) => {
                let inner = std::mem::replace(&mut self.state, State::Done);
                self.state = State::Paused(Box::new(inner));
                actions.push(Action::Paused);
            }
            (Deed::Undo, _) => match self.taken.pop() {
                Some((pin, before)) => {
                    if let Some(slot) = self.results.get_mut(pin) {
                        *slot = before;
                    }
                    self.learn();
                    self.state = asking(pin, now);
                    actions.push(Action::Undone { pin });
                    actions.extend(self.ask_again());
                }
                None => actions.push(Action::NothingBefore),
            },
            (Deed::Back, _) => {
                let here = self.pin().and_then(|pin| self.place(pin)).unwrap_or(self.setting.order.len());
                match here.checked_sub(1).and_then(|before| self.setting.order.get(before)) {
                    Some(&pin) => {
                        self.state = asking(pin, now);
                        actions.extend(self.ask_again());
                    }
                    None => actions.push(Action::NothingBefore),
                }
            }
            (Deed::Jump(pin), _) => {
                if self.place(*pin).is_some() {
                    self.state = asking(*pin, now);
                    actions.extend(self.ask_again());
                }
            }
            (Deed::Repeat, _) => {
                self.begin_anew(now);
                actions.extend(self.ask_again());
            }
            (Deed::Skip, _) => {
                if let Some(pin) = self.pin() {
                    let result = self.result(pin, PinValue::Unread(Unread::Skipped), &[], now);
                    self.take(result, How::Skipped, now, &mut actions);
                }
            }
            (Deed::Confirm, _) => self.confirm(now, &mut actions),
        }
        actions
    }

    pub(super) fn prove(&mut self, pin: usize, seen: Vec<PinResult>, since: Moment) -> Action {
        let known = Known::for_pin(pin, &self.results, &self.setting.expects);
        let action = prove(pin, known, &seen);
        self.state = State::Proving { pin, known, since, seen };
        action
    }

    fn confirm(&mut self, now: Moment, actions: &mut Vec<Action>) {
        match std::mem::replace(&mut self.state, State::Done) {
            State::Asking { pin, since, seen, proven } => {
                if !self.tip.shows_nothing() {
                    self.state = State::Asking { pin, since, seen, proven };
                    actions.push(Action::ShowsNumber);
                } else if proven || self.setting.expects.is_open(pin) {
                    self.state = State::Confirming { pin, since: now, blanks: 0, seen, proven };
                    actions.push(Action::Confirming { pin });
                } else {
                    actions.push(self.prove(pin, seen, now));
                }
            }
            State::Proving { pin, known, since, seen } => {
                actions.push(prove(pin, known, &seen));
                self.state = State::Proving { pin, known, since, seen };
            }
            other => self.state = other,
        }
    }

    /// Begins the present pin from the start.
    fn begin_anew(&mut self, now: Moment) {
        if let Some(pin) = self.pin() {
            self.state = asking(pin, now);
        }
    }
}

fn prove(pin: usize, known: Known, seen: &[PinResult]) -> Action {
    let once_more = seen.iter().any(|seen| seen.value == PinValue::Overload);
    Action::Prove { pin, known, once_more }
}
