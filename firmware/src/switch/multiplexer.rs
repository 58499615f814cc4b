//! Banks of analog multiplexers: address lines that all share, and an enable line for each.
//!
//! Channel numbers count through the banks: with four address lines, channels 0 to 15 are bank 0, 16 to 31
//! bank 1, and so on. The address changes only while every bank is disabled, so no channel between the
//! old and the new address is ever touched.

use embedded_hal::digital::{OutputPin, PinState};
use protocol::{BoardKind, Channel};

use super::{Switch, SwitchFault, Waits};

/// Level at which an enable line connects its bank.
///
/// An active-low enable must be held off by a pull-up of its own while the microcontroller is in reset or
/// unpowered: its pins float or pull down then, which would connect the bank.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ActiveLevel {
    /// The bank is connected while the line is low.
    Low,
    /// The bank is connected while the line is high.
    High,
}

/// Multiplexers with `ADDRESSES` shared address lines, least significant first, and `BANKS` enable lines.
#[derive(Debug)]
pub struct MultiplexerBanks<A, E, const ADDRESSES: usize, const BANKS: usize> {
    address: [A; ADDRESSES],
    enable: [E; BANKS],
    active: ActiveLevel,
    waits: Waits,
}

impl<A, E, const ADDRESSES: usize, const BANKS: usize> MultiplexerBanks<A, E, ADDRESSES, BANKS> {
    /// Channels of one bank.
    const BANK_CHANNELS: usize = 1 << ADDRESSES;
    /// Channels of all banks; more than 255 do not compile.
    const CHANNELS: u8 = {
        let channels = Self::BANK_CHANNELS * BANKS;
        assert!(channels <= 255, "channels are counted in a byte");
        channels as u8
    };

    /// Takes the lines over. The enable lines should be inactive already.
    pub fn new(address: [A; ADDRESSES], enable: [E; BANKS], active: ActiveLevel, waits: Waits) -> Self {
        Self { address, enable, active, waits }
    }

    /// Gives the lines back as they are.
    pub fn release(self) -> ([A; ADDRESSES], [E; BANKS]) {
        (self.address, self.enable)
    }

    fn level(&self, connected: bool) -> PinState {
        PinState::from(connected == (self.active == ActiveLevel::High))
    }
}

impl<A: OutputPin, E: OutputPin, const ADDRESSES: usize, const BANKS: usize> Switch
    for MultiplexerBanks<A, E, ADDRESSES, BANKS>
{
    fn kind(&self) -> BoardKind {
        BoardKind::Multiplexer
    }

    fn channels(&self) -> u8 {
        Self::CHANNELS
    }

    fn waits(&self) -> Waits {
        self.waits
    }

    fn open_all(&mut self) -> Result<(), SwitchFault> {
        let off = self.level(false);
        let mut outcome = Ok(());
        for line in &mut self.enable {
            // The others are disabled even if one fails.
            if line.set_state(off).is_err() {
                outcome = Err(SwitchFault);
            }
        }
        outcome
    }

    fn close(&mut self, channel: Channel) -> Result<(), SwitchFault> {
        let on = self.level(true);
        let number = usize::from(channel.0);
        let bank = self.enable.get_mut(number >> ADDRESSES).ok_or(SwitchFault)?;
        for (bit, line) in self.address.iter_mut().enumerate() {
            line.set_state(PinState::from(number >> bit & 1 == 1)).map_err(|_| SwitchFault)?;
        }
        bank.set_state(on).map_err(|_| SwitchFault)
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use std::vec::Vec;

    use embedded_hal_mock::eh1::MockError;
    use embedded_hal_mock::eh1::digital::{Mock, State, Transaction};

    use super::*;

    const WAITS: Waits = Waits { break_us: 50, make_us: 300 };
    const LOW: State = State::Low;
    const HIGH: State = State::High;

    /// Two banks of eight: expected levels of the three address lines and the two enable lines, in order.
    fn check(
        active: ActiveLevel,
        act: impl FnOnce(&mut MultiplexerBanks<Mock, Mock, 3, 2>),
        address: [&[State]; 3],
        enable: [&[State]; 2],
    ) {
        let pin =
            |levels: &[State]| Mock::new(&levels.iter().copied().map(Transaction::set).collect::<Vec<_>>());
        let mut banks = MultiplexerBanks::new(address.map(pin), enable.map(pin), active, WAITS);
        act(&mut banks);
        let (address, enable) = banks.release();
        address.into_iter().chain(enable).for_each(|mut pin| pin.done());
    }

    #[test]
    fn channel_5_is_address_101_of_bank_0() {
        check(
            ActiveLevel::High,
            |banks| assert_eq!(banks.close(Channel(5)), Ok(())),
            [&[HIGH], &[LOW], &[HIGH]],
            [&[HIGH], &[]],
        );
    }

    #[test]
    fn channel_9_is_address_001_of_bank_1_and_low_means_on() {
        check(
            ActiveLevel::Low,
            |banks| assert_eq!(banks.close(Channel(9)), Ok(())),
            [&[HIGH], &[LOW], &[LOW]],
            [&[], &[LOW]],
        );
    }

    #[test]
    fn open_all_disables_every_bank_and_moves_no_address() {
        for (active, off) in [(ActiveLevel::High, LOW), (ActiveLevel::Low, HIGH)] {
            check(active, |banks| assert_eq!(banks.open_all(), Ok(())), [&[], &[], &[]], [&[off], &[off]]);
        }
    }

    #[test]
    fn channel_past_the_last_bank_moves_no_pin() {
        for beyond in [16, 17, 255] {
            check(
                ActiveLevel::High,
                |banks| assert_eq!(banks.close(Channel(beyond)), Err(SwitchFault)),
                [&[], &[], &[]],
                [&[], &[]],
            );
        }
    }

    #[test]
    fn a_line_that_fails_does_not_keep_the_next_bank_connected() {
        let broken = Transaction::set(LOW).with_error(MockError::Io(std::io::ErrorKind::BrokenPipe));
        let enable = [Mock::new(&[broken]), Mock::new(&[Transaction::set(LOW)])];
        let mut banks =
            MultiplexerBanks::new([(); 3].map(|()| Mock::new(&[])), enable, ActiveLevel::High, WAITS);
        assert_eq!(banks.open_all(), Err(SwitchFault));
        let (address, enable) = banks.release();
        address.into_iter().chain(enable).for_each(|mut pin| pin.done());
    }

    #[test]
    fn channels_are_counted_through_the_banks() {
        let banks = MultiplexerBanks::new(
            [(); 4].map(|()| Mock::new(&[])),
            [Mock::new(&[])],
            ActiveLevel::Low,
            WAITS,
        );
        assert_eq!(banks.channels(), 16);
        let (address, enable) = banks.release();
        address.into_iter().chain(enable).for_each(|mut pin| pin.done());
    }
}
