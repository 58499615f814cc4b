//! Image for the Raspberry Pi Pico (RP2040): 64 channels on four I²C expanders of the MCP23017 kind, each pin
//! driving a relay or a PhotoMOS.
//!
//! | pin | what | level |
//! | --- | --- | --- |
//! | GP4, GP5 | I²C, 400 kHz: SDA, SCL | 2.2 kΩ to 3.3 V each |
//! | GP11 | reset line of all expanders (RESET) | low resets; 10 kΩ to ground |
//!
//! The expanders have the addresses 0x20 to 0x23 and run on the 3.3 V of the Pico; each pin has 10 kΩ to
//! ground, or an input of a driver that holds itself off. The other pins are those of every image of the
//! Pico (`shared/pico`). In reset the chip pulls GP11 down, and so does the resistor named above without
//! power: every expander is in reset then, and all its pins are inputs. So they are with the wrong image: GP11 is no line
//! of another image's switch.
//!
//! A bus that is held low for ever stops the program; the watchdog starts it anew, with every channel open.

#![cfg_attr(target_os = "none", no_std, no_main)]

#[cfg(target_os = "none")]
mod shared;

#[cfg(target_os = "none")]
mod image {
    use embedded_hal::i2c::{ErrorType, I2c, Operation};
    use firmware::{Contact, Description, Expanders, Waits};
    use rp2040_hal as hal;

    use super::shared::pico::hal::fugit::RateExtU32;
    use super::shared::pico::hal::gpio::bank0::{Gpio4, Gpio5, Gpio11};
    use super::shared::pico::hal::gpio::{FunctionI2C, Pin, PullUp};
    use super::shared::pico::hal::i2c::{Error, I2C};
    use super::shared::pico::hal::pac::I2C0;
    use super::shared::pico::hal::timer::Timer;
    use super::shared::pico::{Buses, Fresh, Output, SwitchPins, Wiring, low, run};

    /// Long enough for reed and small armature relays, and so for every PhotoMOS (docs/facts.md, 2.3 and 4).
    const BOARD: Description =
        Description::expanders(4, Contact::Relay, Waits { break_us: 2_000, make_us: 3_000 });

    /// Fast mode of the I²C bus.
    const CLOCK_HZ: u32 = 400_000;

    type Line<P> = Pin<P, FunctionI2C, PullUp>;

    /// How often to look whether the bus is idle: about 1 ms, many times what an abort takes.
    const LOOKS: usize = 20_000;

    /// The bus, idle and with clean flags before each transaction.
    ///
    /// `rp2040-hal` 0.12 takes a write for done when the flag of the STOP condition is set, and does not clear
    /// the flag after a read: a write that follows a read ends before its bytes are out, and the next
    /// transaction deletes them. Seen in the emulator, where each closing was refused by the read-back. Nor
    /// does it wait for the end of what was aborted, whose flag would fail the next transaction.
    pub(crate) struct Bus(I2C<I2C0, (Line<Gpio4>, Line<Gpio5>)>);

    impl ErrorType for Bus {
        type Error = Error;
    }

    impl I2c for Bus {
        fn transaction(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), Error> {
            // SAFETY: only the owner of `Bus` gets here; a status is read, and one read clears the flags.
            let registers = unsafe { &*I2C0::PTR };
            // If it never becomes idle, the transaction will tell.
            let _ = (0..LOOKS).find(|_| registers.ic_status().read().mst_activity().bit_is_clear());
            registers.ic_clr_intr().read();
            I2c::transaction(&mut self.0, address, operations)
        }
    }

    pub(crate) struct Wires {
        data: Fresh<Gpio4>,
        clock: Fresh<Gpio5>,
        reset: Output<Gpio11>,
    }

    impl Wiring for Wires {
        type Switch = Expanders<Bus, Output<Gpio11>, Timer, { BOARD.parts() }>;

        const LOW_OPENS: u32 = 1 << 11;
        const HIGH_OPENS: u32 = 0;

        fn hold(pins: SwitchPins) -> Self {
            Self { reset: low(pins.gpio11), data: pins.gpio4, clock: pins.gpio5 }
        }

        fn switch(self, chip: Buses<'_>) -> Self::Switch {
            let frequency = chip.frequency();
            let (data, clock) = (self.data.reconfigure(), self.clock.reconfigure());
            let bus = I2C::i2c0(chip.i2c, data, clock, CLOCK_HZ.Hz(), chip.resets, frequency);
            Expanders::new(Bus(bus), self.reset, chip.timer, BOARD.waits())
        }
    }

    #[hal::entry]
    fn main() -> ! {
        run::<Wires>()
    }
}

#[cfg(not(target_os = "none"))]
fn main() {}
