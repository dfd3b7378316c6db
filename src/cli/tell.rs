//! What the tool says: results on standard output, all else on standard error.

use super::failure::Failure;
use super::outcome::Outcome;
use crate::diag::clean;
use crate::report::file::{FileProblem, STANDARD_OUTPUT};
use crate::report::{kept, terminal};
use std::io::{ErrorKind, Write};
use std::path::Path;

/// Writes to standard error. Where even that cannot be done there is nobody left to tell.
pub fn tell(text: &str) {
    let text = clean::lines(text);
    if kept::message(&text) {
        return;
    }
    let _ = std::io::stderr().lock().write_all(text.as_bytes());
}

/// Prints a chart to standard output; on a terminal its lines are broken between words.
///
/// # Errors
/// If it cannot be written.
pub fn chart(text: String) -> Result<Outcome, Failure> {
    if kept::is_on() {
        return print(&text);
    }
    print(&terminal::fitted(text))
}

/// Prints to standard output. A reader that went away is not a failure.
///
/// # Errors
/// If it cannot be written.
pub fn print(text: &str) -> Result<Outcome, Failure> {
    let text = clean::lines(text);
    if kept::chart(&text) {
        return Ok(Outcome::Done);
    }
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(e) if e.kind() != ErrorKind::BrokenPipe => {
            Err(FileProblem::new(Path::new(STANDARD_OUTPUT), e).into())
        }
        _ => Ok(Outcome::Done),
    }
}
