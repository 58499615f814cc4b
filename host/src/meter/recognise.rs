//! Which profiles a stream fits, by listening with all of them.

use super::{Decoder, Format, Profile, Talk};
use crate::moment::Moment;

/// Listens to one stream with several profiles at once. It never sends anything.
#[derive(Debug)]
pub struct Recogniser {
    ears: Vec<(Profile, Decoder, u32)>,
    heard: u64,
    first: Vec<u8>,
}

/// A profile that a stream fits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Candidate {
    /// Name of the profile.
    pub profile: String,
    /// What it is called on screens.
    pub title: String,
    /// Readings that it made of the stream.
    pub readings: u32,
    /// Bytes that belonged to no frame.
    pub dropped: u64,
    /// The frames of other meters look the same and mean something else: only the user can name this profile.
    pub is_ambiguous: bool,
}

impl Recogniser {
    /// Readings that a stream must give before it counts as recognised.
    const ENOUGH: u32 = 2;
    /// At most this part of the bytes may belong to no frame; the stream may begin in the middle of one.
    const MOST_DROPPED: f64 = 0.25;
    /// Bytes that are kept to be shown.
    const SHOWN: usize = 32;

    /// Prepares to listen with these profiles. Those that speak only when asked, and those whose lines only their
    /// user can describe, are left out.
    pub fn new(profiles: impl IntoIterator<Item = Profile>) -> Self {
        let ears = profiles
            .into_iter()
            .filter(|profile| profile.talk == Talk::Streaming && profile.format != Format::Line)
            .map(|profile| {
                let decoder = Decoder::every_frame(&profile);
                (profile, decoder, 0)
            })
            .collect();
        Self { ears, heard: 0, first: Vec::new() }
    }

    /// Takes bytes that the port handed over at `at`.
    pub fn push(&mut self, bytes: &[u8], at: Moment) {
        self.heard += bytes.len() as u64;
        let room = Self::SHOWN.saturating_sub(self.first.len()).min(bytes.len());
        self.first.extend_from_slice(&bytes[..room]);
        for (_, decoder, readings) in &mut self.ears {
            decoder.push(bytes, at);
            while let Some(pulled) = decoder.pull() {
                *readings += u32::from(pulled.is_ok());
            }
        }
    }

    /// Bytes heard.
    #[must_use]
    pub const fn heard(&self) -> u64 {
        self.heard
    }

    /// The first bytes heard.
    #[must_use]
    pub fn first(&self) -> &[u8] {
        &self.first
    }

    /// Profiles that fit, the best first.
    #[must_use]
    pub fn candidates(&self) -> Vec<Candidate> {
        let fits = |(_, decoder, readings): &&(Profile, Decoder, u32)| {
            *readings >= Self::ENOUGH && decoder.dropped() as f64 <= Self::MOST_DROPPED * self.heard as f64
        };
        // A block of digits is also a bare number: a format with more to it goes first.
        let tells_more = self.ears.iter().filter(fits).any(|(profile, ..)| profile.format.tells_function());
        let mut candidates: Vec<Candidate> = self
            .ears
            .iter()
            .filter(fits)
            .filter(|(profile, ..)| !tells_more || profile.format.tells_function())
            .map(|(profile, decoder, readings)| Candidate {
                profile: profile.name.clone(),
                title: profile.title.clone(),
                readings: *readings,
                dropped: decoder.dropped(),
                is_ambiguous: profile.format == Format::Es11,
            })
            .collect();
        candidates.sort_by_key(|candidate| (candidate.dropped, std::cmp::Reverse(candidate.readings)));
        candidates
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn recognise(bytes: &[u8]) -> Vec<String> {
        let mut recogniser = Recogniser::new(Profile::all_shipped());
        recogniser.push(bytes, Moment::START);
        recogniser.candidates().into_iter().map(|candidate| candidate.profile).collect()
    }

    #[test]
    fn a_stream_is_recognised_from_its_middle() {
        let frame = [0x11, 0x27, 0x3D, 0x4B, 0x5E, 0x62, 0x77, 0x81, 0x9F, 0xA1, 0xB0, 0xC0, 0xD4, 0xE0];
        let stream = frame.repeat(4);
        assert_eq!(recognise(&stream[5..]), ["fs9721"]);
        assert_eq!(recognise(&frame), Vec::<String>::new(), "one frame is not enough");
    }

    #[test]
    fn a_block_that_other_chips_send_as_well_is_not_told_for_sure() {
        let mut recogniser = Recogniser::new(Profile::all_shipped());
        // A stream begins anywhere, here in the middle of a block.
        recogniser.push(&b"005431008\r\n".repeat(9)[4..], Moment::START);
        let candidates = recogniser.candidates();
        assert!(candidates.iter().all(|candidate| candidate.is_ambiguous), "{candidates:?}");
        assert_eq!(candidates[0].profile, "es11");
    }

    #[test]
    fn noise_is_nothing() {
        assert_eq!(recognise(&[0xA5; 500]), Vec::<String>::new());
        assert_eq!(recognise(b"hello\r\nworld\r\n"), Vec::<String>::new());
    }
}
