//! A list of faults in TOML or JSON: whatever the bytes, faults that can be written and read again, or an error.

use pintally::practice::{Fault, fault::FaultList};

pub(crate) fn check(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let lists = [FaultList::from_toml(text).ok(), FaultList::from_json(text).ok()];
    for fault in lists.into_iter().flatten().flat_map(|list| list.faults) {
        assert_eq!(fault.to_string().parse::<Fault>().ok(), Some(fault));
    }
}
