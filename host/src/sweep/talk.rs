//! Single requests to the switching board, outside a sweep, one answer each.
//!
//! Blocks on the devices until the answer is there. Those who lead a conversation among others (conductor, lag, panel)
//! use the same [`Client`] without it.

use std::{io, time::Duration};

use protocol::{Accumulator, Answer, BoardMessage, Event, Request, RequestFrame, frame, version};

use super::{Device, Devices, Heard as Bytes, Record, Recorder};
use crate::{
    jig::{Client, ClientError, Due, Heard, PATIENCE},
    moment::Moment,
};

/// How often a meter is looked after while an answer is waited for.
const LOOK_UP: Duration = Duration::from_millis(50);

/// One conversation with a switching board, on devices that a sweep may use afterwards.
#[derive(Debug)]
pub struct Talk {
    client: Client,
    frames: Accumulator<BoardMessage>,
}

/// Sees the meter's bytes while the switching board is waited for, now and then without any, and says what to send to
/// the meter.
pub type AtMeter<'a> = &'a mut dyn FnMut(&[u8], Moment) -> Vec<u8>;

/// Why a request has no answer.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Unanswered {
    /// Nobody answered in time.
    #[error(transparent)]
    Silent(#[from] ClientError),
    /// The switching board started again, and knows nothing of the request.
    #[error(
        "expected an answer of the switching board, found that it started again in between: every channel is open"
    )]
    Restarted,
    /// The operator wants to stop.
    #[error("stopped by the operator")]
    Stopped,
    /// A port went away.
    #[error("the port of the {0} went away: {1}")]
    Lost(Device, io::Error),
}

/// What came of one wait.
#[derive(Default)]
struct Came {
    answer: Option<Answer>,
    is_pressed: bool,
}

impl Talk {
    /// Begins a conversation.
    #[must_use]
    pub fn new(devices: &dyn Devices) -> Self {
        Self { client: Client::new(devices.fresh_number()), frames: Accumulator::new() }
    }

    /// Greets until the board answers: the first bytes after opening may be lost, and what it said before it started
    /// again may still stand in a buffer, so that it seems to start again now.
    ///
    /// # Errors
    /// [`Unanswered`].
    pub fn greet(
        &mut self,
        devices: &mut dyn Devices,
        recorder: &mut dyn Recorder,
    ) -> Result<Answer, Unanswered> {
        let until = devices.now().after(PATIENCE);
        loop {
            let greet = Request::Greet { min: version::MIN, max: version::CURRENT };
            match self.ask(greet, devices, recorder, &mut silent) {
                Err(Unanswered::Restarted) if devices.now() < until => {}
                other => return other,
            }
        }
    }

    /// Asks, again where the answer is overdue, and waits for the answer.
    ///
    /// # Errors
    /// [`Unanswered`].
    pub fn ask(
        &mut self,
        request: Request,
        devices: &mut dyn Devices,
        recorder: &mut dyn Recorder,
        meter: AtMeter<'_>,
    ) -> Result<Answer, Unanswered> {
        let mut now = devices.now();
        send(&self.client.send(request, now), now, devices, recorder)?;
        to_meter(&meter(&[], now), devices)?;
        loop {
            let until = self.client.wake(now).min(now.after(LOOK_UP));
            if let Some(answer) = self.hear(until, devices, recorder, meter)?.answer {
                return Ok(answer);
            }
            now = devices.now();
            match self.client.due(now) {
                Due::Nothing => {}
                Due::Ping(ping) => send(&ping, now, devices, recorder)?,
                Due::Again(request) => send(&self.client.send(request, now), now, devices, recorder)?,
                Due::Silent(error) => return Err(error.into()),
            }
            to_meter(&meter(&[], now), devices)?;
        }
    }

