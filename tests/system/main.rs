//! Both ends joined, in simulated time.

mod pairing;
