//! A reference in TOML: whatever the bytes, a reference that is the same when it is written and read again, or
//! an error. What was learned is written to 10 microvolts; what was read, as it is.

use pintally::{reference::Reference, units::Volts};

pub(crate) fn check(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    if let Ok(reference) = Reference::from_toml(text) {
        let written = reference.to_toml();
        let mut again = Reference::from_toml(&written).expect("what was written can be read");
        assert_eq!(again.to_toml(), written, "what was written once stays");
        assert_eq!(again.pins.len(), reference.pins.len());
        for (again, pin) in again.pins.iter_mut().zip(&reference.pins) {
            assert!(
                is_near(again.centre, pin.centre) && is_near(again.spread, pin.spread),
                "{again:?} {pin:?}"
            );
            (again.centre, again.spread) = (pin.centre, pin.spread);
        }
        assert_eq!(again, reference);
    }
}

fn is_near(one: Option<Volts>, other: Option<Volts>) -> bool {
    let volts = |volts: Option<Volts>| volts.map_or(0.0, Volts::get);
    let (one, other, both) = (volts(one), volts(other), one.is_some() == other.is_some());
    both && (one - other).abs() <= 5.001e-6 + 1e-12 * other.abs()
}
