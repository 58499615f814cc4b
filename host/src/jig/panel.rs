//! Button, light and sound of the jig while no channel is closed: greeted again until it answers.

use std::collections::VecDeque;

use protocol::{Answer, BoardMessage, Event, Fault, Light, Request, RequestFrame, Sound, version};

use super::{
    Heard,
    client::{Client, Due},
};
use crate::moment::Moment;

/// The switching board as far as an operator without a sweep needs it.
#[derive(Debug)]
pub struct Panel {
    client: Client,
    /// Signals that are still to be shown.
    waiting: VecDeque<(Light, Sound)>,
    /// The latest signal that went out, with its sound until that has been played.
    shown: Option<(Light, Sound)>,
    out: VecDeque<RequestFrame>,
    greeted: bool,
}

/// Signals that may wait for the link: more are old news.
const MOST_WAITING: usize = 4;

impl Panel {
    /// Greets, under this number ([`Client::new`]).
    #[must_use]
    pub fn new(first: u16, now: Moment) -> Self {
        let mut panel = Self {
            client: Client::new(first),
            waiting: VecDeque::new(),
            shown: None,
            out: VecDeque::new(),
            greeted: false,
        };
        panel.greet(now);
        panel
    }

    /// Takes a message; tells whether the button went down.
    pub fn message(&mut self, message: &BoardMessage, now: Moment) -> bool {
        let pressed = match self.client.receive(message, now) {
            Heard::Event(Event::Button { pressed }) => pressed,
            Heard::Answer { answer: Answer::Greeting(_), .. } => {
                self.greeted = true;
                if self.waiting.is_empty() {
                    // A board that has started again has lost its light.
                    self.waiting.extend(self.shown);
                }
                false
            }
            Heard::Restarted | Heard::Answer { answer: Answer::Refused(Fault::NotGreeted), .. } => {
                self.greet(now);
                false
            }
            Heard::Answer { request: Request::Indicate { light, .. }, .. } => {
                self.shown = Some((light, Sound::Silent));
                false
            }
            Heard::Answer { .. } | Heard::Event(_) | Heard::Stale { .. } => false,
        };
        self.flush(now);
        pressed
    }

    /// Shows and sounds this as soon as the switching board listens.
    pub fn show(&mut self, light: Light, sound: Sound, now: Moment) {
        if self.waiting.len() < MOST_WAITING {
            self.waiting.push_back((light, sound));
        }
        self.flush(now);
    }

    /// Time has passed.
    pub fn tick(&mut self, now: Moment) {
        match self.client.due(now) {
            Due::Nothing => {}
            Due::Ping(ping) if self.greeted => self.out.push_back(ping),
            // A button that does not answer, or that refuses the greeting, is no reason to stop: it may just have been
            // plugged in again, or another may be flashed meanwhile.
            Due::Ping(_) | Due::Again(_) | Due::Silent(_) => self.greet(now),
        }
        self.flush(now);
    }

    /// When [`tick`](Self::tick) has something to do.
    #[must_use]
    pub fn deadline(&self, now: Moment) -> Moment {
        self.client.wake(now)
    }

    /// The next request to send; ask until there is none after every input.
    #[must_use = "a request is handed out once"]
    pub fn next_output(&mut self) -> Option<RequestFrame> {
        self.out.pop_front()
    }

    /// Whether all that was to be shown has been.
    #[must_use]
    pub fn is_done(&self) -> bool {
        self.greeted && self.waiting.is_empty() && !self.client.is_waiting()
    }

    fn greet(&mut self, now: Moment) {
        self.greeted = false;
        let greet = Request::Greet { min: version::MIN, max: version::CURRENT };
        self.out.push_back(self.client.send(greet, now));
    }

    fn flush(&mut self, now: Moment) {
        if self.greeted
            && !self.client.is_waiting()
            && let Some((light, sound)) = self.waiting.pop_front()
        {
            self.shown = Some((light, sound));
            self.out.push_back(self.client.send(Request::Indicate { light, sound }, now));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::jig::fixture::{self, answer};

    fn ms(value: u64) -> Moment {
        Moment::from_micros(value * 1000)
    }

    fn greeting() -> Answer {
        fixture::greeting([0; 8])
    }

    #[test]
    fn a_pressed_button_is_told_and_a_lost_greeting_is_repeated() {
        let mut panel = Panel::new(7, ms(0));
        assert!(matches!(panel.next_output().unwrap().request, Request::Greet { .. }));
        panel.tick(ms(600));
        let again = panel.next_output().unwrap();
        assert!(matches!(again.request, Request::Greet { .. }));
        panel.show(Light::Ready, Sound::Ready, ms(610));
        assert_eq!(panel.next_output(), None, "nothing is asked before the greeting was answered");
        assert!(!panel.message(&answer(again.seq, 5, greeting()), ms(620)));
        let shown = panel.next_output().unwrap();
        assert_eq!(shown.request, Request::Indicate { light: Light::Ready, sound: Sound::Ready });
        assert!(!panel.is_done());
        panel.message(&answer(shown.seq, 6, Answer::Indicated), ms(625));
        assert!(panel.is_done());
        let pressed = BoardMessage::Event { at_us: 9, event: Event::Button { pressed: true } };
        assert!(panel.message(&pressed, ms(630)));
    }

    #[test]
    fn a_board_that_refuses_is_greeted_again_now_and_then() {
        let mut panel = Panel::new(7, ms(0));
        let first = panel.next_output().unwrap();
        panel.message(&answer(first.seq, 5, Answer::Refused(Fault::Version { min: 9, max: 9 })), ms(1));
        panel.show(Light::Ready, Sound::Ready, ms(2));
        assert_eq!(panel.next_output(), None, "no greeting, no tone");
        panel.tick(ms(510));
        let again = panel.next_output().unwrap();
        assert!(matches!(again.request, Request::Greet { .. }));
        panel.message(&answer(again.seq, 9, greeting()), ms(511));
        let tone = panel.next_output().unwrap();
        // It started again and its clock does not tell.
        panel.message(&answer(tone.seq, 10, Answer::Refused(Fault::NotGreeted)), ms(512));
        let again = panel.next_output().unwrap();
        assert!(matches!(again.request, Request::Greet { .. }));
        // The tone has not been heard yet.
        panel.message(&answer(again.seq, 11, greeting()), ms(513));
        assert_eq!(panel.next_output().unwrap().request, tone.request);
    }

    #[test]
    fn a_board_that_started_again_shows_its_light_without_the_sound() {
        let mut panel = Panel::new(7, ms(0));
        let hear = |at: u64, what: fn() -> Answer, panel: &mut Panel| {
            let asked = panel.next_output().unwrap();
            panel.message(&answer(asked.seq, at, what()), ms(at));
            asked.request
        };
        hear(1000, greeting, &mut panel);
        panel.show(Light::Differs, Sound::Differs, ms(1001));
        hear(1002, || Answer::Indicated, &mut panel);
        panel.message(&BoardMessage::Event { at_us: 3, event: Event::Lid { closed: true } }, ms(1100));
        assert!(matches!(hear(1101, greeting, &mut panel), Request::Greet { .. }));
        let again = panel.next_output().unwrap().request;
        assert_eq!(again, Request::Indicate { light: Light::Differs, sound: Sound::Silent });
    }
}
