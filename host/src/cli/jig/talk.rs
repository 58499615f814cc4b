//! Single requests to a switching board, outside a sweep, one answer each.

use std::time::Duration;

use protocol::{
    Accumulator, Answer, BoardMessage, Event, Fault, Greeting, Request, RequestFrame, frame, version,
};

use crate::{
    exit_status::ExitStatus,
    failure::Failure,
    jig::{Client, ClientError, Heard, PING_EVERY},
    moment::Moment,
    sweep::{Devices, Heard as Bytes, Record, Recorder},
};

/// How long a switching board is greeted: one on USB needs a moment after its port was opened.
pub(in crate::cli) const PATIENCE: Duration = Duration::from_secs(2);

/// How often a meter is looked after while an answer is waited for.
const LOOK_UP: Duration = Duration::from_millis(50);

/// One conversation with a switching board, on devices that a sweep may use afterwards.
#[derive(Debug, Default)]
pub(in crate::cli) struct Talk {
    client: Client,
    frames: Accumulator<BoardMessage>,
    last: u16,
    pinged: Moment,
    pressed: bool,
}

/// Why a request has no answer.
pub(in crate::cli) enum Unanswered {
    /// Nobody answered in time.
    Silent(ClientError),
    /// The switching board started again, and knows nothing of the request.
    Restarted,
    /// Nothing can be asked any more.
    Ended(Failure),
}

impl From<Failure> for Unanswered {
    fn from(failure: Failure) -> Self {
        Self::Ended(failure)
    }
}

impl From<Unanswered> for Failure {
    fn from(unanswered: Unanswered) -> Self {
        match unanswered {
            Unanswered::Silent(error) => silence(error),
            Unanswered::Restarted => started_again(),
            Unanswered::Ended(failure) => failure,
        }
    }
}

impl Talk {
    /// Greets until the board answers or the patience is over: the first bytes after opening may be lost, and what it
    /// said before it started again may still stand in a buffer.
    pub(in crate::cli) fn greet(
        &mut self,
        devices: &mut dyn Devices,
        recorder: &mut dyn Recorder,
    ) -> Result<Greeting, Failure> {
        let until = devices.now().after(PATIENCE);
        let request = Request::Greet { min: version::MIN, max: version::CURRENT };
        loop {
            match self.try_ask(request.clone(), devices, recorder, &mut silent) {
                Ok(answer) => return greeted(&request, answer),
                Err(Unanswered::Silent(_) | Unanswered::Restarted) if devices.now() < until => {}
                Err(unanswered) => return Err(unanswered.into()),
            }
        }
    }

    /// Asks, and waits for the answer. `meter` sees the meter's bytes that come meanwhile, is asked now and then without
    /// any, and says what to send to the meter.
    pub(in crate::cli) fn ask(
        &mut self,
        request: Request,
        devices: &mut dyn Devices,
        recorder: &mut dyn Recorder,
        meter: &mut dyn FnMut(&[u8], Moment) -> Vec<u8>,
    ) -> Result<Answer, Failure> {
        Ok(self.try_ask(request, devices, recorder, meter)?)
    }

    fn try_ask(
        &mut self,
        request: Request,
        devices: &mut dyn Devices,
        recorder: &mut dyn Recorder,
        meter: &mut dyn FnMut(&[u8], Moment) -> Vec<u8>,
    ) -> Result<Answer, Unanswered> {
        let mut now = devices.now();
        let frame = self.client.send(request, now);
        self.last = frame.seq;
        self.pinged = now;
        send(&frame, now, devices, recorder)?;
        to_meter(&meter(&[], now), devices)?;
        loop {
            let deadline = self.client.deadline().unwrap_or(now);
            let until = deadline.min(self.pinged.after(PING_EVERY)).min(now.after(LOOK_UP));
            let heard = self.hear(until, devices, recorder, meter)?;
            if let Some(answer) = heard {
                return Ok(answer);
            }
            now = devices.now();
            self.client.check(now).map_err(Unanswered::Silent)?;
            if !self.client.is_waiting() {
                // Whatever took the request away, nothing will answer it.
                return Err(Unanswered::Restarted);
            }
            to_meter(&meter(&[], now), devices)?;
            self.keep_alive(devices, recorder)?;
        }
    }

