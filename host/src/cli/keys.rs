//! Keys without Enter, for the live screens.

use std::time::Duration;

use ratatui::crossterm::event::{self, Event, KeyEvent, KeyEventKind};

/// How long the keyboard is asked at a time.
const LOOK_UP: Duration = Duration::from_millis(100);

/// Waits for the next key that is pressed; `None` once there is no keyboard any more.
pub(super) fn next_key() -> Option<KeyEvent> {
    loop {
        if !event::poll(LOOK_UP).ok()? {
            continue;
        }
        match event::read().ok()? {
            Event::Key(key) if key.kind != KeyEventKind::Release => return Some(key),
            _ => {}
        }
    }
}
