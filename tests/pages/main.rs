//! Reports as a reader meets them: HTML in a real browser, texts from outside that try to be markup, JSON against its
//! published schema.
#![allow(missing_docs, reason = "a test binary")]
#![allow(
    clippy::unwrap_used,
    clippy::disallowed_methods,
    clippy::print_stderr,
    reason = "a test starts programs, reads files and fails where something is missing"
)]

mod browser;
mod made;
mod outside;
mod schema;
