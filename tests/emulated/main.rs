//! The real images in their emulators: the rules of the switching board, seen at the pins.
//!
//! `tests::emulated` says how to get the images and emulators; without them each test names what it skips
//! and passes, unless `PINTALLY_REQUIRE_EMULATORS` is set.

#![cfg(unix)]
#![allow(clippy::unwrap_used, reason = "a test may fail loudly")]
#![allow(clippy::disallowed_methods, reason = "emulators run in real time")]
#![allow(clippy::print_stderr, reason = "what was measured is for people to read")]

mod hostile;
mod latency;
mod microbit;
mod pico;
mod plans;
mod relays;
mod safety;
mod signals;
mod wiretap;
