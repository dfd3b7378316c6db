//! What the tool says beside its results.

use crate::diag::clean;
use crate::report::kept;
use std::io::Write;

/// Writes to standard error. Where even that cannot be done there is nobody left to tell.
pub fn tell(text: &str) {
    let text = clean::lines(text);
    if kept::message(&text) {
        return;
    }
    let _ = std::io::stderr().lock().write_all(text.as_bytes());
}
