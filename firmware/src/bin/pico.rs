//! Image for the Raspberry Pi Pico (RP2040): 64 channels on four banks of 16:1 multiplexers.
//!
//! | pin | what | level |
//! | --- | --- | --- |
//! | GP2 to GP5 | address lines of all multiplexers, least significant first | |
//! | GP6 to GP9 | enable lines of banks 0 to 3 | high connects; 10 kΩ to ground each |
//!
//! The other pins are those of every image of the Pico (`shared/pico`). In reset the chip pulls its pins
//! down, so an enable that connects when high stays off; the resistors named above hold it off without
//! power, too. One that connects when low must not be used with this image.

#![cfg_attr(target_os = "none", no_std, no_main)]

#[cfg(target_os = "none")]
mod shared;

#[cfg(target_os = "none")]
mod image {
    use firmware::{ActiveLevel, Description, MultiplexerBanks, Waits};
    use rp2040_hal as hal;

    use super::shared::pico::hal::gpio::{DynPinId, FunctionSio, Pin, PullNone, SioOutput};
    use super::shared::pico::{Buses, SwitchPins, Wiring, low, run};

    /// The waits are for 16:1 multiplexers of the ADG1606 kind, which break before they make in about 0.15 µs
    /// (docs/facts.md 2.3, from memory of the data sheet): far longer than they need, short against any meter.
    const BOARD: Description = Description::multiplexers(4, 4, Waits { break_us: 50, make_us: 50 });

    type Line = Pin<DynPinId, FunctionSio<SioOutput>, PullNone>;

    pub(crate) struct Wires {
        address: [Line; BOARD.address_lines()],
        enable: [Line; BOARD.parts()],
    }

    impl Wiring for Wires {
        type Switch = MultiplexerBanks<Line, Line, { BOARD.address_lines() }, { BOARD.parts() }>;

        const LOW_OPENS: u32 = 0b1111 << 6;
        const HIGH_OPENS: u32 = 0;

        fn hold(pins: SwitchPins) -> Self {
            let enable = [
                low(pins.gpio6).into_dyn_pin(),
                low(pins.gpio7).into_dyn_pin(),
                low(pins.gpio8).into_dyn_pin(),
                low(pins.gpio9).into_dyn_pin(),
            ];
            let address = [
                low(pins.gpio2).into_dyn_pin(),
                low(pins.gpio3).into_dyn_pin(),
                low(pins.gpio4).into_dyn_pin(),
                low(pins.gpio5).into_dyn_pin(),
            ];
            Self { address, enable }
        }

        fn switch(self, _: Buses<'_>) -> Self::Switch {
            MultiplexerBanks::new(self.address, self.enable, ActiveLevel::High, BOARD.waits())
        }
    }

    #[hal::entry]
    fn main() -> ! {
        run::<Wires>()
    }
}

#[cfg(not(target_os = "none"))]
fn main() {}
