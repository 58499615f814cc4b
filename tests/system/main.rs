//! Both ends joined, in simulated time.

mod bench;
mod pace;
mod pairing;
mod pairing_trial;
