//! The practice bench: an emulated meter, board and switching board.

pub mod meter;
