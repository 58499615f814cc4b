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
