//! A circuit as all that comes after sees it: nodes, the parts between them, and the elements that
//! these are of.

use super::ledger::Ledger;
use crate::device::pot::Track;
use crate::device::role::DeviceRole;
use crate::device::source::Drive;
use crate::device::swept::{Handle, Swept};
use crate::device::{Kind, Law, Pin, Rating, Readout};
use crate::diag::Span;
use crate::netlist::notes::Notes;
use crate::netlist::statement::Tolerance;
use std::collections::HashMap;
use std::sync::Arc;

/// What an element with a model was made from, and where its parts stand.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Made {
    /// Parameters of the model, in the order of the kind's table.
    pub model: Vec<f64>,
    /// Parameters of the instance likewise; of a resistor ohms at 27 C, tc1 and tc2.
    pub instance: Vec<f64>,
    /// Its first parts.
    pub first: First,
    /// Nodes that stand on its line; the terminals after them are at ground.
    pub written: usize,
}

/// How many parts of each sort a circuit has: where the next ones come to stand.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct First {
    pub(super) resistance: usize,
    pub(super) capacitance: usize,
    pub(super) branch: usize,
    pub(super) gain: usize,
    pub(super) law: usize,
}

impl First {
    /// Those of a circuit as it is now.
    pub fn of(circuit: &Circuit) -> Self {
        First {
            resistance: circuit.resistances.len(),
            capacitance: circuit.capacitances.len(),
            branch: circuit.branches.len(),
            gain: circuit.gains.len(),
            law: circuit.laws.len(),
        }
    }
}

/// A node; 0 is ground.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Node(pub usize);

impl Node {
    /// Node 0.
    pub const GROUND: Node = Node(0);
}

/// A current that is an unknown of its own (voltage sources, inductors).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Branch(pub usize);

/// What a law or gain looks at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sense {
    /// v(a) - v(b)
    Voltage(Node, Node),
    /// The current of a branch.
    Current(Branch),
}

/// What a law or gain acts on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sink {
    /// A current from the first node to the second through the part.
    Current(Node, Node),
    /// The voltage v(a) - v(b) across a branch.
    Branch(Branch),
}

/// A linear resistance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resistance {
    /// First end.
    pub a: Node,
    /// Second end.
    pub b: Node,
    /// Ohms, not zero.
    pub ohms: f64,
}

/// A linear capacitance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Capacitance {
    /// First end.
    pub a: Node,
    /// Second end.
    pub b: Node,
    /// Farads.
    pub farads: f64,
}

/// What sets the voltage across a branch: v(a) - v(b) equals ...
#[derive(Debug, Clone, PartialEq)]
pub enum BranchKind {
    /// ... an independent source.
    Source(Drive),
    /// ... the change of flux of an inductance, H.
    Inductance(f64),
    /// ... what gains and laws with this branch as their sink add up to.
    Controlled,
}

/// A part with a current unknown, flowing from a through it to b.
#[derive(Debug, Clone, PartialEq)]
pub struct BranchPart {
    /// + end.
    pub a: Node,
    /// - end.
    pub b: Node,
    /// What sets its voltage.
    pub kind: BranchKind,
}

/// An independent current from a through the source to b.
#[derive(Debug, Clone, PartialEq)]
pub struct CurrentPart {
    /// First end.
    pub a: Node,
    /// Second end.
    pub b: Node,
    /// Its current.
    pub drive: Drive,
}

/// A linear controlled source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gain {
    /// Control.
    pub sense: Sense,
    /// Output.
    pub sink: Sink,
    /// Factor.
    pub gain: f64,
}

/// A nonlinear law and its connections.
#[derive(Debug, Clone)]
pub struct LawPart {
    /// `[law.controls()]`
    pub controls: Vec<Sense>,
    /// `[law.outputs()]`
    pub outputs: Vec<Sink>,
    /// The law; copies of a circuit share it until they put another in its place.
    pub law: Arc<dyn Law>,
    /// Discrete state to start from.
    pub memory: f64,
}

/// One of a circuit's parts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Piece {
    /// Index into `resistances`.
    Resistance(usize),
    /// Index into `capacitances`.
    Capacitance(usize),
    /// Index into `branches`.
    Branch(usize),
    /// Index into `currents`.
    Current(usize),
    /// Index into `gains` (those whose sink is a current).
    Gain(usize),
    /// Index into `laws`, and the output.
    Law(usize, usize),
}

