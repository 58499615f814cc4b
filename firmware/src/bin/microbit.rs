//! Image for the BBC micro:bit v1 (nRF51822): 32 channels on two banks of 16:1 multiplexers.
//!
//! | pin | edge connector | what | level |
//! | --- | --- | --- | --- |
//! | P0.24, P0.25 | | UART to the interface chip, 115200 8N1: TX, RX | its USB serial port |
//! | P0.23, P0.22, P0.21, P0.16 | 13, 14, 15, 16 | address lines of both multiplexers, least significant first | |
//! | P0.18, P0.20 | 8, 12 | enable lines of banks 0 and 1 | high connects; 10 kΩ to ground each |
//! | P0.17 | 5 | button A, the start button | low while it is pressed |
//!
//! Pin numbers are from memory of the micro:bit v1 schematic: check them before wiring. Its pins float in
//! reset, so the resistors named above are what holds the enables off. It has no lid contact, no
//! two-colour light and no bleed resistor; the chip has an ADC that could sense the common line, which
//! this image does not use, because the emulator has none and it could not be tried. A jig that needs
//! those wants the Pico.
//!
//! The program never runs an interrupt handler: interrupts stay disabled and only end its sleep, and it
//! looks at everything when it wakes. A timer wakes it at each deadline, so that silence is seen while it
//! sleeps.
//!
//! The image runs in an emulator of the board in every test run. It has not been run on real hardware.

#![cfg_attr(target_os = "none", no_std, no_main)]

#[cfg(target_os = "none")]
mod shared;

#[cfg(target_os = "none")]
mod image {
    use cortex_m::peripheral::{NVIC, SCB};
    use defmt_rtt as _;
    use embedded_hal::digital::InputPin;
    use firmware::{ActiveLevel, Board, Description, Fittings, Identity, MultiplexerBanks, Waits};
    use hal::Clocks;
    use hal::gpio::{Floating, Input, Level, Output, Pin, PushPull, p0};
    use hal::pac::{self, Interrupt, TIMER0, UART0};
    use nrf51_hal as hal;
    use protocol::{Parts, ResetCause};

    use super::shared::{boot_id, last_resort::give_up, last_words};

    /// P0.18 and P0.20: what must be low for every channel to be open.
    const OUTPUTS_THAT_CONNECT: u32 = 1 << 18 | 1 << 20;
    const TXD: u32 = 24;
    const RXD: u32 = 25;

    /// As for the Pico: for 16:1 multiplexers of the ADG1606 kind.
    const BOARD: Description = Description::multiplexers(4, 2, Waits { break_us: 50, make_us: 50 });

    /// The program looks after itself at least this often, in µs.
    const WAKE_US: u64 = 100_000;

    /// The chip starts anew if the program did not come round for half a second: ticks of 32768 Hz.
    const WATCHDOG_TICKS: u32 = 32_768 / 2;
    /// What feeds the watchdog (nRF51 reference manual, WDT).
    const WATCHDOG_FOOD: u32 = 0x6E52_4635;
    /// `DOG` in RESETREAS (nRF51 reference manual, POWER).
    const RESET_BY_WATCHDOG: u32 = 1 << 1;

    /// Button A.
    struct Panel(Pin<Input<Floating>>);

    impl Fittings for Panel {
        fn parts(&self) -> Parts {
            Parts { button: true, ..Parts::default() }
        }

        fn button_pressed(&mut self) -> bool {
            self.0.is_low().unwrap_or(false)
        }
    }

    /// TIMER0 at 1 MHz, extended from 32 to 64 bits; it is read far more often than it wraps.
    struct Clock {
        timer: TIMER0,
        high: u32,
        last: u32,
    }

    impl Clock {
        fn new(timer: TIMER0) -> Self {
            timer.mode.write(|w| w.mode().timer());
            timer.bitmode.write(|w| w.bitmode()._32bit());
            // SAFETY: 16 MHz by 2 to the 4th.
            timer.prescaler.write(|w| unsafe { w.prescaler().bits(4) });
            timer.intenset.write(|w| w.compare1().set());
            // SAFETY: any write starts the task.
            timer.tasks_clear.write(|w| unsafe { w.bits(1) });
            // SAFETY: as above.
            timer.tasks_start.write(|w| unsafe { w.bits(1) });
            Self { timer, high: 0, last: 0 }
        }

