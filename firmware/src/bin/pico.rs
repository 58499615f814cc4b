//! Image for the Raspberry Pi Pico (RP2040): 64 channels on four banks of 16:1 multiplexers.
//!
//! | pin | what | level |
//! | --- | --- | --- |
//! | GP0, GP1 | UART0, 115200 8N1: TX, RX | link 0 |
//! | USB | serial port | link 1, the same protocol |
//! | GP2 to GP5 | address lines of all multiplexers, least significant first | |
//! | GP6 to GP9 | enable lines of banks 0 to 3 | high connects; 10 kΩ to ground each |
//! | GP16 | lid contact to ground, pulled up | low while the lid is closed |
//! | GP17 | start button to ground, pulled up | low while it is pressed |
//! | GP18, GP19 | red and green of the light | high lights |
//! | GP21 | bleed resistor | high connects; 10 kΩ to ground |
//! | GP26 | sense input: common line through 220 kΩ, 100 kΩ from here to ground | 0 to 10.5 V |
//!
//! A jig without a lid needs a wire from GP16 to ground: an input that is not connected counts as open.
//! While the chip is in reset its pins are inputs with a pull-down of 50 to 80 kΩ (RP2040 datasheet,
//! 2.19.6.3), so an enable that connects when high stays off; the resistors named above hold it off
//! without power, too. One that connects when low must not be used with this image.
//!
//! Interrupts only wake the program: each handler masks its own line, and the loop looks at everything. A
//! timer wakes it at each deadline, so that silence is seen while it sleeps.
//!
//! The image runs in an emulator of the chip in every test run. It has not been run on real hardware.

#![cfg_attr(target_os = "none", no_std, no_main)]

#[cfg(target_os = "none")]
mod shared;

#[cfg(target_os = "none")]
mod image {
    use core::panic::PanicInfo;

    use cortex_m::peripheral::NVIC;
    use defmt_rtt as _;
    use embedded_hal::digital::{InputPin, OutputPin};
    use firmware::{ActiveLevel, Board, Fittings, Identity, Lamp, MultiplexerBanks, Waits};
    use hal::adc::{Adc, AdcPin};
    use hal::clocks::{Clock, init_clocks_and_plls};
    use hal::fugit::{MicrosDurationU32, RateExtU32};
    use hal::gpio::bank0::{Gpio16, Gpio17, Gpio18, Gpio19, Gpio21, Gpio26};
    use hal::gpio::{
        FunctionNull, FunctionSio, Pin, PinId, PinState, Pins, PullDown, PullNone, PullUp, SioInput,
        SioOutput, ValidFunction,
    };
    use hal::pac::{self, Interrupt, interrupt};
    use hal::sio::Sio;
    use hal::timer::{Alarm, Instant, Timer};
    use hal::uart::{DataBits, StopBits, UartConfig, UartPeripheral};
    use hal::usb::UsbBus;
    use hal::watchdog::Watchdog;
    use protocol::{Parts, ResetCause};
    use rp2040_hal as hal;
    use usb_device::class_prelude::UsbBusAllocator;
    use usb_device::prelude::*;
    use usbd_serial::SerialPort;

    use super::shared::{boot_id, last_words};

    #[unsafe(link_section = ".boot2")]
    #[unsafe(no_mangle)]
    #[used]
    static BOOT2_FIRMWARE: [u8; 256] = rp2040_boot2::BOOT_LOADER_GENERIC_03H;

    /// Crystal of the Pico (Pico datasheet).
    const CRYSTAL_HZ: u32 = 12_000_000;

    /// GP6 to GP9 and GP21 high: what must be low for every channel to be open and nothing to bleed.
    const OUTPUTS_THAT_CONNECT: u32 = 0b1111 << 6 | 1 << 21;

    /// For 16:1 multiplexers of the ADG1606 kind, which break before they make in about 0.15 µs (docs/facts.md 2.3,
    /// from memory of the data sheet): far longer than they need, short against any meter.
    const WAITS: Waits = Waits { break_us: 50, make_us: 50 };

