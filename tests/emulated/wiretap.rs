//! Watches the lines of a switch edge by edge, and complains the moment a rule is broken.

use tests::emulated::{Edge, Levels, Lines};

/// What the lines have done so far.
#[derive(Debug)]
pub(crate) struct Wiretap {
    lines: Lines,
    break_ns: u64,
    pins: Levels,
    /// When the last channel was opened.
    pub(crate) opened_ns: Option<u64>,
    /// Every channel that was closed, in order, with its time.
    pub(crate) closings: Vec<(u8, Option<u64>)>,
    /// The shortest time from opening to closing.
    pub(crate) shortest_break_ns: Option<u64>,
}

impl Wiretap {
    /// Begins with every channel open.
    pub(crate) fn new(lines: Lines, break_us: u64) -> Self {
        Self {
            lines,
            break_ns: break_us * 1_000,
            pins: 0,
            opened_ns: None,
            closings: Vec::new(),
            shortest_break_ns: None,
        }
    }

    /// Takes the edges in their order. Edges of the same instant (a reset lets all pins go at once) count as
    /// one movement.
    ///
    /// # Panics
    ///
    /// If two channels are closed at once, an address line moves while a bank is enabled, or a channel is
    /// closed before the break is over.
    pub(crate) fn follow(&mut self, edges: &[Edge]) {
        let same_instant = |one: &Edge, other: &Edge| one.at_ns.is_some() && one.at_ns == other.at_ns;
        for instant in edges.chunk_by(same_instant) {
            let before = self.lines.closed(self.pins);
            for edge in instant {
                let bit = 1 << edge.pin;
                self.pins = if edge.high { self.pins | bit } else { self.pins & !bit };
            }
            let at_ns = instant[0].at_ns;
            let closed = self.lines.closed(self.pins);
            assert!(closed.len() <= 1, "channels {closed:?} are closed at once");
            match (before.as_slice(), closed.as_slice()) {
                ([], [channel]) => self.closing(*channel, at_ns),
                ([_], []) => self.opened_ns = at_ns,
                ([was], [is]) => assert_eq!(was, is, "the address moved under a closed channel"),
                _ => {}
            }
        }
    }

    /// The channel that is closed now.
    pub(crate) fn closed(&self) -> Option<u8> {
        self.lines.closed(self.pins).first().copied()
    }

    fn closing(&mut self, channel: u8, at_ns: Option<u64>) {
        self.closings.push((channel, at_ns));
        if let (Some(at_ns), Some(opened_ns)) = (at_ns, self.opened_ns) {
            let break_ns = at_ns - opened_ns;
            assert!(break_ns >= self.break_ns, "channel {channel} was closed {break_ns} ns after the last");
            self.shortest_break_ns =
                Some(self.shortest_break_ns.map_or(break_ns, |least| least.min(break_ns)));
        }
    }
}
