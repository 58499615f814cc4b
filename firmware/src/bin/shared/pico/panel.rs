//! Lid contact, start button, light, buzzer, sense input and bleed resistor of the Pico.

use embedded_hal::digital::InputPin;
use embedded_hal::pwm::SetDutyCycle;
use firmware::{Fittings, Lamp, Tone};
use protocol::Parts;

use super::hal::adc::{Adc, AdcPin};
use super::hal::gpio::bank0::{Gpio16, Gpio17, Gpio18, Gpio19, Gpio20, Gpio21, Gpio22, Gpio26};
use super::hal::gpio::{
    FunctionNull, FunctionPwm, FunctionSio, OutputOverride, Pin, PullNone, PullUp, SioInput,
};
use super::hal::pac;
use super::hal::pwm::{FreeRunning, Pwm2, Slice, Slices};
use super::{Fresh, Output, low, set};

/// Sense input: R1 = 220 kΩ from the common line, R2 = 100 kΩ to its leg, and a converter that shows r of its supply
/// V = 3.3 V. With the leg on ground the common line is at V·r·(R1+R2)/R2: 0 to 10.5 V, and what is below ground shows
/// as nothing. With the leg on V it is at V·(r·(R1+R2) − R1)/R2: −7.2 V where the input is at ground, 0 where r is 0.6875.
const FULL_MILLIVOLTS: i32 = 3_300 * 320 / 100;
/// What the leg on V adds: V·R1/R2.
const BIAS_MILLIVOLTS: i32 = 3_300 * 220 / 100;
/// Conversions of 2 µs that are added up, and as many before them that are not: the input settles with 69 kΩ and some
/// 50 pF of pin and diodes, 9 time constants.
const SENSE_SAMPLES: i32 = 16;
/// With the leg on ground this much is above every error of the converter, some 10 counts.
const ABOVE_GROUND: i32 = 30;

/// The counter of the buzzer: system clock of 125 MHz by 125.
const COUNTS_A_SECOND: u32 = 1_000_000;
const CLOCK_DIVISOR: u8 = 125;

type Input<P> = Pin<P, FunctionSio<SioInput>, PullUp>;

/// The pins of the panel, as they come out of reset.
pub(super) struct Pins {
    pub(super) lid: Fresh<Gpio16>,
    pub(super) button: Fresh<Gpio17>,
    pub(super) red: Fresh<Gpio18>,
    pub(super) green: Fresh<Gpio19>,
    pub(super) buzzer: Fresh<Gpio20>,
    pub(super) sense: Fresh<Gpio26>,
    pub(super) leg: Output<Gpio22>,
}

/// What there is beside the switch.
pub(super) struct Panel {
    lid: Input<Gpio16>,
    button: Input<Gpio17>,
    red: Output<Gpio18>,
    green: Output<Gpio19>,
    buzzer: Buzzer,
    bleed: Output<Gpio21>,
    adc: Adc,
    sense: AdcPin<Pin<Gpio26, FunctionNull, PullNone>>,
    leg: Output<Gpio22>,
}

/// A counter of the chip makes the square wave by itself.
struct Buzzer {
    counter: Slice<Pwm2, FreeRunning>,
    pin: Pin<Gpio20, FunctionPwm, PullNone>,
}

impl Panel {
    /// Dark, silent and not bleeding.
    pub(super) fn new(
        pins: Pins,
        bleed: Output<Gpio21>,
        (adc, pwm): (pac::ADC, pac::PWM),
        resets: &mut pac::RESETS,
    ) -> Option<Self> {
        let sense = AdcPin::new(pins.sense.into_function::<FunctionNull>().into_pull_type()).ok()?;
        Some(Self {
            lid: pins.lid.into_pull_up_input(),
            button: pins.button.into_pull_up_input(),
            red: low(pins.red),
            green: low(pins.green),
            buzzer: Buzzer::new(Slices::new(pwm, resets).pwm2, pins.buzzer),
            bleed,
            adc: Adc::new(adc, resets),
            sense,
            leg: pins.leg,
        })
    }
}

impl Panel {
    /// The common line, were the leg on ground.
    fn sensed_millivolts(&mut self) -> Option<i32> {
        let mut counts = 0;
        for at in -SENSE_SAMPLES..SENSE_SAMPLES {
            let sample: u16 = self.adc.read(&mut self.sense).ok()?;
            if at >= 0 {
                counts += i32::from(sample);
            }
        }
        Some(counts * FULL_MILLIVOLTS / SENSE_SAMPLES / 4_096)
    }
}

impl Buzzer {
    fn new(mut counter: Slice<Pwm2, FreeRunning>, pin: Fresh<Gpio20>) -> Self {
        counter.default_config();
        counter.set_div_int(CLOCK_DIVISOR);
        let mut pin = pin.into_pull_type::<PullNone>();
        // Low whatever the counter does, until a tone begins: no direct current through the disc.
        pin.set_output_override(OutputOverride::AlwaysLow);
        let pin = counter.channel_a.output_to(pin);
        Self { counter, pin }
    }

    fn sound(&mut self, tone: Option<Tone>) {
        self.pin.set_output_override(OutputOverride::AlwaysLow);
        self.counter.disable();
        if let Some(tone) = tone {
            let counts = (COUNTS_A_SECOND / u32::from(tone.hertz())) as u16;
            self.counter.set_top(counts - 1);
            let Ok(()) = self.counter.channel_a.set_duty_cycle(counts / 2);
            self.counter.enable();
            self.pin.set_output_override(OutputOverride::DontInvert);
        }
    }
}

impl Fittings for Panel {
    fn parts(&self) -> Parts {
        Parts { sense: true, bleed: true, button: true, lid: true, light: true, buzzer: true }
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
        let above = self.sensed_millivolts()?;
        if above > ABOVE_GROUND {
            return Some(above);
        }
        // At ground, below it, or open: an open line follows the leg, and shows as more than nothing.
        set(&mut self.leg, true);
        let biased = self.sensed_millivolts();
        set(&mut self.leg, false);
        let below = biased? - BIAS_MILLIVOLTS;
        Some(if below < 0 { below } else { above })
    }

    fn bleed(&mut self, on: bool) {
        set(&mut self.bleed, on);
    }

    fn lamp(&mut self, lamp: Lamp) {
        set(&mut self.red, lamp.red);
        set(&mut self.green, lamp.green);
    }

    fn tone(&mut self, tone: Option<Tone>) {
        self.buzzer.sound(tone);
    }
}
