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

/// Width of a pin besides its name: place, repair, value, sign and a gap.
const CELL: usize = 10;

/// Fewest and most columns that the names of the pins get; of a longer name the beginning is shown, and the sentence has
/// all of it.
const NAME: (usize, usize) = (3, 8);

/// Lines that what is found gets at least, heading included, where there is anything to show.
const FOUND: u16 = 4;

/// Draws the whole screen.
pub fn draw(state: &State, palette: Palette, frame: &mut Frame<'_>) {
    let area = frame.area();
    let width = usize::from(area.width.max(1));
    let sentence = lines_of(&state.sentence, width);
    let seen = lines_of(&state.seen, width);
    let grid = grid(state, width, palette);
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
    frame.render_widget(keys(state, width), keys_area);
}

/// The lines of all rows, and the one that holds the place.
struct Grid<'a> {
    lines: Vec<Line<'a>>,
    here: usize,
}

fn grid(state: &State, width: usize, palette: Palette) -> Grid<'_> {
    let cells = || state.rows.iter().flat_map(|row| &row.cells);
    let name = cells().map(|cell| columns(&cell.name)).max().unwrap_or(0).clamp(NAME.0, NAME.1);
    let per_line = (width / (name + CELL)).max(1);
    let mut grid = Grid { lines: Vec::new(), here: 0 };
    for row in &state.rows {
        for cells in row.cells.chunks(per_line) {
            if cells.iter().any(|cell| cell.is_here) {
                grid.here = grid.lines.len();
            }
            grid.lines.push(Line::from_iter(cells.iter().map(|cell| span(cell, name, palette))));
        }
    }
    grid
}

fn span(cell: &Cell, width: usize, palette: Palette) -> Span<'_> {
    let place = if cell.is_here { '>' } else { ' ' };
    let repaired = if cell.is_repaired { '*' } else { ' ' };
    let name = beginning(&cell.name, width);
    let gap = " ".repeat(width.saturating_sub(columns(&name)));
    let value = if cell.value.is_empty() { "." } else { &cell.value };
    let sign = match cell.mark {
        Mark::Waiting => ' ',
        mark => mark.sign(),
    };
    let text = format!("{place}{gap}{name}{repaired}{value:>6}{sign} ");
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
    let room = width.saturating_sub(columns(&count) + 1);
    let title = beginning(&state.title, room);
    let gap = width.saturating_sub(columns(&title) + columns(&count));
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

fn keys(state: &State, width: usize) -> Line<'_> {
    match &state.typing {
        Some(typed) => Line::raw(end(typed, width)),
        None => Line::styled(state.keys.as_str(), Style::new().add_modifier(Modifier::DIM)),
    }
}

/// How many columns a text takes: some characters take two.
fn columns(text: &str) -> usize {
    Span::raw(text).width()
}

/// The beginning of a text, as far as it fits.
fn beginning(text: &str, width: usize) -> String {
    let mut fits = String::new();
    for c in text.chars() {
        fits.push(c);
        if columns(&fits) > width {
            fits.pop();
            break;
        }
    }
    fits
}

/// The end of a text, as far as it fits.
fn end(text: &str, width: usize) -> &str {
    let starts = text.char_indices().map(|(at, _)| at);
    starts.filter_map(|at| text.get(at..)).find(|rest| columns(rest) <= width).unwrap_or_default()
}

/// How many lines a text takes when it is wrapped at words.
fn lines_of(text: &str, width: usize) -> u16 {
    if text.is_empty() {
        return 0;
    }
    let (mut lines, mut used) = (1_u16, 0);
    for word in text.split_whitespace() {
        let length = columns(word);
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
    fn wide_characters_and_long_names_push_nothing_off_the_screen() {
        let names = ["AA10", "AA11", "LANE0_P", "LANE0_N", "用户接口", "B1", "B2", "B3"];
        let pins = names.iter().map(|name| Pin::named(name)).collect();
        let connector = Connector { name: "J1".into(), pins };
        let title = format!("probe J1, board {}", "宽".repeat(60));
        let mut state = State::new(title, &connector, &[2]);
        state.read(7, Some(PinValue::Overload), true);
        state.typing = Some(format!("/note {}_   (Enter sends)", "宽".repeat(60)));
        insta::assert_snapshot!(screen(&state, 80, 12));
    }

    #[test]
    fn nothing_panics_however_small_the_terminal_is() {
        for (width, height) in [(1, 1), (5, 3), (20, 8), (80, 10), (300, 2)] {
            screen(&state(), width, height);
        }
    }
}
