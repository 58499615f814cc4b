//! An open port with a listener, for the commands about meters.

use std::{
    io::Write,
    sync::mpsc::{Receiver, RecvTimeoutError, sync_channel},
    time::{Duration, Instant},
};

use crate::{
    exit_status::ExitStatus,
    failure::Failure,
    meter::PortSettings,
    moment::Moment,
    port::{self, ARRIVALS, Address, Arrival, Listener},
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
        match self.arrivals.recv_timeout(patience) {
            Ok(((), at, Arrival::Bytes(bytes))) => Ok(Some((at, bytes))),
            Ok(((), _, Arrival::Lost(error))) => Err(self.lost(&error.to_string())),
            Err(RecvTimeoutError::Timeout) => Ok(None),
            Err(RecvTimeoutError::Disconnected) => Err(self.lost("its reader has ended")),
        }
    }

    /// Sends bytes.
    pub(super) fn send(&mut self, bytes: &[u8]) -> Result<(), Failure> {
        let sent = self.writer.write_all(bytes).and_then(|()| self.writer.flush());
        sent.map_err(|error| self.lost(&error.to_string()))
    }

    fn lost(&self, reason: &str) -> Failure {
        Failure::new(ExitStatus::Unavailable, format!("port {} went away: {reason}", self.address))
            .hint("check the cable, plug it in again, and look for the port with `pintally meter find`")
    }
}
