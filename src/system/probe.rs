//! Quantities to look at, read from a solution.

use super::assemble::{Assembly, Driven, source_value};
use super::unknowns::Unknowns;
use crate::circuit::problem::CircuitProblem;
use crate::circuit::{self, Circuit, Element, Node, Piece, Port, Sense};
use crate::device::Pin;
use crate::diag::{Diagnostic, nearest};
use crate::netlist::statement::{Name, Probe};

/// A probe with its references resolved.
#[derive(Debug, Clone)]
pub struct Observable {
    /// As the user wrote it.
    pub label: String,
    /// What it measures.
    pub kind: ProbeKind,
    what: What,
}

/// The unit a probe comes in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ProbeKind {
    /// V
    Voltage,
    /// A
    Current,
    /// W
    Power,
}

impl ProbeKind {
    /// The unit's sign.
    pub fn unit(self) -> &'static str {
        match self {
            ProbeKind::Voltage => "V",
            ProbeKind::Current => "A",
            ProbeKind::Power => "W",
        }
    }

    /// In a word, as result files have it.
    pub fn word(self) -> &'static str {
        match self {
            ProbeKind::Voltage => "voltage",
            ProbeKind::Current => "current",
            ProbeKind::Power => "power",
        }
    }
}

#[derive(Debug, Clone)]
enum What {
    Voltage(Node, Node),
    /// Current into the first terminal: ports with sign.
    Current(Vec<(Port, f64)>),
    /// Sum over all ports of voltage times current.
    Power(Vec<Port>),
}

/// One moment of a circuit.
#[derive(Debug, Clone, Copy)]
pub struct Moment<'a> {
    /// Time, s; none at a DC operating point.
    pub time: Option<f64>,
    /// Unknowns.
    pub x: &'a [f64],
    /// Their rates, 1/s; none at an operating point, where they are zero.
    pub rates: Option<&'a [f64]>,
}

/// The probe that is meant by the bare name of a node or a part.
pub fn likely(circuit: &Circuit, name: &str) -> Option<String> {
    let name = name.trim();
    let node = circuit.node(name).map(|_| format!("v({name})"));
    node.or_else(|| circuit.element(name).map(|_| format!("i({name})")))
}

impl Observable {
    /// Resolves a probe.
    pub fn new(circuit: &Circuit, probe: &Probe, label: &str) -> Result<Self, Diagnostic> {
        let node = |name: &Name| {
            circuit
                .node(&name.text)
                .ok_or_else(|| circuit::unknown_node(circuit, &name.text).at(name.span))
        };
        let (kind, what) = match probe {
            Probe::Voltage(a, b) => {
                let b = b.as_ref().map_or(Ok(Node::GROUND), &node)?;
                (ProbeKind::Voltage, What::Voltage(node(a)?, b))
            }
            Probe::Current(name) => (
                ProbeKind::Current,
                What::Current(terminal(find(circuit, name)?)),
            ),
            Probe::Power(name) => (
                ProbeKind::Power,
                What::Power(find(circuit, name)?.ports.clone()),
            ),
        };
        Ok(Observable {
            label: label.to_string(),
            kind,
            what,
        })
    }

    /// A node's voltage.
    pub fn voltage(circuit: &Circuit, node: Node) -> Self {
        Observable {
            label: format!("v({})", circuit.nodes[node.0].name),
            kind: ProbeKind::Voltage,
            what: What::Voltage(node, Node::GROUND),
        }
    }

    /// The current into an element's first terminal.
    pub fn current(element: &Element) -> Self {
        Observable {
            label: format!("i({})", element.name),
            kind: ProbeKind::Current,
            what: What::Current(terminal(element)),
        }
    }

    /// The power an element takes.
    pub fn power(element: &Element) -> Self {
        Observable {
            label: format!("p({})", element.name),
            kind: ProbeKind::Power,
            what: What::Power(element.ports.clone()),
        }
    }

    /// The nodes of a voltage probe.
    pub fn nodes(&self) -> Option<(Node, Node)> {
        match self.what {
            What::Voltage(a, b) => Some((a, b)),
            _ => None,
        }
    }

    /// Its value, in its unit.
    pub fn read(&self, assembly: &mut Assembly<'_>, moment: Moment<'_>) -> f64 {
        match &self.what {
            What::Voltage(a, b) => volts(assembly, moment, *a) - volts(assembly, moment, *b),
            What::Current(ports) => ports
                .iter()
                .map(|(port, sign)| sign * current(assembly, moment, port))
                .sum(),
            What::Power(ports) => ports
                .iter()
                .map(|port| {
                    let across = volts(assembly, moment, port.nodes.0)
                        - volts(assembly, moment, port.nodes.1);
                    across * current(assembly, moment, port)
                })
                .sum(),
        }
    }
}

/// What a probe reads of small changes about a solution: the sum of (G + s C) times unknowns,
/// and of the driven source's own current where the probe is in its path.
#[derive(Debug, Clone, Default)]
pub struct LinearProbe {
    /// Unknown, siemens (or 1), farads (or 0).
    pub terms: Vec<(usize, f64, f64)>,
    /// Independent current sources in the path, by their place in the circuit, with sign.
    pub own: Vec<(usize, f64)>,
}

impl LinearProbe {
    /// The voltage between two nodes.
    pub fn voltage(unknowns: &Unknowns, a: Node, b: Node) -> Self {
        let mut pickup = LinearProbe::default();
        pickup.add(unknowns, (a, b), 1.0, 0.0);
        pickup
    }