    /// Listens for a while; tells whether the start button was pressed.
    pub(in crate::cli) fn listen(
        &mut self,
        patience: Duration,
        devices: &mut dyn Devices,
        recorder: &mut dyn Recorder,
    ) -> Result<bool, Failure> {
        let until = devices.now().after(patience);
        self.pressed = false;
        while devices.now() < until && !self.pressed {
            self.hear(until, devices, recorder, &mut silent)?;
            self.keep_alive(devices, recorder)?;
        }
        Ok(self.pressed)
    }

    /// Says something with an old number, so that the answer that is waited for stays waited for.
    fn keep_alive(&mut self, devices: &mut dyn Devices, recorder: &mut dyn Recorder) -> Result<(), Failure> {
        let now = devices.now();
        if now < self.pinged.after(PING_EVERY) {
            return Ok(());
        }
        self.pinged = now;
        let ping = RequestFrame { seq: self.last.wrapping_sub(1), request: Request::Ping };
        send(&ping, now, devices, recorder)
    }

    fn hear(
        &mut self,
        until: Moment,
        devices: &mut dyn Devices,
        recorder: &mut dyn Recorder,
        meter: &mut dyn FnMut(&[u8], Moment) -> Vec<u8>,
    ) -> Result<Option<Answer>, Unanswered> {
        match devices.wait(until) {
            Bytes::Meter(at, bytes) => to_meter(&meter(&bytes, at), devices)?,
            Bytes::Jig(at, bytes) => {
                let mut answered = None;
                for item in self.frames.items(&bytes) {
                    match item {
                        Ok(message) => {
                            recorder.record(at, Record::Jig(&message));
                            match self.client.receive(&message, at) {
                                Heard::Answer { answer, .. } => answered = Some(answer),
                                Heard::Event(Event::Button { pressed: true }) => self.pressed = true,
                                Heard::Restarted => return Err(Unanswered::Restarted),
                                Heard::Event(_) | Heard::Stale { .. } => {}
                            }
                        }
                        Err(error) => recorder.record(at, Record::JigDamaged(&error.to_string())),
                    }
                }
                return Ok(answered);
            }
            // One that went away has ended it before.
            Bytes::Nothing | Bytes::Back(_) => {}
            Bytes::Stop => {
                return Err(Failure::new(ExitStatus::Inconclusive, "stopped by the operator").into());
            }
            Bytes::Lost(_, error) => return Err(went_away(&error).into()),
        }
        Ok(None)
    }
}

/// What to say to a meter that nobody listens to.
pub(in crate::cli) fn silent(_: &[u8], _: Moment) -> Vec<u8> {
    Vec::new()
}

/// The failure of a port that is gone.
pub(in crate::cli) fn went_away(error: &std::io::Error) -> Failure {
    Failure::new(ExitStatus::Unavailable, format!("a port went away: {error}"))
        .hint("check the cables, plug them in again, and look with `pintally jig find`")
}

/// The failure of a switching board that does not answer.
fn silence(error: ClientError) -> Failure {
    Failure::new(ExitStatus::Unavailable, error)
        .hint("check that the switching board has power and its cable sits, then try again")
}

/// The failure of a switching board that lost what it was asked.
fn started_again() -> Failure {
    Failure::new(
        ExitStatus::Unavailable,
        "expected an answer of the switching board, found that it started again in between: every channel is open",
    )
    .hint("look at its supply and its cable, then run the command again")
}

/// The greeting, if this answer is one.
pub(in crate::cli) fn greeted(request: &Request, answer: Answer) -> Result<Greeting, Failure> {
    match answer {
        Answer::Greeting(greeting) => Ok(greeting),
        Answer::Refused(Fault::Version { min, max }) => Err(Failure::new(
            ExitStatus::Protocol,
            format!(
                "expected a switching board that speaks version {} to {} of the protocol, found one that speaks {min} to {max}",
                version::MIN,
                version::CURRENT
            ),
        )
        .hint("flash the firmware that came with this program, see docs/flashing.md")),
        other => Err(odd(request, &other)),
    }
}

