//! The laws behind a reading: junctions, resistors, nets tied together, and what a test current makes of them.
//!
//! Pure formulas with their sources. This room knows no pins and no boards.

mod junction;
mod network;
mod path;
mod source;

pub use junction::{Junction, thermal_voltage};
pub use network::{MOST_NETS, Network};
pub use path::Path;
pub use source::Source;
