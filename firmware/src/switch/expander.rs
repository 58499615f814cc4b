//! I²C expanders of the MCP23017 kind, whose pins drive relays or PhotoMOS.
//!
//! Channels count through the expanders: 0 to 7 are port A of the first one (address 0x20), 8 to 15 its port B,
//! 16 to 31 the second one. A channel is closed while its pin is an output and high; every other pin is an
//! input, and pull-downs hold off what hangs on it.
//!
//! The reset line of every expander (active low) makes all pins inputs at once, whatever the bus does. It is low
//! unless a channel is closed; in reset of the microcontroller and without power a pull-down holds it there.
//! Whatever was driven is read back over the bus: after opening no pin of any expander may be an output; after
//! closing exactly one of the expander that was written to. The others were found open just before, and a write that
//! went astray to one of them is missed here: a pin drives only where a latch and a direction meet on one expander.

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::OutputPin;
use embedded_hal::i2c::I2c;
use protocol::{BoardKind, Channel};

use super::{Switch, SwitchFault, Waits};

/// Address of the first expander: the three address lines to ground.
const FIRST_ADDRESS: u8 = 0x20;
/// Register pair: a pin is an input where a bit is 1 (MCP23017 data sheet, register IODIR, from memory).
const DIRECTIONS: u8 = 0x00;
/// Register pair: levels of the pins (register GPIO, from memory of the same data sheet).
const LEVELS: u8 = 0x12;
/// What the directions read when every pin is an input, and what makes it so.
const ALL_INPUTS: u16 = 0xFFFF;
/// Shortest pulse on the reset line is 1 µs (same data sheet, from memory), here twice that.
const RESET_US: u32 = 2;

/// `CHIPS` expanders on the bus `B`, with their reset line on `R`.
#[derive(Debug)]
pub struct Expanders<B, R, D, const CHIPS: usize> {
    bus: B,
    /// Active low.
    reset: R,
    delay: D,
    waits: Waits,
}

impl<B, R, D, const CHIPS: usize> Expanders<B, R, D, CHIPS> {
    /// Pins of all expanders; more than the address lines can tell apart do not compile.
    const CHANNELS: u8 = {
        assert!(CHIPS <= 8, "an expander has three address lines");
        CHIPS as u8 * 16
    };

    /// Takes bus and line over. The line should be low already.
    pub fn new(bus: B, reset: R, delay: D, waits: Waits) -> Self {
        Self { bus, reset, delay, waits }
    }

    /// Gives bus and line back as they are.
    pub fn release(self) -> (B, R) {
        (self.bus, self.reset)
    }
}

impl<B: I2c, R: OutputPin, D: DelayNs, const CHIPS: usize> Expanders<B, R, D, CHIPS> {
    /// Reads a pair of registers, port A in the low byte.
    fn read(&mut self, chip: u8, register: u8) -> Result<u16, SwitchFault> {
        let mut pair = [0; 2];
        // At most seven more than the first address.
        let address = FIRST_ADDRESS | chip;
        self.bus.write_read(address, &[register], &mut pair).map_err(|_| SwitchFault)?;
        Ok(u16::from_le_bytes(pair))
    }

    /// Writes one register.
    fn write(&mut self, chip: u8, register: u8, value: u8) -> Result<(), SwitchFault> {
        self.bus.write(FIRST_ADDRESS | chip, &[register, value]).map_err(|_| SwitchFault)
    }

    /// Holds the directions of the pins of one expander against what they should be.
    fn check(&mut self, chip: u8, expected: u16) -> Result<(), SwitchFault> {
        if self.read(chip, DIRECTIONS) == Ok(expected) {
            return Ok(());
        }
        // The reset line did not do it, or is about to: once more over the bus.
        let [a, b] = ALL_INPUTS.to_le_bytes();
        let _ = self.bus.write(FIRST_ADDRESS | chip, &[DIRECTIONS, a, b]);
        Err(SwitchFault)
    }

    /// Makes one pin a high output. After reset its latch is low and it is an input: the latch goes first, so that the
    /// pin rises once and not before.
    fn drive(&mut self, chip: u8, pin: u8) -> Result<(), SwitchFault> {
        // Port B has the odd register of each pair.
        let (port, bit) = (pin >> 3, 1 << (pin & 7));
        self.write(chip, LEVELS | port, bit)?;
        self.write(chip, DIRECTIONS | port, !bit)
    }
}

impl<B: I2c, R: OutputPin, D: DelayNs, const CHIPS: usize> Switch for Expanders<B, R, D, CHIPS> {
    fn kind(&self) -> BoardKind {
        BoardKind::Expander
    }

    fn channels(&self) -> u8 {
        Self::CHANNELS
    }

    fn waits(&self) -> Waits {
        self.waits
    }

    fn open_all(&mut self) -> Result<(), SwitchFault> {
        // All of it, even if a part fails: line and bus each open everything.
        let fell = self.reset.set_low();
        self.delay.delay_us(RESET_US);
        let rose = self.reset.set_high();
        // Each is asked, and each that is not open is told to be.
        let mut checked = Ok(());
        for chip in 0..CHIPS as u8 {
            checked = self.check(chip, ALL_INPUTS).and(checked);
        }
        let held = self.reset.set_low();
        if fell.is_ok() && rose.is_ok() && held.is_ok() { checked } else { Err(SwitchFault) }
    }

