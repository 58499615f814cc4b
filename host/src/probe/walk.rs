//! The walk over the pins: which one is to be touched, what a touch counts for, what to say.

use std::time::Duration;

use protocol::Channel;

use super::{
    Action, Deed, Expects, Fit, How, Known,
    tip::{Felt, Tip, Touch},
};
use crate::{
    meter::{Decoder, NoValue, Number, Profile, Reading, Sign, Stamped},
    moment::Moment,
    readings::{PinValue, Unread},
    sweep::{AliveSign, Guard, PinResult, Stream, Timing},
    units::Volts,
};

/// What a walk needs to know.
#[derive(Debug, Clone)]
pub struct Setting {
    /// Pins in the order in which they are touched, by index.
    pub order: Vec<usize>,
    /// Channel that the wiring gives each pin. By hand nothing is closed; results are named by it all the same, so
    /// that they look like those of a jig.
    pub channels: Vec<Channel>,
    /// What each pin should read.
    pub expects: Expects,
    /// The meter's time.
    pub timing: Timing,
    /// The most that the meter can drive, where it is known.
    pub compliance: Option<Volts>,
    /// Voltage of the meter's open leads, where its display can show it.
    pub open_leads: Option<Volts>,
}

/// Where the walk stands.
#[derive(Debug, Clone, PartialEq)]
pub enum State {
    /// A pin is to be touched.
    Asking {
        /// The pin, by its index.
        pin: usize,
        /// Since when nothing has been felt there.
        since: Moment,
        /// Touches that differed.
        seen: Vec<PinResult>,
        /// The probe has been proven since the pin first showed nothing.
        proven: bool,
    },
    /// A known pin is to be touched, since this pin shows nothing.
    Proving {
        /// The pin, by its index.
        pin: usize,
        /// Where to touch.
        known: Known,
        /// Since when nothing has been felt there.
        since: Moment,
        /// Touches of the pin that differed.
        seen: Vec<PinResult>,
    },
    /// The operator says that the probe is held on the pin and nothing shows: the meter must agree.
    Confirming {
        /// The pin, by its index.
        pin: usize,
        /// When the operator said so.
        since: Moment,
        /// Readings since then that show nothing.
        blanks: u16,
        /// Touches of the pin that differed.
        seen: Vec<PinResult>,
        /// The probe has been proven.
        proven: bool,
    },
    /// Nothing is taken.
    Paused(Box<State>),
    /// Every pin is done.
    Done,
}

/// Walks over the pins of a connector.
#[derive(Debug)]
pub struct Walk {
    setting: Setting,
    profile: Profile,
    decoder: Decoder,
    tip: Tip,
    state: State,
    results: Vec<Option<PinResult>>,
    /// What was taken, in order, each with what it replaced.
    taken: Vec<(usize, Option<PinResult>)>,
    /// Pins that were asked for once more because a neighbour turned out to read the same.
    doubted: Vec<usize>,
    guard: Option<Guard>,
    shown: Option<Result<Number, NoValue>>,
    caution: u8,
    touches: u32,
    extra: u32,
}

/// A pin at which nothing is felt for so long shows nothing: by hand a pin takes 3 to 5 s (common practice), and who
/// lifted too early needs a second try.
const WAIT: Duration = Duration::from_secs(8);

/// Touches that must agree before a reading that differs counts, and before one that fits a neighbour far better does.
const AGREEING: (usize, usize) = (2, 3);

/// Touches that are kept for a pin: more never come to agree.
const KEPT: usize = 12;

/// A damaged frame that is noticed tells of others that are not; for so many readings one more must agree.
const CAUTION: u8 = 100;

/// Two touches of one pin agree within this: the contact of a hand-held tip differs by some ohms at 1 mA.
const SAME_TOUCH: f64 = 0.006;

impl Walk {
    /// Begins at the first pin.
    #[must_use]
    pub fn new(setting: Setting, profile: &Profile) -> Self {
        let state = setting.order.first().map_or(State::Done, |&pin| asking(pin, Moment::START));
        Self {
            decoder: Decoder::new(profile),
            profile: profile.clone(),
            tip: Tip::new(setting.timing, setting.open_leads, !setting.expects.has_reference()),
            state,
            results: vec![None; setting.channels.len()],
            taken: Vec::new(),
            doubted: Vec::new(),
            guard: None,
            shown: None,
            caution: 0,
            touches: 0,
            extra: 0,
            setting,
        }
    }

