//! A wiring in TOML for the demonstration connector: whatever the bytes, a channel of its own for every pin
//! or a message that can be shown.

use std::{collections::BTreeSet, sync::LazyLock};

use pintally::{
    connector::{Connector, DEMO, Wiring, from_toml},
    label,
};

static CONNECTOR: LazyLock<Connector> =
    LazyLock::new(|| from_toml(DEMO).expect("the demonstration connector is sound"));

pub(crate) fn check(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    match Wiring::from_toml(text, &CONNECTOR) {
        Ok(wiring) => {
            let mut channels: BTreeSet<_> = wiring.channels().iter().copied().collect();
            channels.extend(wiring.check().map(|check| check.channel));
            let check = usize::from(wiring.check().is_some());
            assert_eq!(channels.len(), CONNECTOR.pins.len() + check);
        }
        Err(error) => {
            let message = error.to_string();
            assert!(!message.chars().any(label::is_unprintable), "{error:?}");
            assert!(message.len() < 4000, "{error:?}");
        }
    }
}
