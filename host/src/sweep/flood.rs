//! Whether a device sends far more than any meter or switching board would.

use std::time::Duration;

use crate::moment::Moment;

/// Bytes of one device within a stretch of time.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Flood {
    since: Moment,
    bytes: usize,
}

/// Bytes counted are forgotten after so long.
const STRETCH: Duration = Duration::from_secs(1);

/// Bytes in that time that no device sends: a line of 115200 baud carries 11520, the fastest meters on USB a
/// thousand readings of 20 bytes.
const FLOOD: usize = 64 * 1024;

impl Flood {
    /// Takes bytes that arrived at `now`; true if they are too many.
    pub(super) fn take(&mut self, now: Moment, bytes: usize) -> bool {
        if now.since(self.since) >= STRETCH {
            *self = Self { since: now, bytes: 0 };
        }
        self.bytes = self.bytes.saturating_add(bytes);
        self.bytes > FLOOD
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_flood_is_one() {
        let mut flood = Flood::default();
        let at = |ms: u64| Moment::from_micros(ms * 1000);
        // Ten seconds of a full line of 460800 baud.
        assert!((0..1000).all(|turn| !flood.take(at(turn * 10), 460)));
        assert!(!flood.take(at(20_000), FLOOD));
        assert!(flood.take(at(20_500), 1));
        assert!(!flood.take(at(21_000), 1));
    }
}
