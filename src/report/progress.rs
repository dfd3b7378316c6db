//! Progress of long work: a line on a terminal, nothing in a pipe.

use super::kept;
use crate::num;
use indicatif::{HumanDuration, ProgressBar, ProgressDrawTarget, ProgressState, ProgressStyle};
use std::fmt::Write;
use std::io::IsTerminal;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::{Builder, JoinHandle};
use std::time::Duration;

/// A line that shows how far the work has come, once it has taken a second. It vanishes when
/// dropped.
#[derive(Debug)]
pub struct Progress {
    bar: ProgressBar,
    /// Draws the line while the work is busy; none where there is no terminal.
    drawer: Option<(Sender<()>, JoinHandle<()>)>,
    done: AtomicU64,
    what: &'static str,
    whole: f64,
}

/// Nobody waits for what is done sooner.
const SHORT: Duration = Duration::from_secs(1);

/// Time between two drawings of the line.
const AGAIN: Duration = Duration::from_millis(250);

/// Parts the whole is counted in.
const PARTS: u64 = 10_000;

impl Progress {
    /// For work of a known size, in any unit; hidden where it would disturb.
    pub fn new(what: &'static str, whole: f64, quiet: bool) -> Self {
        let hidden = ProgressDrawTarget::hidden();
        let bar = ProgressBar::with_draw_target(Some(PARTS), hidden);
        let style = ProgressStyle::with_template("{msg} {wide_bar} {percent:>3} %, {left}")
            .expect("a fixed template")
            .with_key("left", left);
        bar.set_style(style);
        bar.set_message(what);
        let is_shown = !quiet && !kept::is_on() && std::io::stderr().is_terminal();
        Progress {
            drawer: is_shown.then(|| drawer(&bar)).flatten(),
            bar,
            done: AtomicU64::new(0),
            what,
            whole,
        }
    }

    /// Reports one more of a number of things, from any thread.
    pub fn one_more(&self) {
        let done = self.done.fetch_add(1, Ordering::Relaxed) + 1;
        self.at(done as f64);
    }

    /// Says what is being done.
    pub fn says(&self, what: String) {
        self.bar.set_message(what);
    }

    /// Reports how much is done.
    pub fn at(&self, done: f64) {
        self.bar
            .set_position((done / self.whole * PARTS as f64) as u64);
    }

    /// Reports how many are done, and how many a second.
    pub fn counted(&self, done: f64, what: &str) {
        if !self.bar.is_hidden() {
            let took_s = self.bar.elapsed().as_secs_f64();
            let rate = two_digits(done / took_s.max(1e-9));
            let message = format!("{}, {rate} {what} a second", self.what);
            self.bar.set_message(message);
        }
        self.at(done);
    }

    /// Reports how much is done where the unit is seconds of sound: the speed is shown as well.
    pub fn heard(&self, seconds: f64) {
        if !self.bar.is_hidden() {
            let took_s = self.bar.elapsed().as_secs_f64();
            self.bar.set_message(speed(self.what, seconds, took_s));
        }
        self.at(seconds);
    }
}

/// A thread that shows the line once the work has taken a second, and keeps it up to date until
/// the sender is dropped: work need not report anything for that.
fn drawer(bar: &ProgressBar) -> Option<(Sender<()>, JoinHandle<()>)> {
    let (sender, done): (Sender<()>, Receiver<()>) = channel();
    let bar = bar.clone();
    let draw = move || {
        let mut wait = SHORT;
        while done.recv_timeout(wait) == Err(RecvTimeoutError::Timeout) {
            if wait == SHORT {
                bar.set_draw_target(ProgressDrawTarget::stderr_with_hz(8));
                wait = AGAIN;
            }
            bar.tick();
        }
    };
    let thread = Builder::new().spawn(draw).ok()?;
    Some((sender, thread))
}

/// How long it will take, or as long as nothing is done, how long it has taken.
fn left(state: &ProgressState, to: &mut dyn Write) {
    let _ = match state.pos() {
        0 => write!(to, "{} so far", HumanDuration(state.elapsed())),
        _ => write!(to, "{} left", HumanDuration(state.eta())),
    };
}

/// A rate that is not known better.
fn two_digits(rate: f64) -> String {
    let rounded = format!("{rate:.1e}").parse().unwrap_or(rate);
    num::full(rounded)
}

/// What goes before the bar: `render, 3.2 x real time`.
fn speed(what: &str, seconds: f64, took_s: f64) -> String {
    if took_s > 0.0 {
        format!("{what}, {:.2} x real time", seconds / took_s)
    } else {
        what.to_string()
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if let Some((done, drawer)) = self.drawer.take() {
            drop(done);
            let _ = drawer.join();
        }
        self.bar.finish_and_clear();
    }
}

/// One line for work that goes on in several places at once: samples of sound done in all.
#[derive(Debug)]
pub struct Shared {
    progress: Progress,
    rate_hz: f64,
    done: AtomicU64,
}

impl Shared {
    /// For N samples in all.
    pub fn new(what: &'static str, samples: u64, rate_hz: f64, quiet: bool) -> Self {
        Shared {
            progress: Progress::new(what, samples as f64 / rate_hz, quiet),
            rate_hz,
            done: AtomicU64::new(0),
        }
    }

    /// Reports that more samples are done.
    pub fn more(&self, samples: usize) {
        let before = self.done.fetch_add(samples as u64, Ordering::Relaxed);
        let done = before + samples as u64;
        self.progress.heard(done as f64 / self.rate_hz);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rate_has_two_digits() {
        let shown = [0.0123, 1.0, 34.56, 1234.5].map(two_digits);
        assert_eq!(shown, ["0.012", "1", "35", "1200"]);
    }

    #[test]
    fn the_speed_is_sound_over_waiting() {
        assert_eq!(speed("render", 5.0, 2.0), "render, 2.50 x real time");
        assert_eq!(speed("render", 5.0, 0.0), "render");
    }
}
