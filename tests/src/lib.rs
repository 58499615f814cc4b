//! Joined ends for the tests of the whole: the tests themselves stand in the folders beside `src/`, one binary
//! a kind.

// QEMU is watched over a Unix socket.
#[cfg(unix)]
pub mod emulated;
pub mod hand_trial;
pub mod lookout;
pub mod pairing_trial;
pub mod practice_log;
pub mod quartz;
pub mod rig;
pub mod soak;
