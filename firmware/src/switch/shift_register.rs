//! Shift registers of the 74HC595 kind on SPI, one after another, whose outputs drive relays or PhotoMOS.
//!
//! Channel 0 is output QA of the register next to the microcontroller, channel 8 that of the second one.
//! The bits move through the registers and are taken to the outputs all at once, by the rising edge of
//! the chip select line at the end of a transaction, which is wired to the latch clock of every register.
//!
//! A second line, the output enable of every register (active low), is high unless a channel is closed: then
//! every output is off whatever the registers hold, and bits move only while it is so. In reset and without
//! power a pull-up holds it there, and pull-downs hold what hangs on the outputs.

use embedded_hal::digital::OutputPin;
use embedded_hal::spi::SpiDevice;
use protocol::{BoardKind, Channel};

use super::{Switch, SwitchFault, Waits};

/// Whether the last output of the chain (QH' of the last register) is wired back to the controller.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReadBack {
    /// It is: whatever was shifted is shifted again, and what comes back must be what went in. A register that
    /// is missing, unpowered or badly soldered, or one more than described, is a fault of the switch.
    Wired,
    /// It is not: only faults of the bus itself are seen.
    NotWired,
}

/// `REGISTERS` shift registers on the bus `B`, with their output enable on `E`.
#[derive(Debug)]
pub struct ShiftRegisters<B, E, const REGISTERS: usize> {
    bus: B,
    /// Active low.
    output_enable: E,
    read_back: ReadBack,
    waits: Waits,
}

impl<B, E, const REGISTERS: usize> ShiftRegisters<B, E, REGISTERS> {
    /// Outputs of all registers; more than 255 do not compile.
    const CHANNELS: u8 = {
        let channels = REGISTERS * 8;
        assert!(channels <= 255, "channels are counted in a byte");
        channels as u8
    };

    /// Takes the bus and the line over. The line should be high already.
    pub fn new(bus: B, output_enable: E, read_back: ReadBack, waits: Waits) -> Self {
        Self { bus, output_enable, read_back, waits }
    }

    /// Gives bus and line back as they are.
    pub fn release(self) -> (B, E) {
        (self.bus, self.output_enable)
    }
}

impl<B: SpiDevice, E: OutputPin, const REGISTERS: usize> ShiftRegisters<B, E, REGISTERS> {
    /// Fills the registers. The first byte goes farthest, its highest bit first.
    fn shift(&mut self, bits: [u8; REGISTERS]) -> Result<(), SwitchFault> {
        self.bus.write(&bits).map_err(|_| SwitchFault)?;
        if self.read_back == ReadBack::Wired {
            // The same bits again: they push out what has gone through every register.
            let mut back = bits;
            self.bus.transfer_in_place(&mut back).map_err(|_| SwitchFault)?;
            if back != bits {
                return Err(SwitchFault);
            }
        }
        Ok(())
    }
}

impl<B: SpiDevice, E: OutputPin, const REGISTERS: usize> Switch for ShiftRegisters<B, E, REGISTERS> {
    fn kind(&self) -> BoardKind {
        BoardKind::ShiftRegister
    }

    fn channels(&self) -> u8 {
        Self::CHANNELS
    }

    fn waits(&self) -> Waits {
        self.waits
    }

    fn open_all(&mut self) -> Result<(), SwitchFault> {
        // Both, even if one fails: each of them opens everything.
        let disabled = self.output_enable.set_high().map_err(|_| SwitchFault);
        let emptied = self.shift([0; REGISTERS]);
        disabled.and(emptied)
    }

