//! Frames with their expected readings, from `fixtures/streams/`.

use std::{fs, path::Path, sync::LazyLock};

use pintally::{
    meter::{self, Decoder, Flags, Function, MeterError, NoValue, Profile, Reading, Sign, Stamped, Talk},
    moment::Moment,
};
use serde::Deserialize;

/// One file: the frames of one meter.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Stream {
    profile: String,
    #[serde(rename = "frame")]
    pub(crate) frames: Vec<Frame>,
}

/// One frame and what it must read.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Frame {
    hex: Option<String>,
    text: Option<String>,
    /// The number in the base unit, `OL`, `-OL` or `not measured`.
    pub(crate) reads: Option<String>,
    pub(crate) function: Option<Function>,
    #[serde(default)]
    flags: Vec<String>,
    /// The error, where the frame must not be read.
    pub(crate) refused: Option<String>,
    #[serde(default)]
    #[allow(dead_code, reason = "a note is for whoever reads the file")]
    note: String,
}

impl Stream {
    /// All files of the folder.
    pub(crate) fn all() -> &'static [Self] {
        static ALL: LazyLock<Vec<Stream>> = LazyLock::new(Stream::load);
        &ALL
    }

    fn load() -> Vec<Self> {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures/streams");
        let mut files: Vec<_> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
        files.sort();
        let streams: Vec<Self> = files
            .iter()
            .filter(|path| path.extension().is_some_and(|extension| extension == "toml"))
            .map(|path| {
                let text = fs::read_to_string(path).unwrap();
                toml::from_str(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
            })
            .collect();
        assert!(!streams.is_empty());
        streams
    }

    pub(crate) fn profile(&self) -> Profile {
        meter::shipped(&self.profile).unwrap_or_else(|| panic!("no profile {}", self.profile))
    }

    /// Bytes of all frames that must be read, each one three times.
    pub(crate) fn bytes(&self) -> Vec<u8> {
        let good = self.frames.iter().filter(|frame| frame.refused.is_none());
        good.flat_map(|frame| frame.bytes().repeat(3)).collect()
    }
}

impl Frame {
    pub(crate) fn bytes(&self) -> Vec<u8> {
        match (&self.hex, &self.text) {
            (Some(hex), None) => hex.split(' ').map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect(),
            (None, Some(text)) => text.as_bytes().to_vec(),
            _ => panic!("a frame has either hex or text: {self:?}"),
        }
    }

    pub(crate) fn flags(&self) -> Flags {
        let mut flags = Flags::default();
        for name in &self.flags {
            *match name.as_str() {
                "hold" => &mut flags.hold,
                "relative" => &mut flags.relative,
                "extreme" => &mut flags.extreme,
                "low_battery" => &mut flags.low_battery,
                "auto_range" => &mut flags.auto_range,
                "auto_power_off" => &mut flags.auto_power_off,
                _ => panic!("no flag {name}"),
            } = true;
        }
        flags
    }
}

/// A reading's value as the fixtures write it.
pub(crate) fn shown(reading: &Reading) -> String {
    match reading.value {
        Ok(number) => number.to_string(),
        Err(NoValue::Overload(Sign::Plus)) => "OL".to_owned(),
        Err(NoValue::Overload(Sign::Minus)) => "-OL".to_owned(),
        Err(NoValue::NotMeasured) => "not measured".to_owned(),
    }
}

/// A decoder that hands out every frame and has heard the end of a line, so that a text format trusts the next one.
pub(crate) fn every_frame(profile: &Profile) -> Decoder {
    let mut decoder = Decoder::every_frame(profile);
    if profile.talk == Talk::Streaming && profile.format.is_text() {
        decoder.push(b"\r", Moment::START);
        assert_eq!(decoder.pull(), None);
    }
    decoder
}

/// Holds a table against `docs/meters.md`; with `UPDATE_DOCS=1` in the environment it is written there.
pub(crate) fn documented(name: &str, table: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/meters.md");
    let text = fs::read_to_string(&path).unwrap();
    let (begin, end) = (format!("<!-- {name}: begin -->\n"), format!("<!-- {name}: end -->\n"));
    let from = text.find(&begin).unwrap() + begin.len();
    let to = text.find(&end).unwrap();
    if std::env::var_os("UPDATE_DOCS").is_some() {
        fs::write(path, format!("{}{table}{}", &text[..from], &text[to..])).unwrap();
    } else {
        assert_eq!(&text[from..to], table, "run this test with UPDATE_DOCS=1 if the new table is right");
    }
}

/// All that is left to pull.
pub(crate) fn drain(decoder: &mut Decoder) -> Vec<Result<Stamped<Reading>, MeterError>> {
    std::iter::from_fn(|| decoder.pull()).collect()
}

/// The readings in a stream that is cut into chunks by `cuts`.
pub(crate) fn readings(profile: &Profile, bytes: &[u8], mut cuts: impl FnMut() -> usize) -> Vec<Reading> {
    let mut decoder = Decoder::new(profile);
    let mut readings = Vec::new();
    let mut rest = bytes;
    while !rest.is_empty() {
        let (chunk, later) = rest.split_at(cuts().clamp(1, rest.len()));
        decoder.push(chunk, Moment::START);
        readings.extend(drain(&mut decoder).into_iter().flatten().map(|stamped| stamped.item));
        rest = later;
    }
    readings
}
