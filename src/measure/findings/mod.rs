//! What is wrong with a circuit at rest, in words: an `ok` that is not is worse than none.
//!
//! A rating says what a part stands, not whether it does its work. A valve whose plate and grid
//! are exchanged stays far within its dissipation; so does one that is cut off. Each finding is
//! about one row of the chart, whose verdict it takes the place of.

mod iron;
mod parts;
mod valves;

use crate::system::assemble::Assembly;

/// Something that is wrong, or worth a word.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// The part.
    pub subject: String,
    /// The row of the chart that it is about: `plate current`, `voltage hot` ...
    pub quantity: &'static str,
    /// What a builder should know.
    pub text: String,
    /// Whether the circuit cannot be right like this: `--strict` fails. The others are no faults
    /// by themselves: a pair that is switched off, a transformer without load at rest.
    pub grave: bool,
}

/// Everything that is wrong at the solution `x`: an operating point, or the average of a mains
/// cycle, whose frequency is then known.
pub fn at_rest(assembly: &mut Assembly<'_>, x: &[f64], mains_hz: Option<f64>) -> Vec<Finding> {
    let mut found = valves::findings(assembly, x);
    found.extend(parts::capacitors(assembly, x));
    found.extend(iron::taps(assembly.circuit));
    found.extend(iron::unloaded(assembly.circuit));
    found.extend(parts::rectifiers(assembly, x, mains_hz));
    found
}

/// What a finding about a transformer without a load is about: with a signal it is grave.
pub const NO_LOAD: &str = "load";

pub use iron::unloaded;

/// A value as messages show it.
fn show(value: f64, unit: &str) -> String {
    let value = if unit == "A" && value.abs() < 1e-12 {
        0.0
    } else {
        value
    };
    crate::num::engineering(value, unit, 3)
}