    fn close(&mut self, channel: Channel) -> Result<(), SwitchFault> {
        let mut bits = [0; REGISTERS];
        let number = usize::from(channel.0);
        // The last byte stays in the register next to the microcontroller.
        *bits.iter_mut().rev().nth(number >> 3).ok_or(SwitchFault)? = 1 << (number & 7);
        self.output_enable.set_high().map_err(|_| SwitchFault)?;
        self.shift(bits)?;
        self.output_enable.set_low().map_err(|_| SwitchFault)
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use std::vec;
    use std::vec::Vec;

    use embedded_hal_mock::eh1::MockError;
    use embedded_hal_mock::eh1::digital::{Mock as Line, State, Transaction as Level};
    use embedded_hal_mock::eh1::spi::{Mock as Spi, Transaction};

    use super::*;

    const WAITS: Waits = Waits { break_us: 2_000, make_us: 3_000 };

    fn write(bytes: [u8; 3]) -> Vec<Transaction<u8>> {
        vec![
            Transaction::transaction_start(),
            Transaction::write_vec(bytes.to_vec()),
            Transaction::transaction_end(),
        ]
    }

    fn transfer(bytes: [u8; 3], back: [u8; 3]) -> Vec<Transaction<u8>> {
        vec![
            Transaction::transaction_start(),
            Transaction::transfer_in_place(bytes.to_vec(), back.to_vec()),
            Transaction::transaction_end(),
        ]
    }

    /// Three registers: what goes over the bus, and how the output enable line moves.
    fn check(
        read_back: ReadBack,
        act: impl FnOnce(&mut ShiftRegisters<Spi<u8>, Line, 3>),
        bus: &[Vec<Transaction<u8>>],
        enable: &[State],
    ) {
        let levels: Vec<_> = enable.iter().copied().map(Level::set).collect();
        let mut registers =
            ShiftRegisters::new(Spi::new(&bus.concat()), Line::new(&levels), read_back, WAITS);
        act(&mut registers);
        let (mut bus, mut line) = registers.release();
        bus.done();
        line.done();
    }

    #[test]
    fn channel_0_is_the_lowest_bit_of_the_last_byte() {
        for (channel, bits) in [
            (0, [0, 0, 0b0000_0001]),
            (7, [0, 0, 0b1000_0000]),
            (8, [0, 0b0000_0001, 0]),
            (21, [0b0010_0000, 0, 0]),
        ] {
            check(
                ReadBack::NotWired,
                |registers| assert_eq!(registers.close(Channel(channel)), Ok(())),
                &[write(bits)],
                &[State::High, State::Low],
            );
        }
    }

    #[test]
    fn opening_disables_first_and_then_empties() {
        check(
            ReadBack::NotWired,
            |registers| assert_eq!(registers.open_all(), Ok(())),
            &[write([0; 3])],
            &[State::High],
        );
    }

    #[test]
    fn what_comes_back_must_be_what_went_in() {
        let bits = [0, 0b0100_0000, 0];
        check(
            ReadBack::Wired,
            |registers| assert_eq!(registers.close(Channel(14)), Ok(())),
            &[write(bits), transfer(bits, bits)],
            &[State::High, State::Low],
        );
        // One register less than described, a line that is stuck, a bit that flipped: never enabled.
        for back in [[0b0100_0000, 0, 0], [0; 3], [0xFF; 3], [0, 0b0100_0001, 0]] {
            check(
                ReadBack::Wired,
                |registers| assert_eq!(registers.close(Channel(14)), Err(SwitchFault)),
                &[write(bits), transfer(bits, back)],
                &[State::High],
            );
        }
        check(
            ReadBack::Wired,
            |registers| assert_eq!(registers.open_all(), Err(SwitchFault)),
            &[write([0; 3]), transfer([0; 3], [0, 1, 0])],
            &[State::High],
        );
    }

    #[test]
    fn channel_past_the_last_register_moves_nothing() {
        for beyond in [24, 25, 255] {
            check(
                ReadBack::Wired,
                |registers| assert_eq!(registers.close(Channel(beyond)), Err(SwitchFault)),
                &[],
                &[],
            );
        }
    }

    #[test]
    fn a_line_that_fails_does_not_keep_the_registers_full() {
        let error = MockError::Io(std::io::ErrorKind::BrokenPipe);
        let line = Line::new(&[Level::set(State::High).with_error(error)]);
        let bus = Spi::new(&write([0; 3]));
        let mut registers = ShiftRegisters::<_, _, 3>::new(bus, line, ReadBack::NotWired, WAITS);
        assert_eq!(registers.open_all(), Err(SwitchFault));
        let (mut bus, mut line) = registers.release();
        bus.done();
        line.done();
    }

    #[test]
    fn eight_channels_a_register() {
        check(
            ReadBack::Wired,
            |registers| {
                assert_eq!((registers.kind(), registers.channels()), (BoardKind::ShiftRegister, 24));
                assert_eq!(registers.waits(), WAITS);
            },
            &[],
            &[],
        );
    }
}
