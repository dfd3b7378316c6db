//! The independent source that drives a circuit.

use crate::circuit::{BranchKind, Circuit, Piece};
use crate::device::source::{Drive, Wave};
use crate::system::assemble::Driven;

/// An independent source.
#[derive(Debug, Clone)]
pub struct Driving {
    /// Its name.
    pub name: String,
    /// Its place in the equations.
    pub driven: Driven,
    /// What it does by itself.
    pub drive: Drive,
}

/// Frequency and peak of a source's own sine, Hz and V or A.
pub fn own_sine(drive: &Drive) -> Option<(f64, f64)> {
    match drive.wave {
        Some(Wave::Sin {
            freq_hz, amplitude, ..
        }) if freq_hz > 0.0 && amplitude != 0.0 => Some((freq_hz, amplitude.abs())),
        _ => None,
    }
}

/// Every independent source of a circuit, in the order of the netlist.
pub fn sources(circuit: &Circuit) -> Vec<Driving> {
    let of = |name: &str, driven, drive: &Drive| Driving {
        name: name.to_string(),
        driven,
        drive: drive.clone(),
    };
    circuit
        .elements
        .iter()
        .filter_map(|e| match e.ports.first()?.piece {
            Piece::Branch(k) => match &circuit.branches[k].kind {
                BranchKind::Source(drive) => Some(of(&e.name, Driven::Voltage(k), drive)),
                _ => None,
            },
            Piece::Current(k) => {
                let drive = &circuit.currents[k].drive;
                Some(of(&e.name, Driven::Current(k), drive))
            }
            _ => None,
        })
        .collect()
}

/// The source of a name, or the only one with an AC value.
pub fn find(circuit: &Circuit, name: Option<&str>) -> Option<Driving> {
    let mut all = sources(circuit);
    match name {
        Some(name) => all.into_iter().find(|s| s.name.eq_ignore_ascii_case(name)),
        None => {
            all.retain(|s| s.drive.ac.is_some());
            match all.len() {
                1 => all.pop(),
                _ => None,
            }
        }
    }
}
