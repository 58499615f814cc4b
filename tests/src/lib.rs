//! Joined ends for the tests of the whole: the tests themselves stand in the folders beside `src/`, one binary
//! a kind.

pub mod rig;
