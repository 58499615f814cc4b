//! Progress of a sweep on a terminal: one line that is drawn over, and notices above it.

use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::{connector::PinName, label, sweep::Notice};

/// Shows how far a sweep is.
pub(super) struct Progress {
    bar: ProgressBar,
    names: Vec<PinName>,
    quiet: bool,
}

impl Progress {
    /// Nothing is drawn where stderr is no terminal; notices are still told.
    pub(super) fn new(names: Vec<PinName>, quiet: bool) -> Self {
        let bar = ProgressBar::with_draw_target(Some(names.len() as u64), ProgressDrawTarget::stderr());
        // No colour: the place in the line and the words carry the meaning.
        if let Ok(style) = ProgressStyle::with_template("[{bar:30}] {pos:>3} of {len} pins  {msg}  {elapsed}")
        {
            bar.set_style(style.progress_chars("=> "));
        }
        bar.enable_steady_tick(Duration::from_millis(250));
        Self { bar, names, quiet }
    }

    /// Takes a notice of the sweep.
    pub(super) fn notice(&self, notice: &Notice) {
        match notice {
            Notice::Decided { pin, value, done, .. } => {
                self.bar.set_position(*done as u64);
                if let Some(name) = self.names.get(*pin) {
                    self.bar.set_message(format!("{name:>4} {value:>6}"));
                }
            }
            Notice::Visiting { .. } => {}
            Notice::Greeted(_) | Notice::MeterReady { .. } if self.quiet => {}
            other => self.bar.suspend(|| tell(&other.to_string())),
        }
    }

    /// Takes the line away.
    pub(super) fn finish(&self) {
        self.bar.finish_and_clear();
    }
}

fn tell(text: &str) {
    use std::io::Write;
    // A device may call itself anything. If stderr is gone there is nobody to tell.
    let _ = writeln!(anstream::stderr(), "{}", label::message(text));
}
