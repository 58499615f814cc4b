//! What the meter's readings do to the walk: which touch counts, and when a pin is taken.

use super::{AGREEING, KEPT, State, Walk, agree, asking};
use crate::{
    meter::{NoValue, Reading, Sign, Stamped},
    moment::Moment,
    probe::{
        Action, Fit, How,
        tip::{Felt, Touch},
    },
    readings::PinValue,
    sweep::{AliveSign, Guard, PinResult},
};

impl Walk {
    /// The meter sent a reading.
    pub(super) fn reading(&mut self, frame: &Stamped<Reading>, actions: &mut Vec<Action>) {
        self.shown = Some(frame.item.value);
        let guard = Guard::of(&frame.item);
        if guard != self.guard {
            let was_blocked = self.guard.is_some_and(Guard::blocks);
            self.guard = guard;
            match guard {
                Some(guard) => actions.push(Action::Guard(guard)),
                None if was_blocked => actions.push(Action::GuardGone),
                None => {}
            }
        }
        if guard.is_some_and(Guard::blocks) {
            self.tip.distrust();
            return;
        }
        let Some(felt) = self.tip.frame(frame, self.caution > 0) else { return };
        match felt {
            Felt::Nothing | Felt::Held if self.tip.shows_nothing() => self.blank(frame, actions),
            Felt::Nothing | Felt::Held => {}
            Felt::Touching => self.felt(frame.first_byte),
            Felt::Unsettled(touch) => {
                self.look_for_life(touch.value, &touch.settling, actions);
                if let (Some(pin), false) = (self.pin(), matches!(self.state, State::Paused(_))) {
                    self.felt(frame.first_byte);
                    actions.push(Action::Unsettled { pin });
                }
            }
            Felt::Touched(touch) => {
                self.look_for_life(touch.value, &touch.settling, actions);
                self.touched(touch, actions);
            }
            Felt::BelowRange => self.alive(AliveSign::BelowRange, actions),
        }
    }

    pub(super) fn take(&mut self, result: PinResult, how: How, now: Moment, actions: &mut Vec<Action>) {
        let pin = result.pin;
        if let Some(slot) = self.results.get_mut(pin) {
            self.taken.push((pin, slot.replace(result.clone())));
        }
        let value = result.value;
        actions.push(Action::Took { result, how });
        self.learn();
        if let Some((doubted, action)) = self.doubtful_beside(pin, value, how) {
            self.doubted.push(doubted);
            self.extra = self.extra.saturating_add(1);
            self.state = asking(doubted, now);
            // What was read there agrees with what is expected: it counts as the first touch.
            if let (Action::Either { .. }, State::Asking { seen, .. }) = (&action, &mut self.state) {
                seen.extend(self.results.get(doubted).cloned().flatten());
            }
            actions.push(action);
            return;
        }
        self.state = match self.next_after(pin) {
            Some(next) => asking(next, now),
            None => State::Done,
        };
        actions.extend(self.ask_again());
    }

    /// Something is felt: the wait begins anew.
    fn felt(&mut self, at: Moment) {
        if let State::Confirming { pin, seen, proven, .. } = &self.state {
            self.state = State::Asking { pin: *pin, since: at, seen: seen.clone(), proven: *proven };
        }
        if let State::Asking { since, .. } | State::Proving { since, .. } = &mut self.state {
            *since = at.max(*since);
        }
    }

    /// A reading that shows nothing.
    fn blank(&mut self, frame: &Stamped<Reading>, actions: &mut Vec<Action>) {
        let wanted = self.tip.blanks_wanted();
        let State::Confirming { pin, since, blanks, seen, .. } = &mut self.state else { return };
        // Its conversion must have begun after the operator spoke; a period more makes sure of it.
        if frame.first_byte < since.after(self.setting.timing.period) {
            return;
        }
        *blanks = blanks.saturating_add(1);
        if *blanks < wanted {
            return;
        }
        let (pin, began, count, mut seen) = (*pin, *since, *blanks, std::mem::take(seen));
        let mut result = self.result(pin, PinValue::Overload, &seen, frame.last_byte);
        result.settled = began;
        result.used = vec![Err(NoValue::Overload(Sign::Plus)); usize::from(count)];
        let how = self.how(pin, PinValue::Overload);
        // Beside a pin that shows nothing either, a slip looks just like an open joint; and at a pin that has shown a
        // number, nothing is as likely a slip as the truth: once more, from the proof on.
        let is_first = !seen.iter().any(|seen| seen.value == PinValue::Overload);
        let is_slip_likely = match how {
            How::Fits => seen.iter().any(|seen| seen.value.volts().is_some()),
            _ => self.setting.expects.has_open_neighbour(pin, &self.values()),
        };
        if is_first && is_slip_likely {
            self.extra = self.extra.saturating_add(1);
            seen.push(result);
            actions.push(self.prove(pin, seen, frame.last_byte));
            return;
        }
        self.take(result, how, frame.last_byte, actions);
    }

