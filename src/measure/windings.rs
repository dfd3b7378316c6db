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

/// The name of a winding, by the kind of its part and its ends.
pub(crate) fn winding_name(kind: &str, from: Pin, to: Pin) -> Option<WindingName> {
    let ends = match (from, to) {
        (Pin::T(a), Pin::T(b)) => (a.min(b), a.max(b)),
        _ => return None,
    };
    let (rms, direct) = match (kind, ends) {
        ("mains", (0, 1)) => ("primary rms current", None),
        ("mains", (2, 3)) => ("ht1 rms current", None),
        ("mains", (3, 4)) => ("ht2 rms current", None),
        ("mains", (5, 6)) => ("bias winding rms current", None),
        ("pushpull", (0, 1)) | ("ultralinear", (0, 1)) => {
            ("plate1 rms current", Some("plate1 direct current"))
        }
        ("pushpull", (1, 2)) | ("ultralinear", (3, 4)) => {
            ("plate2 rms current", Some("plate2 direct current"))
        }
        ("singleended", (0, 1)) => ("primary rms current", Some("standing current")),
        ("pushpull", (3, 4)) | ("ultralinear", (5, 6)) | ("singleended", (2, 3)) => {
            ("tap4 rms current", None)
        }
        ("pushpull", (4, 5)) | ("ultralinear", (6, 7)) | ("singleended", (3, 4)) => {
            ("tap8 rms current", None)
        }
        ("pushpull", (5, 6)) | ("ultralinear", (7, 8)) | ("singleended", (4, 5)) => {
            ("tap16 rms current", None)
        }
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

/// The first of the four terminals common, tap4, tap8 and tap16.
pub(crate) fn common_of(kind: &str) -> Option<usize> {
    match kind {
        "pushpull" => Some(3),
        "ultralinear" => Some(5),
        "singleended" => Some(2),
        _ => None,
    }
}
