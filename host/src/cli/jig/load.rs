//! What hangs on a channel, from the drop that the meter shows there.

use crate::{
    jig::self_test::Seen,
    meter::DiodeSource,
    readings::{PinValue, Unread},
    units::{Ohms, Volts},
};

/// More than this is no load: some meters show the voltage of their open leads as a number.
const LARGEST: Ohms = Ohms::of(100e3);

/// The resistance that a drop stands for, by the meter's own source.
pub(super) fn resistance(volts: Volts, source: DiodeSource) -> Option<Ohms> {
    let ohms = match source {
        DiodeSource::ConstantCurrent { current, .. } => volts.get() / current.get(),
        DiodeSource::BehindResistance { open_circuit, resistance } => {
            let rest = open_circuit.get() - volts.get();
            if rest <= 0.0 {
                return None;
            }
            volts.get() * resistance.get() / rest
        }
    };
    Ohms::new(ohms.max(0.0))
}

/// A reading as resistance.
pub(super) fn seen(value: PinValue, source: DiodeSource) -> Seen {
    match value {
        PinValue::Volts(volts) => match resistance(volts, source) {
            Some(ohms) if ohms <= LARGEST => Seen::Load { volts, ohms },
            _ => Seen::Overload,
        },
        PinValue::Overload => Seen::Overload,
        PinValue::Unread(Unread::NotSettled { .. }) => Seen::Unsettled,
        PinValue::Unread(_) => Seen::Unread,
    }
}