    /// What is to be said at the beginning, or after a resumption.
    #[must_use]
    pub fn greet(&self) -> Vec<Action> {
        self.ask_again()
    }

    /// Where the walk stands.
    #[must_use]
    pub const fn state(&self) -> &State {
        &self.state
    }

    /// The pin that is to be touched or decided; `None` when all are done.
    #[must_use]
    pub fn pin(&self) -> Option<usize> {
        pin_of(&self.state)
    }

    /// What was read at each pin, by index.
    #[must_use]
    pub fn results(&self) -> &[Option<PinResult>] {
        &self.results
    }

    /// The value of each pin, by index: `Unread` where there is none.
    #[must_use]
    pub fn values(&self) -> Vec<PinValue> {
        let value = |result: &Option<PinResult>| {
            result.as_ref().map_or(PinValue::Unread(Unread::NoReading), |result| result.value)
        };
        self.results.iter().map(value).collect()
    }

    /// What each pin should read.
    #[must_use]
    pub const fn expects(&self) -> &Expects {
        &self.setting.expects
    }

    /// The order of the pins.
    #[must_use]
    pub fn order(&self) -> &[usize] {
        &self.setting.order
    }

    /// What the meter showed last.
    #[must_use]
    pub const fn shown(&self) -> Option<Result<Number, NoValue>> {
        self.shown
    }

    /// How a reading of a pin stands to what is expected there.
    #[must_use]
    pub fn how(&self, pin: usize, value: PinValue) -> How {
        match (value, self.setting.expects.fit(pin, value)) {
            (PinValue::Unread(_), _) => How::Skipped,
            (_, Fit::Fits) => How::Fits,
            (_, Fit::Differs) => How::Differs,
            (_, Fit::Unknown) => How::Unjudged,
        }
    }

    /// The meter's rhythm.
    #[must_use]
    pub const fn stream(&self) -> &Stream {
        self.tip.stream()
    }

    /// Touches that were taken or differed, and how many of them were asked for beyond the first of a pin.
    #[must_use]
    pub const fn touches(&self) -> (u32, u32) {
        (self.touches, self.extra)
    }

    /// When [`tick`](Self::tick) should be called at the latest; nothing is lost if it comes later.
    #[must_use]
    pub fn deadline(&self) -> Option<Moment> {
        match &self.state {
            State::Asking { pin, since, proven: false, .. } if !self.setting.expects.is_open(*pin) => {
                Some(since.after(WAIT))
            }
            State::Proving { since, .. } => Some(since.after(WAIT)),
            _ => None,
        }
    }

    /// The meter was asked for a reading.
    pub fn asked_meter(&mut self, now: Moment) {
        self.tip.asked(now);
    }

    /// Time has passed.
    pub fn tick(&mut self, now: Moment) -> Vec<Action> {
        let mut actions = Vec::new();
        while let Some(due) = self.deadline().filter(|&due| due <= now) {
            match std::mem::replace(&mut self.state, State::Done) {
                State::Asking { pin, seen, .. } => actions.push(self.prove(pin, seen, due)),
                State::Proving { pin, known, seen, .. } => {
                    self.state = State::Proving { pin, known, since: due, seen };
                    actions.push(Action::Dead { known });
                }
                other => self.state = other,
            }
        }
        actions
    }

    /// Bytes of the meter arrived.
    pub fn meter_bytes(&mut self, bytes: &[u8], now: Moment) -> Vec<Action> {
        let mut actions = self.tick(now);
        self.decoder.push(bytes, now);
        while let Some(frame) = self.decoder.pull() {
            match frame {
                Ok(frame) => {
                    self.caution = self.caution.saturating_sub(1);
                    self.reading(&frame, &mut actions);
                }
                Err(_) => {
                    self.caution = CAUTION;
                    self.tip.distrust();
                }
            }
        }
        actions
    }

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

