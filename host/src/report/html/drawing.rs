//! The connector drawn to its rows.
//!
//! A row is broken after ten positions, as a line of music is, so that the drawing is as readable on a phone as on
//! paper. What is said of a pin has a shape, a pattern and a text as well as a colour.

use maud::{Markup, html};

use super::super::words::Sign;
use crate::{
    compare::{Judgement, Kind},
    connector::Connector,
};

/// Positions in one part of the drawing.
const COLUMNS: usize = 10;

/// Width of a position and height of a row, in units of the drawing: about pixels.
const PITCH: f64 = 38.0;
const ROW: f64 = 58.0;
/// Room for the names of rows, and for the numbers of positions.
const MARGIN: f64 = 24.0;
const RULER: f64 = 18.0;

/// Where the pins of a connector stand: rows and columns, with the index of the pin.
struct Grid {
    rows: Vec<String>,
    positions: Vec<u16>,
    cells: Vec<Vec<Option<usize>>>,
}

/// Draws a connector with what is said of each pin.
pub(super) fn connector(connector: &Connector, judgement: Option<&Judgement>, title: &str) -> Markup {
    let grid = Grid::of(connector);
    let parts: Vec<_> = (0..grid.positions.len()).step_by(COLUMNS).collect();
    let signs: Vec<Sign> = (0..connector.pins.len())
        .map(|pin| judgement.and_then(|j| j.pins.get(pin)).map_or(Sign::Unjudged, Sign::of))
        .collect();
    html! {
        figure.drawing {
            div.parts {
                @for &first in &parts { (part(connector, judgement, &signs, &grid, first)) }
            }
            figcaption {
                (title)
                span.legend {
                    @for sign in Sign::ALL {
                        @if signs.contains(&sign) { (super::sign(sign, sign.word())) }
                    }
                }
            }
        }
    }
}

/// Ten positions of all rows.
fn part(
    connector: &Connector,
    judgement: Option<&Judgement>,
    signs: &[Sign],
    grid: &Grid,
    first: usize,
) -> Markup {
    let columns = (grid.positions.len() - first).min(COLUMNS);
    let width = MARGIN + PITCH * columns as f64;
    let height = RULER + ROW * grid.rows.len() as f64;
    let x = |column: usize| MARGIN + PITCH * (column as f64 + 0.5);
    let y = |row: usize| RULER + ROW * row as f64 + 15.0;
    let label = described(connector, signs, grid, first, columns);
    html! {
        svg role="img" aria-label=(label) viewBox=(format!("0 0 {width} {height}"))
            style=(format!("inline-size:{width}px")) {
            @for column in 0..columns {
                text.ruler x=(x(column)) y="11" { (grid.positions[first + column]) }
            }
            @for (row, name) in grid.rows.iter().enumerate() {
                text.row x="2" y=(y(row) + 4.0) { (name) }
                line.rail x1=(MARGIN) x2=(width) y1=(y(row)) y2=(y(row)) {}
            }
            @for bridge in bridges(judgement, grid, first, columns) {
                line.bridge x1=(x(bridge[0].1)) y1=(y(bridge[0].0)) x2=(x(bridge[1].1)) y2=(y(bridge[1].0)) {}
            }
            @for (row, cells) in grid.cells.iter().enumerate() {
                @for column in 0..columns {
                    @if let Some(pin) = cells[first + column] {
                        (shape(signs[pin], x(column), y(row)))
                        text class=(format!("pin {}", signs[pin].class())) x=(x(column)) y=(y(row) + 22.0) {
                            (super::super::name(connector, pin))
                        }
                        text.reading x=(x(column)) y=(y(row) + 33.0) {
                            (judgement.and_then(|j| j.pins.get(pin)).map_or_else(String::new, |p| p.reading.to_string()))
                        }
                    }
                }
            }
        }
    }
}

/// What a part shows, for those who do not see it.
fn described(connector: &Connector, signs: &[Sign], grid: &Grid, first: usize, columns: usize) -> String {
    let (from, to) = (grid.positions[first], grid.positions[first + columns - 1]);
    let pins = grid.cells.iter().flat_map(|cells| cells[first..first + columns].iter().flatten());
    let told: Vec<String> = pins
        .filter(|&&pin| signs[pin] != Sign::Sound)
        .map(|&pin| format!("{} {}", super::super::name(connector, pin), signs[pin].word()))
        .collect();
    let told = if told.is_empty() { "all match".to_owned() } else { told.join(", ") };
    format!("Connector {}, positions {from} to {to}: {told}", connector.name)
}

