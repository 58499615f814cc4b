//! What the practice bench shows when nothing else is asked for: connector J5 of an invented notebook computer.

use crate::connector::{self, Connector, ConnectorError};

/// The demonstration connector as a file.
pub const CONNECTOR_TOML: &str = include_str!("../../../fixtures/connectors/j5-display.toml");

/// The demonstration connector: 40 pins in two rows.
///
/// # Errors
/// None: a test reads the file that is built in.
pub fn connector() -> Result<Connector, ConnectorError> {
    connector::from_toml(CONNECTOR_TOML)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::practice::{Design, DirectMeter, NetKind, known_good};

    #[test]
    fn the_built_in_connector_is_sound() {
        let connector = connector().unwrap();
        assert_eq!(connector.pins.len(), 40);
        let design = Design::new(&connector, 1);
        for kind in [NetKind::Ground, NetKind::Rail, NetKind::Line, NetKind::Unconnected] {
            assert!(design.nets.iter().any(|net| net.kind == kind), "no net is {kind:?}");
        }
        assert_eq!(known_good(&design, 3, 1, &DirectMeter::default()).unwrap().len(), 3);
    }
}
