//! Memory asked for before it is needed, because where it fails in the midst of the work the
//! process can only be aborted.

use super::failure::Failure;

/// What the solver and everything small around it take besides, bytes.
const BESIDE: f64 = 4e6;

/// Makes sure that there is room for N bytes, on top of what is in use.
///
/// # Errors
/// If the system would not give them (`ulimit -v`, or more than the machine has). It may take
/// back its word where it promises more than it has; then nothing helps.
pub fn require(bytes: f64, what: &'static str) -> Result<(), Failure> {
    let mut room: Vec<u8> = Vec::new();
    match room.try_reserve_exact((bytes + BESIDE) as usize) {
        Ok(()) => Ok(()),
        Err(_) => Err(Failure::NoRoom { what, bytes }),
    }
}