/// The failure of an answer that fits no request.
pub(in crate::cli) fn odd(request: &Request, answer: &Answer) -> Failure {
    let found = match answer {
        // Only a start between the greeting and the request makes it forget the greeting.
        Answer::Refused(Fault::NotGreeted) => return started_again(),
        Answer::Refused(Fault::LidOpen) => "the lid is open".to_owned(),
        Answer::Refused(Fault::NotFitted) => "that part is not fitted".to_owned(),
        Answer::Refused(fault) => format!("it refused ({fault:?})"),
        other => format!("{other:?}"),
    };
    Failure::new(ExitStatus::Unavailable, format!("the switching board was asked for {request:?}: {found}"))
        .hint("`pintally jig identify PORT` tells what it can do")
}

fn send(
    frame: &RequestFrame,
    now: Moment,
    devices: &mut dyn Devices,
    recorder: &mut dyn Recorder,
) -> Result<(), Failure> {
    recorder.record(now, Record::SentToJig(frame));
    // An empty frame first parts the request from whatever stands in the board's buffer.
    let bytes = [&[0][..], &frame::encode(frame)[..]].concat();
    devices.to_jig(&bytes).map_err(|error| {
        Failure::new(ExitStatus::Unavailable, format!("the port of the switching board went away: {error}"))
    })
}

fn to_meter(bytes: &[u8], devices: &mut dyn Devices) -> Result<(), Failure> {
    if bytes.is_empty() {
        return Ok(());
    }
    devices.to_meter(bytes).map_err(|error| {
        Failure::new(ExitStatus::Unavailable, format!("the port of the meter went away: {error}"))
    })
}

#[cfg(test)]
mod tests {
    use std::{collections::VecDeque, io};

    use super::*;
    use crate::sweep::Device;

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

    struct Unwritten;

    impl Recorder for Unwritten {
        fn record(&mut self, _: Moment, _: Record<'_>) {}
    }

    fn answer(seq: u16, at_us: u64, answer: Answer) -> Bytes {
        let message = BoardMessage::Answer { seq, at_us, answer };
        Bytes::Jig(Moment::START, frame::encode(&message).to_vec())
    }

    fn check(mut devices: Script, expected: &str) -> usize {
        let mut talk = Talk::default();
        let asked = talk
            .ask(Request::Ping, &mut devices, &mut Unwritten, &mut silent)
            .and_then(|_| talk.ask(Request::Sense, &mut devices, &mut Unwritten, &mut silent));
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
        // Its clock may also be ahead by now.
        let pong = answer(0, 20, Answer::Pong);
        let mut devices = Script::new([pong, answer(1, 300_000, Answer::Refused(Fault::NotGreeted))]);
        let mut talk = Talk::default();
        talk.ask(Request::Ping, &mut devices, &mut Unwritten, &mut silent).unwrap();
        let refused = talk.ask(Request::Sense, &mut devices, &mut Unwritten, &mut silent).unwrap();
        assert!(odd(&Request::Sense, &refused).to_string().contains("it started again"));
        check(Script::new([answer(0, 20, Answer::Pong)]), "within 500 ms, found silence");
    }

    /// Whoever stops it, or a port that is gone, is not greeted on: this sent 200,000 greetings a second.
    #[test]
    fn only_silence_is_greeted_again() {
        let check = |heard: Vec<Bytes>, expected: &str| {
            let mut devices = Script::new(heard);
            let error = Talk::default().greet(&mut devices, &mut Unwritten).unwrap_err().to_string();
            assert!(error.contains(expected), "{error}");
            devices.sent
        };
        assert_eq!(check(vec![Bytes::Stop], "stopped by the operator"), 1);
        let lost = Bytes::Lost(Device::Jig, io::Error::other("it was unplugged"));
        assert_eq!(check(vec![lost], "it was unplugged"), 1);
        assert!(check(vec![], "found silence") >= 4);
        // Words of an earlier life that stood in a buffer.
        let old = answer(900, 5_000_000, Answer::Pong);
        let refused = Answer::Refused(Fault::Version { min: 9, max: 9 });
        let heard = vec![old, answer(0, 300, refused.clone()), answer(1, 600_000, refused)];
        assert_eq!(check(heard, "one that speaks 9 to 9"), 2);
    }
}
