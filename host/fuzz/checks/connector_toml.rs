//! A connector in TOML: whatever the bytes, a connector that holds what it promises or a message that can be
//! shown.

use pintally::{
    connector::{Connector, from_toml},
    label,
};

pub(crate) fn check(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    match from_toml(text) {
        Ok(connector) => {
            let again =
                Connector::new(&connector.name, connector.pins.clone()).expect("it was checked before");
            assert_eq!(again, connector);
        }
        Err(error) => {
            let message = error.to_string();
            assert!(!message.chars().any(label::is_unprintable), "{error:?}");
            assert!(message.len() < 4000, "{error:?}");
        }
    }
}
