//! The real firmware images, running in emulators: what a test needs of them.
//!
//! Each board gives the address of its serial port (a `tcp:` port of `pintally`), the state of its output
//! pins, the edges of those pins, and its log. Without an image or an emulator the start functions give
//! `None` and say on stderr what is skipped; with `PINTALLY_REQUIRE_EMULATORS` set they panic instead.
//!
//! Build the images with `cargo images`; the emulators are `npm ci` in `tests/emulated` and QEMU
//! (Debian: `qemu-system-arm`).

#![allow(clippy::disallowed_methods, reason = "emulators are processes, files and sockets in real time")]

mod log;
mod microbit;
mod pico;

use std::env;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::process::Child;
use std::thread::sleep;
use std::time::{Duration, Instant};

pub use microbit::{Halted, Microbit};
pub use pico::{Bus, Pico, PicoBoard, Step};

/// How to see at the pins which channels are closed.
#[derive(Debug, Clone, Copy)]
pub enum Lines {
    /// The lines of multiplexers.
    Multiplexers {
        /// Address lines, least significant first.
        address: [u8; 4],
        /// Enable lines, one for each bank of 16; high connects.
        enable: &'static [u8],
    },
    /// One pin for each channel: outputs of parts that hang on the board.
    Outputs {
        /// Pin of channel 0; high closes.
        first: u8,
        /// Channels that exist.
        channels: u8,
    },
}

/// Levels of up to 128 pins, one bit each.
pub type Levels = u128;

impl Lines {
    /// Channels that exist.
    #[must_use]
    pub fn channels(&self) -> u8 {
        match self {
            Self::Multiplexers { enable, .. } => 16 * enable.len() as u8,
            Self::Outputs { channels, .. } => *channels,
        }
    }

    /// The channels that are closed at these levels of the pins.
    #[must_use]
    pub fn closed(&self, pins: Levels) -> Vec<u8> {
        let high = |pin: &u8| pins >> pin & 1 == 1;
        match self {
            Self::Multiplexers { address, enable } => {
                let address = address.iter().rev().fold(0, |number, pin| number << 1 | u8::from(high(pin)));
                let banks = enable.iter().zip(0_u8..).filter(|(pin, _)| high(pin));
                banks.map(|(_, bank)| bank * 16 + address).collect()
            }
            Self::Outputs { first, channels } => {
                (0..*channels).filter(|channel| high(&(first + channel))).collect()
            }
        }
    }
}

/// One output pin moved, or an output of a part that hangs on the board.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Edge {
    /// Number of the pin at its chip; outputs of other parts come behind them.
    pub pin: u8,
    /// To high, or to low.
    pub high: bool,
    /// Time of the emulated chip in ns; `None` where the emulator does not tell.
    pub at_ns: Option<u64>,
}

/// A process that ends with the test.
#[derive(Debug)]
struct Emulator(Child);

impl Drop for Emulator {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// An image by its name, if it was built and `emulator` is there.
fn image(name: &str, emulator: Result<(), String>) -> Option<PathBuf> {
    let folder =
        env::var_os("PINTALLY_IMAGES").map_or_else(|| workspace().join("target/images"), PathBuf::from);
    let image = folder.join(name).with_extension("elf");
    let missing = match emulator {
        Err(missing) => missing,
        Ok(()) if image.exists() => return Some(image),
        Ok(()) => format!("{name}.elf is not built (cargo images)"),
    };
    assert!(
        env::var_os("PINTALLY_REQUIRE_EMULATORS").is_none(),
        "PINTALLY_REQUIRE_EMULATORS is set, but {missing}"
    );
    // Not by a macro: the test harness keeps what those print unless the test fails.
    let test = std::thread::current();
    let line = format!("SKIPPED {}: {missing}\n", test.name().unwrap_or("a test"));
    io::stderr().write_all(line.as_bytes()).expect("stderr is open");
    None
}

fn workspace() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// How long an emulator is waited for: far longer than any takes on a machine that is busy, but not for ever.
const LIMIT: Duration = Duration::from_secs(120);

/// Tries again until something that is starting answers, for at most [`LIMIT`].
fn patiently<T>(mut attempt: impl FnMut() -> io::Result<T>) -> T {
    let start = Instant::now();
    loop {
        match attempt() {
            Ok(value) => return value,
            Err(error) if start.elapsed() > LIMIT => panic!("no answer in {LIMIT:?}: {error}"),
            Err(_) => sleep(Duration::from_millis(10)),
        }
    }
}
