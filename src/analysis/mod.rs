//! What is asked of a circuit's equations.

pub mod mains;
pub mod natural;
pub mod operating_point;
pub mod periodic;
pub mod return_ratio;
pub mod small_signal;
pub mod transient;

use crate::circuit::{Circuit, Node};
use crate::device::role::DeviceRole;
use crate::math::newton::Failure;
use crate::system::unknowns::Unknowns;

/// No solution was found: what was tried, where it stuck and what may help.
#[derive(Debug, Clone, PartialEq)]
pub struct NoSolution {
    /// `operating point`, `transient` or `small-signal response`.
    pub analysis: &'static str,
    /// Time, s, for a transient.
    pub time: Option<f64>,
    /// The node, current or device that would not settle.
    pub place: String,
    /// Elements there.
    pub elements: Vec<String>,
    /// Methods tried, in order.
    pub tried: Vec<&'static str>,
    /// Whether the equations were singular (no unique solution) and not just hard.
    pub singular: bool,
    /// Hz at which the circuit oscillates when it is left alone, zero if it runs away, where that
    /// is why.
    pub swing_hz: Option<f64>,
    /// What is wrong, where more is known than that nothing settled.
    pub reason: Option<String>,
    /// What to try, where more is known than the analysis.
    pub advice: Option<&'static str>,
}

impl NoSolution {
    /// From the last failure.
    pub fn new(
        analysis: &'static str,
        circuit: &Circuit,
        failure: &Failure,
        tried: Vec<&'static str>,
        time: Option<f64>,
    ) -> Self {
        let unknowns = Unknowns::of(circuit);
        let (k, singular) = match failure {
            Failure::Singular(s) => (s.column, true),
            Failure::Unsettled { unknown, .. } => (*unknown, false),
        };
        NoSolution {
            analysis,
            time,
            place: unknowns.name(circuit, k),
            elements: touching(circuit, k),
            tried,
            singular,
            swing_hz: None,
            reason: None,
            advice: if singular {
                advice(circuit, k)
            } else {
                held_by_diodes(circuit, k).filter(|_| time.is_some())
            },
        }
    }
}

/// What helps where nothing fixes an unknown: a winding between blocked diodes, most of the time.
fn advice(circuit: &Circuit, unknown: usize) -> Option<&'static str> {
    let floats = circuit.elements.iter().any(|e| {
        let near = e.terminals.iter().any(|t| t.0 == unknown + 1);
        let diode = e.role().is_some_and(DeviceRole::rectifies);
        near && (diode || e.letter == 'L') || {
            let inside = circuit.nodes.get(unknown + 1);
            let own = format!("{}#", e.name);
            diode && inside.is_some_and(|n| n.inner && n.name.starts_with(&own))
        }
    });
    floats.then_some("give the diodes `cjo`, or tie the winding to ground")
}

/// What helps where a winding's end leaps from one blocked diode to the other because nothing else leads
/// from it to ground.
fn held_by_diodes(circuit: &Circuit, unknown: usize) -> Option<&'static str> {
    let resistors = circuit.resistances.iter().map(|r| (r.a.0, r.b.0));
    let branches = circuit.branches.iter().map(|b| (b.a.0, b.b.0));
    let joins: Vec<(usize, usize)> = resistors.chain(branches).collect();
    let mut group = vec![unknown + 1];
    let mut next = 0;
    while let Some(&node) = group.get(next) {
        next += 1;
        for &(a, b) in &joins {
            let other = match (a == node, b == node) {
                (true, false) => b,
                (false, true) => a,
                _ => continue,
            };
            if !group.contains(&other) {
                group.push(other);
            }
        }
    }
    let floats = unknown + 1 < circuit.nodes.len() && !group.contains(&0);
    let rectified = circuit.elements.iter().any(|e| {
        let rectifies = e.role().is_some_and(DeviceRole::rectifies);
        rectifies && e.terminals.iter().any(|t| group.contains(&t.0))
    });
    (floats && rectified).then_some(
        "nothing but diodes leads from this winding to ground: add a resistor of 1 megohm from one of its \
         ends to chassis (`RREF NODE 0 1meg`), or give the diodes `cjo=10p`",
    )
}

fn touching(circuit: &Circuit, unknown: usize) -> Vec<String> {
    circuit
        .elements
        .iter()
        .filter(|e| e.terminals.iter().any(|t| t.0 == unknown + 1))
        .map(|e| e.name.clone())
        .collect()
}

impl std::fmt::Display for NoSolution {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "no {} found", self.analysis)?;
        if let Some(reason) = &self.reason {
            return write!(f, ": {reason}");
        }
        match self.swing_hz {
            Some(freq_hz) if freq_hz > 0.0 => {
                let at = crate::num::engineering(freq_hz, "Hz", 3);
                return write!(f, ": left alone the circuit oscillates at {at}");
            }
            Some(_) => {
                return write!(
                    f,
                    ": left alone the circuit runs away from its bias point, as with positive feedback"
                );
            }
            None => (),
        }
        if let Some(t) = self.time {
            write!(f, " past {}", crate::num::engineering(t, "s", 4))?;
        }
        if self.singular {
            write!(f, ": nothing fixes {}", self.place)?;
        } else {
            write!(f, ": {} does not settle", self.place)?;
        }
        if !self.elements.is_empty() {
            let names: Vec<String> = self
                .elements
                .iter()
                .take(6)
                .map(|n| format!("`{n}`"))
                .collect();
            write!(f, " (at {})", names.join(", "))?;
        }
        write!(f, "; tried {}", self.tried.join(", "))
    }
}

impl NoSolution {
    /// The `.ic` of a node that sources hold elsewhere.
    pub fn held_otherwise(circuit: &Circuit, node: Node, volts: f64, found: f64) -> Self {
        // What was solved has rounding in its last digits.
        let show = |v: f64| {
            let rounded = format!("{v:.8e}").parse().unwrap_or(v);
            format!("{} V", crate::num::full(rounded))
        };
        let name = &circuit.nodes[node.0].name;
        NoSolution {
            analysis: "operating point",
            time: None,
            place: format!("node `{name}`"),
            elements: touching(circuit, node.0 - 1),
            tried: vec![],
            singular: false,
            swing_hz: None,
            reason: Some(format!(
                "`.ic` puts node `{name}` at {}, but voltage sources hold it at {} at t = 0",
                show(volts),
                show(found)
            )),
            advice: Some("take the node off the .ic line; it is for nodes that a capacitor holds"),
        }
    }

    /// What the user may try.
    pub fn hint(&self) -> &'static str {
        if self.swing_hz.is_some() {
            "if it has feedback, exchange the ends of the output transformer's primary, or take the feedback away and look at the voltages first"
        } else if let Some(advice) = self.advice {
            advice
        } else if self.singular {
            "look for sources or controlled sources that fight each other there, or for a part with no path for its current"
        } else if self.time.is_some() {
            "look for a part that switches without any capacitance around it, or give `.options reltol=1e-4`"
        } else {
            "give a guess with `.nodeset v(node)=volts` for the nodes you know, or check the values there"
        }
    }
}
