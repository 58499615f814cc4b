//! Both ends joined, in simulated time.

mod bench;
mod pairing;