    /// The program looks after itself at least this often.
    const WAKE_US: u64 = 100_000;

    /// The chip starts anew if the program did not come round for so long.
    const WATCHDOG_LIMIT: MicrosDurationU32 = MicrosDurationU32::millis(500);

    /// Sense input: the reference of 3300 mV over 4096 counts, and the divider of 220 kΩ and 100 kΩ.
    const SENSE_MILLIVOLTS: i32 = 3_300 * 320 / 100;
    const SENSE_SAMPLES: i32 = 16;

    /// For tests and builders only (pid.codes): a board that is sold needs a number of its own.
    const USB_ID: UsbVidPid = UsbVidPid(0x1209, 0x0001);

    /// The RP2040 has no number of its own. That of its flash chip can be read only by code in RAM while the
    /// flash is off, which could not be tried without hardware: this unit says that it has none.
    const UNIQUE_ID: [u8; 8] = [0; 8];

    type Output<P> = Pin<P, FunctionSio<SioOutput>, PullNone>;
    type Input<P> = Pin<P, FunctionSio<SioInput>, PullUp>;

    /// What there is beside the switch.
    struct Panel {
        lid: Input<Gpio16>,
        button: Input<Gpio17>,
        red: Output<Gpio18>,
        green: Output<Gpio19>,
        bleed: Output<Gpio21>,
        adc: Adc,
        sense: AdcPin<Pin<Gpio26, FunctionNull, PullNone>>,
    }

    impl Fittings for Panel {
        fn parts(&self) -> Parts {
            Parts { sense: true, bleed: true, button: true, lid: true, light: true, buzzer: false }
        }

        fn lid_closed(&mut self) -> bool {
            let Ok(low) = self.lid.is_low();
            low
        }

        fn button_pressed(&mut self) -> bool {
            let Ok(low) = self.button.is_low();
            low
        }

        fn sense_millivolts(&mut self) -> Option<i32> {
            let mut counts = 0;
            for _ in 0..SENSE_SAMPLES {
                let sample: u16 = self.adc.read(&mut self.sense).ok()?;
                counts += i32::from(sample);
            }
            Some(counts * SENSE_MILLIVOLTS / SENSE_SAMPLES / 4_096)
        }

        fn bleed(&mut self, on: bool) {
            let Ok(()) = self.bleed.set_state(on.into());
        }

        fn lamp(&mut self, lamp: Lamp) {
            let Ok(()) = self.red.set_state(lamp.red.into());
            let Ok(()) = self.green.set_state(lamp.green.into());
        }
    }

    /// Bytes on their way out of one link.
    struct Outgoing {
        bytes: [u8; 32],
        from: usize,
        to: usize,
    }

    impl Outgoing {
        const fn new() -> Self {
            Self { bytes: [0; 32], from: 0, to: 0 }
        }

        /// Hands bytes to `send`, which takes some of them and says how many, until it takes none or there
        /// are no more. Returns whether bytes are left.
        fn pump(
            &mut self,
            mut take: impl FnMut(&mut [u8]) -> usize,
            mut send: impl FnMut(&[u8]) -> usize,
        ) -> bool {
            loop {
                if self.from == self.to {
                    (self.from, self.to) = (0, take(&mut self.bytes));
                    if self.to == 0 {
                        return false;
                    }
                }
                let sent = send(self.bytes.get(self.from..self.to).unwrap_or_default());
                self.from = self.to.min(self.from + sent);
                if sent == 0 {
                    return true;
                }
            }
        }
    }

    /// Makes an output of a pin, low from the first moment.
    fn low<P: PinId + ValidFunction<FunctionSio<SioOutput>>>(
        pin: Pin<P, FunctionNull, PullDown>,
    ) -> Output<P> {
        pin.into_push_pull_output_in_state(PinState::Low).into_pull_type()
    }

