//! Push a meter's bytes, pull readings.

use super::{
    MeterError, Problem, Profile, Reading, Stamped,
    format::{Content, Cut, Format, Wire, wire},
    inbox::Inbox,
    mode::ModeGate,
};
use crate::moment::Moment;

/// Turns the bytes of a meter into readings, whatever stands between them.
///
/// Bytes may be cut into chunks anywhere; the readings are the same for every cut. What cannot be read is
/// reported and skipped: one byte of a binary frame, so that a frame that begins inside a broken one is still
/// found; one line of a text format, since the rest of a broken line may look like a number.
///
/// The stamps of a reading say when the first and the last byte of its frame arrived. A port tells one time for
/// a chunk; inside a chunk the bytes are taken to have come back to back at the baud rate of the profile, the
/// last one at the time told.
///
/// Formats whose frames tell function and signs have no checksum. So a change of these is believed only when two
/// frames in a row say it; a frame that stands alone with its mode is held back.
///
/// ```
/// use pintally::{meter::{self, Decoder}, moment::Moment};
///
/// let profile = meter::shipped("scpi-bench").expect("shipped with the program");
/// let mut decoder = Decoder::new(&profile);
/// decoder.push(b"+5.43210000E-01\r\n", Moment::from_micros(20_000));
/// let reading = decoder.pull().expect("a line is whole").expect("and a number");
/// assert_eq!(reading.item.value.unwrap().to_f64(), 0.54321);
/// ```
#[derive(Debug)]
pub struct Decoder {
    wire: Box<dyn Wire>,
    format: &'static str,
    inbox: Inbox,
    gate: Option<ModeGate>,
    held_back: u64,
    /// Bytes dropped since the last good frame.
    noise: usize,
    dropped: u64,
}

impl Decoder {
    /// Noise is reported once, and then again after each further 64 bytes (more than four frames of any format):
    /// a wrong baud rate must not drown the operator in errors.
    const NOISE_REPORTED_EVERY: usize = 64;

    /// Makes a decoder for the meter that a profile describes.
    #[must_use]
    pub fn new(profile: &Profile) -> Self {
        // The two blocks that make a reading of es11 agree already.
        let described = profile.line.as_ref().is_some_and(|line| line.function_column.is_some());
        let needs_gate = match profile.format {
            Format::Es11 | Format::Scpi => false,
            Format::Line => described,
            // The HM8012 does not tell its function, but its unit can deny diode test.
            _ => true,
        };
        Self { gate: needs_gate.then(ModeGate::default), ..Self::every_frame(profile) }
    }

    /// Makes a decoder that hands out every frame that can be read, also one whose mode no other frame confirms.
    #[must_use]
    pub fn every_frame(profile: &Profile) -> Self {
        Self {
            wire: wire(profile),
            format: profile.format.name(),
            inbox: Inbox::new(profile.port.byte_time()),
            gate: None,
            held_back: 0,
            noise: 0,
            dropped: 0,
        }
    }

    /// Takes bytes that a port handed over at `at`.
    ///
    /// Pull until there is nothing left after each push: bytes that nobody pulls are kept up to 1 MiB, then the
    /// oldest are dropped and reported.
    pub fn push(&mut self, bytes: &[u8], at: Moment) {
        self.inbox.push(bytes, at);
    }

    /// Hands out the next reading, or the next thing that is wrong, or `None` until more bytes come.
    // Inlined, so that the reading stays where it was written: moving it just after costs as much as decoding it.
    #[inline]
    #[must_use = "a reading or an error is handed out once"]
    pub fn pull(&mut self) -> Option<Result<Stamped<Reading>, MeterError>> {
        let mut reading =
            Stamped { first_byte: Moment::START, last_byte: Moment::START, item: Reading::BLANK };
        match self.pull_into(&mut reading)? {
            Ok(()) => Some(Ok(reading)),
            Err(error) => Some(Err(error)),
        }
    }

    fn pull_into(&mut self, into: &mut Stamped<Reading>) -> Option<Result<(), MeterError>> {
        if let Some(lost) = self.inbox.take_lost() {
            self.wire.reset();
            return Some(Err(self.error(Problem::Overrun { lost, limit: Inbox::LIMIT })));
        }
        loop {
            match self.wire.cut(self.inbox.waiting()) {
                Cut::More => return None,
                Cut::Skip(count) => self.inbox.take(count),
                Cut::Broken { drop, problem } => {
                    if let Some(error) = self.skip(drop, problem) {
                        return Some(Err(error));
                    }
                }
                Cut::Frame { skip, length } => {
                    let frame = &self.inbox.waiting()[skip..skip + length];
                    let content = match self.wire.read(frame, &mut into.item) {
                        Ok(content) => content,
                        Err(problem) => {
                            self.inbox.take(skip);
                            let drop = self.wire.give_up(length);
                            match self.skip(drop, problem) {
                                Some(error) => return Some(Err(error)),
                                None => continue,
                            }
                        }
                    };
                    self.noise = 0;
                    (into.first_byte, into.last_byte) = self.inbox.stamps(skip, length);
                    self.inbox.take(skip + length);
                    match content {
                        Content::Reading if self.gate.as_mut().is_none_or(|gate| gate.passes(&into.item)) => {
                            return Some(Ok(()));
                        }
                        Content::Reading => self.held_back += 1,
                        Content::Nothing => {}
                    }
                }
            }
        }
    }

    /// Bytes are missing here: what has come of a frame is dropped, and no mode is confirmed by one from before. A key
    /// that a frame showed pressed stays pressed until another frame shows that it is not.
    pub fn interrupt(&mut self) {
        self.inbox.take(self.inbox.waiting().len());
        self.wire.reset();
        self.noise = 0;
        if let Some(gate) = &mut self.gate {
            *gate = ModeGate::default();
        }
    }

    /// Bytes that belonged to no frame, since the beginning.
    #[must_use]
    pub const fn dropped(&self) -> u64 {
        self.dropped
    }

    /// Frames that were held back because no other frame confirmed their mode, since the beginning.
    #[must_use]
    pub const fn held_back(&self) -> u64 {
        self.held_back
    }

    /// Bytes that wait for the rest of their frame.
    #[must_use]
    pub fn waiting(&self) -> usize {
        self.inbox.waiting().len()
    }

    fn skip(&mut self, count: usize, problem: Problem) -> Option<MeterError> {
        let count = count.max(1);
        let before = self.noise;
        self.noise += count;
        self.dropped += count as u64;
        let due = before == 0
            || count > 1
            || before / Self::NOISE_REPORTED_EVERY != self.noise / Self::NOISE_REPORTED_EVERY;
        let error = due.then(|| self.error(problem));
        self.inbox.take(count);
        error
    }

    fn error(&self, problem: Problem) -> MeterError {
        MeterError { at: self.inbox.stamp(0), format: self.format, problem }
    }
}
