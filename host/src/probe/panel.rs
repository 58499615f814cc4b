//! The jig's button as a foot switch, and its buzzer and light for the tones. No channel is ever closed.

use std::collections::VecDeque;

use protocol::{Answer, BoardMessage, Event, Fault, Light, Request, RequestFrame, Sound, version};

use super::Tone;
use crate::{
    jig::{Client, Heard},
    moment::Moment,
};

/// The switching board as far as a hand needs it.
#[derive(Debug)]
pub(super) struct Panel {
    client: Client,
    waiting: VecDeque<Request>,
    out: VecDeque<RequestFrame>,
    greeted: bool,
}

/// Tones that may wait for the link: more are old news.
const MOST_WAITING: usize = 4;

impl Panel {
    pub(super) fn new(now: Moment) -> Self {
        let mut panel = Self {
            client: Client::default(),
            waiting: VecDeque::new(),
            out: VecDeque::new(),
            greeted: false,
        };
        panel.greet(now);
        panel
    }

    /// Takes a message; tells whether the button went down.
    pub(super) fn message(&mut self, message: &BoardMessage, now: Moment) -> bool {
        let pressed = match self.client.receive(message, now) {
            Heard::Event(Event::Button { pressed }) => pressed,
            Heard::Answer { answer: Answer::Greeting(_), .. } => {
                self.greeted = true;
                false
            }
            Heard::Restarted | Heard::Answer { answer: Answer::Refused(Fault::NotGreeted), .. } => {
                self.greet(now);
                false
            }
            _ => false,
        };
        self.flush(now);
        pressed
    }

    /// Plays a tone.
    pub(super) fn tone(&mut self, tone: Tone, now: Moment) {
        // The buzzer's patterns are those of a sweep, each with a rhythm of its own.
        let (light, sound) = match tone {
            Tone::Taken => (Light::Ready, Sound::Ready),
            Tone::Differs => (Light::Differs, Sound::Differs),
            Tone::Again => (Light::Inconclusive, Sound::Inconclusive),
            Tone::Done => (Light::Matches, Sound::Matches),
            Tone::Trouble => (Light::Trouble, Sound::Trouble),
        };
        if self.waiting.len() < MOST_WAITING {
            self.waiting.push_back(Request::Indicate { light, sound });
        }
        self.flush(now);
    }

    /// Time has passed.
    pub(super) fn tick(&mut self, now: Moment) {
        if self.client.check(now).is_err() {
            // A button that does not answer is no reason to stop probing: it is greeted again until it does.
            self.greet(now);
        }
        if self.client.wants_ping(now) {
            match self.greeted {
                true if self.waiting.is_empty() => self.waiting.push_back(Request::Ping),
                true => {}
                // It has refused the greeting; another may be flashed while the hand goes on.
                false => self.greet(now),
            }
        }
        self.flush(now);
    }

    pub(super) fn deadline(&self, now: Moment) -> Moment {
        self.client.due(now)
    }

    pub(super) fn next_output(&mut self) -> Option<RequestFrame> {
        self.out.pop_front()
    }

    fn greet(&mut self, now: Moment) {
        self.greeted = false;
        self.out
            .push_back(self.client.send(Request::Greet { min: version::MIN, max: version::CURRENT }, now));
    }

    fn flush(&mut self, now: Moment) {
        if self.greeted
            && !self.client.is_waiting()
            && let Some(request) = self.waiting.pop_front()
        {
            self.out.push_back(self.client.send(request, now));
        }
    }
}

#[cfg(test)]
mod tests {
    use protocol::{BoardKind, Greeting, Parts, ResetCause, Timing};

    use super::*;

    fn greeting() -> Answer {
        let timing = Timing { break_us: 1, make_us: 1, silence_us: 2_000_000 };
        Answer::Greeting(Greeting {
            version: 1,
            kind: BoardKind::Practice,
            boot_id: 1,
            reset: ResetCause::Power,
            channels: 16,
            plan_steps: 16,
            firmware: (0, 1, 0),
            unique_id: [0; 8],
            parts: Parts::default(),
            timing,
        })
    }

    #[test]
    fn a_pressed_button_is_a_foot_switch_and_a_lost_greeting_is_repeated() {
        let ms = |ms: u64| Moment::from_micros(ms * 1000);
        let mut panel = Panel::new(ms(0));
        assert!(matches!(panel.next_output().unwrap().request, Request::Greet { .. }));
        panel.tick(ms(600));
        let again = panel.next_output().unwrap();
        assert!(matches!(again.request, Request::Greet { .. }));
        panel.tone(Tone::Taken, ms(610));
        assert_eq!(panel.next_output(), None, "nothing is asked before the greeting was answered");
        let answer = BoardMessage::Answer { seq: again.seq, at_us: 5, answer: greeting() };
        assert!(!panel.message(&answer, ms(620)));
        assert!(matches!(panel.next_output().unwrap().request, Request::Indicate { .. }));
        let pressed = BoardMessage::Event { at_us: 9, event: Event::Button { pressed: true } };
        assert!(panel.message(&pressed, ms(630)));
    }

    #[test]
    fn a_board_that_refuses_is_greeted_again_now_and_then() {
        let ms = |ms: u64| Moment::from_micros(ms * 1000);
        let mut panel = Panel::new(ms(0));
        let answer = |seq, at_us, answer| BoardMessage::Answer { seq, at_us, answer };
        let first = panel.next_output().unwrap();
        panel.message(&answer(first.seq, 5, Answer::Refused(Fault::Version { min: 9, max: 9 })), ms(1));
        panel.tone(Tone::Taken, ms(2));
        assert_eq!(panel.next_output(), None, "no greeting, no tone");
        panel.tick(ms(510));
        let again = panel.next_output().unwrap();
        assert!(matches!(again.request, Request::Greet { .. }));
        panel.message(&answer(again.seq, 9, greeting()), ms(511));
        let tone = panel.next_output().unwrap();
        // It started again and its clock does not tell.
        panel.message(&answer(tone.seq, 10, Answer::Refused(Fault::NotGreeted)), ms(512));
        assert!(matches!(panel.next_output().unwrap().request, Request::Greet { .. }));
    }
}
