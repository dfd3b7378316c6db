//! What is wrong with a circuit at rest, in words: an `ok` that is not is worse than none.
//!
//! A rating says what a part stands, not whether it does its work. A valve whose plate and grid
//! are exchanged stays far within its dissipation; so does one that is cut off. Each finding is
//! about one row of the chart, whose verdict it takes the place of.

mod backward;
mod charge;
mod dead;
mod elsewhere;
mod finding;
mod fuses;
mod halves;
mod iron;
mod mains;
mod parts;
mod positions;
mod ratings;
mod stability;
mod transistors;
mod valves;

use crate::analysis::mains::Mains;
use crate::system::assemble::Assembly;

/// Everything that is wrong at the solution `x`: an operating point, or the average of a mains
/// cycle of its mains.
pub fn at_rest(assembly: &mut Assembly<'_>, x: &[f64], mains: Option<&Mains>) -> Vec<Finding> {
    let mut found = mains::unfed(assembly.circuit, mains);
    found.extend(mains::misfits(assembly.circuit, mains));
    found.extend(valves::findings(assembly, x));
    found.extend(transistors::findings(assembly, x));
    found.extend(parts::capacitors(assembly, x));
    found.extend(iron::taps(assembly.circuit));
    found.extend(iron::unloaded(assembly.circuit));
    found.extend(iron::loads(assembly, x));
    found.extend(halves::halves(assembly, x));
    found.extend(fuses::fuses(assembly.circuit));
    found.extend(parts::rectifiers(assembly, x, mains.map(|m| m.freq_hz)));
    found
}

pub use backward::{backward, doubtful};
pub use charge::{SAFE_V, charged};
pub use dead::{dead, is_dead};
pub use elsewhere::{Trial, elsewhere};
pub use finding::{ELSEWHERE, Finding, NO_LOAD, REVERSED, STABILITY, STORED, UNJUDGED, UNSOLVED};
pub use fuses::{in_lead, source_of};
pub use iron::unloaded;
pub use mains::supply;
pub use stability::{advice, stability, unstable};
