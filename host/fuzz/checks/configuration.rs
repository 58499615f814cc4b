//! A configuration in TOML: whatever the bytes, one that is the same when it is written and read again, or a message
//! that can be shown.

use std::path::Path;

use pintally::{configuration::Configuration, label};

pub(crate) fn check(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    match Configuration::from_toml(text, Path::new("/bench")) {
        Ok(configuration) => {
            let again = Configuration::from_toml(&configuration.to_toml(), Path::new("/elsewhere"));
            assert_eq!(again.expect("what was written can be read").operator, configuration.operator);
        }
        Err(error) => {
            let message = error.to_string();
            assert!(!message.chars().any(label::is_unprintable), "{error:?}");
            assert!(message.len() < 4000, "{error:?}");
        }
    }
}
