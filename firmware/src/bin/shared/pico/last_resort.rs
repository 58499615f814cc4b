//! The end of every path that should not be: everything open, then a new start.

use core::panic::PanicInfo;

use super::hal::pac;
use super::{Wiring, hal, last_words};
use crate::image::Wires;

/// Pin of the bleed resistor: high connects.
const BLEED: u32 = 1 << 21;

/// Opens every channel and starts anew.
#[unsafe(no_mangle)]
pub(crate) extern "C" fn give_up() -> ! {
    open();
    last_words::leave();
    hal::reset()
}

/// Moves every line to where it opens; nothing else runs from here on.
fn open() {
    cortex_m::interrupt::disable();
    // SAFETY: the program is over; each write moves only the lines whose bits are set.
    unsafe {
        (*pac::SIO::PTR).gpio_out_set().write(|w| w.bits(Wires::HIGH_OPENS));
        (*pac::SIO::PTR).gpio_out_clr().write(|w| w.bits(Wires::LOW_OPENS | BLEED));
    }
}

#[panic_handler]
fn panic(info: &PanicInfo<'_>) -> ! {
    // Before anything is logged: the logger may be what panicked, or the stack may be at its end. If it panics
    // again, the watchdog starts the chip anew with every channel open.
    open();
    if let Some(place) = info.location() {
        defmt::error!("panic at {=str}:{=u32}", place.file(), place.line());
    }
    give_up()
}

#[cortex_m_rt::exception]
unsafe fn HardFault(_: &cortex_m_rt::ExceptionFrame) -> ! {
    give_up()
}

#[cortex_m_rt::exception]
unsafe fn DefaultHandler(_: i16) {
    give_up()
}
