//! Deadlines, and waits that begin at a time which may not be known yet.

/// When something is due.
///
/// One number and not an option of one: a small chip compares it in three instructions, and it is compared
/// many times between a byte and what follows from it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Due(u64);

impl Due {
    /// Later than anything: a clock of µs gets there in half a million years.
    pub(crate) const NEVER: Self = Self(u64::MAX);
    /// At once.
    pub(crate) const NOW: Self = Self(0);

    /// At a time.
    pub(crate) fn at(at_us: u64) -> Self {
        Self(at_us)
    }

    /// At the end of a wait; never while it is not known when it began. Never inlined: small beats fast here.
    #[inline(never)]
    pub(crate) fn after(since_us: Option<u64>, wait_us: u64) -> Self {
        since_us.map_or(Self::NEVER, |since_us| Self(since_us.saturating_add(wait_us)))
    }

    /// This, if the condition holds, and never if not.
    pub(crate) fn only_if(self, condition: bool) -> Self {
        if condition { self } else { Self::NEVER }
    }

    /// Whether it is due.
    pub(crate) fn is_over(self, now_us: u64) -> bool {
        now_us >= self.0
    }

    /// The time, if there is one.
    pub(crate) fn at_us(self) -> Option<u64> {
        (self != Self::NEVER).then_some(self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn never_is_later_than_anything() {
        assert_eq!(Due::NEVER.min(Due::at(3)), Due::at(3));
        assert_eq!(Due::at(5).only_if(false), Due::NEVER);
        assert_eq!([Due::NEVER, Due::NOW, Due::at(2)].map(Due::at_us), [None, Some(0), Some(2)]);
    }

    #[test]
    fn a_wait_does_not_run_over_the_end_of_time() {
        assert_eq!(Due::after(Some(u64::MAX - 1), 5), Due::NEVER);
        assert_eq!(Due::after(Some(10), 5), Due::at(15));
        assert_eq!(Due::after(None, 5), Due::NEVER);
    }

    #[test]
    fn is_over_at_its_time_and_not_before() {
        assert!(!Due::at(15).is_over(14));
        assert!(Due::at(15).is_over(15));
    }
}
