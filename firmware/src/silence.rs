//! Notices that the host has gone quiet.

use crate::time::Due;

/// Silence of the host after which every channel is opened, in µs.
pub const SILENCE_LIMIT_US: u32 = 2_000_000;

/// Time since the host was last heard.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Silence {
    heard_us: u64,
}

impl Silence {
    /// Begins at `now_us`.
    pub(crate) fn new(now_us: u64) -> Self {
        Self { heard_us: now_us }
    }

    /// A frame with a good checksum came.
    pub(crate) fn heard(&mut self, now_us: u64) {
        self.heard_us = now_us;
    }

    /// When the host counts as lost if it stays silent.
    pub(crate) fn ends(&self) -> Due {
        Due::after(Some(self.heard_us), SILENCE_LIMIT_US.into())
    }

    /// Whether the host is lost.
    pub(crate) fn is_over(&self, now_us: u64) -> bool {
        self.ends().is_over(now_us)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn is_over_at_two_seconds_and_not_before() {
        let mut silence = Silence::new(5);
        assert!(!silence.is_over(2_000_004));
        assert!(silence.is_over(2_000_005));
        silence.heard(2_000_004);
        assert!(!silence.is_over(4_000_003));
        assert!(silence.is_over(4_000_004));
    }
}
