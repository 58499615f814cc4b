//! The laws behind a reading: junctions, resistors, and what a test current makes of them.
//!
//! Pure formulas with their sources. This room knows no pins and no boards.

mod junction;

pub use junction::{Junction, thermal_voltage};
