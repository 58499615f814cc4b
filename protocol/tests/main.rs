//! The wire, held against its specification, its golden bytes, published values and random ones.

#![allow(clippy::unwrap_used, reason = "a test may fail loudly")]

mod golden;
mod properties;
mod published;
mod skew;
mod specification;
