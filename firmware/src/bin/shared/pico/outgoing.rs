//! Bytes on their way out of one link.

/// A few bytes that were taken from the board and not yet sent.
pub(super) struct Outgoing {
    bytes: [u8; 32],
    from: usize,
    to: usize,
}

impl Outgoing {
    pub(super) const fn new() -> Self {
        Self { bytes: [0; 32], from: 0, to: 0 }
    }

    /// Hands bytes to `send`, which takes some of them and says how many, until it takes none or there
    /// are no more. Returns whether bytes are left.
    pub(super) fn pump(
        &mut self,
        mut take: impl FnMut(&mut [u8]) -> usize,
        mut send: impl FnMut(&[u8]) -> usize,
    ) -> bool {
        loop {
            if self.from == self.to {
                (self.from, self.to) = (0, take(&mut self.bytes));
                if self.to == 0 {
                    return false;
                }
            }
            let sent = send(self.bytes.get(self.from..self.to).unwrap_or_default());
            self.from = self.to.min(self.from + sent);
            if sent == 0 {
                return true;
            }
        }
    }
}
