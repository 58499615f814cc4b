//! Honest numbers: what a few readings say about many, and how far to trust it.
//!
//! Summaries that keep their digits, robust centres and spreads, variances shared between like pins, and the
//! factors of tolerance and prediction intervals. This room knows numbers only: no pins, no volts, no boards.
//! Every function takes finite numbers and gives finite numbers, or `None` where the sample is too small to say.

mod factors;
mod moderated;
mod robust;
mod special;
mod summary;
mod tolerance;

pub use factors::{normal_quantile, prediction_factor, student_log_norm, student_quantile, student_tail};
pub use moderated::{Moderated, SampleVariance};
pub use robust::{interquartile, mad, median, median_of, quantile};
pub use special::trigamma;
pub use summary::{Summary, summarise};
pub use tolerance::tolerance_factor;
