//! Honest numbers: what a few readings say about many, and how far to trust it.
//!
//! Summaries that keep their digits, robust centres and spreads, variances shared between like pins, and the
//! factors of tolerance and prediction intervals, analysis of variance, shares, control charts with their run lengths. This room knows numbers only: no pins, no volts, no boards.
//! Every function takes finite numbers and gives finite numbers, or `None` where the sample is too small to say.

mod anova;
mod charts;
mod factors;
mod gauge;
mod moderated;
mod proportion;
mod robust;
mod run_length;
mod special;
mod summary;
mod tolerance;

pub use anova::{Crossed, OneWay, Ratio, Source, crossed, one_way};
pub use charts::{Cusum, Ewma, Individuals, SelfStarting};
pub use factors::{normal_quantile, prediction_factor, student_log_norm, student_quantile, student_tail};
pub use gauge::{Gauge, POOLED_FROM};
pub use moderated::{Moderated, SampleVariance};
pub use proportion::{Share, binomial_tail, wilson};
pub use robust::{interquartile, mad, median, median_of, quantile};
pub use run_length::{cusum_limit, cusum_run_length, ewma_limit, ewma_run_length, one_sided_run_length};
pub use special::trigamma;
pub use summary::{Summary, summarise};
pub use tolerance::tolerance_factor;
