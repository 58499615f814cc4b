//! Which pin a row is about.

use std::collections::HashMap;

use super::RowProblem;
use crate::connector::Connector;

/// Finds pins by name; quickly when they come in the order of the connector.
#[derive(Debug)]
pub(super) struct Pins<'c> {
    pub(super) connector: &'c Connector,
    by_name: HashMap<&'c str, usize>,
    /// The pin after the one found last.
    next: usize,
}

impl<'c> Pins<'c> {
    pub(super) fn of(connector: &'c Connector) -> Self {
        let by_name =
            connector.pins.iter().enumerate().map(|(index, pin)| (pin.name.as_str(), index)).collect();
        Self { connector, by_name, next: 0 }
    }

    pub(super) fn find(&mut self, name: &str) -> Result<usize, RowProblem> {
        let pins = &self.connector.pins;
        let index = match pins.get(self.next) {
            Some(pin) if pin.name.as_str() == name => self.next,
            _ => *self.by_name.get(name).ok_or_else(|| RowProblem::UnknownPin {
                connector: self.connector.name.clone(),
                found: name.to_owned(),
                alike: pins
                    .iter()
                    .map(|pin| &pin.name)
                    .find(|pin| pin.as_str().eq_ignore_ascii_case(name))
                    .cloned(),
            })?,
        };
        self.next = if index + 1 < pins.len() { index + 1 } else { 0 };
        Ok(index)
    }
}
