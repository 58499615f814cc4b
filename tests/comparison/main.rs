//! The comparison as a whole: against boards solved by an independent circuit simulator, under symmetries that must
//! change nothing, on misplaced boards, and on readings that make no sense.
#![allow(missing_docs, reason = "a test binary")]
#![allow(
    clippy::unwrap_used,
    clippy::disallowed_methods,
    reason = "a test reads its fixtures and fails where they are missing"
)]

mod boards;
mod honesty;
mod placement;
mod score;
mod symmetry;
