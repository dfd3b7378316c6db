//! Charges that nothing but an open switch leads to.
//!
//! A capacitor behind a teraohm takes hours or months to settle. Of the place where it would settle a
//! period of a millisecond says no more than its rounding, a million to a billion times over: Newton
//! is never done with it. In an amplifier it stands where it stood when the signal came, and so it does
//! here once the switch is taken for what it is.

use crate::circuit::{Circuit, Node, Sink};

/// What leads on no better than an open switch, ohms.
const OPEN_OHMS: f64 = 1e11;

/// Resistances that alone join charges to the rest of a circuit, by their numbers; `state` are the
/// equations that hold charge or flux, nodes first and without ground.
pub fn switches(circuit: &Circuit, state: &[usize]) -> Vec<usize> {
    let n = circuit.nodes.len();
    let mut set: Vec<usize> = (0..n).collect();
    let mut join = |a: Node, b: Node| {
        let (a, b) = (root(&mut set, a.0), root(&mut set, b.0));
        // The smaller number leads, so that ground's set is set 0.
        set[a.max(b)] = a.min(b);
    };
    let is_open = |ohms: f64| ohms.abs() >= OPEN_OHMS;
    let resistances = circuit.resistances.iter();
    for r in resistances.filter(|r| !is_open(r.ohms)) {
        join(r.a, r.b);
    }
    circuit.branches.iter().for_each(|b| join(b.a, b.b));
    circuit.currents.iter().for_each(|c| join(c.a, c.b));
    let gains = circuit.gains.iter().map(|g| &g.sink);
    for sink in gains.chain(circuit.laws.iter().flat_map(|law| &law.outputs)) {
        if let Sink::Current(a, b) = *sink {
            join(a, b);
        }
    }
    let mut charged = vec![false; n];
    for node in state.iter().map(|row| row + 1).filter(|&node| node < n) {
        charged[root(&mut set, node)] = true;
    }
    let mut apart = |node: Node| {
        let set = root(&mut set, node.0);
        set != 0 && charged[set]
    };
    let resistances = circuit.resistances.iter().enumerate();
    let open = resistances.filter(|(_, r)| is_open(r.ohms) && (apart(r.a) || apart(r.b)));
    open.map(|(k, _)| k).collect()
}

fn root(set: &mut [usize], mut k: usize) -> usize {
    while set[k] != k {
        set[k] = set[set[k]];
        k = set[k];
    }
    k
}