    fn add(&mut self, unknowns: &Unknowns, across: (Node, Node), g: f64, c: f64) {
        if across.0 != across.1 {
            let plus = unknowns.node(across.0).map(|k| (k, g, c));
            let minus = unknowns.node(across.1).map(|k| (k, -g, -c));
            self.terms.extend(plus.into_iter().chain(minus));
        }
    }

    fn sense(&mut self, unknowns: &Unknowns, sense: Sense, g: f64, c: f64) {
        match sense {
            Sense::Voltage(a, b) => self.add(unknowns, (a, b), g, c),
            Sense::Current(branch) => self.terms.push((unknowns.branch(branch), g, c)),
        }
    }
}

impl Observable {
    /// What it reads of small changes about the solution `x`; none for power, which is a
    /// product and has no small-signal meaning.
    pub fn pickup(&self, assembly: &mut Assembly<'_>, x: &[f64]) -> Option<LinearProbe> {
        let unknowns = assembly.unknowns;
        let circuit = assembly.circuit;
        let ports = match &self.what {
            What::Voltage(a, b) => return Some(LinearProbe::voltage(&unknowns, *a, *b)),
            What::Current(ports) => ports,
            What::Power(_) => return None,
        };
        let mut pickup = LinearProbe::default();
        for &(port, sign) in ports {
            match port.piece {
                Piece::Resistance(k) => {
                    let siemens = sign / circuit.resistances[k].ohms;
                    pickup.add(&unknowns, port.nodes, siemens, 0.0);
                }
                Piece::Capacitance(k) => {
                    let farads = sign * circuit.capacitances[k].farads;
                    pickup.add(&unknowns, port.nodes, 0.0, farads);
                }
                Piece::Branch(k) => pickup.terms.push((unknowns.nodes() + k, sign, 0.0)),
                Piece::Current(k) => pickup.own.push((k, sign)),
                Piece::Gain(k) => {
                    let gain = &circuit.gains[k];
                    pickup.sense(&unknowns, gain.sense, sign * gain.gain, 0.0);
                }
                Piece::Law(index, output) => {
                    let law = assembly.law_currents(index, x);
                    let part = &circuit.laws[index];
                    let width = part.controls.len();
                    for (k, &control) in part.controls.iter().enumerate() {
                        let e = output * width + k;
                        pickup.sense(&unknowns, control, sign * law.g[e], sign * law.c[e]);
                    }
                }
            }
        }
        Some(pickup)
    }
}

fn find<'c>(circuit: &'c Circuit, name: &Name) -> Result<&'c Element, Diagnostic> {
    if let Some(element) = circuit.element(&name.text) {
        return Ok(element);
    }
    let prefix = format!("{}.", name.key());
    let is_call = circuit
        .elements
        .iter()
        .any(|e| e.name.to_lowercase().starts_with(&prefix));
    let problem = if is_call {
        CircuitProblem::ProbeSubcircuit {
            name: name.text.clone(),
        }
    } else {
        CircuitProblem::UnknownElement {
            name: name.text.clone(),
            near: nearest(&name.text, circuit.elements.iter().map(|e| e.name.as_str()))
                .map(str::to_string),
        }
    };
    Err(problem.at(name.span))
}

/// The ports through which current enters an element's first terminal.
fn terminal(element: &Element) -> Vec<(Port, f64)> {
    element
        .ports
        .iter()
        .filter_map(|port| {
            let sign = match (port.from == Pin::T(0), port.to == Pin::T(0)) {
                (true, false) => 1.0,
                (false, true) => -1.0,
                _ => return None,
            };
            Some((*port, sign))
        })
        .collect()
}

fn volts(assembly: &Assembly<'_>, moment: Moment<'_>, node: Node) -> f64 {
    assembly.unknowns.voltage(moment.x, node)
}

/// The current through one port.
pub fn current(assembly: &mut Assembly<'_>, moment: Moment<'_>, port: &Port) -> f64 {
    let circuit = assembly.circuit;
    let across = |x: &[f64], at: &Assembly<'_>| {
        at.unknowns.voltage(x, port.nodes.0) - at.unknowns.voltage(x, port.nodes.1)
    };
    match port.piece {
        Piece::Resistance(k) => across(moment.x, assembly) / circuit.resistances[k].ohms,
        Piece::Capacitance(k) => moment.rates.map_or(0.0, |rates| {
            across(rates, assembly) * circuit.capacitances[k].farads
        }),
        Piece::Branch(k) => moment.x[assembly.unknowns.nodes() + k],
        Piece::Current(k) => {
            if let Some((Driven::Current(driven), value)) = assembly.external
                && driven == k
            {
                return value;
            }
            let drive = &circuit.currents[k].drive;
            let moving = assembly.moving.as_deref();
            source_value(drive, Driven::Current(k), moment.time, moving)
        }
        Piece::Gain(k) => {
            let gain = &circuit.gains[k];
            let sensed = match gain.sense {
                Sense::Voltage(a, b) => volts(assembly, moment, a) - volts(assembly, moment, b),
                Sense::Current(branch) => moment.x[assembly.unknowns.branch(branch)],
            };
            gain.gain * sensed
        }
        Piece::Law(index, output) => {
            let law = assembly.law_currents(index, moment.x);
            let mut i = law.i[output];
            if let Some(rates) = moment.rates {
                let rates = assembly.control_rates(index, rates);
                let width = rates.len();
                for (k, rate) in rates.iter().enumerate() {
                    i += law.c[output * width + k] * rate;
                }
            }
            i
        }
    }
}
