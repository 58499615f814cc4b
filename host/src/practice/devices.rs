//! The bench as the two devices of a sweep, in simulated time: a whole sweep in milliseconds.

use std::{collections::VecDeque, io};

use super::bench::{Bench, Side};
use crate::{
    moment::Moment,
    sweep::{Devices, Heard},
};

/// A [`Bench`] without ports: time jumps from one event to the next.
#[derive(Debug)]
pub struct BenchDevices {
    bench: Bench,
    now: Moment,
    heard: VecDeque<(Moment, Side, Vec<u8>)>,
}

impl BenchDevices {
    /// Takes a bench.
    #[must_use]
    pub const fn new(bench: Bench) -> Self {
        Self { now: bench.now(), bench, heard: VecDeque::new() }
    }

    /// Connects the meter and switches it on, or takes its plugs out: what it had said on its way is gone.
    pub fn plug(&mut self, plugged: bool) {
        self.bench.plug(plugged);
        self.heard.retain(|(_, side, _)| *side != Side::Meter);
    }

    /// The bench, to press its button, open its lid or change its board.
    pub const fn bench(&mut self) -> &mut Bench {
        &mut self.bench
    }
}

impl Devices for BenchDevices {
    fn now(&self) -> Moment {
        self.now
    }

    fn wait(&mut self, until: Moment) -> Heard {
        loop {
            if self.heard.front().is_some_and(|(at, ..)| *at <= until)
                && let Some((at, side, bytes)) = self.heard.pop_front()
            {
                self.now = self.now.max(at);
                return match side {
                    Side::Meter => Heard::Meter(at, bytes),
                    Side::Jig => Heard::Jig(at, bytes),
                };
            }
            let next = self.bench.next_event().filter(|next| *next <= until);
            self.heard.extend(self.bench.advance(next.unwrap_or(until)));
            if next.is_none() && self.heard.is_empty() {
                self.now = self.now.max(until);
                return Heard::Nothing;
            }
        }
    }

    fn to_jig(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.bench.to_jig(bytes, self.now);
        Ok(())
    }

