//! Deadlines, and waits that begin at a time which may not be known yet.

/// The earlier of two deadlines, where none is later than any.
pub(crate) fn earlier(one_us: Option<u64>, other_us: Option<u64>) -> Option<u64> {
    match (one_us, other_us) {
        (Some(one_us), Some(other_us)) => Some(one_us.min(other_us)),
        (one_us, None) => one_us,
        (None, other_us) => other_us,
    }
}

/// The end of a wait. Never inlined: small beats fast here.
#[inline(never)]
pub(crate) fn after(since_us: Option<u64>, wait_us: u32) -> Option<u64> {
    since_us.map(|since_us| since_us.saturating_add(wait_us.into()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn none_is_later_than_any() {
        for (one, other, expected) in [
            (None, None, None),
            (Some(1), None, Some(1)),
            (None, Some(2), Some(2)),
            (Some(3), Some(2), Some(2)),
        ] {
            assert_eq!(earlier(one, other), expected);
        }
    }

    #[test]
    fn a_wait_does_not_run_over_the_end_of_time() {
        assert_eq!(after(Some(u64::MAX - 1), 5), Some(u64::MAX));
        assert_eq!(after(None, 5), None);
    }
}
