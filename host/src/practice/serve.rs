//! The bench in real time on two ports, so that every other command works on it as on hardware.
//!
//! This is an edge: it reads the clock, opens ports and runs threads. On Unix the ports are pseudo-terminals or
//! `tcp:` on loopback; elsewhere only `tcp:`.
#![allow(clippy::disallowed_methods, reason = "serving is an edge: it runs by the clock of the machine")]

mod doors;

use std::{
    io,
    path::PathBuf,
    sync::mpsc::{Receiver, RecvTimeoutError, Sender},
    thread::JoinHandle,
    time::{Duration, Instant},
};

use protocol::Sound;

use super::{
    bench::{Bench, Side},
    circuit::SolveError,
    specimen::Specimen,
};
use crate::{moment::Moment, port::Address};

pub use doors::{Doors, open_pseudo_terminals, open_tcp};

/// Longest nap between two looks at the bench.
const NAP: Duration = Duration::from_millis(50);

/// How long a finger stays on the start button: well beyond what the firmware takes for bouncing.
const PRESS: Duration = Duration::from_millis(150);

/// What somebody at the bench does.
#[derive(Debug)]
pub enum Order {
    /// Presses the start button, and lets it go after a moment of the bench's time.
    Press,
    /// Shuts the lid, or opens it.
    Lid(bool),
    /// Puts another board on the jig.
    Load(Box<Specimen>),
    /// Connects the meter, or takes its plugs out.
    Plug(bool),
    /// Presses HOLD on the meter, or presses it again.
    Hold,
    /// Switches the bench off.
    Stop,
}

/// Something that whoever stands at the bench notices.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Notice {
    /// A host opened or closed a port.
    Host {
        /// Which one.
        side: Side,
        /// Whether it is there.
        attached: bool,
    },
    /// The buzzer played.
    Sound(Sound),
    /// The board cannot be put on the jig; the old one stays.
    NotLoaded(SolveError),
}

/// Why a bench cannot be served.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ServeError {
    /// No pseudo-terminal could be made.
    #[error("cannot make a pseudo-terminal: {reason}")]
    PseudoTerminal {
        /// The system's words.
        reason: String,
    },
    /// This system has no pseudo-terminals.
    #[error("this system has no pseudo-terminals")]
    NoPseudoTerminals,
    /// A TCP port cannot be listened on.
    #[error("cannot listen at {address}")]
    Listen {
        /// The address.
        address: Address,
        /// Why.
        #[source]
        source: io::Error,
    },
    /// A symbolic link cannot be made.
    #[error("cannot make the link {}", path.display())]
    Link {
        /// The link.
        path: PathBuf,
        /// Why.
        #[source]
        source: io::Error,
    },
}

impl ServeError {
    /// What to do next.
    #[must_use]
    pub const fn hint(&self) -> &'static str {
        match self {
            Self::PseudoTerminal { .. } | Self::NoPseudoTerminals => "use `--tcp` instead",
            Self::Listen { .. } => "give another port, or 0 for any that is free",
            Self::Link { .. } => "name a folder that exists, in which `jig` and `meter` are links or missing",
        }
    }
}

/// What a thread tells the loop.
pub(super) enum Told {
    Bytes(Side, Vec<u8>),
    Host(Side, bool),
    Order(Order),
}

/// Hands orders to a served bench.
#[derive(Clone)]
pub struct Orders(pub(super) Sender<Told>);

impl Orders {
    /// Gives an order; `false` if the bench is no longer served.
    #[must_use = "a bench that is gone takes no orders"]
    pub fn give(&self, order: Order) -> bool {
        self.0.send(Told::Order(order)).is_ok()
    }
}

/// A bench that is served on a thread of its own, until it is dropped.
pub struct Background {
    orders: Orders,
    thread: Option<JoinHandle<()>>,
}

impl Background {
    /// Serves a bench behind these doors at the pace of the clock.
    #[must_use = "the bench is switched off when this is dropped"]
    pub fn start(bench: Bench, mut doors: Doors) -> Self {
        let orders = doors.orders();
        let thread = std::thread::spawn(move || serve(bench, &mut doors, 1.0, &mut |_| {}));
        Self { orders, thread: Some(thread) }
    }

    /// A way to give orders to the bench.
    #[must_use]
    pub fn orders(&self) -> Orders {
        self.orders.clone()
    }
}

impl Drop for Background {
    fn drop(&mut self) {
        let _ = self.orders.give(Order::Stop);
        if let Some(thread) = self.thread.take() {
            // A bench that panicked has nothing left to switch off.
            let _ = thread.join();
        }
    }
}

/// Serves a bench until it is told to stop. Its time runs `speed` times as fast as the clock.
pub fn serve(mut bench: Bench, doors: &mut Doors, speed: f64, watch: &mut dyn FnMut(Notice)) {
    let began = (Instant::now(), bench.now());
    let now = || Moment::after(began.1, began.0.elapsed().mul_f64(speed));
    let mut pressed_until: Option<Moment> = None;
    loop {
        let next = [bench.next_event(), pressed_until].into_iter().flatten().min();
        let told = wait(doors.told(), nap(next, now(), speed));
        let at = now();
        // However late this loop is, the finger was on the button for its time.
        if let Some(until) = pressed_until.take_if(|until| *until <= at) {
            pass(&mut bench, until, doors);
            bench.jig().button(false);
        }
        pass(&mut bench, at, doors);
        for sound in bench.jig().take_sounds() {
            watch(Notice::Sound(sound));
        }
        match told {
            None => {}
            Some(Told::Bytes(Side::Meter, bytes)) => bench.to_meter(&bytes, at),
            Some(Told::Bytes(Side::Jig, bytes)) => bench.to_jig(&bytes, at),
            Some(Told::Host(side, attached)) => watch(Notice::Host { side, attached }),
            Some(Told::Order(Order::Press)) => {
                bench.jig().button(true);
                pressed_until = Some(at.after(PRESS));
            }
            Some(Told::Order(Order::Lid(closed))) => bench.jig().lid(closed),
            Some(Told::Order(Order::Load(specimen))) => {
                if let Err(error) = bench.load(&specimen) {
                    watch(Notice::NotLoaded(error));
                }
            }
            Some(Told::Order(Order::Plug(plugged))) => bench.plug(plugged),
            Some(Told::Order(Order::Hold)) => bench.press_hold(),
            Some(Told::Order(Order::Stop)) => return,
        }
    }
}

/// Lets time pass on the bench, and hands the hosts what it has to say.
fn pass(bench: &mut Bench, until: Moment, doors: &Doors) {
    for (_, side, bytes) in bench.advance(until) {
        doors.send(side, &bytes);
    }
}

/// How long nothing will happen, by the clock of the machine.
fn nap(next: Option<Moment>, now: Moment, speed: f64) -> Duration {
    let ahead = next.map_or(NAP, |next| next.since(now));
    // A speed that makes no sense leaves the longest nap.
    Duration::try_from_secs_f64(ahead.as_secs_f64() / speed).map_or(NAP, |nap| nap.min(NAP))
}

fn wait(told: &Receiver<Told>, nap: Duration) -> Option<Told> {
    match told.recv_timeout(nap) {
        Ok(told) => Some(told),
        Err(RecvTimeoutError::Timeout) => None,
        // The doors hold a sender as long as they are open.
        Err(RecvTimeoutError::Disconnected) => Some(Told::Order(Order::Stop)),
    }
}
