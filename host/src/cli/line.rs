//! An open port with a listener, for the commands about a single device.

use std::{
    io::{self, Write},
    sync::mpsc::{Receiver, RecvTimeoutError, sync_channel},
    time::{Duration, Instant},
};

use crate::{
    exit_status::ExitStatus,
    failure::Failure,
    meter::PortSettings,
    moment::Moment,
    port::{self, ARRIVALS, Address, Arrival, Listener},
    sweep::{Device, Devices, Heard},
};

/// A port that is listened to.
pub(super) struct Line {
    address: Address,
    epoch: Instant,
    writer: Box<dyn Write + Send>,
    arrivals: Receiver<((), Moment, Arrival)>,
    _listener: Listener,
}

impl Line {
    /// Opens a port and begins to listen.
    pub(super) fn open(address: &Address, settings: &PortSettings) -> Result<Self, Failure> {
        let port = port::open(address, settings)?;
        let epoch = Instant::now();
        let (sender, arrivals) = sync_channel(ARRIVALS);
        let listener = Listener::start(port.reader, epoch, (), sender);
        Ok(Self { address: address.clone(), epoch, writer: port.writer, arrivals, _listener: listener })
    }

    /// Time since the port was opened.
    pub(super) fn now(&self) -> Moment {
        Moment::START.after(self.epoch.elapsed())
    }

    /// Waits for bytes, for `patience` at most.
    pub(super) fn hear(&self, patience: Duration) -> Result<Option<(Moment, Vec<u8>)>, Failure> {
        self.arrival(patience).map_err(|error| self.lost(&error))
    }

    fn arrival(&self, patience: Duration) -> io::Result<Option<(Moment, Vec<u8>)>> {
        match self.arrivals.recv_timeout(patience) {
            Ok(((), at, Arrival::Bytes(bytes))) => Ok(Some((at, bytes))),
            Ok(((), _, Arrival::Lost(error))) => Err(error),
            Err(RecvTimeoutError::Timeout) => Ok(None),
            Err(RecvTimeoutError::Disconnected) => Err(io::Error::other("its reader has ended")),
        }
    }

    /// Sends bytes.
    pub(super) fn send(&mut self, bytes: &[u8]) -> Result<(), Failure> {
        self.write(bytes).map_err(|error| self.lost(&error))
    }

    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.writer.write_all(bytes).and_then(|()| self.writer.flush())
    }

    /// The failure of a port that is gone.
    pub(super) fn lost(&self, reason: &io::Error) -> Failure {
        Failure::new(ExitStatus::Unavailable, format!("port {} went away: {reason}", self.address))
            .hint("check the cable, plug it in again, and look for the port with `pintally meter find`")
    }
}

/// The port of a switching board without a meter.
impl Devices for Line {
    fn now(&self) -> Moment {
        Self::now(self)
    }

    fn wait(&mut self, until: Moment) -> Heard {
        match self.arrival(until.since(self.now())) {
            Ok(Some((at, bytes))) => Heard::Jig(at, bytes),
            Ok(None) => Heard::Nothing,
            Err(error) => Heard::Lost(Device::Jig, error),
        }
    }

    fn fresh_number(&self) -> u16 {
        port::fresh_number()
    }

    fn to_jig(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.write(bytes)
    }

    fn to_meter(&mut self, _: &[u8]) -> io::Result<()> {
        Ok(())
    }
}
