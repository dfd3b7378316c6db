//! Windings and terminals: what their currents are called, and which ports carry them.

use crate::circuit::{Element, Piece, Port};
use crate::device::Pin;

/// The ports through which current enters a terminal, with their signs.
pub(crate) fn into_terminal(element: &Element, terminal: usize) -> Vec<(Port, f64)> {
    let at = Pin::T(terminal);
    let signed = element.ports.iter().filter_map(|port| {
        let sign = f64::from(u8::from(port.from == at)) - f64::from(u8::from(port.to == at));
        (sign != 0.0).then_some((*port, sign))
    });
    signed.collect()
}

/// The windings of a part: ports that are branches.
pub(crate) fn windings(element: &Element) -> impl Iterator<Item = &Port> {
    let ports = element.ports.iter();
    ports.filter(|p| matches!(p.piece, Piece::Branch(_)))
}

/// What a winding's currents are called.
pub(crate) struct WindingName {
    /// Root mean square, direct current included.
    pub rms: &'static str,
    /// Direct current, where a winding carries any.
    pub direct: Option<&'static str>,
    /// Of the port's current: that towards a plate counts as positive.
    pub sign: f64,
}

/// The name of a winding, by the terminals at its ends.
pub(crate) fn winding_name(element: &Element, port: &Port) -> Option<WindingName> {
    let terminals = element.kind?.terminals;
    let (Pin::T(a), Pin::T(b)) = (port.from, port.to) else {
        return None;
    };
    let ends = (a.min(b), a.max(b));
    let (rms, direct) = match (*terminals.get(ends.0)?, *terminals.get(ends.1)?) {
        ("line", "neutral") => ("primary rms current", None),
        ("ht1", "centre") => ("ht1 rms current", None),
        ("centre", "ht2") => ("ht2 rms current", None),
        ("bias1", "bias2") => ("bias winding rms current", None),
        ("plate1", _) => ("plate1 rms current", Some("plate1 direct current")),
        (_, "plate2") => ("plate2 rms current", Some("plate2 direct current")),
        ("plate", "supply") => ("primary rms current", Some("standing current")),
        ("common", "tap4") => ("tap4 rms current", None),
        ("tap4", "tap8") => ("tap8 rms current", None),
        ("tap8", "tap16") => ("tap16 rms current", None),
        _ => return None,
    };
    // Windings run from their dotted end, which for the first plate is the plate.
    let sign = if direct.is_some() && ends.0 == 0 {
        -1.0
    } else {
        1.0
    };
    Some(WindingName { rms, direct, sign })
}

/// The first of an output transformer's four terminals common, tap4, tap8 and tap16.
pub(crate) fn common_of(element: &Element) -> Option<usize> {
    element.place("common")
}
