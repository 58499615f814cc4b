//! Image for the Raspberry Pi Pico (RP2040): 64 channels on eight shift registers of the 74HC595 kind, each
//! output driving a relay or a PhotoMOS.
//!
//! | pin | what | level |
//! | --- | --- | --- |
//! | GP2 | shift clock of all registers (SRCLK) | 1 MHz |
//! | GP3 | data of the first register (SER) | |
//! | GP4 | last output of the chain (QH' of the eighth register) | read back, through 1 kΩ |
//! | GP5 | latch clock of all registers (RCLK) | rises when all bits are there |
//! | GP10 | output enable of all registers (OE) | low enables; 4.7 kΩ to 3.3 V |
//!
//! The registers run on the 3.3 V of the Pico; each output has 10 kΩ to ground, or an input of a driver that
//! holds itself off. The other pins are those of every image of the Pico (`shared/pico`). In reset the chip
//! pulls its pins down with at least 50 kΩ, against which the 4.7 kΩ keep GP10 at 3.0 V or more: every output
//! is off. GP4 must be wired: a chain that does not answer closes nothing. GP10 is no line of another image's switch:
//! with the wrong image the 4.7 kΩ keep every output off, and 1 kΩ stands where GP4 may then drive against a register.

#![cfg_attr(target_os = "none", no_std, no_main)]

#[cfg(target_os = "none")]
mod shared;

#[cfg(target_os = "none")]
mod image {
    use embedded_hal::spi::MODE_0;
    use embedded_hal_bus::spi::{ExclusiveDevice, NoDelay};
    use firmware::{Contact, Description, ReadBack, ShiftRegisters, Waits};
    use rp2040_hal as hal;

    use super::shared::pico::hal::fugit::RateExtU32;
    use super::shared::pico::hal::gpio::bank0::{Gpio2, Gpio3, Gpio4, Gpio5, Gpio10};
    use super::shared::pico::hal::gpio::{FunctionSpi, Pin, PullDown};
    use super::shared::pico::hal::pac::SPI0;
    use super::shared::pico::hal::spi::{Enabled, Spi};
    use super::shared::pico::{Buses, Fresh, Output, SwitchPins, Wiring, high, low, run};

    /// Long enough for reed and small armature relays, and so for every PhotoMOS (docs/facts.md, 2.3 and 4).
    const BOARD: Description =
        Description::shift_registers(8, Contact::Relay, Waits { break_us: 2_000, make_us: 3_000 });

    /// Slow enough for a chain on a bread board: 64 bits take 64 µs.
    const CLOCK_HZ: u32 = 1_000_000;

    type Bus<P> = Pin<P, FunctionSpi, PullDown>;
    type Chain = Spi<Enabled, SPI0, (Bus<Gpio3>, Bus<Gpio4>, Bus<Gpio2>), 8>;

    pub(crate) struct Wires {
        clock: Fresh<Gpio2>,
        data: Fresh<Gpio3>,
        back: Fresh<Gpio4>,
        latch: Output<Gpio5>,
        output_enable: Output<Gpio10>,
    }

    impl Wiring for Wires {
        type Switch =
            ShiftRegisters<ExclusiveDevice<Chain, Output<Gpio5>, NoDelay>, Output<Gpio10>, { BOARD.parts() }>;

        const LOW_OPENS: u32 = 0;
        const HIGH_OPENS: u32 = 1 << 10;

        fn hold(pins: SwitchPins) -> Self {
            Self {
                output_enable: high(pins.gpio10),
                latch: low(pins.gpio5),
                clock: pins.gpio2,
                data: pins.gpio3,
                back: pins.gpio4,
            }
        }

        fn switch(self, chip: Buses<'_>) -> Self::Switch {
            let frequency = chip.frequency();
            let pins = (self.data.into_function(), self.back.into_function(), self.clock.into_function());
            let bus =
                Spi::<_, _, _, 8>::new(chip.spi, pins).init(chip.resets, frequency, CLOCK_HZ.Hz(), MODE_0);
            let Ok(bus) = ExclusiveDevice::new_no_delay(bus, self.latch);
            ShiftRegisters::new(bus, self.output_enable, ReadBack::Wired, BOARD.waits())
        }
    }

    #[hal::entry]
    fn main() -> ! {
        run::<Wires>()
    }
}

#[cfg(not(target_os = "none"))]
fn main() {}
