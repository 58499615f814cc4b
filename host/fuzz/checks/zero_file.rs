//! A zero file: whatever the bytes, path resistances that a second reading finds again, or a message that can be shown.

use pintally::{label, session::ZeroFile};

pub(crate) fn check(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    match ZeroFile::from_toml(text) {
        Ok(zero) => {
            let again = ZeroFile::from_toml(&zero.to_toml()).expect("what was written can be read");
            // Resistances are written in milliohms.
            assert_eq!(again.paths.len(), zero.paths.len());
            assert_eq!(again.to_toml(), zero.to_toml());
        }
        Err(error) => {
            let message = error.to_string();
            assert!(!message.chars().any(label::is_unprintable), "{error:?}");
            assert!(message.len() < 4000, "{error:?}");
        }
    }
}