        fn now_us(&mut self) -> u64 {
            // SAFETY: any write starts the task.
            self.timer.tasks_capture[0].write(|w| unsafe { w.bits(1) });
            let now = self.timer.cc[0].read().bits();
            if now < self.last {
                self.high = self.high.wrapping_add(1);
            }
            self.last = now;
            u64::from(self.high) << 32 | u64::from(now)
        }

        /// Ends the sleep at a time; returns whether it is still to come.
        fn wake_at(&mut self, due_us: u64) -> bool {
            self.timer.events_compare[1].reset();
            // SAFETY: any value is a time.
            self.timer.cc[1].write(|w| unsafe { w.bits(due_us as u32) });
            // Read after the alarm was set: a time that passed meanwhile is seen here.
            self.now_us() < due_us
        }
    }

    /// The UART, one byte at a time in each direction; the receiver has six bytes of its own.
    struct Serial {
        uart: UART0,
        sending: bool,
    }

    impl Serial {
        fn new(uart: UART0) -> Self {
            // SAFETY: pins of the port that nothing else uses.
            uart.pseltxd.write(|w| unsafe { w.bits(TXD) });
            // SAFETY: as above.
            uart.pselrxd.write(|w| unsafe { w.bits(RXD) });
            uart.baudrate.write(|w| w.baudrate().baud115200());
            uart.config.reset();
            uart.enable.write(|w| w.enable().enabled());
            uart.intenset.write(|w| w.rxdrdy().set().txdrdy().set());
            // SAFETY: any write starts the task.
            uart.tasks_startrx.write(|w| unsafe { w.bits(1) });
            // SAFETY: as above.
            uart.tasks_starttx.write(|w| unsafe { w.bits(1) });
            Self { uart, sending: false }
        }

        fn receive(&mut self) -> Option<u8> {
            if self.uart.events_rxdrdy.read().bits() == 0 {
                return None;
            }
            self.uart.events_rxdrdy.reset();
            Some(self.uart.rxd.read().rxd().bits())
        }

        /// Whether a byte can be sent.
        fn is_free(&mut self) -> bool {
            if self.uart.events_txdrdy.read().bits() != 0 {
                self.uart.events_txdrdy.reset();
                self.sending = false;
            }
            !self.sending
        }

        fn send(&mut self, byte: u8) {
            self.sending = true;
            // SAFETY: any byte can be sent.
            self.uart.txd.write(|w| unsafe { w.txd().bits(byte) });
        }
    }

