//! Log lines that cost nothing where no probe listens: without the feature `defmt` they are not there.

macro_rules! info {
    ($($argument:tt)*) => {
        {
            #[cfg(feature = "defmt")]
            defmt::info!($($argument)*);
        }
    };
}

macro_rules! debug {
    ($($argument:tt)*) => {
        {
            #[cfg(feature = "defmt")]
            defmt::debug!($($argument)*);
        }
    };
}

pub(crate) use {debug, info};