    fn close(&mut self, channel: Channel) -> Result<(), SwitchFault> {
        if channel.0 >= Self::CHANNELS {
            return Err(SwitchFault);
        }
        // 16 pins an expander.
        let (chip, pin) = (channel.0 >> 4, channel.0 & 15);
        self.reset.set_high().map_err(|_| SwitchFault)?;
        self.drive(chip, pin)?;
        self.check(chip, !(1 << pin))?;
        let levels = self.read(chip, LEVELS)?;
        if levels >> pin & 1 == 1 { Ok(()) } else { Err(SwitchFault) }
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use std::vec;
    use std::vec::Vec;

    use embedded_hal_mock::eh1::delay::NoopDelay;
    use embedded_hal_mock::eh1::digital::{Mock as Line, State, Transaction as Level};
    use embedded_hal_mock::eh1::i2c::{Mock as Bus, Transaction};

    use super::*;

    const WAITS: Waits = Waits { break_us: 2_000, make_us: 3_000 };
    const LOW: State = State::Low;
    const HIGH: State = State::High;

    fn directions(chip: u8, pair: [u8; 2]) -> Transaction {
        Transaction::write_read(0x20 + chip, vec![0x00], pair.to_vec())
    }

    /// Two expanders: what goes over the bus, and how the reset line moves.
    fn check(
        act: impl FnOnce(&mut Expanders<Bus, Line, NoopDelay, 2>),
        bus: &[Transaction],
        reset: &[State],
    ) {
        let levels: Vec<_> = reset.iter().copied().map(Level::set).collect();
        let mut expanders = Expanders::new(Bus::new(bus), Line::new(&levels), NoopDelay, WAITS);
        act(&mut expanders);
        let (mut bus, mut line) = expanders.release();
        bus.done();
        line.done();
    }

    #[test]
    fn channel_21_is_pin_5_of_port_a_of_the_second_expander() {
        check(
            |expanders| assert_eq!(expanders.close(Channel(21)), Ok(())),
            &[
                // Latch of one pin, then its direction.
                Transaction::write(0x21, vec![0x12, 0b0010_0000]),
                Transaction::write(0x21, vec![0x00, 0b1101_1111]),
                directions(1, [0b1101_1111, 0xFF]),
                Transaction::write_read(0x21, vec![0x12], vec![0b0010_0000, 0]),
            ],
            &[HIGH],
        );
    }

    #[test]
    fn channel_15_is_the_last_pin_of_port_b() {
        check(
            |expanders| assert_eq!(expanders.close(Channel(15)), Ok(())),
            &[
                Transaction::write(0x20, vec![0x13, 0x80]),
                Transaction::write(0x20, vec![0x01, 0x7F]),
                directions(0, [0xFF, 0x7F]),
                Transaction::write_read(0x20, vec![0x12], vec![0, 0x80]),
            ],
            &[HIGH],
        );
    }

    #[test]
    fn opening_pulses_the_reset_line_looks_and_holds_it() {
        check(
            |expanders| assert_eq!(expanders.open_all(), Ok(())),
            &[directions(0, [0xFF, 0xFF]), directions(1, [0xFF, 0xFF])],
            &[LOW, HIGH, LOW],
        );
    }

    #[test]
    fn a_reset_line_that_does_nothing_is_found_and_the_bus_opens() {
        check(
            |expanders| assert_eq!(expanders.open_all(), Err(SwitchFault)),
            &[
                directions(0, [0xFF, 0xFE]),
                Transaction::write(0x20, vec![0x00, 0xFF, 0xFF]),
                directions(1, [0xFF, 0xFF]),
            ],
            &[LOW, HIGH, LOW],
        );
    }

    #[test]
    fn another_output_or_a_pin_that_stays_low_is_a_fault() {
        let drive = [Transaction::write(0x20, vec![0x12, 0x01]), Transaction::write(0x20, vec![0x00, 0xFE])];
        let two = [directions(0, [0xFE, 0xEF]), Transaction::write(0x20, vec![0x00, 0xFF, 0xFF])];
        let low = [directions(0, [0xFE, 0xFF]), Transaction::write_read(0x20, vec![0x12], vec![0, 0])];
        for seen in [two, low] {
            check(
                |expanders| assert_eq!(expanders.close(Channel(0)), Err(SwitchFault)),
                &[&drive[..], &seen].concat(),
                &[HIGH],
            );
        }
    }

    #[test]
    fn channel_past_the_last_expander_moves_nothing() {
        for beyond in [32, 33, 255] {
            check(|expanders| assert_eq!(expanders.close(Channel(beyond)), Err(SwitchFault)), &[], &[]);
        }
    }

    #[test]
    fn sixteen_channels_an_expander() {
        check(
            |expanders| {
                assert_eq!((expanders.kind(), expanders.channels()), (BoardKind::Expander, 32));
                assert_eq!(expanders.waits(), WAITS);
            },
            &[],
            &[],
        );
    }
}