    fn touched(&mut self, touch: Touch, actions: &mut Vec<Action>) {
        match std::mem::replace(&mut self.state, State::Done) {
            State::Asking { pin, seen, proven, .. } | State::Confirming { pin, seen, proven, .. } => {
                self.state = State::Asking { pin, since: touch.decided, seen, proven };
                self.touched_pin(pin, touch, actions);
            }
            State::Proving { pin, known, seen, .. } => {
                if known.holds(touch.value) {
                    self.state = State::Asking { pin, since: touch.decided, seen, proven: true };
                    actions.push(Action::Proven { pin });
                } else {
                    // Perhaps the pin itself at last, perhaps a slip at the known one: nothing counts.
                    self.state = State::Asking { pin, since: touch.decided, seen, proven: false };
                    actions.push(Action::NotProof { pin, seen: touch.value });
                }
            }
            other => self.state = other,
        }
    }

    fn touched_pin(&mut self, pin: usize, touch: Touch, actions: &mut Vec<Action>) {
        self.touches = self.touches.saturating_add(1);
        let State::Asking { seen, .. } = &mut self.state else { return };
        if !seen.is_empty() {
            self.extra = self.extra.saturating_add(1);
        }
        let earlier = seen.clone();
        let mut result = self.result(pin, touch.value, &earlier, touch.decided);
        result.settled = touch.began;
        result.spoilt = touch.spoilt;
        result.used = touch.settling.recent().collect();
        let values = self.values();
        let expects = &self.setting.expects;
        let (how, neighbour, wanted) = match expects.fit(pin, touch.value) {
            Fit::Unknown => (How::Unjudged, None, 1),
            Fit::Fits => match expects.fits_neighbour_too(pin, touch.value, &values) {
                None => (How::Fits, None, 1),
                neighbour => (How::Fits, neighbour, AGREEING.0),
            },
            Fit::Differs => match expects.fits_neighbour(pin, touch.value, &values) {
                None => (How::Differs, None, AGREEING.0),
                neighbour => (How::Differs, neighbour, AGREEING.1),
            },
        };
        let agreeing = earlier.iter().filter(|before| agree(before.value, touch.value)).count() + 1;
        if agreeing >= wanted {
            self.take(result, how, touch.decided, actions);
            return;
        }
        actions.push(match (how, neighbour) {
            (How::Fits, Some(neighbour)) => {
                Action::Either { pin, seen: touch.value, neighbour, touches: earlier.len() + 1 }
            }
            _ => Action::Again {
                pin,
                expected: expects.of(pin).map_or(PinValue::Overload, |pin| pin.value),
                seen: touch.value,
                neighbour,
                touches: earlier.len() + 1,
            },
        });
        if let State::Asking { seen, proven, .. } = &mut self.state {
            *proven = false;
            seen.push(result);
            if seen.len() > KEPT {
                seen.remove(0);
            }
        }
    }

    /// A pin beside this one that reads just what this one does now, though good boards tell the two apart, and what is
    /// asked of it: it may never have been touched. One of the two must differ. (At an open joint only slips show
    /// anything, so slips may well agree; and a slip to a faulty pin may fit the pin that was meant.) Each pin is
    /// doubted once, and one that was itself in doubt puts no other in doubt: it was touched with both in mind.
    fn doubtful_beside(&self, pin: usize, value: PinValue, how: How) -> Option<(usize, Action)> {
        value.volts()?;
        if self.doubted.contains(&pin) {
            return None;
        }
        let expects = &self.setting.expects;
        let doubt = |other: usize| {
            let seen = self.results.get(other)?.as_ref()?.value;
            let expected = expects.of(other)?.value;
            if !expects.may_be_taken_for(pin, other) || !agree(seen, value) {
                return None;
            }
            match (self.how(other, seen), how) {
                (How::Differs, _) => {
                    Some(Action::Again { pin: other, expected, seen, neighbour: Some(pin), touches: 0 })
                }
                (How::Fits, How::Differs) => {
                    Some(Action::Either { pin: other, seen, neighbour: pin, touches: 0 })
                }
                _ => None,
            }
        };
        let beside = expects.beside(pin).iter().copied();
        beside
            .filter(|other| !self.doubted.contains(other))
            .find_map(|other| doubt(other).map(|action| (other, action)))
    }

    /// The next pin without a result, after this one in the order and then from its beginning.
    fn next_after(&self, pin: usize) -> Option<usize> {
        let here = self.place(pin).map_or(0, |here| here + 1);
        let order = &self.setting.order;
        let (before, after) = order.split_at(here.min(order.len()));
        after.iter().chain(before).copied().find(|&pin| self.results.get(pin).is_some_and(Option::is_none))
    }
}