    #[hal::entry]
    fn main() -> ! {
        let Some(chip) = pac::Peripherals::take() else { give_up() };
        let pac::Peripherals {
            mut RESETS,
            WATCHDOG,
            XOSC,
            CLOCKS,
            PLL_SYS,
            PLL_USB,
            TIMER,
            SIO,
            IO_BANK0,
            PADS_BANK0,
            UART0,
            USBCTRL_REGS,
            USBCTRL_DPRAM,
            ADC,
            ROSC,
            ..
        } = chip;

        // The pins first: everything is open before anything can go wrong.
        let sio = Sio::new(SIO);
        let pins = Pins::new(IO_BANK0, PADS_BANK0, sio.gpio_bank0, &mut RESETS);
        let enable = [
            low(pins.gpio6).into_dyn_pin(),
            low(pins.gpio7).into_dyn_pin(),
            low(pins.gpio8).into_dyn_pin(),
            low(pins.gpio9).into_dyn_pin(),
        ];
        let bleed = low(pins.gpio21);
        let address = [
            low(pins.gpio2).into_dyn_pin(),
            low(pins.gpio3).into_dyn_pin(),
            low(pins.gpio4).into_dyn_pin(),
            low(pins.gpio5).into_dyn_pin(),
        ];
        let switch = MultiplexerBanks::new(address, enable, ActiveLevel::High, WAITS);

        let found = last_words::take();
        let by_timer = WATCHDOG.reason().read().timer().bit_is_set();
        let reset = match (found.gave_up, by_timer) {
            (true, _) => ResetCause::Panic,
            (false, true) => ResetCause::Watchdog,
            (false, false) => ResetCause::Power,
        };
        let noise =
            [(); 4].map(|()| (0..8).fold(0, |byte, _| byte << 1 | ROSC.randombit().read().bits() as u8 & 1));
        let identity =
            Identity { boot_id: boot_id(UNIQUE_ID, found.starts, noise), unique_id: UNIQUE_ID, reset };

        let mut watchdog = Watchdog::new(WATCHDOG);
        let clocks =
            init_clocks_and_plls(CRYSTAL_HZ, XOSC, CLOCKS, PLL_SYS, PLL_USB, &mut RESETS, &mut watchdog);
        let Ok(clocks) = clocks else { give_up() };
        let mut timer = Timer::new(TIMER, &mut RESETS, &clocks);
        let Some(mut alarm) = timer.alarm_0() else { give_up() };
        alarm.enable_interrupt();

        let uart_pins = (pins.gpio0.into_function(), pins.gpio1.into_function());
        let uart_config = UartConfig::new(115_200.Hz(), DataBits::Eight, None, StopBits::One);
        let uart = UartPeripheral::new(UART0, uart_pins, &mut RESETS)
            .enable(uart_config, clocks.peripheral_clock.freq());
        let Ok(mut uart) = uart else { give_up() };
        uart.enable_rx_interrupt();

        let bus = UsbBusAllocator::new(UsbBus::new(
            USBCTRL_REGS,
            USBCTRL_DPRAM,
            clocks.usb_clock,
            true,
            &mut RESETS,
        ));
        let mut cdc = SerialPort::new(&bus);
        let serial_number = hexadecimal(UNIQUE_ID);
        let strings = StringDescriptors::default()
            .manufacturer("Pintally")
            .product("switching board")
            .serial_number(core::str::from_utf8(&serial_number).unwrap_or_default());
        let device = UsbDeviceBuilder::new(&bus, USB_ID)
            // The emulator's host reads each descriptor in one packet.
            .max_packet_size_0(64)
            .and_then(|builder| builder.strings(&[strings]));
        let Ok(device) = device else { give_up() };
        let mut usb = device.device_class(usbd_serial::USB_CLASS_CDC).build();

        let sense = AdcPin::new(pins.gpio26.into_function::<FunctionNull>().into_pull_type());
        let Ok(sense) = sense else { give_up() };
        let panel = Panel {
            lid: pins.gpio16.into_pull_up_input(),
            button: pins.gpio17.into_pull_up_input(),
            red: low(pins.gpio18),
            green: low(pins.gpio19),
            bleed,
            adc: Adc::new(ADC, &mut RESETS),
            sense,
        };

        let now_us = || timer.get_counter().ticks();
        let mut board = Board::<_, _, 2>::new(switch, panel, identity, now_us());
        let (mut uart_out, mut usb_out) = (Outgoing::new(), Outgoing::new());
        let mut chunk = [0; 64];
        defmt::info!("pintally switching board (pico) is up, boot {=u32:08x}", identity.boot_id);
        watchdog.pause_on_debug(true);
        watchdog.start(WATCHDOG_LIMIT);

        loop {
            watchdog.feed();
            alarm.clear_interrupt();

            match uart.read_raw(&mut chunk) {
                Ok(length) => board.push(0, chunk.get(..length).unwrap_or_default(), now_us()),
                // What came before the error is good; the frame that it stands in will not be.
                Err(nb::Error::Other(error)) => board.push(0, error.discarded, now_us()),
                Err(nb::Error::WouldBlock) => {}
            }
            if usb.poll(&mut [&mut cdc]) {
                while let Ok(length @ 1..) = cdc.read(&mut chunk) {
                    board.push(1, chunk.get(..length).unwrap_or_default(), now_us());
                }
            }

            while board.next_deadline_us().is_some_and(|due_us| due_us <= now_us()) {
                board.poll(now_us());
            }

            let uart_waits = uart_out.pump(
                |out| board.take_output(0, out),
                |bytes| uart.write_raw(bytes).map_or(0, |rest| bytes.len() - rest.len()),
            );
            if uart_waits {
                uart.enable_tx_interrupt();
            } else {
                uart.disable_tx_interrupt();
            }
            // What the host does not take now it takes at an interrupt of the USB controller.
            usb_out.pump(|out| board.take_output(1, out), |bytes| cdc.write(bytes).unwrap_or(0));
            let _ = cdc.flush();

            let wake_us = now_us() + WAKE_US;
            let wake_us = board.next_deadline_us().map_or(wake_us, |due_us| due_us.min(wake_us));
            // Fails only beyond 72 minutes; a time that has passed fires at once.
            let _ = alarm.schedule_at(Instant::from_ticks(wake_us));
            for line in [Interrupt::UART0_IRQ, Interrupt::USBCTRL_IRQ, Interrupt::TIMER_IRQ_0] {
                // SAFETY: no critical section of this program relies on these lines being masked.
                unsafe { NVIC::unmask(line) };
            }
            // Returning from a handler sets the event register: an interrupt that came since the bytes were
            // looked at makes this return at once.
            cortex_m::asm::wfe();
        }
    }

