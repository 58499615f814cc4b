//! Pintally on the host: from a meter's bytes and a jig's messages to findings about a connector.
//!
//! ```text
//! jig messages ─► jig ────┐
//!                         ├─► sweep ─► readings ─► compare ─► report
//! meter bytes ──► meter ──┘     │                     ▲
//!                               ▼                     │
//!                              log                reference
//! ```

pub mod batch;
pub mod batch_run;
pub mod cautions;
pub mod cli;
pub mod compare;
pub mod configuration;
pub mod connector;
pub mod delimited;
pub mod exit_status;
pub mod failure;
pub mod fingerprint;
pub mod history;
pub mod jig;
pub mod label;
pub mod live;
pub mod log;
pub mod meter;
pub mod moment;
pub mod physics;
pub mod port;
pub mod practice;
pub mod probe;
pub mod readings;
pub mod record;
pub mod reference;
pub mod repair;
pub mod report;
pub mod session;
pub mod statistics;
pub mod study;
pub mod sweep;
pub mod units;
