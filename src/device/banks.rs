//! Laws of many devices answered together.

use super::law::{Enlisted, Law};
use super::{output_valve, triode};

/// Laws of one kind gathered from a whole circuit, to be answered together: what `render`
/// spends most of its time on. A kind that is not here is answered one by one.
#[derive(Debug, Default)]
pub struct Banks {
    /// All triodes.
    pub triodes: triode::Bank,
    /// All output valves of the law in `output_valve`.
    pub output_valves: output_valve::Bank,
}

impl Banks {
    /// Takes a law into the bank of its kind, if there is one.
    pub fn enlist(&mut self, law: &dyn Law) -> Option<Enlisted> {
        let (bank, constants) = law.enlisted()?;
        match bank {
            Enlisted::Triode => self.triodes.push(constants),
            Enlisted::OutputValve => self.output_valves.push(constants),
        }
        Some(bank)
    }
}
