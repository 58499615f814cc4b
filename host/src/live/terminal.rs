//! The terminal of a live screen: taken over once, and given back whatever happens.
//!
//! This is an edge. The screen is drawn to stderr, so that results on stdout can be redirected meanwhile.
#![allow(clippy::disallowed_methods, reason = "the terminal is an edge: it asks whether colours are wanted")]

use std::{
    io::{self, IsTerminal},
    sync::Once,
};

use ratatui::{
    backend::CrosstermBackend,
    crossterm::{
        cursor::Show,
        execute,
        terminal::{EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode, enable_raw_mode},
    },
};

use super::{State, draw};

/// Whether colours are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Palette {
    /// Red, yellow, green besides the signs.
    Colour,
    /// Signs, bold and reverse only.
    Plain,
}

/// A terminal that shows a live screen. Dropping it gives the terminal back; so does a panic.
pub struct Terminal {
    terminal: ratatui::Terminal<CrosstermBackend<io::Stderr>>,
    palette: Palette,
}

static HOOK: Once = Once::new();

impl Terminal {
    /// Takes the terminal over; `None` where there is none to take. With `keys` each key is handed over at once, Ctrl-C
    /// among them.
    ///
    /// # Errors
    /// What the system says.
    pub fn take(keys: bool) -> io::Result<Option<Self>> {
        let is_dumb = std::env::var_os("TERM").is_none_or(|term| term == "dumb");
        if !io::stderr().is_terminal() || !io::stdin().is_terminal() || (is_dumb && cfg!(unix)) {
            return Ok(None);
        }
        // A message of a panic must be read, and on a terminal in raw mode it cannot be.
        HOOK.call_once(|| {
            let before = std::panic::take_hook();
            std::panic::set_hook(Box::new(move |panic| {
                give_back();
                before(panic);
            }));
        });
        if keys {
            enable_raw_mode()?;
        }
        let terminal = execute!(io::stderr(), EnterAlternateScreen)
            .and_then(|()| ratatui::Terminal::new(CrosstermBackend::new(io::stderr())));
        let no_colour = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
        match terminal {
            Ok(terminal) => {
                let palette = if no_colour { Palette::Plain } else { Palette::Colour };
                Ok(Some(Self { terminal, palette }))
            }
            Err(error) => {
                give_back();
                Err(error)
            }
        }
    }

    /// Shows a state.
    ///
    /// # Errors
    /// What the system says.
    pub fn show(&mut self, state: &State) -> io::Result<()> {
        let palette = self.palette;
        self.terminal.draw(|frame| draw(state, palette, frame)).map(|_| ())
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        give_back();
    }
}

/// Gives the terminal back as it was. If it is gone there is nobody to give it to.
fn give_back() {
    let _ = disable_raw_mode();
    let _ = execute!(io::stderr(), LeaveAlternateScreen, Show);
}
