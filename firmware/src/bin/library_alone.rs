//! The library linked with nothing but a switch that writes two registers: to measure its flash and RAM,
//! and to show that no panic is reachable in it. Built and looked at by `cargo images`; it never runs.
//!
//! The panic handler is what makes it a proof: it names a symbol that exists nowhere, so that the image
//! links only if no path in the library can panic.

#![cfg_attr(target_os = "none", no_std, no_main)]

#[cfg(target_os = "none")]
mod alone {
    use core::mem::MaybeUninit;
    use core::panic::PanicInfo;

    use firmware::{Board, Fittings, Identity, Switch, SwitchFault, Waits};
    use protocol::{BoardKind, Channel, Parts, ResetCause};

    /// Sets a word at an address that stands for a port.
    struct Port;

    const OUT: *mut u32 = 0x5000_0504 as *mut u32;
    const IN: *const u32 = 0x5000_0510 as *const u32;

    impl Switch for Port {
        fn kind(&self) -> BoardKind {
            BoardKind::Multiplexer
        }
        fn channels(&self) -> u8 {
            64
        }
        fn waits(&self) -> Waits {
            Waits { break_us: 50, make_us: 300 }
        }
        fn open_all(&mut self) -> Result<(), SwitchFault> {
            // SAFETY: never run; stands for a port.
            unsafe { OUT.write_volatile(0) };
            Ok(())
        }
        fn close(&mut self, channel: Channel) -> Result<(), SwitchFault> {
            // SAFETY: never run; stands for a port.
            unsafe { OUT.write_volatile(u32::from(channel.0) | 0x100) };
            Ok(())
        }
    }

    impl Fittings for Port {
        fn parts(&self) -> Parts {
            Parts { sense: true, bleed: true, button: true, lid: true, light: true, buzzer: true }
        }
        fn lid_closed(&mut self) -> bool {
            // SAFETY: never run; stands for a port.
            unsafe { IN.read_volatile() & 1 == 1 }
        }
        fn sense_millivolts(&mut self) -> Option<i32> {
            // SAFETY: never run; stands for a port.
            Some(unsafe { IN.read_volatile() } as i32)
        }
    }

    static mut BOARD: MaybeUninit<Board<Port, Port, 2>> = MaybeUninit::uninit();

    /// Calls everything that an image calls.
    #[unsafe(no_mangle)]
    extern "C" fn step(bytes: *mut u8, length: usize, now_us: u64) -> u64 {
        // SAFETY: never run.
        let bytes = unsafe { core::slice::from_raw_parts_mut(bytes, length) };
        let board = start(now_us);
        board.push(0, bytes, now_us);
        board.push(1, bytes, now_us);
        board.poll(now_us);
        let taken = board.take_output(0, bytes) + board.take_output(1, bytes);
        board.next_deadline_us().unwrap_or(taken as u64)
    }

    /// Apart from the rest: the board passes through the stack on its way to its place, once.
    #[inline(never)]
    fn start(now_us: u64) -> &'static mut Board<Port, Port, 2> {
        let place = &raw mut BOARD;
        let identity = Identity { boot_id: now_us as u32, unique_id: [0; 8], reset: ResetCause::Power };
        // SAFETY: never run.
        unsafe { (*place).write(Board::new(Port, Port, identity, now_us)) }
    }

    unsafe extern "C" {
        fn a_panic_is_reachable_in_the_library() -> !;
    }

    #[panic_handler]
    fn panic(_: &PanicInfo<'_>) -> ! {
        // SAFETY: does not exist: linking fails if this is reachable.
        unsafe { a_panic_is_reachable_in_the_library() }
    }
}

#[cfg(not(target_os = "none"))]
fn main() {}
