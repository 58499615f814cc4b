//! A board kind in TOML: whatever the bytes, an order that visits every connector once and files below its
//! folder, or a message that can be shown.

use std::{
    collections::BTreeSet,
    path::{Component, Path},
};

use pintally::{connector::BoardKind, label};

pub(crate) fn check(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let kind = match BoardKind::from_toml(text) {
        Ok(kind) => kind,
        Err(error) => {
            assert!(!error.to_string().chars().any(label::is_unprintable), "{error:?}");
            return;
        }
    };
    for repaired in 0..kind.connectors.len() {
        let order = kind.order(repaired);
        assert_eq!(order.first(), Some(&repaired));
        assert_eq!(order.len(), kind.connectors.len());
        assert_eq!(order.iter().collect::<BTreeSet<_>>().len(), order.len());
    }
    for connector in &kind.connectors {
        for file in connector.wiring.iter().chain([&connector.file]) {
            let inside = |part| matches!(part, Component::Normal(_) | Component::CurDir);
            assert!(Path::new(file).components().all(inside), "{file}");
        }
    }
}
