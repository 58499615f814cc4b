//! The operator's desk: a meter's port, the keys, perhaps a switching board's button; or the practice hand by the clock.

use std::{
    io::{self, Write},
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
        mpsc::{Receiver, RecvTimeoutError, Sender, channel, sync_channel},
    },
    time::{Duration, Instant},
};

use super::{
    keys::{self, Typed},
    live::Keys,
};
use crate::{
    connector::Connector,
    failure::Failure,
    meter::PortSettings,
    moment::Moment,
    port::{self, ARRIVALS, Address, Arrival, Listener, SWITCHING_BOARD},
    practice::HandBench,
    probe::{Action, Bench, Heard},
    sweep::Device,
};

/// How often a waiting desk looks at the keys.
const LOOK_UP: Duration = Duration::from_millis(50);

/// What the operator types and whether the system wants the program to end.
pub(super) struct Keyboard {
    connector: Connector,
    typed: Receiver<String>,
    /// Where the live screen hears of what is not understood; `None` where lines are printed.
    complaints: Option<Sender<String>>,
    stop: Arc<AtomicBool>,
}

impl Keyboard {
    /// Keys of a live screen.
    pub(super) fn keys(connector: &Connector, keys: Keys) -> Self {
        Self::new(connector, keys.typed, Some(keys.complaints))
    }

    /// A signal of the system ends the session as `q` does.
    fn new(connector: &Connector, typed: Receiver<String>, complaints: Option<Sender<String>>) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let seen = Arc::clone(&stop);
        // A handler can be set once a process; in tests that is enough.
        let _ = ctrlc::set_handler(move || seen.store(true, Ordering::Relaxed));
        Self { connector: connector.clone(), typed, complaints, stop }
    }

    /// Lines of the standard input.
    pub(super) fn lines(connector: &Connector) -> Self {
        let (sender, typed) = channel();
        keys::listen(sender);
        Self::new(connector, typed, None)
    }

    fn look(&self, now: Moment) -> Option<Heard> {
        if self.stop.load(Ordering::Relaxed) {
            return Some(Heard::Quit);
        }
        match keys::understand(&self.typed.try_recv().ok()?, &self.connector) {
            Typed::Deed(deed) => Some(Heard::Deed(now, deed)),
            Typed::Quit => Some(Heard::Quit),
            Typed::Unknown(text) => {
                match &self.complaints {
                    // If the screen or stderr is gone there is nobody to tell.
                    Some(complaints) => drop(complaints.send(text)),
                    None => drop(writeln!(anstream::stderr(), "{text}; {}", keys::HELP)),
                }
                None
            }
        }
    }
}

/// Open ports and keys.
pub(super) struct Desk {
    epoch: Instant,
    /// The session's time when the ports were opened.
    since: Moment,
    meter: Box<dyn Write + Send>,
    jig: Option<Box<dyn Write + Send>>,
    arrivals: Receiver<(Device, Moment, Arrival)>,
    keyboard: Keyboard,
    _listeners: Vec<Listener>,
}

impl Desk {
    /// Opens the ports; the session's time goes on from `since`.
    pub(super) fn open(
        meter: &Address,
        settings: &PortSettings,
        jig: Option<&Address>,
        since: Moment,
        keyboard: Keyboard,
    ) -> Result<Self, Failure> {
        let epoch = Instant::now();
        let (sender, arrivals) = sync_channel(ARRIVALS);
        let meter = port::open(meter, settings)?;
        let mut listeners = vec![Listener::start(meter.reader, epoch, Device::Meter, sender.clone())];
        let jig = match jig {
            Some(address) => {
                let port = port::open(address, &SWITCHING_BOARD)?;
                listeners.push(Listener::start(port.reader, epoch, Device::Jig, sender));
                Some(port.writer)
            }
            None => None,
        };
        Ok(Self { epoch, since, meter: meter.writer, jig, arrivals, keyboard, _listeners: listeners })
    }
}

impl Bench for Desk {
    fn now(&self) -> Moment {
        self.since.after(self.epoch.elapsed())
    }

    fn wait(&mut self, until: Moment) -> Heard {
        loop {
            if let Some(heard) = self.keyboard.look(self.now()) {
                return heard;
            }
            let rest = until.since(self.now());
            let at = |at: Moment| self.since.after(at.since(Moment::START));
            match self.arrivals.recv_timeout(rest.min(LOOK_UP)) {
                Ok((Device::Meter, moment, Arrival::Bytes(bytes))) => return Heard::Meter(at(moment), bytes),
                Ok((Device::Jig, moment, Arrival::Bytes(bytes))) => return Heard::Jig(at(moment), bytes),
                Ok((device, _, Arrival::Lost(error))) => return Heard::Lost(device, error),
                Err(RecvTimeoutError::Timeout) if rest <= LOOK_UP => return Heard::Nothing,
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => {
                    return Heard::Lost(Device::Meter, io::ErrorKind::BrokenPipe.into());
                }
            }
        }
    }

    fn fresh_number(&self) -> u16 {
        port::fresh_number()
    }

    fn to_meter(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.meter.write_all(bytes)?;
        self.meter.flush()
    }

    fn to_jig(&mut self, bytes: &[u8]) -> io::Result<()> {
        let Some(jig) = &mut self.jig else { return Ok(()) };
        jig.write_all(bytes)?;
        jig.flush()
    }
}

/// The practice hand, held to the clock so that a person can follow and type.
pub(super) struct Paced {
    hand: HandBench,
    epoch: Instant,
    since: Moment,
    keyboard: Keyboard,
}

impl Paced {
    /// Starts the hand; the session's time goes on from `since`.
    pub(super) fn new(hand: HandBench, since: Moment, keyboard: Keyboard) -> Self {
        Self { hand, epoch: Instant::now(), since, keyboard }
    }
}

impl Bench for Paced {
    fn now(&self) -> Moment {
        self.hand.now()
    }

    fn wait(&mut self, until: Moment) -> Heard {
        if let Some(heard) = self.keyboard.look(self.hand.now()) {
            return heard;
        }
        let heard = self.hand.wait(until.min(self.hand.now().after(LOOK_UP)));
        let ahead = self.hand.now().since(self.since).saturating_sub(self.epoch.elapsed());
        std::thread::sleep(ahead);
        heard
    }

    fn to_meter(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.hand.to_meter(bytes)
    }

    fn to_jig(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.hand.to_jig(bytes)
    }

    fn told(&mut self, action: &Action, now: Moment) {
        self.hand.told(action, now);
    }
}
