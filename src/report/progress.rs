//! Progress of long work: a line on a terminal, nothing in a pipe.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// A line that shows how far the work has come. It vanishes when dropped.
#[derive(Debug)]
pub struct Progress {
    bar: ProgressBar,
    whole: f64,
}

/// Parts the whole is counted in.
const PARTS: u64 = 10_000;

impl Progress {
    /// For work of a known size, in any unit; hidden where it would disturb.
    pub fn new(what: &'static str, whole: f64, quiet: bool) -> Self {
        let target = if quiet {
            ProgressDrawTarget::hidden()
        } else {
            // Hides itself where standard error is no terminal.
            ProgressDrawTarget::stderr_with_hz(8)
        };
        let bar = ProgressBar::with_draw_target(Some(PARTS), target);
        let style = ProgressStyle::with_template("{msg} {wide_bar} {percent:>3} %, {eta} left")
            .expect("a fixed template");
        bar.set_style(style);
        bar.set_message(what);
        Progress { bar, whole }
    }

    /// Tells how much is done.
    pub fn at(&self, done: f64) {
        self.bar
            .set_position((done / self.whole * PARTS as f64) as u64);
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}
