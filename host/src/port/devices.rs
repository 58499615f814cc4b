//! Switching board and meter on two open ports, opened again when they went away.

use std::{
    io::{self, Write},
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
        mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel},
    },
    time::{Duration, Instant},
};

use super::{ARRIVALS, Address, Arrival, Listener, Port, fresh_number, open};
use crate::{
    meter::PortSettings,
    moment::Moment,
    sweep::{Device, Devices, Heard},
};

/// Switching board and meter on two open ports, each with a thread that stamps what arrives.
///
/// A port that went away is opened again under the same name as soon as it is there.
pub struct PortDevices {
    epoch: Instant,
    jig: Cable,
    meter: Cable,
    sender: SyncSender<Tagged>,
    arrivals: Receiver<Tagged>,
    stop: Arc<AtomicBool>,
}

/// What arrived, from which device, and since which opening of its port.
type Tagged = ((Device, u32), Moment, Arrival);

/// One port, or the place where it was.
struct Cable {
    address: Address,
    settings: PortSettings,
    /// How often it has been opened: what an earlier opening still hands over is no news.
    opening: u32,
    plugged: Option<Plugged>,
    next_try: Instant,
}

/// The listener holds the port open for reading, so both ends go together.
struct Plugged {
    writer: Box<dyn Write + Send>,
    _listener: Listener,
}

/// How often a waiting sweep looks whether the operator wants to stop.
const LOOK_UP: Duration = Duration::from_millis(100);

/// How often a port that went away is tried.
const TRY_EVERY: Duration = Duration::from_millis(250);

impl PortDevices {
    /// Begins to listen on both ports; the session's time starts now. `stop` ends the sweep when it is set.
    #[must_use]
    pub fn new(jig: Port, meter: Port, stop: Arc<AtomicBool>) -> Self {
        let epoch = Instant::now();
        let (sender, arrivals) = sync_channel(ARRIVALS);
        let jig = Cable::new(jig, Device::Jig, epoch, &sender);
        let meter = Cable::new(meter, Device::Meter, epoch, &sender);
        Self { epoch, jig, meter, sender, arrivals, stop }
    }

    const fn cable(&mut self, device: Device) -> &mut Cable {
        match device {
            Device::Jig => &mut self.jig,
            Device::Meter => &mut self.meter,
        }
    }

    /// The first port that has come back.
    fn come_back(&mut self) -> Option<Device> {
        let (epoch, sender) = (self.epoch, self.sender.clone());
        [Device::Jig, Device::Meter]
            .into_iter()
            .find(|&device| self.cable(device).try_again(device, epoch, &sender))
    }

    fn write(&mut self, device: Device, bytes: &[u8]) -> io::Result<()> {
        let cable = self.cable(device);
        let Some(plugged) = &mut cable.plugged else { return Err(io::ErrorKind::NotConnected.into()) };
        let written = plugged.writer.write_all(bytes).and_then(|()| plugged.writer.flush());
        if written.is_err() {
            cable.unplug();
        }
        written
    }
}

impl Cable {
    fn new(port: Port, device: Device, epoch: Instant, sender: &SyncSender<Tagged>) -> Self {
        let Port { reader, writer, address, settings } = port;
        let listener = Listener::start(reader, epoch, (device, 0), sender.clone());
        let plugged = Some(Plugged { writer, _listener: listener });
        Self { address, settings, opening: 0, plugged, next_try: epoch }
    }

    /// Closes what is left of the port, so that its name is free for the device that comes back.
    fn unplug(&mut self) {
        self.plugged = None;
        self.opening = self.opening.wrapping_add(1);
        self.next_try = Instant::now() + TRY_EVERY;
    }

    /// Opens the port if it is away and there again.
    fn try_again(&mut self, device: Device, epoch: Instant, sender: &SyncSender<Tagged>) -> bool {
        if self.plugged.is_some() || Instant::now() < self.next_try {
            return false;
        }
        self.next_try = Instant::now() + TRY_EVERY;
        let Ok(Port { reader, writer, .. }) = open(&self.address, &self.settings) else { return false };
        let listener = Listener::start(reader, epoch, (device, self.opening), sender.clone());
        self.plugged = Some(Plugged { writer, _listener: listener });
        true
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
            if let Some(device) = self.come_back() {
                return Heard::Back(device);
            }
            let rest = until.since(self.now());
            match self.arrivals.recv_timeout(rest.min(LOOK_UP)) {
                Ok(((device, opening), ..)) if opening != self.cable(device).opening => {}
                Ok(((Device::Jig, _), at, Arrival::Bytes(bytes))) => return Heard::Jig(at, bytes),
                Ok(((Device::Meter, _), at, Arrival::Bytes(bytes))) => return Heard::Meter(at, bytes),
                Ok(((device, _), _, Arrival::Lost(error))) => {
                    self.cable(device).unplug();
                    return Heard::Lost(device, error);
                }
                Err(RecvTimeoutError::Timeout) if rest <= LOOK_UP => return Heard::Nothing,
                // This end holds a sender itself, so the queue is never abandoned.
                Err(RecvTimeoutError::Timeout | RecvTimeoutError::Disconnected) => {}
            }
        }
    }

    fn fresh_number(&self) -> u16 {
        fresh_number()
    }

    fn to_jig(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.write(Device::Jig, bytes)
    }

    fn to_meter(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.write(Device::Meter, bytes)
    }
}