/// A path of current through an element.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Port {
    /// Where it enters.
    pub from: Pin,
    /// Where it leaves.
    pub to: Pin,
    /// The nodes of both.
    pub nodes: (Node, Node),
    /// What carries it.
    pub piece: Piece,
}

/// An element as the user named it, and the parts it became.
#[derive(Debug, Clone)]
pub struct Element {
    /// Dotted, as written: `X1.R5`.
    pub name: String,
    /// Letter of its line, upper case.
    pub letter: char,
    /// Its kind, if it has a model or is a control.
    pub kind: Option<&'static Kind>,
    /// The name of its model.
    pub model: Option<String>,
    /// Nodes in the order of the line.
    pub terminals: Vec<Node>,
    /// Its main value (ohms, farads, henries), if it has one.
    pub value: Option<f64>,
    /// Current paths.
    pub ports: Vec<Port>,
    /// What it can report: name, law, output.
    pub readings: Vec<(Readout, usize, usize)>,
    /// Its ratings.
    pub limits: Vec<Rating>,
    /// What a comment on its line says the part stands, W or V.
    pub rated: Option<f64>,
    /// What else a comment on its line says of the part.
    pub notes: Notes,
    /// The node at which a valve's heater stands, as a comment on its line says: ground if none does.
    pub heater: Node,
    /// What it needs at least, by its data sheet.
    pub needs: Vec<Rating>,
    /// How far a comment on its line says the part may be off its value.
    pub tolerance: Option<Tolerance>,
    /// What it was made from, and where its parts stand.
    pub made: Made,
    /// Knob or switch position, for the record.
    pub position: Option<f64>,
    /// What a pot's knob turns.
    pub track: Option<Track>,
    /// Its line.
    pub span: Option<Span>,
    /// `IC=` of a capacitor (V) or inductor (A), for a start without operating point.
    pub initial: Option<f64>,
}

impl Element {
    /// What it is, if it is a part: a coupling of inductors is none.
    pub fn role(&self) -> Option<DeviceRole> {
        match self.kind {
            Some(kind) => Some(kind.role),
            None => DeviceRole::of_letter(self.letter),
        }
    }

    /// The place of a terminal on its line, by the name that its kind gives it.
    pub fn place(&self, terminal: &str) -> Option<usize> {
        self.kind?.terminals.iter().position(|&t| t == terminal)
    }

    /// The node of a terminal, by the name that its kind gives it.
    pub fn terminal(&self, name: &str) -> Option<Node> {
        self.terminals.get(self.place(name)?).copied()
    }

    /// The resistances that it is made of, by their numbers in the circuit, in the order of its ports.
    pub fn resistances(&self) -> impl Iterator<Item = usize> {
        self.ports.iter().filter_map(|port| match port.piece {
            Piece::Resistance(k) => Some(k),
            _ => None,
        })
    }

    /// The most that it stands of a quantity, if that is known.
    pub fn rating(&self, quantity: &str) -> Option<f64> {
        let found = self.limits.iter().find(|l| l.quantity == quantity);
        found.map(|l| l.max)
    }

    /// The least that it needs of a quantity, if that is known.
    pub fn needed(&self, quantity: &str) -> Option<f64> {
        let found = self.needs.iter().find(|n| n.quantity == quantity);
        found.map(|n| n.max)
    }

    /// A parameter of its model, if the model gives it or it has a default.
    pub fn parameter(&self, name: &str) -> Option<f64> {
        let params = self.kind?.model_params;
        let k = params.iter().position(|p| p.name == name)?;
        self.made.model.get(k).copied().filter(|v| !v.is_nan())
    }

    /// The laws that its readings are of, each once.
    pub fn laws(&self) -> Vec<usize> {
        let mut laws: Vec<usize> = self.readings.iter().map(|r| r.1).collect();
        laws.dedup();
        laws
    }

    /// Whether it is a valve, a rectifying one among them.
    pub fn is_valve(&self) -> bool {
        self.role().is_some_and(DeviceRole::is_valve)
    }
}

/// A node's name.
#[derive(Debug, Clone, PartialEq)]
pub struct NodeName {
    /// Dotted, as first written.
    pub name: String,
    /// Inside a device: no name of the user's.
    pub inner: bool,
}

