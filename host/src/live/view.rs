//! Draws the state into a buffer.
//!
//! From top to bottom: title and progress, the sentence, what was seen, the rows, what is found, the keys. What does not
//! fit is left out from the bottom of the rows up, but never the place; the sentence is always whole.

use ratatui::{
    Frame,
    layout::{Constraint, Layout, Rect},
    style::{Color, Modifier, Style},
    text::{Line, Span, Text},
    widgets::{Paragraph, Wrap},
};

use super::{
    state::{Cell, Mark, Mood, State},
    terminal::Palette,
};

/// Width of a pin: sign, name, value and a gap.
const CELL: u16 = 13;

/// Lines that what is found gets at least, heading included, where there is anything to show.
const FOUND: u16 = 4;

/// Draws the whole screen.
pub fn draw(state: &State, palette: Palette, frame: &mut Frame<'_>) {
    let area = frame.area();
    let width = usize::from(area.width.max(1));
    let sentence = lines_of(&state.sentence, width);
    let seen = lines_of(&state.seen, width);
    let per_line = usize::from((area.width / CELL).max(1));
    let grid = grid(state, per_line, palette);
    let found = match state.found.len() {
        0 => 0,
        count => FOUND.max(u16::try_from(count + 1).unwrap_or(u16::MAX).min(area.height / 3)),
    };
    let fixed = 1 + 1 + sentence + 1 + seen + 1 + found + 1;
    let grid_height = u16::try_from(grid.lines.len()).unwrap_or(u16::MAX);
    let grid_room = area.height.saturating_sub(fixed).min(grid_height).max(area.height.min(3));
    let [title_area, _, sentence_area, seen_area, _, grid_area, _, found_area, _, keys_area] =
        Layout::vertical([
            Constraint::Length(1),
            Constraint::Length(1),
            Constraint::Length(sentence),
            Constraint::Length(seen),
            Constraint::Length(1),
            Constraint::Length(grid_room),
            Constraint::Length(u16::from(found > 0)),
            Constraint::Length(found),
            Constraint::Fill(1),
            Constraint::Length(1),
        ])
        .areas(area);

    frame.render_widget(title(state, width), title_area);
    let style = match state.mood {
        Mood::Calm => Style::new(),
        Mood::Again => palette.again(),
        Mood::Trouble => palette.trouble(),
    };
    let bold = style.add_modifier(Modifier::BOLD);
    frame.render_widget(
        Paragraph::new(Text::styled(state.sentence.as_str(), bold)).wrap(Wrap { trim: true }),
        sentence_area,
    );
    frame.render_widget(Paragraph::new(state.seen.as_str()).wrap(Wrap { trim: true }), seen_area);
    let first = first_line(&grid, usize::from(grid_area.height));
    let shown: Vec<Line<'_>> =
        grid.lines.into_iter().skip(first).take(usize::from(grid_area.height)).collect();
    frame.render_widget(Paragraph::new(shown), grid_area);
    if found > 0 {
        frame.render_widget(found_lines(state, found_area), found_area);
    }
    frame.render_widget(keys(state), keys_area);
}

/// The lines of all rows, and the one that holds the place.
struct Grid<'a> {
    lines: Vec<Line<'a>>,
    here: usize,
}

fn grid(state: &State, per_line: usize, palette: Palette) -> Grid<'_> {
    let mut grid = Grid { lines: Vec::new(), here: 0 };
    for row in &state.rows {
        for cells in row.cells.chunks(per_line) {
            if cells.iter().any(|cell| cell.is_here) {
                grid.here = grid.lines.len();
            }
            grid.lines.push(Line::from_iter(cells.iter().map(|cell| span(cell, palette))));
        }
    }
    grid
}

fn span(cell: &Cell, palette: Palette) -> Span<'_> {
    let place = if cell.is_here { '>' } else { ' ' };
    let repaired = if cell.is_repaired { '*' } else { ' ' };
    let name: String = cell.name.chars().take(4).collect();
    let value = if cell.value.is_empty() { "." } else { &cell.value };
    let sign = match cell.mark {
        Mark::Waiting => ' ',
        mark => mark.sign(),
    };
    let text = format!("{place}{name:>3}{repaired}{value:>6}{sign} ");
    let text = format!("{text:<width$}", width = usize::from(CELL));
    let mut style = match cell.mark {
        Mark::Differs => palette.trouble(),
        Mark::Read => palette.good(),
        Mark::Waiting | Mark::Unread => Style::new(),
    };
    if cell.is_here {
        style = style.add_modifier(Modifier::REVERSED);
    }
    Span::styled(text, style)
}

/// The first line to show, so that the place is in sight with a line before it.
fn first_line(grid: &Grid<'_>, room: usize) -> usize {
    let last = grid.lines.len().saturating_sub(room);
    if grid.here < room.saturating_sub(1) { 0 } else { (grid.here + 2).saturating_sub(room).min(last) }
}

