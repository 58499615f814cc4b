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
        if let Some((doubted, seen, expected)) = self.doubtful_beside(pin, value) {
            self.doubted.push(doubted);
            self.extra = self.extra.saturating_add(1);
            self.state = asking(doubted, now);
            actions.push(Action::Again { pin: doubted, expected, seen, neighbour: Some(pin), touches: 0 });
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
        let fit = self.setting.expects.fit(pin, touch.value);
        match fit {
            Fit::Fits => self.take(result, How::Fits, touch.decided, actions),
            Fit::Unknown => self.take(result, How::Unjudged, touch.decided, actions),
            Fit::Differs => {
                let neighbour = self.setting.expects.fits_neighbour(pin, touch.value, &self.values());
                let wanted = if neighbour.is_some() { AGREEING.1 } else { AGREEING.0 };
                let agreeing = earlier.iter().filter(|before| agree(before.value, touch.value)).count() + 1;
                if agreeing >= wanted {
                    self.take(result, How::Differs, touch.decided, actions);
                    return;
                }
                let expected = self.setting.expects.of(pin).map_or(PinValue::Overload, |pin| pin.value);
                actions.push(Action::Again {
                    pin,
                    expected,
                    seen: touch.value,
                    neighbour,
                    touches: earlier.len() + 1,
                });
                if let State::Asking { seen, proven, .. } = &mut self.state {
                    *proven = false;
                    seen.push(result);
                    if seen.len() > KEPT {
                        seen.remove(0);
                    }
                }
            }
        }
    }

    /// A pin beside this one that was taken as differing and reads just what this one does now: it may never have been
    /// touched. (At an open joint only slips show anything, so slips may well agree.) Each pin is doubted once.
    fn doubtful_beside(&self, pin: usize, value: PinValue) -> Option<(usize, PinValue, PinValue)> {
        value.volts()?;
        self.setting
            .expects
            .beside(pin)
            .iter()
            .copied()
            .filter(|other| !self.doubted.contains(other))
            .find_map(|other| {
                let seen = self.results.get(other)?.as_ref()?.value;
                let expected = self.setting.expects.of(other)?.value;
                let is_doubtful = self.setting.expects.may_be_taken_for(pin, other)
                    && self.how(other, seen) == How::Differs
                    && agree(seen, value);
                is_doubtful.then_some((other, seen, expected))
            })
    }

    /// The next pin without a result, after this one in the order and then from its beginning.
    fn next_after(&self, pin: usize) -> Option<usize> {
        let here = self.place(pin).map_or(0, |here| here + 1);
        let order = &self.setting.order;
        let (before, after) = order.split_at(here.min(order.len()));
        after.iter().chain(before).copied().find(|&pin| self.results.get(pin).is_some_and(Option::is_none))
    }
}