/// Bridges both of whose ends are in this part: row and column of each end.
fn bridges(
    judgement: Option<&Judgement>,
    grid: &Grid,
    first: usize,
    columns: usize,
) -> Vec<[(usize, usize); 2]> {
    let place = |pin: usize| {
        grid.cells.iter().enumerate().find_map(|(row, cells)| {
            let column = cells[first..first + columns].iter().position(|&at| at == Some(pin))?;
            Some((row, column))
        })
    };
    let findings = judgement.iter().flat_map(|judgement| &judgement.findings);
    findings
        .filter(|finding| finding.kind == Kind::Bridge)
        .filter_map(|finding| Some([place(*finding.pins.first()?)?, place(*finding.pins.get(1)?)?]))
        .collect()
}

/// The shape of what is said of a pin.
pub(super) fn shape(sign: Sign, x: f64, y: f64) -> Markup {
    let class = format!("shape {}", sign.class());
    match sign {
        Sign::Sound => html! { circle class=(class) cx=(x) cy=(y) r="5" {} },
        Sign::AtFault => html! {
            path class=(class) d=(format!("M{x} {} L{} {y} L{x} {} L{} {y} Z", y - 11.0, x + 11.0, y + 11.0, x - 11.0)) {}
            text.mark x=(x) y=(y + 4.5) { "!" }
        },
        Sign::Along => html! {
            path class=(class) d=(format!("M{x} {} L{} {} L{} {} Z", y - 9.0, x + 9.0, y + 7.0, x - 9.0, y + 7.0)) {}
        },
        Sign::Unexplained => html! {
            rect class=(class) x=(x - 8.5) y=(y - 8.5) width="17" height="17" {}
            text class="mark odd" x=(x) y=(y + 4.5) { "?" }
        },
        Sign::Unjudged => html! { circle class=(class) cx=(x) cy=(y) r="6.5" {} },
    }
}

/// A shape beside a word.
pub(super) fn icon(sign: Sign) -> Markup {
    html! {
        svg.icon viewBox="-12 -12 24 24" width="14" height="14" aria-hidden="true" { (shape(sign, 0.0, 0.0)) }
    }
}

/// Patterns that the shapes are filled with, once a page.
pub(super) fn patterns() -> Markup {
    html! {
        svg.patterns width="0" height="0" aria-hidden="true" focusable="false" {
            defs {
                pattern id="lines" width="4" height="4" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                    rect.ground width="4" height="4" {}
                    rect.lines width="1.6" height="4" {}
                }
            }
        }
    }
}

impl Grid {
    /// Pins by row and position, as far as the drawing tells; the rest in a row of their own, in their order.
    fn of(connector: &Connector) -> Self {
        let mut rows: Vec<String> = Vec::new();
        let mut positions: Vec<u16> = Vec::new();
        let mut placed: Vec<(usize, u16, usize)> = Vec::new();
        let mut rest: Vec<usize> = Vec::new();
        for (index, pin) in connector.pins.iter().enumerate() {
            let (Some(row), Some(position)) = (&pin.row, pin.position) else {
                rest.push(index);
                continue;
            };
            let at = rows.iter().position(|name| name == row).unwrap_or_else(|| {
                rows.push(row.clone());
                rows.len() - 1
            });
            if placed.iter().any(|&(row, other, _)| (row, other) == (at, position)) {
                rest.push(index);
            } else {
                placed.push((at, position, index));
                positions.push(position);
            }
        }
        if !rest.is_empty() {
            rows.push(String::new());
            for (order, index) in rest.into_iter().enumerate() {
                let position = u16::try_from(order + 1).unwrap_or(u16::MAX);
                placed.push((rows.len() - 1, position, index));
                positions.push(position);
            }
        }
        positions.sort_unstable();
        positions.dedup();
        let mut cells = vec![vec![None; positions.len()]; rows.len()];
        for (row, position, index) in placed {
            if let Ok(column) = positions.binary_search(&position) {
                cells[row][column] = Some(index);
            }
        }
        Self { rows, positions, cells }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::connector::{self, Pin};

    #[test]
    fn pins_stand_where_the_drawing_says() {
        let demo = connector::from_toml(connector::DEMO).unwrap();
        let grid = Grid::of(&demo);
        assert_eq!((grid.rows, grid.positions.len()), (vec!["A".to_owned(), "B".to_owned()], 20));
        assert_eq!(grid.cells[1][0], demo.index_of(&connector::PinName::new("B1")));
    }

    #[test]
    fn pins_without_a_place_stand_in_their_order() {
        let connector = Connector { name: "X".into(), pins: vec![Pin::named("1"), Pin::named("2")] };
        let grid = Grid::of(&connector);
        assert_eq!((grid.rows.len(), grid.cells), (1, vec![vec![Some(0), Some(1)]]));
        assert_eq!(Grid::of(&Connector { name: "X".into(), pins: Vec::new() }).rows.len(), 0);
    }
}
