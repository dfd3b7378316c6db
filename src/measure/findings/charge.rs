//! What a supply keeps after switch-off, when nothing but valves discharges it.

use super::finding::{Finding, STORED, show};
use crate::analysis::small_signal::SmallSignal;
use crate::circuit::Piece;
use crate::device::role::DeviceRole;
use crate::measure::quiescent::{AtRest, Quiescent};
use crate::system::assemble::Assembly;

/// Volts that may be touched: 60 V DC (IEC 62368-1:2018, table 4, ES1; citation from memory, not checked).
const SAFE_V: f64 = 60.0;
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
    let Ok(mut at) = small.at(0.0) else {
        return Vec::new();
    };
    let (mut names, mut most) = (Vec::new(), 0.0f64);
    for &(k, hot, cold) in &rest.capacitors {
        let element = &circuit.elements[k];
        let volts = cold.map_or(hot, |cold| hot.max(cold));
        let farads = element.value.unwrap_or_default();
        if volts <= SAFE_V || farads < STORES_F {
            continue;
        }
        let ohms = at.impedance(element.terminals[0], element.terminals[1]).re;
        if ohms * farads * crate::math::fun::ln(volts / SAFE_V) > LATE_S {
            names.push(format!("`{}`", element.name));
            most = most.max(volts);
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
