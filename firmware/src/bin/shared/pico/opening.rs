//! Opens every channel past all drivers, and starts the chip anew.

use super::hal::pac;
use super::{Wiring, hal};
use crate::image::Wires;

/// Pin of the bleed resistor: high connects.
const BLEED: u32 = 1 << 21;

/// Moves every line to where it opens; nothing else runs from here on.
pub(crate) fn open() {
    cortex_m::interrupt::disable();
    // SAFETY: the program is over; each write moves only the lines whose bits are set.
    unsafe {
        (*pac::SIO::PTR).gpio_out_set().write(|w| w.bits(Wires::HIGH_OPENS));
        (*pac::SIO::PTR).gpio_out_clr().write(|w| w.bits(Wires::LOW_OPENS | BLEED));
    }
}

/// Resets both cores and what hangs on them.
pub(crate) fn restart() -> ! {
    hal::reset()
}