    /// Waits for one thing, keeps the switching board awake, and tells whether its start button was pressed. Silence of
    /// the board ends nothing here: the next request finds out.
    ///
    /// # Errors
    /// [`Unanswered`], but for silence.
    pub fn listen(
        &mut self,
        until: Moment,
        devices: &mut dyn Devices,
        recorder: &mut dyn Recorder,
        meter: AtMeter<'_>,
    ) -> Result<bool, Unanswered> {
        let until = until.min(self.client.wake(devices.now()));
        let came = self.hear(until, devices, recorder, meter)?;
        let now = devices.now();
        match self.client.due(now) {
            Due::Nothing => {}
            Due::Ping(ping) => send(&ping, now, devices, recorder)?,
            Due::Again(_) | Due::Silent(_) => {
                send(&self.client.send(Request::Ping, now), now, devices, recorder)?;
            }
        }
        Ok(came.is_pressed)
    }

    fn hear(
        &mut self,
        until: Moment,
        devices: &mut dyn Devices,
        recorder: &mut dyn Recorder,
        meter: AtMeter<'_>,
    ) -> Result<Came, Unanswered> {
        let mut came = Came::default();
        match devices.wait(until) {
            Bytes::Meter(at, bytes) => to_meter(&meter(&bytes, at), devices)?,
            Bytes::Jig(at, bytes) => {
                for item in self.frames.items(&bytes) {
                    match item {
                        Ok(message) => {
                            recorder.record(at, Record::Jig(&message));
                            match self.client.receive(&message, at) {
                                Heard::Answer { answer, .. } => came.answer = Some(answer),
                                Heard::Event(Event::Button { pressed: true }) => came.is_pressed = true,
                                Heard::Restarted => return Err(Unanswered::Restarted),
                                Heard::Event(_) | Heard::Stale { .. } => {}
                            }
                        }
                        Err(error) => recorder.record(at, Record::JigDamaged(&error.to_string())),
                    }
                }
            }
            // One that went away has ended it before.
            Bytes::Nothing | Bytes::Back(_) => {}
            Bytes::Stop => return Err(Unanswered::Stopped),
            Bytes::Lost(device, error) => return Err(Unanswered::Lost(device, error)),
        }
        Ok(came)
    }
}

/// What to say to a meter that nobody listens to.
#[must_use]
pub const fn silent(_: &[u8], _: Moment) -> Vec<u8> {
    Vec::new()
}

fn send(
    frame: &RequestFrame,
    now: Moment,
    devices: &mut dyn Devices,
    recorder: &mut dyn Recorder,
) -> Result<(), Unanswered> {
    recorder.record(now, Record::SentToJig(frame));
    // An empty frame first parts the request from whatever stands in the board's buffer.
    let bytes = [&[0][..], &frame::encode(frame)[..]].concat();
    devices.to_jig(&bytes).map_err(|error| Unanswered::Lost(Device::Jig, error))
}

fn to_meter(bytes: &[u8], devices: &mut dyn Devices) -> Result<(), Unanswered> {
    if bytes.is_empty() {
        return Ok(());
    }
    devices.to_meter(bytes).map_err(|error| Unanswered::Lost(Device::Meter, error))
}

#[cfg(test)]
mod tests {
    use std::collections::VecDeque;

    use protocol::Fault;

    use super::*;
    use crate::sweep::Unrecorded;

    /// What comes next, and how often something was sent.
    struct Script {
        now: Moment,
        heard: VecDeque<Bytes>,
        sent: usize,
    }

    impl Script {
        fn new(heard: impl IntoIterator<Item = Bytes>) -> Self {
            Self { now: Moment::START, heard: heard.into_iter().collect(), sent: 0 }
        }
    }

    impl Devices for Script {
        fn now(&self) -> Moment {
            self.now
        }

        fn wait(&mut self, until: Moment) -> Bytes {
            assert!(
                self.now < Moment::START.after(Duration::from_secs(60)),
                "nothing ends this conversation"
            );
            self.heard.pop_front().unwrap_or_else(|| {
                self.now = self.now.max(until).after(Duration::from_micros(1));
                Bytes::Nothing
            })
        }

        fn to_jig(&mut self, _: &[u8]) -> io::Result<()> {
            self.sent += 1;
            Ok(())
        }

