//! What the images of the Raspberry Pi Pico share: everything but the switch.
//!
//! | pin | what | level |
//! | --- | --- | --- |
//! | GP0, GP1 | UART0, 115200 8N1: TX, RX | link 0 |
//! | USB | serial port | link 1, the same protocol |
//! | GP2 to GP11 | the switch: see the image | |
//! | GP16 | lid contact to ground, pulled up | low while the lid is closed |
//! | GP17 | start button to ground, pulled up | low while it is pressed |
//! | GP18, GP19 | red and green of the light | high lights |
//! | GP20 | buzzer: a passive piezo disc through 1 kΩ | a square wave while it sounds |
//! | GP21 | bleed resistor | high connects; 10 kΩ to ground |
//! | GP22 | leg of the sense input: 100 kΩ from GP26 to here | low, but high while a negative voltage is looked for |
//! | GP26 | sense input: common line through 220 kΩ | −7.2 to 10.5 V |
//!
//! A jig without a lid needs a wire from GP16 to ground: an input that is not connected counts as open. While
//! the chip is in reset its pins are inputs with a pull-down of 50 to 80 kΩ (RP2040 datasheet, 2.19.6.3);
//! each image says which resistors hold its switch open then.
//!
//! Interrupts only wake the program: each handler masks its own line, and the loop looks at everything. A
//! timer wakes it at each deadline, so that silence is seen while it sleeps.
//!
//! The images run in an emulator of the chip in every test run. They have not been run on real hardware.

mod opening;
mod outgoing;
mod panel;

use cortex_m::peripheral::NVIC;
use defmt_rtt as _;
use embedded_hal::digital::OutputPin;
use firmware::{Board, Identity, Switch};
use hal::clocks::{Clock, ClocksManager, init_clocks_and_plls};
use hal::fugit::{HertzU32, MicrosDurationU32, RateExtU32};
use hal::gpio::{
    FunctionNull, FunctionSio, Pin, PinId, PinState, Pins, PullDown, PullNone, SioOutput, ValidFunction,
    bank0,
};
use hal::pac::{self, Interrupt, interrupt};
use hal::sio::Sio;
use hal::timer::{Alarm, Alarm0, Instant, Timer};
use hal::uart::{DataBits, StopBits, UartConfig, UartPeripheral};
use hal::usb::UsbBus;
use hal::watchdog::Watchdog;
pub(crate) use opening::{open, restart};
use outgoing::Outgoing;
use panel::Panel;
use protocol::ResetCause;
pub(crate) use rp2040_hal as hal;
use usb_device::class_prelude::UsbBusAllocator;
use usb_device::prelude::*;
use usbd_serial::SerialPort;

pub(crate) use super::last_resort::give_up;
use super::{boot_id, last_words};

#[unsafe(link_section = ".boot2")]
#[unsafe(no_mangle)]
#[used]
static BOOT2_FIRMWARE: [u8; 256] = rp2040_boot2::BOOT_LOADER_GENERIC_03H;

/// Crystal of the Pico (Pico datasheet).
const CRYSTAL_HZ: u32 = 12_000_000;

/// The program looks after itself at least this often.
const WAKE_US: u64 = 100_000;

/// Packets of 64 bytes that are taken from USB in one turn.
const USB_READS: usize = 4;

/// The chip starts anew if the program did not come round for so long.
const WATCHDOG_LIMIT: MicrosDurationU32 = MicrosDurationU32::millis(500);

/// For tests and builders only (pid.codes): a board that is sold needs a number of its own.
const USB_ID: UsbVidPid = UsbVidPid(0x1209, 0x0001);

/// The RP2040 has no number of its own. That of its flash chip can be read only by code in RAM while the
/// flash is off, which could not be tried without hardware: this unit says that it has none.
const UNIQUE_ID: [u8; 8] = [0; 8];

/// An output of which it is known from the first moment on where it stands.
pub(crate) type Output<P> = Pin<P, FunctionSio<SioOutput>, PullNone>;

