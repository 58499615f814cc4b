//! Which versions of the protocol this crate speaks.
//!
//! A variant or field is never changed or removed: new variants go to the end of their enum, and each
//! such step raises [`CURRENT`]. [`MIN`] rises only when an old version can no longer be served.

/// Oldest version that is still understood.
pub const MIN: u8 = 1;

/// Version that this crate writes.
pub const CURRENT: u8 = 1;