fn title(state: &State, width: usize) -> Line<'_> {
    let (done, all) = state.done;
    let gap = if state.meter.is_empty() { "" } else { "   " };
    let count = format!("{}{gap}{done} of {all} pins", state.meter);
    let room = width.saturating_sub(count.len() + 1);
    let title: String = state.title.chars().take(room).collect();
    let gap = width.saturating_sub(title.chars().count() + count.len());
    Line::from(vec![
        Span::styled(title, Style::new().add_modifier(Modifier::BOLD)),
        Span::raw(" ".repeat(gap)),
        Span::raw(count),
    ])
}

fn found_lines(state: &State, area: Rect) -> Paragraph<'_> {
    let room = usize::from(area.height.saturating_sub(1));
    let hidden = state.found.len().saturating_sub(room);
    let heading = match hidden {
        0 => "Found so far:".to_owned(),
        more => format!("Found so far, and {more} more before:"),
    };
    let mut lines = vec![Line::styled(heading, Style::new().add_modifier(Modifier::BOLD))];
    lines.extend(state.found.iter().skip(hidden).map(|found| Line::raw(format!("  {found}"))));
    Paragraph::new(lines)
}

fn keys(state: &State) -> Line<'_> {
    match &state.typing {
        Some(typed) => Line::raw(typed.as_str()),
        None => Line::styled(state.keys.as_str(), Style::new().add_modifier(Modifier::DIM)),
    }
}

/// How many lines a text takes when it is wrapped at words.
fn lines_of(text: &str, width: usize) -> u16 {
    if text.is_empty() {
        return 0;
    }
    let (mut lines, mut used) = (1_u16, 0);
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if used > 0 && used + 1 + length > width {
            lines = lines.saturating_add(1);
            used = 0;
        }
        if used > 0 {
            used += 1;
        }
        used += length;
        while used > width {
            lines = lines.saturating_add(1);
            used -= width;
        }
    }
    lines
}

impl Palette {
    /// For what needs attention.
    fn trouble(self) -> Style {
        self.colour(Color::Red)
    }

    /// For what is to be done again.
    fn again(self) -> Style {
        self.colour(Color::Yellow)
    }

    /// For what is read.
    fn good(self) -> Style {
        self.colour(Color::Green)
    }

    fn colour(self, colour: Color) -> Style {
        match self {
            Self::Colour => Style::new().fg(colour),
            Self::Plain => Style::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use ratatui::{Terminal, backend::TestBackend};

    use super::*;
    use crate::{
        connector::{self, Connector, Pin},
        readings::PinValue,
        units::Volts,
    };

    fn screen(state: &State, width: u16, height: u16) -> String {
        let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
        terminal.draw(|frame| draw(state, Palette::Plain, frame)).unwrap();
        let text = terminal.backend().to_string();
        // The backend frames each line in quotation marks.
        text.lines().map(|line| line.trim_matches('"').trim_end()).collect::<Vec<_>>().join("\n")
    }

    fn state() -> State {
        let connector = connector::from_toml(connector::DEMO).unwrap();
        let mut state = State::new("probe J5, board T-1042".to_owned(), &connector, &[4, 5]);
        for pin in 0..11 {
            let volts = PinValue::Volts(Volts::of(0.3 + 0.031 * pin as f64));
            let value = if pin == 6 { PinValue::Overload } else { volts };
            state.read(pin, Some(value), pin == 6);
        }
        state.find("A7", Some("A7 open: expected 0.000, seen OL".to_owned()));
        state.go_to(Some(11));
        state.sentence = "touch A12: expected 0.000".to_owned();
        state.seen = "A11 0.610 taken".to_owned();
        state.meter = "meter OL".to_owned();
        state.keys = "Enter open  s skip  u undo  b back  r repeat  j jump  p pause  q end".to_owned();
        state
    }

    #[test]
    fn fits_a_terminal_of_80_by_24() {
        insta::assert_snapshot!(screen(&state(), 80, 24));
    }

    #[test]
    fn uses_a_terminal_of_120_by_40() {
        insta::assert_snapshot!(screen(&state(), 120, 40));
    }

    #[test]
    fn a_long_sentence_is_whole_and_the_place_is_in_sight_in_a_long_connector() {
        let pins = (1..=300).map(|n| Pin::named(&n.to_string())).collect();
        let mut state = State::new("probe J1".to_owned(), &Connector { name: "J1".into(), pins }, &[]);
        state.mood = Mood::Again;
        state.sentence =
            "217 differs: expected 0.447, seen 0.612, which fits its neighbour 216 far better; look where \
                          the tip stands, then touch 217 again"
                .to_owned();
        for here in [0, 5, 216, 299] {
            state.go_to(Some(here));
            let shown = screen(&state, 80, 24);
            assert!(shown.contains(&format!(">{:>3}", here + 1)), "{shown}");
            let flat = shown.split_whitespace().collect::<Vec<_>>().join(" ");
            assert!(flat.contains(&state.sentence), "{shown}");
        }
    }

    #[test]
    fn nothing_panics_however_small_the_terminal_is() {
        for (width, height) in [(1, 1), (5, 3), (20, 8), (80, 10), (300, 2)] {
            screen(&state(), width, height);
        }
    }
}