    /// The meter sent a reading.
    fn reading(&mut self, frame: &Stamped<Reading>, actions: &mut Vec<Action>) {
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
            Felt::Unsettled => {
                if let (Some(pin), false) = (self.pin(), matches!(self.state, State::Paused(_))) {
                    self.felt(frame.first_byte);
                    actions.push(Action::Unsettled { pin });
                }
            }
            Felt::Touched(touch) => self.touched(touch, actions),
        }
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
        // Beside a pin that shows nothing either, a slip looks just like an open joint: once more, from the proof on.
        let is_first = !seen.iter().any(|seen| seen.value == PinValue::Overload);
        if is_first && how != How::Fits && self.setting.expects.has_open_neighbour(pin, &self.values()) {
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
        if let Some(sign) = AliveSign::of(touch.value, self.setting.compliance) {
            actions.push(Action::Alive { pin, sign });
        }
        self.touches = self.touches.saturating_add(1);
        let State::Asking { seen, .. } = &mut self.state else { return };
        if !seen.is_empty() {
            self.extra = self.extra.saturating_add(1);
        }
        let earlier = seen.clone();
        let mut result = self.result(pin, touch.value, &earlier, touch.decided);
        result.settled = touch.began;
        result.spoilt = touch.spoilt;
        result.used = touch.used;
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
                if let State::Asking { seen, .. } = &mut self.state {
                    seen.push(result);
                    if seen.len() > KEPT {
                        seen.remove(0);
                    }
                }
            }
        }
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
                self.state = State::Proving { pin, known, since, seen };
                actions.push(Action::Prove { pin, known });
            }
            other => self.state = other,
        }
    }

    fn prove(&mut self, pin: usize, seen: Vec<PinResult>, since: Moment) -> Action {
        let known = Known::for_pin(pin, &self.results, &self.setting.expects);
        self.state = State::Proving { pin, known, since, seen };
        Action::Prove { pin, known }
    }

    fn take(&mut self, result: PinResult, how: How, now: Moment, actions: &mut Vec<Action>) {
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
                let is_doubtful = self.how(other, seen) == How::Differs && agree(seen, value);
                is_doubtful.then_some((other, seen, expected))
            })
    }

    fn learn(&mut self) {
        let values = self.values();
        self.setting.expects.learn(&values);
    }

    /// The next pin without a result, after this one in the order and then from its beginning.
    fn next_after(&self, pin: usize) -> Option<usize> {
        let here = self.place(pin).map_or(0, |here| here + 1);
        let order = &self.setting.order;
        let (before, after) = order.split_at(here.min(order.len()));
        after.iter().chain(before).copied().find(|&pin| self.results.get(pin).is_some_and(Option::is_none))
    }

    fn place(&self, pin: usize) -> Option<usize> {
        self.setting.order.iter().position(|&other| other == pin)
    }

    /// Begins the present pin from the start.
    fn begin_anew(&mut self, now: Moment) {
        if let Some(pin) = self.pin() {
            self.state = asking(pin, now);
        }
    }

    fn ask_again(&self) -> Vec<Action> {
        vec![match self.pin() {
            Some(pin) => Action::Ask { pin, expected: self.setting.expects.of(pin).map(|pin| pin.value) },
            None => Action::Done,
        }]
    }

    fn result(&self, pin: usize, value: PinValue, seen: &[PinResult], at: Moment) -> PinResult {
        PinResult {
            pin,
            channel: self.setting.channels.get(pin).copied().unwrap_or(Channel(0)),
            value,
            settled: at,
            decided: at,
            spoilt: 0,
            used: Vec::new(),
            retries: u16::try_from(seen.len()).unwrap_or(u16::MAX),
        }
    }
}

const fn asking(pin: usize, since: Moment) -> State {
    State::Asking { pin, since, seen: Vec::new(), proven: false }
}

fn pin_of(state: &State) -> Option<usize> {
    match state {
        State::Asking { pin, .. } | State::Proving { pin, .. } | State::Confirming { pin, .. } => Some(*pin),
        State::Paused(inner) => pin_of(inner),
        State::Done => None,
    }
}

fn agree(a: PinValue, b: PinValue) -> bool {
    match (a.volts(), b.volts()) {
        (Some(a), Some(b)) => (a.get() - b.get()).abs() <= SAME_TOUCH,
        _ => a == b,
    }
}

#[cfg(test)]
mod tests;
