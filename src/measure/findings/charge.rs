//! What a supply keeps after switch-off, when nothing but valves discharges it.

use super::finding::{Finding, STORED, show};
use crate::analysis::small_signal::SmallSignal;
use crate::circuit::{Node, Piece};
use crate::device::role::DeviceRole;
use crate::measure::quiescent::{AtRest, Quiescent};
use crate::system::assemble::Assembly;
use num_complex::Complex;

/// Direct volts up to which a supply may be touched (IEC 62368-1:2018, table 4, ES1; citation from memory, not
/// checked).
pub const SAFE_V: f64 = 60.0;
/// The least capacitance that stores a supply, F.
const STORES_F: f64 = 1e-6;
/// From switch-off to volts that may be touched; whoever opens the amplifier later than this expects none,
/// s (common practice, no published source: bleeders take a minute or two).
const LATE_S: f64 = 600.0;

/// Capacitors of a supply on the mains that keep their charge for long when its valves are cold: no
/// bleeder leads from them. Valves that are warm at switch-off discharge them, one that is pulled or
/// blown does not.
pub fn charged(assembly: &mut Assembly<'_>, rest: &Quiescent) -> Vec<Finding> {
    if !matches!(rest.found, AtRest::Cycle(..)) {
        return Vec::new();
    }
    let circuit = assembly.circuit;
    let kept = assembly.unplugged.clone();
    let draws = circuit.elements.iter().filter(|e| match e.role() {
        Some(DeviceRole::Transistor(_) | DeviceRole::Diode) => true,
        _ => e.is_valve(),
    });
    for port in draws.flat_map(|e| &e.ports) {
        if let Piece::Law(law, _) = port.piece {
            assembly.unplugged[law] = true;
        }
    }
    let mut small = SmallSignal::new(assembly, &rest.x);
    assembly.unplugged = kept;
    let Some(left) = left(&mut small, &rest.x) else {
        return Vec::new();
    };
    let (mut names, mut most) = (Vec::new(), 0.0f64);
    for &(k, hot, cold) in &rest.capacitors {
        let element = &circuit.elements[k];
        let volts = |node: Node| assembly.unknowns.voltage(&left, node);
        let across = volts(element.terminals[0]) - volts(element.terminals[1]);
        if across.abs() > SAFE_V && element.value.is_some_and(|farads| farads >= STORES_F) {
            names.push(format!("`{}`", element.name));
            most = most.max(cold.map_or(hot, |cold| hot.max(cold)));
        }
    }
    let listed = match &names[..] {
        [] => return Vec::new(),
        [one] => format!("{one} has no bleeder and keeps"),
        [one, more @ ..] => format!("{one} and {} more have no bleeder and keep", more.len()),
    };
    vec![Finding {
        subject: "circuit".to_string(),
        quantity: STORED,
        text: format!(
            "charged after switch-off: {listed} up to {} for more than ten minutes if the valves are cold, \
             pulled or blown; fit a bleeder, and measure before you touch",
            show(most, "V")
        ),
        grave: false,
    }]
}

/// Steps from switch-off on.
const STEPS: usize = 60;

/// The unknowns [`LATE_S`] after switch-off, from `x` on: each step is Euler's backward one, (G + C/h) x =
/// C/h x before. That decays a little slower than the circuit; what is quick is gone after one step. None where that has
/// no solution.
fn left(small: &mut SmallSignal, x: &[f64]) -> Option<Vec<f64>> {
    let per_s = STEPS as f64 / LATE_S;
    let (indptr, indices, _, c) = small.matrices();
    let (indptr, indices, c) = (indptr.to_vec(), indices.to_vec(), c.to_vec());
    let mut at = small.at_s(Complex::new(per_s, 0.0)).ok()?;
    let mut left = x.to_vec();
    for _ in 0..STEPS {
        let stored = |row: usize| -> f64 {
            let own = indptr[row]..indptr[row + 1];
            own.map(|e| c[e] * left[indices[e]]).sum()
        };
        let right: Vec<Complex<f64>> = (0..left.len())
            .map(|row| Complex::new(per_s * stored(row), 0.0))
            .collect();
        let found = at.solve_for(&right);
        left = found.iter().map(|x| x.re).collect();
    }
    Some(left)
}
