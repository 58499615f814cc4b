//! Switching board and meter on two open ports.

use std::{
    io::{self, Write},
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
        mpsc::{Receiver, RecvTimeoutError, channel},
    },
    time::{Duration, Instant},
};

use super::{Arrival, Listener, Port};
use crate::{
    moment::Moment,
    sweep::{Device, Devices, Heard},
};

/// Switching board and meter on two open ports, each with a thread that stamps what arrives.
pub struct PortDevices {
    epoch: Instant,
    jig: Box<dyn Write + Send>,
    meter: Box<dyn Write + Send>,
    arrivals: Receiver<(Device, Moment, Arrival)>,
    stop: Arc<AtomicBool>,
    _listeners: [Listener; 2],
}

/// How often a waiting sweep looks whether the operator wants to stop.
const LOOK_UP: Duration = Duration::from_millis(100);

impl PortDevices {
    /// Begins to listen on both ports; the session's time starts now. `stop` ends the sweep when it is set.
    #[must_use]
    pub fn new(jig: Port, meter: Port, stop: Arc<AtomicBool>) -> Self {
        let epoch = Instant::now();
        let (sender, arrivals) = channel();
        let listeners = [
            Listener::start(jig.reader, epoch, Device::Jig, sender.clone()),
            Listener::start(meter.reader, epoch, Device::Meter, sender),
        ];
        Self { epoch, jig: jig.writer, meter: meter.writer, arrivals, stop, _listeners: listeners }
    }
}

impl Devices for PortDevices {
    fn now(&self) -> Moment {
        Moment::START.after(self.epoch.elapsed())
    }

    fn wait(&mut self, until: Moment) -> Heard {
        loop {
            if self.stop.load(Ordering::Relaxed) {
                return Heard::Stop;
            }
            let rest = until.since(self.now());
            match self.arrivals.recv_timeout(rest.min(LOOK_UP)) {
                Ok((Device::Jig, at, Arrival::Bytes(bytes))) => return Heard::Jig(at, bytes),
                Ok((Device::Meter, at, Arrival::Bytes(bytes))) => return Heard::Meter(at, bytes),
                Ok((device, _, Arrival::Lost(error))) => return Heard::Lost(device, error),
                Err(RecvTimeoutError::Timeout) if rest <= LOOK_UP => return Heard::Nothing,
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => {
                    return Heard::Lost(Device::Meter, io::ErrorKind::BrokenPipe.into());
                }
            }
        }
    }

    fn to_jig(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.jig.write_all(bytes)?;
        self.jig.flush()
    }

    fn to_meter(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.meter.write_all(bytes)?;
        self.meter.flush()
    }
}
