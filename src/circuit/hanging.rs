//! Nodes that hang in the air: valve pins with no path for direct current but through the valve.
//!
//! A plate whose resistor is missing, a cathode behind an open standby switch: the valve passes no
//! current there, and nothing says what voltage the pin has. A meter shows some all the same; the
//! solver gives such a pin the leakage of a socket and names it.

use super::network::{Circuit, Element, Node, Piece, Sink};

/// A group of nodes in the air.
#[derive(Debug, Clone, PartialEq)]
pub struct Hanging {
    /// One of its nodes.
    pub node: Node,
    /// The valves' pins in it: element, terminal.
    pub pins: Vec<(usize, &'static str)>,
}

impl Hanging {
    /// What is wrong, if one pin alone hangs there: `the plate of XV1 is connected to nothing that
    /// supplies it`. Several pins may supply each other.
    pub fn words(&self, circuit: &Circuit) -> Option<String> {
        let [(element, terminal)] = self.pins[..] else {
            return None;
        };
        Some(format!(
            "the {terminal} of `{}` is connected to nothing that supplies it",
            circuit.elements[element].name
        ))
    }
}

/// A valve by its line: an X with a cathode.
fn is_valve(element: &Element) -> bool {
    let valve = |k: &&crate::device::Kind| k.letter == 'X' && k.terminals.contains(&"cathode");
    element.kind.as_ref().is_some_and(valve)
}

/// All groups of nodes that only valves join to the rest, in the order of their first pins.
pub fn hanging(circuit: &Circuit) -> Vec<Hanging> {
    let mut root: Vec<usize> = (0..circuit.nodes.len()).collect();
    fn find(root: &mut [usize], mut n: usize) -> usize {
        while root[n] != n {
            root[n] = root[root[n]];
            n = root[n];
        }
        n
    }
    let mut join = |a: Node, b: Node| {
        let (a, b) = (find(&mut root, a.0), find(&mut root, b.0));
        root[a.max(b)] = a.min(b);
    };
    for r in &circuit.resistances {
        join(r.a, r.b);
    }
    for b in &circuit.branches {
        join(b.a, b.b);
    }
    let mut sinks: Vec<Sink> = circuit.gains.iter().map(|g| g.sink).collect();
    let mut of_valves = vec![false; circuit.laws.len()];
    for element in circuit.elements.iter().filter(|e| is_valve(e)) {
        for port in &element.ports {
            if let Piece::Law(law, _) = port.piece {
                of_valves[law] = true;
            }
        }
    }
    let others = circuit
        .laws
        .iter()
        .zip(&of_valves)
        .filter(|(_, valve)| !**valve);
    sinks.extend(others.flat_map(|(law, _)| law.outputs.iter().copied()));
    for sink in sinks {
        if let Sink::Current(a, b) = sink {
            join(a, b);
        }
    }
    let mut found: Vec<Hanging> = Vec::new();
    let mut roots: Vec<usize> = Vec::new();
    for (index, element) in circuit.elements.iter().enumerate() {
        let Some(kind) = element.kind.filter(|_| is_valve(element)) else {
            continue;
        };
        for (&node, &terminal) in element.terminals.iter().zip(kind.terminals) {
            let group = find(&mut root, node.0);
            if group == 0 {
                continue;
            }
            match roots.iter().position(|&r| r == group) {
                Some(k) => found[k].pins.push((index, terminal)),
                None => {
                    roots.push(group);
                    found.push(Hanging {
                        node,
                        pins: vec![(index, terminal)],
                    });
                }
            }
        }
    }
    found
}
