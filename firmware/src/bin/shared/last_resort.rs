//! The end of every path that should not be: everything open, then a new start.

use core::panic::PanicInfo;

use super::{chip, last_words};

/// Opens every channel and starts anew. It keeps its name in the image, so that a test can call it there.
#[unsafe(no_mangle)]
pub(crate) extern "C" fn give_up() -> ! {
    chip::open();
    last_words::leave();
    chip::restart()
}

#[panic_handler]
fn panic(info: &PanicInfo<'_>) -> ! {
    // Before anything is logged: the logger may be what panicked, or the stack may be at its end. If it panics
    // again, the watchdog starts the chip anew with every channel open.
    chip::open();
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
