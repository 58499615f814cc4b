//! A wiring in TOML for the demonstration connector: whatever the bytes, a channel of its own for every pin
//! or a message that can be shown.

use std::collections::BTreeSet;

use pintally::{
    connector::{DEMO, Wiring, from_toml},
    label,
};

pub(crate) fn check(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let connector = from_toml(DEMO).expect("the demonstration connector is sound");
    match Wiring::from_toml(text, &connector) {
        Ok(wiring) => {
            let mut channels: BTreeSet<_> = wiring.channels().iter().copied().collect();
            channels.extend(wiring.check().map(|check| check.channel));
            let check = usize::from(wiring.check().is_some());
            assert_eq!(channels.len(), connector.pins.len() + check);
        }
        Err(error) => assert!(!error.to_string().chars().any(label::is_unprintable), "{error:?}"),
    }
}
