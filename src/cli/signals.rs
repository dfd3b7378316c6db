//! Which signal came.

use signal_hook::consts::SIGINT;
use std::sync::atomic::{AtomicUsize, Ordering};

/// The signal that came, 0 if none did.
pub static CAME: AtomicUsize = AtomicUsize::new(0);

/// The number of the signal that came.
pub fn number() -> u8 {
    match CAME.load(Ordering::Relaxed) {
        0 => SIGINT as u8,
        signal => signal as u8,
    }
}
