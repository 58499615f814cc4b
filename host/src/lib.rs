//! Pintally on the host: from a meter's bytes and a jig's messages to findings about a connector.
//!
//! ```text
//! jig messages ─► jig ────┐
//!                         ├─► sweep ─► readings ─► compare ─► report
//! meter bytes ──► meter ──┘     │                     ▲
//!                               ▼                     │
//!                              log                reference
//! ```

// A room imports only from groups above its own (DEVELOPERS.md, invariant 2): tests/cli/rooms.rs.

pub mod cautions;
pub mod delimited;
pub mod exit_status;
pub mod fingerprint;
pub mod label;
pub mod moment;
pub mod statistics;
pub mod units;

pub mod connector;
pub mod failure;
pub mod jig;
pub mod meter;
pub mod physics;

pub mod readings;
pub mod repair;

pub mod live;
pub mod reference;
pub mod study;
pub mod sweep;

pub mod compare;
pub mod log;
pub mod port;

pub mod batch;
pub mod batch_run;
pub mod configuration;
pub mod probe;

pub mod practice;
pub mod session;

pub mod record;

pub mod history;
pub mod report;

pub mod cli;
