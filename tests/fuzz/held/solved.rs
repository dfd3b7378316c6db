//! Netlists, up to the chart of voltages.

use super::netlist::{built, reading};
use gridleak::circuit::Circuit;
use gridleak::measure::quiescent;

/// Larger circuits are another test's business: here many small ones are to be tried.
const UNKNOWNS: usize = 40;

/// A circuit stands somewhere or says where it does not settle; no figure is infinite.
/// Whether it stands.
pub fn holds(text: &str) -> bool {
    let Some(circuit) = built(&mut reading(text)) else {
        return false;
    };
    let small = circuit.unknowns() <= UNKNOWNS && circuit.elements.len() <= 2 * UNKNOWNS;
    small && solved(&circuit)
}

fn solved(circuit: &Circuit) -> bool {
    let (quiescent, mut assembly) = match quiescent::solve(circuit) {
        Ok(found) => found,
        Err(why) => {
            assert!(!why.place.is_empty() && !why.tried.is_empty(), "{why:?}");
            return false;
        }
    };
    assert!(
        quiescent.x.iter().all(|x| x.is_finite()),
        "{:?}",
        quiescent.x
    );
    // The watts of more volts and amperes than this are beyond any double.
    let beyond = quiescent.x.iter().any(|x| x.abs() > 1e150);
    for row in quiescent.rows(&mut assembly, &[]) {
        let (subject, quantity) = (row.subject, row.quantity);
        assert!(!subject.is_empty() && !quantity.is_empty());
        let finite = !row.value.is_infinite();
        assert!(beyond || finite, "{quantity} of {subject}");
    }
    true
}
