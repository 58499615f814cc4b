//! Single requests to a switching board, outside a sweep, one answer each.

use std::time::Duration;

use protocol::{
    Accumulator, Answer, BoardMessage, Event, Fault, Greeting, Request, RequestFrame, frame, version,
};

use crate::{
    exit_status::ExitStatus,
    failure::Failure,
    jig::{Client, Heard, PING_EVERY},
    moment::Moment,
    sweep::{Devices, Heard as Bytes, Record, Recorder},
};

/// How long a switching board is greeted: one on USB needs a moment after its port was opened.
const PATIENCE: Duration = Duration::from_secs(2);

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

impl Talk {
    /// Greets until the board answers or the patience is over: the first bytes after opening may be lost.
    pub(in crate::cli) fn greet(
        &mut self,
        devices: &mut dyn Devices,
        recorder: &mut dyn Recorder,
    ) -> Result<Greeting, Failure> {
        let until = devices.now().after(PATIENCE);
        let request = Request::Greet { min: version::MIN, max: version::CURRENT };
        loop {
            match self.ask(request.clone(), devices, recorder, &mut silent) {
                Ok(Answer::Greeting(greeting)) => return Ok(greeting),
                Ok(Answer::Refused(Fault::Version { min, max })) => {
                    return Err(Failure::new(
                        ExitStatus::Protocol,
                        format!(
                            "expected a switching board that speaks version {} to {} of the protocol, found one that speaks {min} to {max}",
                            version::MIN,
                            version::CURRENT
                        ),
                    )
                    .hint("flash the firmware that came with this program, see docs/flashing.md"));
                }
                Ok(other) => return Err(odd(&request, &other)),
                Err(failure) if devices.now() >= until => return Err(failure),
                Err(_) => {}
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
            if let Err(error) = self.client.check(now) {
                return Err(Failure::new(ExitStatus::Unavailable, error)
                    .hint("check that the switching board has power and its cable sits, then try again"));
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
    ) -> Result<Option<Answer>, Failure> {
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
                                _ => {}
                            }
                        }
                        Err(error) => recorder.record(at, Record::JigDamaged(&error.to_string())),
                    }
                }
                return Ok(answered);
            }
            // One that went away has ended it before.
            Bytes::Nothing | Bytes::Back(_) => {}
            Bytes::Stop => return Err(Failure::new(ExitStatus::Inconclusive, "stopped by the operator")),
            Bytes::Lost(_, error) => {
                return Err(Failure::new(ExitStatus::Unavailable, format!("a port went away: {error}"))
                    .hint("check the cables, plug them in again, and look with `pintally jig find`"));
            }
        }
        Ok(None)
    }
}

/// What to say to a meter that nobody listens to.
pub(in crate::cli) fn silent(_: &[u8], _: Moment) -> Vec<u8> {
    Vec::new()
}

/// The failure of an answer that fits no request.
pub(in crate::cli) fn odd(request: &Request, answer: &Answer) -> Failure {
    let found = match answer {
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
