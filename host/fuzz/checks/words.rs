//! What is typed in one word: faults and jig troubles of the practice bench, ports, readings, names of boards. What is
//! understood is written as it can be read again; what is not gets a message that can be shown.

use std::{fmt::Display, str::FromStr};

use pintally::{
    jig::BoardName,
    label,
    port::Address,
    practice::{Fault, JigTrouble},
    readings::typed,
};

pub(crate) fn check(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    again::<Fault>(text);
    again::<JigTrouble>(text);
    if let Ok(address) = text.parse::<Address>() {
        assert_eq!(address.to_string().parse().ok(), Some(address));
    }
    if let Err(error) = typed::parse(text) {
        assert!(!error.to_string().chars().any(label::is_unprintable), "{error}");
    }
    let _ = BoardName::from_hex(text);
}

fn again<T>(text: &str)
where
    T: FromStr + Display + PartialEq + std::fmt::Debug,
    T::Err: Display,
{
    match text.parse::<T>() {
        Ok(value) => assert_eq!(value.to_string().parse::<T>().ok(), Some(value)),
        Err(error) => assert!(!error.to_string().chars().any(label::is_unprintable), "{error}"),
    }
}