    fn to_meter(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.bench.to_meter(bytes, self.now);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::{
        meter::{DiodeSource, Profile, shipped},
        practice::{Design, JigSetup, JigTrouble, Specimen, meter::MeterOptions, sample},
        readings::PinValue,
        sweep::{Plan, Score, Setting, Swept, Timing, Unrecorded, run},
        units::Volts,
    };

    fn sweep(specimen: &Specimen, profile: &Profile, setup: &JigSetup) -> (Swept, Moment) {
        let connector = sample::connector();
        let options = MeterOptions { noise: Volts::of(0.2e-3), ..MeterOptions::of(profile) };
        let bench = Bench::new(specimen, setup.clone(), profile.clone(), options, 5, Moment::START).unwrap();
        let mut devices = BenchDevices::new(bench);
        let wiring = &setup.wiring;
        let channel_of = |pin: usize| wiring.channels().get(pin).copied();
        let plan = Plan::new(&connector, channel_of, wiring.check().map(|check| check.channel), &[]);
        let score = Score {
            setting: Setting {
                plan,
                pins: connector.pins.len(),
                grounds: connector.grounds().collect(),
                timing: Timing::of(profile),
                compliance: None,
                check_expected: None,
            },
            profile: profile.clone(),
            names: connector.pins.iter().map(|pin| pin.name.clone()).collect(),
            jig_port: "bench".to_owned(),
            meter_port: "bench".to_owned(),
            settle: Duration::from_millis(3),
            dwell: None,
            override_alive: false,
        };
        let swept = run(&mut devices, score, &mut Unrecorded, &mut |_| {});
        assert_eq!(devices.bench().jig().line().trouble(), None);
        (swept, devices.now)
    }

    /// What the meter should show for a voltage behind a path.
    fn expected(profile: &Profile, drop: Volts, path: f64) -> PinValue {
        let (own, seen) = match profile.diode.source {
            DiodeSource::ConstantCurrent { current, .. } => (drop.get(), drop.get() + current.get() * path),
            DiodeSource::BehindResistance { open_circuit, resistance } => {
                // The path takes a little of the current; to first order the pin itself does not notice.
                let current = (open_circuit.get() - drop.get()) / resistance.get();
                (drop.get(), drop.get() + current * path)
            }
        };
        if own > profile.diode.overload_above.get() {
            PinValue::Overload
        } else {
            PinValue::Volts(Volts::of(seen))
        }
    }

    #[test]
    fn a_sweep_reads_what_is_there_with_each_kind_of_meter() {
        // Streaming fast, streaming slowly behind a resistance, measuring when asked.
        for name in ["bench-stream", "fs9721", "scpi-bench"] {
            let profile = shipped(name).unwrap();
            let connector = sample::connector();
            let design = Design::new(&connector, 3);
            let faults = ["open:A4", "raised:A15=150", "short:B15"].map(|text| text.parse().unwrap());
            let specimen = Specimen::new(&design, "T", 7, &faults).unwrap();
            let setup = JigSetup::straight(&connector, 1).unwrap();
            let (swept, _) = sweep(&specimen, &profile, &setup);
            assert!(swept.outcome.is_ok(), "{}: {:?}", profile.name, swept.outcome);
            let drops = specimen.drops(profile.diode.source).unwrap();
            let paths = setup.paths();
            for (pin, value) in swept.values.iter().enumerate() {
                let name = &connector.pins[pin].name;
                match (value, expected(&profile, drops[pin], paths[pin].get())) {
                    (PinValue::Overload, PinValue::Overload) => {}
                    (PinValue::Volts(seen), PinValue::Volts(expected)) => {
                        // A rail may be taken while it still creeps by the meter's agreement tolerance a reading.
                        let allowed = 2.0 * profile.timing.tolerance.get() + profile.diode.resolution.get();
                        let off = (seen.get() - expected.get()).abs();
                        assert!(off < allowed, "{} {name}: {seen:?} for {expected:?}", profile.name);
                    }
                    (seen, expected) => panic!("{} {name}: {seen:?} for {expected:?}", profile.name),
                }
            }
        }
    }

    #[test]
    fn a_sweep_repeats_to_the_microsecond() {
        let connector = sample::connector();
        let profile = shipped("bench-stream").unwrap();
        let specimen = Specimen::new(&Design::new(&connector, 3), "T", 7, &[]).unwrap();
        let setup = JigSetup::straight(&connector, 1).unwrap();
        let (one, two) = (sweep(&specimen, &profile, &setup), sweep(&specimen, &profile, &setup));
        assert_eq!(one, two);
    }

    #[test]
    fn troubles_of_the_jig_show_in_the_readings() {
        let connector = sample::connector();
        let profile = shipped("bench-stream").unwrap();
        let specimen = Specimen::new(&Design::new(&connector, 3), "T", 7, &[]).unwrap();
        let sound = JigSetup::straight(&connector, 1).unwrap();
        let troubles = ["worn:14=50", "dead:15", "crossed:17+18", "clamps"];
        let troubles: Vec<JigTrouble> = troubles.iter().map(|text| text.parse().unwrap()).collect();
        let good = sweep(&specimen, &profile, &sound).0.values;
        let with = |count: usize| {
            let setup = JigSetup { troubles: troubles[count..=count].to_vec(), ..sound.clone() };
            sweep(&specimen, &profile, &setup).0.values
        };
        let volts = |value: PinValue| value.volts().unwrap().get();
        // 1 mA into 50 Ω more.
        assert!((volts(with(0)[14]) - volts(good[14]) - 0.050).abs() < 1e-3);
        assert_eq!(with(1)[15], PinValue::Overload);
        let crossed = with(2);
        assert!((volts(crossed[17]) - volts(good[18])).abs() < 1e-3);
        // A clamp of the multiplexer itself makes an open pin look healthy.
        assert_eq!(good[16], PinValue::Overload);
        assert!((0.5..0.8).contains(&volts(with(3)[16])));
    }
}
