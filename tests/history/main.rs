//! What is made from session logs: records, and the history.
#![allow(
    clippy::unwrap_used,
    clippy::disallowed_methods,
    reason = "tests of files open files, and one that cannot be opened fails the test"
)]

mod forget;
mod record;
mod store;
mod together;
