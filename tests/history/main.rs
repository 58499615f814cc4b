//! What is made from session logs: records, and the history.
#![allow(clippy::unwrap_used, reason = "tests fail by panicking")]

mod record;
