//! Ctrl-C in long work: it is noted, and the work ends at its next block as at any other
//! failure, so that temporary files go.

use super::failure::Failure;
use std::sync::Once;
use std::sync::atomic::{AtomicBool, Ordering};

static ASKED: AtomicBool = AtomicBool::new(false);
static WATCHING: Once = Once::new();

/// Notes Ctrl-C (and a wish to terminate or hang up) from now on, in place of ending at
/// once: to be called only before work that asks [`check`] again and again.
pub fn watch() {
    WATCHING.call_once(|| {
        // Where no handler can be had, Ctrl-C ends the process as it always did.
        let _ = ctrlc::set_handler(|| ASKED.store(true, Ordering::Relaxed));
    });
}

/// The failure that Ctrl-C amounts to, if it was pressed.
pub fn check() -> Result<(), Failure> {
    match ASKED.load(Ordering::Relaxed) {
        true => Err(Failure::Interrupted),
        false => Ok(()),
    }
}