/// A pin as it comes out of reset.
pub(crate) type Fresh<P> = Pin<P, FunctionNull, PullDown>;

/// How an image wires its switch.
pub(crate) trait Wiring: Sized {
    /// What drives it.
    type Switch: Switch;

    /// Lines that are low while every channel is open, one bit a pin.
    const LOW_OPENS: u32;
    /// Lines that are high while every channel is open.
    const HIGH_OPENS: u32;

    /// Takes the pins; every line that could close a channel stands where it opens from now on.
    fn hold(pins: SwitchPins) -> Self;

    /// Makes the switch, now that clocks run.
    fn switch(self, chip: Buses<'_>) -> Self::Switch;
}

/// The pins of the switch.
#[allow(dead_code, reason = "each image uses what its switch needs")]
pub(crate) struct SwitchPins {
    pub(crate) gpio2: Fresh<bank0::Gpio2>,
    pub(crate) gpio3: Fresh<bank0::Gpio3>,
    pub(crate) gpio4: Fresh<bank0::Gpio4>,
    pub(crate) gpio5: Fresh<bank0::Gpio5>,
    pub(crate) gpio6: Fresh<bank0::Gpio6>,
    pub(crate) gpio7: Fresh<bank0::Gpio7>,
    pub(crate) gpio8: Fresh<bank0::Gpio8>,
    pub(crate) gpio9: Fresh<bank0::Gpio9>,
    pub(crate) gpio10: Fresh<bank0::Gpio10>,
    pub(crate) gpio11: Fresh<bank0::Gpio11>,
}

/// What a switch may use beside its pins.
#[allow(dead_code, reason = "each image uses what its switch needs")]
pub(crate) struct Buses<'a> {
    pub(crate) spi: pac::SPI0,
    pub(crate) i2c: pac::I2C0,
    pub(crate) resets: &'a mut pac::RESETS,
    pub(crate) clocks: &'a ClocksManager,
    pub(crate) timer: Timer,
}

impl Buses<'_> {
    /// Clock of the peripherals.
    #[allow(dead_code, reason = "a switch on plain lines needs no clock")]
    pub(crate) fn frequency(&self) -> HertzU32 {
        self.clocks.peripheral_clock.freq()
    }
}

/// Makes an output of a pin, low from the first moment.
pub(crate) fn low<P: PinId + ValidFunction<FunctionSio<SioOutput>>>(pin: Fresh<P>) -> Output<P> {
    pin.into_push_pull_output_in_state(PinState::Low).into_pull_type()
}

/// Makes an output of a pin, high from the first moment.
#[allow(dead_code, reason = "a switch whose lines all open when low needs none")]
pub(crate) fn high<P: PinId + ValidFunction<FunctionSio<SioOutput>>>(pin: Fresh<P>) -> Output<P> {
    pin.into_push_pull_output_in_state(PinState::High).into_pull_type()
}

