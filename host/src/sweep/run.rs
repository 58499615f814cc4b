//! The one loop: moves bytes between two devices and the conductor, and writes everything down.
//!
//! A live sweep, a practice sweep and a test differ in their [`Devices`] and in nothing else. The loop reads no
//! clock itself: the devices tell the time.

use std::{fmt, io};

use protocol::{Accumulator, BoardMessage, RequestFrame, frame};

use super::{Conductor, Floor, Notice, Output, PinResult, Score, SweepError, flood::Flood};
use crate::{moment::Moment, readings::PinValue};

/// The switching board and the meter, wherever they are.
pub trait Devices {
    /// The time of the session.
    fn now(&self) -> Moment;

    /// Waits until something is heard, at most until `until`.
    fn wait(&mut self, until: Moment) -> Heard;

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
    let mut now = devices.now();
    let mut conductor = Conductor::new(score, now);
    let mut frames = Accumulator::<BoardMessage>::new();
    let mut floods = [Flood::default(); 2];
    let outcome = loop {
        let mut ended = None;
        while let Some(output) = conductor.next_output() {
            match output {
                Output::ToJig(request) => {
                    recorder.record(now, Record::SentToJig(&request));
                    if let Err(error) = devices.to_jig(&frame::encode(&request)) {
                        lose(&mut conductor, Device::Jig, &error, recorder, now);
                    }
                }
                Output::ToMeter { bytes, asks_for_reading } => {
                    recorder.record(now, Record::SentToMeter { bytes: &bytes, asks_for_reading });
                    if let Err(error) = devices.to_meter(&bytes) {
                        lose(&mut conductor, Device::Meter, &error, recorder, now);
                    }
                }
                Output::Tell(notice) => {
                    recorder.record(now, Record::Told(&notice));
                    // What is not on record is not shown as done.
                    if !notice.is_progress() || recorder.trouble().is_none() {
                        watch(&notice);
                    }
                }
                Output::Pin(result) => {
                    recorder.record(now, Record::Pin(&result));
                }
                Output::Ended(outcome) => ended = Some(outcome),
            }
            if let Some(problem) = recorder.trouble() {
                conductor.unrecorded(problem, now);
            }
        }
        if let Some(outcome) = ended {
            break outcome;
        }
        match devices.wait(conductor.deadline(now)) {
            Heard::Meter(at, bytes) => {
                now = at;
                recorder.record(now, Record::MeterBytes(&bytes));
                conductor.meter_bytes(&bytes, now);
                if floods[0].take(now, bytes.len()) {
                    conductor.flooded(Device::Meter, now);
                }
            }
            Heard::Jig(at, bytes) => {
                now = at;
                conductor.jig_bytes(&bytes);
                if floods[1].take(now, bytes.len()) {
                    conductor.flooded(Device::Jig, now);
                }
                for item in frames.items(&bytes) {
                    match item {
                        Ok(message) => {
                            recorder.record(now, Record::Jig(&message));
                            conductor.jig_message(&message, now);
                        }
                        Err(error) => {
                            let problem = error.to_string();
                            recorder.record(now, Record::JigDamaged(&problem));
                            conductor.jig_damaged(&problem, now);
                        }
                    }
                }
            }
            Heard::Nothing => now = now.max(devices.now()),
            Heard::Stop => {
                now = now.max(devices.now());
                conductor.stop(now);
            }
            Heard::Lost(device, error) => {
                now = now.max(devices.now());
                if device == Device::Jig {
                    frames = Accumulator::new();
                }
                lose(&mut conductor, device, &error, recorder, now);
            }
            Heard::Back(device) => {
                now = now.max(devices.now());
                recorder.record(now, Record::LinkRestored(device));
                conductor.back(device, now);
            }
        }
        if let Some(problem) = recorder.trouble() {
            conductor.unrecorded(problem, now);
        }
        conductor.tick(now);
    };
    let observer = conductor.observer();
    Swept {
        values: observer.values(),
        results: observer.results().to_vec(),
        took: conductor.took(),
        floor: conductor.floor(),
        outcome,
    }
}

/// Writes down that a device went away, and pauses the sweep.
fn lose(
    conductor: &mut Conductor,
    device: Device,
    error: &io::Error,
    recorder: &mut dyn Recorder,
    now: Moment,
) {
    let why = error.to_string();
    if conductor.lost(device, &why, now) {
        recorder.record(now, Record::LinkLost { device, why: &why });
    }
}
