//! A thread that reads a port and stamps what arrives.

use std::{
    io::{self, Read},
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
        mpsc::{SyncSender, TrySendError},
    },
    thread::JoinHandle,
    time::{Duration, Instant},
};

use crate::moment::Moment;

/// What a listener hears.
#[derive(Debug)]
pub enum Arrival {
    /// Bytes, in the order in which they came.
    Bytes(Vec<u8>),
    /// The port is gone; nothing follows.
    Lost(io::Error),
}

/// Reads one port until it is dropped, and hands on everything with the time of its arrival.
#[derive(Debug)]
pub struct Listener {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

/// A driver hands over at most this many bytes at once.
const CHUNK: usize = 4096;

/// Arrivals that wait at most, 1 MiB in all: what a device sends beyond that waits in the system, so that one that
/// floods the line cannot fill the memory.
pub const ARRIVALS: usize = 256;

/// How long a full queue is left alone.
const FULL: Duration = Duration::from_millis(1);

impl Listener {
    /// Starts reading. `epoch` is the beginning of the session; `tag` says which port speaks.
    pub fn start<T: Copy + Send + 'static>(
        mut reader: Box<dyn Read + Send>,
        epoch: Instant,
        tag: T,
        sender: SyncSender<(T, Moment, Arrival)>,
    ) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let seen = Arc::clone(&stop);
        let thread = std::thread::spawn(move || {
            let mut chunk = [0; CHUNK];
            while !seen.load(Ordering::Relaxed) {
                let heard = reader.read(&mut chunk);
                let now = Moment::from_micros(u64::try_from(epoch.elapsed().as_micros()).unwrap_or(u64::MAX));
                let arrival = match heard {
                    Ok(0) => Arrival::Lost(io::ErrorKind::UnexpectedEof.into()),
                    Ok(count) => Arrival::Bytes(chunk[..count].to_vec()),
                    Err(error) if is_pause(&error) => continue,
                    Err(error) => Arrival::Lost(error),
                };
                let last = matches!(arrival, Arrival::Lost(_));
                if !hand_over(&sender, (tag, now, arrival), &seen) || last {
                    break;
                }
            }
        });
        Self { stop, thread: Some(thread) }
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            // A reader waits for `READ_WAIT` at most, so this ends soon.
            let _ = thread.join();
        }
    }
}

/// Hands an arrival on; false if nobody takes it any more.
fn hand_over<T>(sender: &SyncSender<T>, mut arrival: T, stop: &AtomicBool) -> bool {
    loop {
        match sender.try_send(arrival) {
            Ok(()) => return true,
            Err(TrySendError::Disconnected(_)) => return false,
            // Whoever stops listening does not empty the queue first.
            Err(TrySendError::Full(_)) if stop.load(Ordering::Relaxed) => return false,
            Err(TrySendError::Full(back)) => arrival = back,
        }
        std::thread::sleep(FULL);
    }
}

fn is_pause(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::TimedOut | io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted)
}
