//! Which pin each contact of the jig touches when a board is seated wrongly.

use super::fault::Placement;
use crate::connector::Connector;

/// For each pin of the connector as the jig believes it, the pin that is really there.
pub(super) fn touched(connector: &Connector, placement: Option<Placement>) -> Vec<Option<usize>> {
    let rows = rows(connector);
    let mut touched: Vec<Option<usize>> = (0..connector.pins.len()).map(Some).collect();
    for (at, row) in rows.iter().enumerate() {
        let opposite = &rows[rows.len() - 1 - at];
        for (position, &pin) in row.iter().enumerate() {
            match placement {
                None | Some(Placement::LeadsReversed) => {}
                Some(Placement::Shifted(step)) => {
                    let there = isize::try_from(position).ok().and_then(|p| p.checked_add(isize::from(step)));
                    touched[pin] =
                        there.and_then(|p| usize::try_from(p).ok()).and_then(|p| row.get(p)).copied();
                }
                Some(Placement::Turned) => {
                    touched[pin] =
                        (opposite.len().checked_sub(position + 1)).and_then(|p| opposite.get(p)).copied();
                }
            }
        }
    }
    touched
}

/// Whether a placement puts any contact on another pin.
pub(super) fn changes(connector: &Connector, placement: Placement) -> bool {
    placement == Placement::LeadsReversed
        || touched(connector, Some(placement)).iter().enumerate().any(|(pin, there)| *there != Some(pin))
}

/// Pins by row, each in the order of its positions; one row where the drawing has none.
fn rows(connector: &Connector) -> Vec<Vec<usize>> {
    let mut rows: Vec<(Option<&str>, Vec<usize>)> = Vec::new();
    for (pin, drawn) in connector.pins.iter().enumerate() {
        let name = drawn.row.as_deref();
        match rows.iter_mut().find(|(row, _)| *row == name) {
            Some((_, pins)) => pins.push(pin),
            None => rows.push((name, vec![pin])),
        }
    }
    let mut rows: Vec<Vec<usize>> = rows.into_iter().map(|(_, pins)| pins).collect();
    for row in &mut rows {
        row.sort_by_key(|&pin| (connector.pins[pin].position, pin));
    }
    rows
}
