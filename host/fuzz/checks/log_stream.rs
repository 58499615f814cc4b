//! A session log: whatever the bytes, lines that are what was written, or troubles that can be shown.

use pintally::{
    label,
    log::{LogReader, decode, encode},
};

pub(crate) fn check(data: &[u8]) {
    let reader = match LogReader::new(data) {
        Ok(reader) => reader,
        Err(error) => {
            assert!(!error.to_string().chars().any(label::is_unprintable), "{error:?}");
            return;
        }
    };
    for item in reader {
        match item {
            Ok(line) => {
                let text = encode(&line).expect("what was read can be written");
                assert_eq!(decode(text.trim_end().as_bytes()).expect("what was written can be read"), line);
            }
            Err(trouble) => assert!(!trouble.to_string().chars().any(label::is_unprintable), "{trouble:?}"),
        }
    }
}