    #[interrupt]
    fn UART0_IRQ() {
        NVIC::mask(Interrupt::UART0_IRQ);
    }

    #[interrupt]
    fn USBCTRL_IRQ() {
        NVIC::mask(Interrupt::USBCTRL_IRQ);
    }

    #[interrupt]
    fn TIMER_IRQ_0() {
        NVIC::mask(Interrupt::TIMER_IRQ_0);
    }

    /// Opens every channel and starts anew. The end of every path that should not be.
    #[unsafe(no_mangle)]
    extern "C" fn give_up() -> ! {
        cortex_m::interrupt::disable();
        // SAFETY: the program is over; one write lowers every line that connects.
        unsafe { (*pac::SIO::PTR).gpio_out_clr().write(|w| w.bits(OUTPUTS_THAT_CONNECT)) };
        last_words::leave();
        hal::reset()
    }

    #[panic_handler]
    fn panic(info: &PanicInfo<'_>) -> ! {
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

    fn hexadecimal(bytes: [u8; 8]) -> [u8; 16] {
        let mut text = [0; 16];
        for (pair, byte) in text.chunks_exact_mut(2).zip(bytes) {
            for (place, digit) in pair.iter_mut().zip([byte >> 4, byte & 15]) {
                *place = if digit < 10 { b'0' + digit } else { b'A' + digit - 10 };
            }
        }
        text
    }
}

#[cfg(not(target_os = "none"))]
fn main() {}