/// The whole program.
pub(crate) fn run<W: Wiring>() -> ! {
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
        PWM,
        SPI0,
        I2C0,
        ROSC,
        ..
    } = chip;

    // The pins first: everything is open before anything can go wrong.
    let sio = Sio::new(SIO);
    let pins = Pins::new(IO_BANK0, PADS_BANK0, sio.gpio_bank0, &mut RESETS);
    let wiring = W::hold(SwitchPins {
        gpio2: pins.gpio2,
        gpio3: pins.gpio3,
        gpio4: pins.gpio4,
        gpio5: pins.gpio5,
        gpio6: pins.gpio6,
        gpio7: pins.gpio7,
        gpio8: pins.gpio8,
        gpio9: pins.gpio9,
        gpio10: pins.gpio10,
        gpio11: pins.gpio11,
    });
    let bleed = low(pins.gpio21);

    let identity = identity(&WATCHDOG, &ROSC);
    let mut watchdog = Watchdog::new(WATCHDOG);
    let clocks = init_clocks_and_plls(CRYSTAL_HZ, XOSC, CLOCKS, PLL_SYS, PLL_USB, &mut RESETS, &mut watchdog);
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

    let panel = Panel::new(
        panel::Pins {
            lid: pins.gpio16,
            button: pins.gpio17,
            red: pins.gpio18,
            green: pins.gpio19,
            buzzer: pins.gpio20,
            sense: pins.gpio26,
            leg: low(pins.gpio22),
        },
        bleed,
        (ADC, PWM),
        &mut RESETS,
    );
    let Some(panel) = panel else { give_up() };
    let switch = wiring.switch(Buses { spi: SPI0, i2c: I2C0, resets: &mut RESETS, clocks: &clocks, timer });

    let bus =
        UsbBusAllocator::new(UsbBus::new(USBCTRL_REGS, USBCTRL_DPRAM, clocks.usb_clock, true, &mut RESETS));
    let mut cdc = SerialPort::new(&bus);
    let serial_number = hexadecimal(UNIQUE_ID);
    let Some(mut usb) = usb_device(&bus, &serial_number) else { give_up() };

    let now_us = || timer.get_counter().ticks();
    // Before the switch is touched: a bus that never answers ends in a new start, too.
    watchdog.pause_on_debug(true);
    watchdog.start(WATCHDOG_LIMIT);
    let mut board = Board::<_, _, 2>::new(switch, panel, identity, now_us());
    let (mut uart_out, mut usb_out) = (Outgoing::new(), Outgoing::new());
    let mut chunk = [0; 64];
    defmt::info!("pintally switching board (pico) is up, boot {=u32:08x}", identity.boot_id);

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
            // A host that never stops sending must not keep the board from its deadlines: what is left keeps its
            // interrupt up, and is read at the next turn.
            for _ in 0..USB_READS {
                let Ok(length @ 1..) = cdc.read(&mut chunk) else { break };
                board.push(1, chunk.get(..length).unwrap_or_default(), now_us());
            }
        }

        let due_us = loop {
            let due_us = board.next_deadline_us();
            if due_us.is_none_or(|due_us| due_us > now_us()) {
                break due_us;
            }
            board.poll(now_us());
        };

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
        sleep(&mut alarm, due_us.map_or(wake_us, |due_us| due_us.min(wake_us)));
    }
}

/// Who this is, and what started it.
fn identity(watchdog: &pac::WATCHDOG, oscillator: &pac::ROSC) -> Identity {
    let found = last_words::take();
    let by_timer = watchdog.reason().read().timer().bit_is_set();
    let reset = match (found.gave_up, by_timer) {
        (true, _) => ResetCause::Panic,
        (false, true) => ResetCause::Watchdog,
        (false, false) => ResetCause::Power,
    };
    let noise = [(); 4]
        .map(|()| (0..8).fold(0, |byte, _| byte << 1 | oscillator.randombit().read().bits() as u8 & 1));
    Identity { boot_id: boot_id(UNIQUE_ID, found.starts, noise), unique_id: UNIQUE_ID, reset }
}

/// What a computer is told of this device.
fn usb_device<'a>(
    bus: &'a UsbBusAllocator<UsbBus>,
    serial_number: &'a [u8; 16],
) -> Option<UsbDevice<'a, UsbBus>> {
    let strings = StringDescriptors::default()
        .manufacturer("Pintally")
        .product("switching board")
        .serial_number(core::str::from_utf8(serial_number).unwrap_or_default());
    let device = UsbDeviceBuilder::new(bus, USB_ID)
        // The emulator's host reads each descriptor in one packet.
        .max_packet_size_0(64)
        .and_then(|builder| builder.strings(&[strings]));
    Some(device.ok()?.device_class(usbd_serial::USB_CLASS_CDC).build())
}

/// Sleeps until this time, or until an interrupt.
fn sleep(alarm: &mut Alarm0, wake_us: u64) {
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

/// Drives a line. The pins of this chip cannot fail.
fn set<P: OutputPin<Error = core::convert::Infallible>>(line: &mut P, high: bool) {
    let Ok(()) = line.set_state(high.into());
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
