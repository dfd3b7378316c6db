//! The level of a sine that brings the output valves to full clipping.

use super::super::windings::common_of;
use crate::analysis::NoSolution;
use crate::analysis::small_signal::{self, Excitation, SmallSignal};
use crate::circuit::{Circuit, Element, Node};
use crate::measure::chart::is_valve;
use crate::measure::quiescent;
use crate::system::assemble::{Assembly, Driven};

/// Full clipping is this many times the level at which, for small signals, the last grids reach
/// their cathodes: 6 dB beyond it (the trade's overdrive; this project's own choice).
pub const BEYOND: f64 = 2.0;
/// Valves that the signal hardly reaches do not count, as a part of the most driven one.
const REACHED: f64 = 1e-3;

/// The peak of a sine at a source that drives the output valves (those on an output transformer,
/// or all where there is none) to full clipping; none if no valve is reached.
///
/// # Errors
/// If the circuit has no operating point.
pub fn full_level(
    circuit: &Circuit,
    driven: Driven,
    freq_hz: f64,
) -> Result<Option<f64>, Box<NoSolution>> {
    let (x, mut assembly) = quiescent::at_rest(circuit)?;
    let mut small = SmallSignal::new(&mut assembly, &x);
    let unknowns = small.unknowns();
    let Ok(mut at) = small.at(freq_hz) else {
        return Ok(None);
    };
    let moved = at.solve(Excitation::Source(driven)).to_vec();
    let on_iron = plates(circuit);
    let mut drives: Vec<(bool, f64, f64)> = Vec::new();
    for element in circuit.elements.iter().filter(|e| is_valve(e)) {
        let Some([plate, grid, cathode]) = electrodes(element) else {
            continue;
        };
        // A pair that is switched off clips nothing.
        if drawn(&mut assembly, &x, element) < WORKS {
            continue;
        }
        let gain = small_signal::voltage(&unknowns, &moved, grid)
            - small_signal::voltage(&unknowns, &moved, cathode);
        let rest = unknowns.voltage(&x, grid) - unknowns.voltage(&x, cathode);
        drives.push((on_iron.contains(&plate), gain.norm(), rest));
    }
    if drives.iter().any(|d| d.0) {
        drives.retain(|d| d.0);
    }
    let most = drives.iter().map(|d| d.1).fold(0.0, f64::max);
    let levels = drives.iter().filter(|d| d.1 > REACHED * most && d.2 < 0.0);
    let level = levels.map(|d| -d.2 / d.1).fold(0.0, f64::max);
    Ok((level > 0.0).then_some(BEYOND * level))
}

/// Amperes above which a valve works: data sheets call it cut off below.
const WORKS: f64 = 10e-6;

/// All that a valve draws.
fn drawn(assembly: &mut Assembly<'_>, x: &[f64], element: &Element) -> f64 {
    let readings = element.readings.iter();
    readings
        .map(|&(_, law, output)| assembly.law_currents(law, x).i[output])
        .sum()
}

fn electrodes(element: &Element) -> Option<[Node; 3]> {
    let at = |name: &str| element.terminal(name);
    Some([at("plate")?, at("grid")?, at("cathode")?])
}

/// The nodes of output transformers' primaries.
fn plates(circuit: &Circuit) -> Vec<Node> {
    let all = circuit.elements.iter();
    let primaries = all.filter_map(|e| {
        let common = common_of(e)?;
        Some(e.terminals[..common].to_vec())
    });
    primaries.flatten().collect()
}
