//! The one loop: moves bytes between two devices and the conductor, and writes everything down.
//!
//! A live sweep, a practice sweep and a test differ in their [`Devices`] and in nothing else. The loop reads no
//! clock itself: the devices tell the time.

use std::{collections::VecDeque, fmt, io};

use protocol::{Accumulator, BoardMessage, RequestFrame, frame};

use super::{Conductor, Floor, Notice, Output, PinResult, Score, SweepError, flood::Flood};
use crate::{moment::Moment, readings::PinValue};

/// The switching board and the meter, wherever they are.
pub trait Devices {
    /// The time of the session.
    fn now(&self) -> Moment;

    /// Waits until something is heard, at most until `until`.
    fn wait(&mut self, until: Moment) -> Heard;

    /// A number for the first request of a conversation with the switching board, which nobody has used on this line
    /// for a while (PROTOCOL.md, "Start"). Numbers that follow the clock do, at less than a request a millisecond.
    fn fresh_number(&self) -> u16 {
        (self.now().as_micros() / 1000) as u16
    }

    /// Sends bytes to the switching board.
    ///
    /// # Errors
    /// What the port says.
    fn to_jig(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// Sends bytes to the meter.
    ///
    /// # Errors
    /// What the port says.
    fn to_meter(&mut self, bytes: &[u8]) -> io::Result<()>;
}

/// What came while waiting, with the time of its arrival.
#[derive(Debug)]
pub enum Heard {
    /// Bytes of the meter.
    Meter(Moment, Vec<u8>),
    /// Bytes from the jig's port.
    Jig(Moment, Vec<u8>),
    /// Nothing until the time was up.
    Nothing,
    /// The operator wants to stop.
    Stop,
    /// A port went away; the devices try to have it back.
    Lost(Device, io::Error),
    /// The port is there again.
    Back(Device),
}

/// One of the two devices.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Device {
    /// The switching board.
    Jig,
    /// The meter.
    Meter,
}

impl Device {
    /// What it is called.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Jig => "switching board",
            Self::Meter => "meter",
        }
    }
}