/// A circuit, ready to become equations.
#[derive(Debug, Clone, Default)]
pub struct Circuit {
    /// The netlist's first line.
    pub title: String,
    /// By number; 0 is ground.
    pub nodes: Vec<NodeName>,
    /// In the order of the netlist, subcircuits expanded in place.
    pub elements: Vec<Element>,
    /// Linear resistances.
    pub resistances: Vec<Resistance>,
    /// Linear capacitances.
    pub capacitances: Vec<Capacitance>,
    /// Parts with a current unknown.
    pub branches: Vec<BranchPart>,
    /// Mutual inductances between branches, H.
    pub mutuals: Vec<(Branch, Branch, f64)>,
    /// Independent currents.
    pub currents: Vec<CurrentPart>,
    /// Linear controlled sources.
    pub gains: Vec<Gain>,
    /// Nonlinear laws.
    pub laws: Vec<LawPart>,
    /// `.nodeset`: guesses, V.
    pub nodesets: Vec<(Node, f64)>,
    /// `.ic`: voltages held during the solution before a transient, V.
    pub held: Vec<(Node, f64)>,
    /// Where each of them is written.
    pub held_at: Vec<Span>,
    /// Degrees Celsius.
    pub celsius: f64,
    /// Where the audit of its solutions is entered; none if nobody asked for one.
    pub ledger: Option<Ledger>,
    pub(super) node_index: HashMap<String, Node>,
    pub(super) element_index: HashMap<String, usize>,
}

impl Circuit {
    /// Parts that a method with whole matrices must keep account of: capacitances, windings and
    /// sources, laws.
    pub fn stores(&self) -> usize {
        self.capacitances.len() + self.branches.len() + self.laws.len()
    }

    /// A node by its dotted name, in any case.
    pub fn node(&self, name: &str) -> Option<Node> {
        let key = name.to_lowercase();
        if key == "0" || key == "gnd" {
            return Some(Node::GROUND);
        }
        self.node_index.get(&key).copied()
    }

    /// An element by its dotted name, in any case.
    pub fn element(&self, name: &str) -> Option<&Element> {
        self.element_index
            .get(&name.to_lowercase())
            .map(|&k| &self.elements[k])
    }

    /// The branch of a voltage source, inductor or controlled voltage.
    pub fn branch_of(&self, element: &Element) -> Option<Branch> {
        element.ports.iter().find_map(|p| match p.piece {
            Piece::Branch(k) => Some(Branch(k)),
            _ => None,
        })
    }

    /// Scales all voltages of the mains, in per cent of what they are.
    pub fn scale_mains(&mut self, percent: f64) {
        for branch in &mut self.branches {
            if let BranchKind::Source(drive) = &mut branch.kind {
                drive.scale_mains(percent);
            }
        }
    }

    /// What drives the independent sources, voltages first.
    pub fn drives(&self) -> impl Iterator<Item = &Drive> {
        let voltages = self.branches.iter().filter_map(|b| match &b.kind {
            BranchKind::Source(drive) => Some(drive),
            _ => None,
        });
        voltages.chain(self.currents.iter().map(|c| &c.drive))
    }

    /// Lets a linear resistance be moved from outside from now on: it becomes a law. Its
    /// number among the resistances is taken by the last one; probes are to be made after this.
    pub fn free_resistance(&mut self, k: usize) -> Handle {
        let Resistance { a, b, ohms } = self.resistances.swap_remove(k);
        let (law, handle) = Swept::new(ohms);
        let moved = self.resistances.len();
        let pieces = self.elements.iter_mut().flat_map(|e| &mut e.ports);
        for piece in pieces.map(|port| &mut port.piece) {
            match *piece {
                Piece::Resistance(n) if n == k => *piece = Piece::Law(self.laws.len(), 0),
                Piece::Resistance(n) if n == moved => *piece = Piece::Resistance(k),
                _ => {}
            }
        }
        self.laws.push(LawPart {
            controls: vec![Sense::Voltage(a, b)],
            outputs: vec![Sink::Current(a, b)],
            law: Arc::new(law),
            memory: 0.0,
        });
        handle
    }

    /// Names that a user could have meant.
    pub fn node_names(&self) -> impl Iterator<Item = &str> {
        self.nodes
            .iter()
            .filter(|n| !n.inner)
            .map(|n| n.name.as_str())
    }

    /// The number of unknowns: nodes without ground, and branches.
    pub fn unknowns(&self) -> usize {
        self.nodes.len() - 1 + self.branches.len()
    }
}