    #[cortex_m_rt::entry]
    fn main() -> ! {
        cortex_m::interrupt::disable();
        let Some(chip) = pac::Peripherals::take() else { give_up() };

        // The pins first: everything is open before anything can go wrong.
        let port = p0::Parts::new(chip.GPIO);
        let low = |pin: Pin<Output<PushPull>>| pin;
        let enable = [
            low(port.p0_18.into_push_pull_output(Level::Low).degrade()),
            low(port.p0_20.into_push_pull_output(Level::Low).degrade()),
        ];
        let address = [
            low(port.p0_23.into_push_pull_output(Level::Low).degrade()),
            low(port.p0_22.into_push_pull_output(Level::Low).degrade()),
            low(port.p0_21.into_push_pull_output(Level::Low).degrade()),
            low(port.p0_16.into_push_pull_output(Level::Low).degrade()),
        ];
        let switch = MultiplexerBanks::<_, _, { BOARD.address_lines() }, { BOARD.parts() }>::new(
            address,
            enable,
            ActiveLevel::High,
            BOARD.waits(),
        );
        port.p0_24.into_push_pull_output(Level::High);
        port.p0_25.into_floating_input();

        let found = last_words::take();
        let reasons = chip.POWER.resetreas.read().bits();
        // SAFETY: writing ones clears what was read, so that the next start sees its own reason.
        chip.POWER.resetreas.write(|w| unsafe { w.bits(reasons) });
        let reset = match (found.gave_up, reasons & RESET_BY_WATCHDOG != 0) {
            (true, _) => ResetCause::Panic,
            (false, true) => ResetCause::Watchdog,
            (false, false) => ResetCause::Power,
        };
        let mut unique_id = [0; 8];
        for (place, word) in unique_id.chunks_exact_mut(4).zip(&chip.FICR.deviceid) {
            place.copy_from_slice(&word.read().bits().to_le_bytes());
        }
        let boot_id = boot_id(unique_id, found.starts, noise(&chip.RNG));
        let identity = Identity { boot_id, unique_id, reset };

        Clocks::new(chip.CLOCK).enable_ext_hfosc();
        let mut clock = Clock::new(chip.TIMER0);
        let mut serial = Serial::new(chip.UART0);
        // Button A has a pull-up on the board.
        let panel = Panel(port.p0_17.into_floating_input().degrade());
        let mut board = Board::<_, _, 1>::new(switch, panel, identity, clock.now_us());
        defmt::info!("pintally switching board (micro:bit) is up, boot {=u32:08x}", boot_id);

        let watchdog = chip.WDT;
        watchdog.config.write(|w| w.sleep().run().halt().pause());
        // SAFETY: any number of ticks above 15.
        watchdog.crv.write(|w| unsafe { w.bits(WATCHDOG_TICKS) });
        watchdog.rren.write(|w| w.rr0().enabled());
        // SAFETY: any write starts the task.
        watchdog.tasks_start.write(|w| unsafe { w.bits(1) });
        for line in [Interrupt::UART0, Interrupt::TIMER0] {
            // SAFETY: interrupts are disabled as a whole: this only lets the lines end the sleep.
            unsafe { NVIC::unmask(line) };
        }

        loop {
            // SAFETY: the one value that feeds it.
            watchdog.rr[0].write(|w| unsafe { w.bits(WATCHDOG_FOOD) });
            for line in [Interrupt::UART0, Interrupt::TIMER0] {
                NVIC::unpend(line);
            }

            while let Some(byte) = serial.receive() {
                board.push(0, &[byte], clock.now_us());
            }
            let due_us = loop {
                let due_us = board.next_deadline_us();
                if due_us.is_none_or(|due_us| due_us > clock.now_us()) {
                    break due_us;
                }
                board.poll(clock.now_us());
            };
            let mut byte = [0];
            while serial.is_free() && board.take_output(0, &mut byte) == 1 {
                let [byte] = byte;
                serial.send(byte);
            }

            let wake_us = clock.now_us() + WAKE_US;
            let wake_us = due_us.map_or(wake_us, |due_us| due_us.min(wake_us));
            if clock.wake_at(wake_us) {
                // Whatever came since the lines were unpended ends this at once.
                cortex_m::asm::wfi();
            }
        }
    }

    /// Four bytes of noise; zeros if the generator does not answer.
    fn noise(generator: &pac::RNG) -> [u8; 4] {
        /// A byte takes some hundred µs (nRF51822 product specification): far fewer turns than these.
        const TURNS: u32 = 100_000;
        // SAFETY: any write starts the task.
        generator.tasks_start.write(|w| unsafe { w.bits(1) });
        let noise = [(); 4].map(|()| {
            generator.events_valrdy.reset();
            for _ in 0..TURNS {
                if generator.events_valrdy.read().bits() != 0 {
                    return generator.value.read().value().bits();
                }
            }
            0
        });
        // SAFETY: any write starts the task.
        generator.tasks_stop.write(|w| unsafe { w.bits(1) });
        noise
    }

    /// Lowers every line that connects; nothing else runs from here on.
    pub(crate) fn open() {
        cortex_m::interrupt::disable();
        // SAFETY: the program is over; the write lowers only the lines whose bits are set.
        unsafe { (*pac::GPIO::ptr()).outclr.write(|w| w.bits(OUTPUTS_THAT_CONNECT)) };
    }

    /// Resets the chip.
    pub(crate) fn restart() -> ! {
        SCB::sys_reset()
    }
}

#[cfg(not(target_os = "none"))]
fn main() {}
