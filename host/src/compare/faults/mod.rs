//! Which faults explain a board: every fault predicts readings, and the smallest set that makes all of them
//! likely is looked for.
//!
//! `scene` holds one board with what is expected of it, `circuit` what a fault makes of the readings, `likelihood`
//! how well a set of faults explains them, `candidates` which faults could explain a pin, `search` which set
//! explains the board, `findings` what is told about it.

mod candidates;
mod circuit;
mod findings;
mod level;
mod likelihood;
mod scene;
mod search;

pub(super) use findings::explain;
pub(super) use scene::Scene;

/// A fault that could be there. Pins are indices; of a shared net any pin stands for the net.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
enum Cause {
    /// The joint of this pin is open.
    Open(usize),
    /// The joint of this pin has resistance.
    High(usize),
    /// The part on the net of this pin is missing.
    Missing(usize),
    /// The net of this pin touches ground.
    Short(usize),
    /// The net of this pin leaks to ground.
    Leak(usize),
    /// The nets of these two pins touch.
    Bridge(usize, usize),
    /// These two pins are exchanged.
    Swap(usize, usize),
}

impl Cause {
    /// The pins at fault.
    fn pins(self) -> ([usize; 2], usize) {
        match self {
            Self::Open(a) | Self::High(a) | Self::Missing(a) | Self::Short(a) | Self::Leak(a) => ([a, a], 1),
            Self::Bridge(a, b) | Self::Swap(a, b) => ([a, b], 2),
        }
    }

    /// Whether the fault changes the net itself, and so every pin of it.
    const fn on_net(self) -> bool {
        matches!(self, Self::Short(_) | Self::Leak(_) | Self::Bridge(..) | Self::Missing(_))
    }
}