impl fmt::Display for Device {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// Something that belongs into the session log.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Record<'a> {
    /// Bytes of the meter.
    MeterBytes(&'a [u8]),
    /// A message of the switching board.
    Jig(&'a BoardMessage),
    /// A frame from the jig's port that could not be read.
    JigDamaged(&'a str),
    /// A request that went to the switching board.
    SentToJig(&'a RequestFrame),
    /// Bytes that went to the meter.
    SentToMeter {
        /// The bytes.
        bytes: &'a [u8],
        /// Whether the meter begins a conversion, or sends its latest, because of them.
        asks_for_reading: bool,
    },
    /// Something that the operator was told.
    Told(&'a Notice),
    /// A pin was read.
    Pin(&'a PinResult),
    /// The operator did something that the walk by hand acts on.
    Operator {
        /// What, in one word or two.
        action: &'static str,
        /// What goes with it.
        detail: Option<&'a str>,
    },
    /// Something that the operator was told, in words.
    Said(&'a str),
    /// A device went away.
    LinkLost {
        /// Which one.
        device: Device,
        /// The system's words.
        why: &'a str,
    },
    /// It is back.
    LinkRestored(Device),
}

/// Where everything is written down.
pub trait Recorder {
    /// Writes one event down.
    fn record(&mut self, at: Moment, record: Record<'_>);

    /// Why not everything is written down, if that is so. The sweep then ends: a reading that is not in the record
    /// must not be shown as if it were.
    fn trouble(&self) -> Option<String> {
        None
    }
}

/// Writes nothing down.
#[derive(Debug, Clone, Copy)]
pub struct Unrecorded;

impl Recorder for Unrecorded {
    fn record(&mut self, _: Moment, _: Record<'_>) {}
}

/// What came of a sweep.
#[derive(Debug, Clone, PartialEq)]
pub struct Swept {
    /// The value of each pin, by index, as the meter showed it.
    pub values: Vec<PinValue>,
    /// The evidence of each pin, by index.
    pub results: Vec<Option<PinResult>>,
    /// How long it took, from the first closed channel to the end of the last visit.
    pub took: std::time::Duration,
    /// The least that it could have taken.
    pub floor: Floor,
    /// Whether it reached the end.
    pub outcome: Result<(), SweepError>,
}

/// Runs one sweep to its end.
///
/// `watch` sees each notice as it comes.
pub fn run(
    devices: &mut dyn Devices,
    score: Score,
    recorder: &mut dyn Recorder,
    watch: &mut dyn FnMut(&Notice),
) -> Swept {
    let now = devices.now();
    let conductor = Conductor::new(score, devices.fresh_number(), now);
    let mut running = Running {
        devices,
        recorder,
        watch,
        conductor,
        frames: Accumulator::new(),
        messages: VecDeque::new(),
        floods: Floods::default(),
        now,
    };
    let outcome = loop {
        if let Some(outcome) = running.act() {
            break outcome;
        }
        running.hear();
    };
    let conductor = &running.conductor;
    let observer = conductor.observer();
    Swept {
        values: observer.values(),
        results: observer.results().to_vec(),
        took: conductor.took(),
        floor: conductor.floor(),
        outcome,
    }
}

/// A sweep on its way.
struct Running<'a> {
    devices: &'a mut dyn Devices,
    recorder: &'a mut dyn Recorder,
    watch: &'a mut dyn FnMut(&Notice),
    conductor: Conductor,
    frames: Accumulator<BoardMessage>,
    /// Messages of the switching board that came together and are still to be looked at; or what is wrong with them.
    messages: VecDeque<Result<BoardMessage, String>>,
    floods: Floods,
    /// The time of what was heard last.
    now: Moment,
}

/// How much each device has sent of late.
#[derive(Default)]
struct Floods {
    jig: Flood,
    meter: Flood,
}

impl Running<'_> {
    /// Does what the conductor says, until it says no more; how the sweep ended, if it did.
    fn act(&mut self) -> Option<Result<(), SweepError>> {
        let now = self.now;
        let mut ended = None;
        // The conductor hears of it when all is written down that it wanted before.
        let mut lost = Vec::new();
        while let Some(output) = self.conductor.next_output() {
            match output {
                Output::ToJig(request) => {
                    self.recorder.record(now, Record::SentToJig(&request));
                    let sent = self.devices.to_jig(&frame::encode(&request));
                    lost.extend(sent.err().map(|error| (Device::Jig, error)));
                }
                Output::ToMeter { bytes, asks_for_reading } => {
                    self.recorder.record(now, Record::SentToMeter { bytes: &bytes, asks_for_reading });
                    let sent = self.devices.to_meter(&bytes);
                    lost.extend(sent.err().map(|error| (Device::Meter, error)));
                }
                Output::Tell(notice) => {
                    self.recorder.record(now, Record::Told(&notice));
                    // What is not on record is not shown as done.
                    if !notice.is_progress() || self.recorder.trouble().is_none() {
                        (self.watch)(&notice);
                    }
                }
                Output::Pin(result) => self.recorder.record(now, Record::Pin(&result)),
                Output::Ended(outcome) => ended = Some(outcome),
            }
            self.look_at_record();
        }
        if lost.is_empty() {
            return ended;
        }
        for (device, error) in lost {
            self.lose(device, &error);
        }
        self.act().or(ended)
    }

    /// Waits for what comes next, and hands it to the conductor: one message at a time, so that what the conductor does
    /// about it is done and written down before the next one is looked at, as a replay will hear it.
    fn hear(&mut self) {
        if let Some(message) = self.messages.pop_front() {
            self.jig_message(message);
            self.conductor.tick(self.now);
            return;
        }
        let heard = self.devices.wait(self.conductor.deadline(self.now));
        self.now = match &heard {
            Heard::Meter(at, _) | Heard::Jig(at, _) => *at,
            _ => self.now.max(self.devices.now()),
        };
        match heard {
            Heard::Meter(at, bytes) => {
                self.recorder.record(at, Record::MeterBytes(&bytes));
                self.conductor.meter_bytes(&bytes, at);
                if self.floods.meter.take(at, bytes.len()) {
                    self.conductor.flooded(Device::Meter, at);
                }
            }
            Heard::Jig(at, bytes) => {
                self.conductor.jig_bytes(&bytes);
                if self.floods.jig.take(at, bytes.len()) {
                    self.conductor.flooded(Device::Jig, at);
                }
                self.messages
                    .extend(self.frames.items(&bytes).map(|item| item.map_err(|error| error.to_string())));
                return;
            }
            Heard::Nothing => {}
            Heard::Stop => self.conductor.stop(self.now),
            Heard::Lost(device, error) => {
                if device == Device::Jig {
                    self.frames = Accumulator::new();
                }
                self.lose(device, &error);
            }
            Heard::Back(device) => {
                self.recorder.record(self.now, Record::LinkRestored(device));
                self.conductor.back(device, self.now);
            }
        }
        self.look_at_record();
        self.conductor.tick(self.now);
    }

    fn jig_message(&mut self, message: Result<BoardMessage, String>) {
        match message {
            Ok(message) => {
                self.recorder.record(self.now, Record::Jig(&message));
                self.conductor.jig_message(&message, self.now);
            }
            Err(problem) => {
                self.recorder.record(self.now, Record::JigDamaged(&problem));
                self.conductor.jig_damaged(&problem, self.now);
            }
        }
        self.look_at_record();
    }

    /// A sweep that is not recorded any more must not go on.
    fn look_at_record(&mut self) {
        if let Some(problem) = self.recorder.trouble() {
            self.conductor.unrecorded(problem, self.now);
        }
    }

    /// Writes down that a device went away, and pauses the sweep.
    fn lose(&mut self, device: Device, error: &io::Error) {
        let why = error.to_string();
        if self.conductor.lost(device, &why, self.now) {
            self.recorder.record(self.now, Record::LinkLost { device, why: &why });
        }
    }
}
