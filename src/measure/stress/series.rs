//! Capacitors in series: while they fill their volts are shared by capacitance, whatever the
//! resistors across them do afterwards.

use crate::circuit::{Circuit, Element, Node};
use crate::device::role::DeviceRole;
use crate::netlist::statement::Tolerance;

/// The least capacitance that stores a supply, F.
const STORES_F: f64 = 1e-6;
/// A resistor of less does not only balance, ohm.
const BALANCES_OHM: f64 = 10e3;
/// What capacitances are off by where the line does not say (IEC 60062, letter M; from memory).
const USUAL: Tolerance = Tolerance::both(0.2);

/// One of two capacitors in series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct InSeries {
    /// The ends of both together.
    pub ends: (Node, Node),
    /// The part of their volts that this one has at most while they fill, within the tolerances.
    pub share: f64,
}

/// The capacitor that one is in series with: between them lead only resistors that balance.
pub(super) fn in_series(circuit: &Circuit, element: &Element) -> Option<InSeries> {
    let stores = |e: &&Element| {
        e.role() == Some(DeviceRole::Capacitor) && e.value.is_some_and(|farads| farads >= STORES_F)
    };
    Some(element).filter(stores)?;
    let [a, b] = element.terminals[..] else {
        return None;
    };
    [(a, b), (b, a)].into_iter().find_map(|(middle, outer)| {
        if middle == Node::GROUND {
            return None;
        }
        let here = circuit.elements.iter();
        let here = here.filter(|e| e.terminals.contains(&middle) && !std::ptr::eq(*e, element));
        let balances = |e: &&Element| {
            e.role() == Some(DeviceRole::Resistor) && e.value.is_some_and(|v| v >= BALANCES_OHM)
        };
        let mut others = here.filter(|e| !balances(e));
        let (other, None) = (others.next().filter(stores)?, others.next()) else {
            return None;
        };
        let far = other.terminals.iter().copied().find(|n| *n != middle)?;
        let off = |e: &Element| e.tolerance.unwrap_or(USUAL);
        let own = element.value? * (1.0 + off(element).low);
        let against = other.value? * (1.0 + off(other).high);
        Some(InSeries {
            ends: (outer, far),
            share: against / (own + against),
        })
    })
}
