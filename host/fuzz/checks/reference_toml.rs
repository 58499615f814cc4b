//! A reference in TOML: whatever the bytes, a reference that is the same when it is written and read again, or
//! an error.

use pintally::reference::Reference;

pub(crate) fn check(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    if let Ok(reference) = Reference::from_toml(text) {
        let again = Reference::from_toml(&reference.to_toml()).expect("what was written can be read");
        assert_eq!(again, reference);
    }
}