        fn to_meter(&mut self, _: &[u8]) -> io::Result<()> {
            Ok(())
        }
    }

    /// Loses the first request, and answers the second.
    struct Deaf<'a> {
        script: &'a mut Script,
        answer: Option<Bytes>,
    }

    impl Devices for Deaf<'_> {
        fn now(&self) -> Moment {
            self.script.now
        }

        fn wait(&mut self, until: Moment) -> Bytes {
            self.script.wait(until)
        }

        fn to_jig(&mut self, bytes: &[u8]) -> io::Result<()> {
            self.script.to_jig(bytes)?;
            if self.script.sent == 2 {
                self.script.heard.extend(self.answer.take());
            }
            Ok(())
        }

        fn to_meter(&mut self, _: &[u8]) -> io::Result<()> {
            Ok(())
        }
    }

    fn answer(seq: u16, at_us: u64, answer: Answer) -> Bytes {
        let message = BoardMessage::Answer { seq, at_us, answer };
        Bytes::Jig(Moment::START, frame::encode(&message).to_vec())
    }

    /// Asks twice; the error of the second request, and how often something was sent.
    fn check(mut devices: Script, expected: &str) -> usize {
        let mut talk = Talk::new(&devices);
        talk.ask(Request::Ping, &mut devices, &mut Unrecorded, &mut silent).unwrap();
        let asked = talk.ask(Request::Sense, &mut devices, &mut Unrecorded, &mut silent);
        let error = asked.unwrap_err().to_string();
        assert!(error.contains(expected), "{error}");
        devices.sent
    }

    /// A board that starts again between two answers never answers the second: this waited for ever.
    #[test]
    fn a_board_that_starts_again_ends_the_conversation() {
        let pong = answer(0, 7_200_000_000, Answer::Pong);
        let fresh = answer(1, 300_000, Answer::Refused(Fault::NotGreeted));
        assert_eq!(check(Script::new([pong, fresh]), "it started again"), 2);
        assert_eq!(check(Script::new([answer(0, 20, Answer::Pong)]), "within 500 ms, found silence"), 5);
    }

    /// An answer that was lost on its way ended a self-test.
    #[test]
    fn a_lost_answer_is_asked_for_again() {
        let mut devices = Script::new([]);
        let mut talk = Talk::new(&devices);
        let mut waits = 0;
        let sensed = Answer::SenseVoltage { millivolts: 12 };
        let mut board = Deaf { script: &mut devices, answer: Some(answer(1, 900, sensed.clone())) };
        let came = talk.ask(Request::Sense, &mut board, &mut Unrecorded, &mut |_, _| {
            waits += 1;
            Vec::new()
        });
        assert_eq!(came.unwrap(), sensed);
        assert_eq!(devices.sent, 2);
        assert!(waits > 10, "the meter is looked after meanwhile");
    }

    /// Whoever stops it, or a port that is gone, is not greeted on: this sent 200,000 greetings a second.
    #[test]
    fn only_silence_and_words_of_an_earlier_life_are_greeted_again() {
        let check = |heard: Vec<Bytes>| {
            let mut devices = Script::new(heard);
            let came = Talk::new(&devices).greet(&mut devices, &mut Unrecorded);
            (came.map_err(|error| error.to_string()), devices.sent)
        };
        assert_eq!(check(vec![Bytes::Stop]), (Err("stopped by the operator".to_owned()), 1));
        let lost = Bytes::Lost(Device::Jig, io::Error::other("it was unplugged"));
        let words = "the port of the switching board went away: it was unplugged".to_owned();
        assert_eq!(check(vec![lost]), (Err(words), 1));
        let (silence, sent) = check(vec![]);
        assert!(silence.unwrap_err().contains("found silence"));
        assert_eq!(sent, 4);
        let old = answer(900, 5_000_000, Answer::Pong);
        let refused = Answer::Refused(Fault::Version { min: 9, max: 9 });
        let heard = vec![old, answer(0, 300, refused.clone()), answer(1, 600_000, refused.clone())];
        assert_eq!(check(heard), (Ok(refused), 2));
    }
}
