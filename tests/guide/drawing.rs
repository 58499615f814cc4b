//! The schematic as a drawing: each kind of part a box with its pins, each pin with the name of its net. Pins with the same
//! net are joined.

use std::fmt::Write as _;

use crate::description::{Board, Group};

/// Size of everything, in pixels.
const COLUMN: usize = 400;
const MARGIN: usize = 24;
const BOX: usize = 150;
const ROW: usize = 22;
const GAP: usize = 34;
const COLUMNS: usize = 3;
/// Letters that fit into a line over a column at 13 pixels.
const LETTERS: usize = 50;

pub(crate) fn svg(board: &Board) -> String {
    let mut ends = [MARGIN + 60; COLUMNS];
    let mut body = String::new();
    for group in &board.groups {
        let lines = wrapped(&format!("{}  {}", group.names, group.value));
        let height = lines.len() * 17 + 8 + group.pins.len() * ROW + 12 + GAP;
        // Each into the column that is shortest, the first of equals.
        let column = (0..COLUMNS).min_by_key(|&column| ends[column]).unwrap();
        draw(&mut body, group, &lines, MARGIN + column * COLUMN, ends[column]);
        ends[column] += height;
    }
    let (width, height) = (2 * MARGIN + COLUMNS * COLUMN, ends.into_iter().max().unwrap());
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" height=\"{height}\" role=\"img\">\n\
         <title>{title}</title>\n\
         <style>\n\
         svg {{ background: #ffffff; color: #1a1a1a; font: 13px sans-serif; }}\n\
         @media (prefers-color-scheme: dark) {{ svg {{ background: #14171a; color: #e8e8e8; }} }}\n\
         text {{ fill: currentColor; }} .net {{ font: 13px monospace; }} .name {{ font-weight: bold; }} .title {{ font-size: 18px; font-weight: bold; }}\n\
         rect, path {{ fill: none; stroke: currentColor; stroke-width: 1.5; }}\n\
         </style>\n\
         <text class=\"title\" x=\"{MARGIN}\" y=\"38\">{title}</text>\n\
         <text x=\"{MARGIN}\" y=\"62\">Pins with the same net are joined. Not built yet: see README.md. Not for mains.</text>\n\
         {body}</svg>\n",
        title = escaped(&board.title),
    )
}

fn draw(body: &mut String, group: &Group, lines: &[String], x: usize, top: usize) {
    let mut y = top + 14;
    for (at, line) in lines.iter().enumerate() {
        let class = if at == 0 { " class=\"name\"" } else { "" };
        writeln!(body, "<text{class} x=\"{x}\" y=\"{y}\">{}</text>", escaped(line)).unwrap();
        y += 17;
    }
    let y = y - 8;
    let height = group.pins.len() * ROW + 8;
    writeln!(body, "<rect x=\"{x}\" y=\"{y}\" width=\"{BOX}\" height=\"{height}\" rx=\"3\"/>").unwrap();
    for (at, (pin, net)) in group.pins.iter().enumerate() {
        let middle = y + 4 + at * ROW + ROW / 2;
        let (edge, end) = (x + BOX, x + BOX + 24);
        writeln!(
            body,
            "<text x=\"{}\" y=\"{}\" text-anchor=\"end\">{}</text>",
            edge - 8,
            middle + 4,
            escaped(pin)
        )
        .unwrap();
        writeln!(body, "<path d=\"M{edge} {middle}H{end}\"/>").unwrap();
        writeln!(body, "<text class=\"net\" x=\"{}\" y=\"{}\">{}</text>", end + 6, middle + 4, escaped(net))
            .unwrap();
    }
}

/// Cut into lines at spaces.
fn wrapped(text: &str) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split(' ') {
        let line = lines.last_mut().unwrap();
        if !line.is_empty() && line.chars().count() + 1 + word.chars().count() > LETTERS {
            lines.push(word.to_owned());
        } else {
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(word);
        }
    }
    lines
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}
