//! A log whose lines all have good checksums, paired and judged again: whatever it says, readings and findings or an
//! error, never a panic.

use crc::{CRC_32_ISO_HDLC, Crc};
use pintally::{
    log::LogReader,
    session::{Replay, Session},
};

pub(crate) fn check(data: &[u8]) {
    let crc = Crc::<u32>::new(&CRC_32_ISO_HDLC);
    let mut log = Vec::new();
    for line in data.split(|&byte| byte == b'\n') {
        let content = line.strip_suffix(b"}").unwrap_or(line);
        log.extend_from_slice(content);
        log.extend_from_slice(format!(",\"crc\":\"{:08x}\"}}\n", crc.checksum(content)).as_bytes());
    }
    let Ok(reader) = LogReader::new(&log[..]) else { return };
    let Ok(session) = Session::new(reader.header().clone()) else { return };
    let pins = session.header.connector.pins.len();
    let mut replay = Replay::new(&session);
    for item in reader {
        replay.item(&item);
    }
    let replayed = replay.finish();
    assert_eq!(replayed.values.len(), pins);
    // The engine is made for connectors; what a judgement of a thousand pins costs is another question.
    if pins <= 16 {
        let _ = session.judge(&replayed.values);
    }
}
