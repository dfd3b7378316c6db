//! Topology checks, before any number is computed: faults of wiring that would make
//! the equations unsolvable, reported in the builder's words.

use super::names::list;
use super::network::{Branch, BranchKind, Circuit, Element, Node, Piece, Port, Sense};
use super::problem::CircuitProblem;
use crate::device::role::DeviceRole;
use crate::diag::Diagnostic;
use std::collections::BTreeMap;

/// As many faults of a kind are worked out as are shown at most.
const ENOUGH: usize = super::problem::MOST + 1;

/// Everything wrong with the wiring.
pub fn topology(circuit: &Circuit) -> Vec<Diagnostic> {
    if circuit.elements.is_empty() {
        // Said where the place is known.
        return Vec::new();
    }
    let mut problems = Vec::new();
    let grounded = circuit
        .elements
        .iter()
        .any(|e| e.terminals.contains(&Node::GROUND));
    if !grounded {
        return vec![CircuitProblem::NoGround.at(circuit.elements[0].span)];
    }
    alone(circuit, &mut problems);
    let lone: Vec<Node> = lone_nodes(circuit);
    unreached(circuit, &lone, &mut problems);
    voltage_loops(circuit, &mut problems);
    couplings(circuit, &mut problems);
    problems
}

/// Sets of nodes joined by something.
struct Sets(Vec<usize>);

impl Sets {
    fn new(n: usize) -> Self {
        Sets((0..n).collect())
    }
    fn root(&mut self, mut n: usize) -> usize {
        while self.0[n] != n {
            self.0[n] = self.0[self.0[n]];
            n = self.0[n];
        }
        n
    }
    /// False if they were together already.
    fn join(&mut self, a: Node, b: Node) -> bool {
        let (a, b) = (self.root(a.0), self.root(b.0));
        // The smaller number leads, so that ground's set is set 0.
        self.0[a.max(b)] = a.min(b);
        a != b
    }
}

/// Pairs of an element's nodes between which direct current can pass.
fn dc_paths(circuit: &Circuit, element: &Element) -> Vec<(Node, Node)> {
    if let Some(kind) = element.kind {
        return kind
            .dc_paths
            .iter()
            .filter_map(|&(a, b)| Some((*element.terminals.get(a)?, *element.terminals.get(b)?)))
            .collect();
    }
    let passes = match element.letter {
        'R' | 'L' | 'V' | 'E' | 'H' => true,
        'B' => circuit.branch_of(element).is_some(),
        _ => false,
    };
    // A controlled current that depends on its own voltage is a conductance.
    let passes = passes || leans_on_itself(circuit, element);
    if passes {
        vec![(element.terminals[0], element.terminals[1])]
    } else {
        vec![]
    }
}

fn leans_on_itself(circuit: &Circuit, element: &Element) -> bool {
    let own = |n: &Node| *n != Node::GROUND && element.terminals.contains(n);
    matches!(element.letter, 'G' | 'B') && sensed(circuit, element).iter().any(own)
}

/// The nodes whose voltages set an element's current.
fn sensed(circuit: &Circuit, element: &Element) -> Vec<Node> {
    let look = |sense: &Sense| match sense {
        Sense::Voltage(a, b) => vec![*a, *b],
        Sense::Current(_) => vec![],
    };
    let of_port = |port: &Port| match port.piece {
        Piece::Gain(k) => look(&circuit.gains[k].sense),
        Piece::Law(k, _) => circuit.laws[k].controls.iter().flat_map(look).collect(),
        _ => vec![],
    };
    element.ports.iter().flat_map(of_port).collect()
}

/// The nodes that controlled sources look at.
fn controls(circuit: &Circuit) -> Vec<Node> {
    let mut of_devices = vec![false; circuit.laws.len()];
    let devices = circuit.elements.iter();
    for element in devices.filter(|e| e.kind.is_some() || matches!(e.letter, 'C' | 'L')) {
        for port in &element.ports {
            if let Piece::Law(k, _) = port.piece {
                of_devices[k] = true;
            }
        }
    }
    let laws = circuit
        .laws
        .iter()
        .zip(&of_devices)
        .filter(|(_, own)| !**own);
    let senses = circuit.gains.iter().map(|g| &g.sense);
    let senses = senses.chain(laws.flat_map(|(law, _)| &law.controls));
    let nodes = senses.filter_map(|sense| match sense {
        Sense::Voltage(a, b) => Some([*a, *b]),
        Sense::Current(_) => None,
    });
    nodes.flatten().collect()
}

/// Whether it has two ends and no tap, however many parts it is made of: with one of them alone nothing
/// flows.
fn is_two_ended(element: &Element) -> bool {
    matches!(
        element.role(),
        Some(DeviceRole::Choke | DeviceRole::Loudspeaker)
    )
}

fn connections(circuit: &Circuit) -> Vec<(usize, usize)> {
    let mut count = vec![(0, 0); circuit.nodes.len()];
    for (k, element) in circuit.elements.iter().enumerate() {
        for node in &element.terminals {
            // Two halves of a pot's track meet at its wiper: nothing more has to. A
            // transformer's tap may be left free.
            let halves = element.ports.iter().filter_map(|p| match p.piece {
                _ if ![p.nodes.0, p.nodes.1].contains(node) => None,
                _ if is_two_ended(element) => None,
                Piece::Resistance(_) => Some(1),
                Piece::Branch(_) if element.kind.is_some() => Some(2),
                _ => None,
            });
            count[node.0].0 += halves.sum::<usize>().max(1);
            count[node.0].1 = k;
        }
    }
    for node in controls(circuit) {
        count[node.0].0 += 1;
    }
    count
}

fn lone_nodes(circuit: &Circuit) -> Vec<Node> {
    connections(circuit)
        .iter()
        .enumerate()
        .skip(1)
        .filter(|&(n, &(count, _))| count == 1 && !circuit.nodes[n].inner)
        .map(|(n, _)| Node(n))
        .collect()
}

/// The published rule: every node has at least two connections.
fn alone(circuit: &Circuit, problems: &mut Vec<Diagnostic>) {
    let count = connections(circuit);
    for node in lone_nodes(circuit).into_iter().take(ENOUGH) {
        let element = &circuit.elements[count[node.0].1];
        let name = &circuit.nodes[node.0].name;
        let problem = CircuitProblem::Alone {
            element: element.name.clone(),
            node: name.clone(),
        };
        // What a voltage source puts out may well be there to be probed and no more.
        let driven = matches!(element.letter, 'V' | 'E' | 'H' | 'B');
        let mut diagnostic = if driven && circuit.branch_of(element).is_some() {
            problem.warn_at(element.span)
        } else {
            problem.at(element.span)
        };
        // A misspelt node name is the usual reason.
        let others = circuit.node_names().filter(|n| n != name && *n != "0");
        if let Some(near) = crate::diag::nearest(name, others) {
            let hint = diagnostic.hint.unwrap_or_default();
            diagnostic.hint = Some(format!("did you mean `{near}`? Otherwise {hint}"));
        }
        problems.push(diagnostic);
    }
}

/// Nodes that direct current cannot reach, group by group.
fn unreached(circuit: &Circuit, told: &[Node], problems: &mut Vec<Diagnostic>) {
    let n = circuit.nodes.len();
    let (mut direct, mut any) = (Sets::new(n), Sets::new(n));
    for element in &circuit.elements {
        for (a, b) in dc_paths(circuit, element) {
            direct.join(a, b);
        }
        for pair in element.terminals.windows(2) {
            any.join(pair[0], pair[1]);
        }
    }
    let mut groups: BTreeMap<usize, Vec<Node>> = BTreeMap::new();
    let mut islands: BTreeMap<usize, Vec<Node>> = BTreeMap::new();
    for node in (1..n).map(Node).filter(|k| !circuit.nodes[k.0].inner) {
        if any.root(node.0) != 0 {
            islands.entry(any.root(node.0)).or_default().push(node);
        } else if direct.root(node.0) != 0 {
            groups.entry(direct.root(node.0)).or_default().push(node);
        }
    }
    let mut is_told = vec![false; n];
    for node in told {
        is_told[node.0] = true;
    }
    let name = |nodes: &[Node]| list(nodes.iter().map(|k| circuit.nodes[k.0].name.as_str()));
    for (kind, nodes) in islands
        .values()
        .map(|g| (0, g))
        .chain(groups.values().map(|g| (1, g)))
        .filter(|(_, nodes)| !nodes.iter().all(|k| is_told[k.0]))
        .take(ENOUGH)
    {
        let mut within = vec![false; n];
        for node in nodes {
            within[node.0] = true;
        }
        let touching: Vec<&Element> = circuit
            .elements
            .iter()
            .filter(|e| e.terminals.iter().any(|t| within[t.0]))
            .collect();
        let elements = list(touching.iter().map(|e| e.name.as_str()));
        let driven: Vec<&str> = touching
            .iter()
            .filter(|e| {
                matches!(e.letter, 'I' | 'F' | 'G')
                    || (e.letter == 'B' && circuit.branch_of(e).is_none())
            })
            .map(|e| e.name.as_str())
            .collect();
        let problem = if kind == 0 {
            CircuitProblem::Floating {
                nodes: name(nodes),
                elements,
            }
        } else if !driven.is_empty() {
            CircuitProblem::CurrentCutSet {
                sources: list(driven.iter().copied()),
                nodes: name(nodes),
            }
        } else {
            CircuitProblem::NoDcPath {
                nodes: name(nodes),
                elements,
            }
        };
        problems.push(problem.at(touching.first().and_then(|e| e.span)));
    }
}

/// Loops in which Kirchhoff's voltage law would contradict itself or leave a current open.
fn voltage_loops(circuit: &Circuit, problems: &mut Vec<Diagnostic>) {
    let mut sets = Sets::new(circuit.nodes.len());
    let mut forest: Vec<Vec<(usize, usize)>> = vec![Vec::new(); circuit.nodes.len()];
    for (k, element) in circuit.elements.iter().enumerate() {
        // A device's windings have resistance: they close no such loop.
        let (None, Some(Branch(branch))) = (element.kind, circuit.branch_of(element)) else {
            continue;
        };
        let (a, b) = (circuit.branches[branch].a, circuit.branches[branch].b);
        if sets.join(a, b) {
            forest[a.0].push((b.0, k));
            forest[b.0].push((a.0, k));
            continue;
        }
        if problems.len() > ENOUGH {
            return;
        }
        let mut names = path(&forest, a.0, b.0)
            .into_iter()
            .map(|e| circuit.elements[e].name.as_str())
            .collect::<Vec<_>>();
        names.push(&element.name);
        problems.push(
            CircuitProblem::VoltageLoop {
                elements: list(names.into_iter()),
            }
            .at(element.span),
        );
    }
}

/// The elements between two nodes of a forest.
fn path(forest: &[Vec<(usize, usize)>], from: usize, to: usize) -> Vec<usize> {
    let mut came: BTreeMap<usize, (usize, usize)> = BTreeMap::new();
    let mut queue = std::collections::VecDeque::from([from]);
    while let Some(node) = queue.pop_front() {
        if node == to {
            break;
        }
        for &(next, element) in &forest[node] {
            if next != from && !came.contains_key(&next) {
                came.insert(next, (node, element));
                queue.push_back(next);
            }
        }
    }
    let mut elements = Vec::new();
    let mut node = to;
    while node != from {
        let (before, element) = came[&node];
        elements.push(element);
        node = before;
    }
    elements.reverse();
    elements
}

/// An inductance matrix must not give energy away: it is positive semidefinite.
fn couplings(circuit: &Circuit, problems: &mut Vec<Diagnostic>) {
    let mut groups = Sets::new(circuit.branches.len());
    for &(a, b, _) in &circuit.mutuals {
        groups.join(Node(a.0), Node(b.0));
    }
    let mut members: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for k in 0..circuit.branches.len() {
        if matches!(circuit.branches[k].kind, BranchKind::Inductance(_)) {
            members.entry(groups.root(k)).or_default().push(k);
        }
    }
    for group in members.values().filter(|g| g.len() > 2) {
        let inductance = |k: usize| match circuit.branches[k].kind {
            BranchKind::Inductance(h) => h,
            _ => 1.0,
        };
        let mut factors = Vec::new();
        for &(a, b, mutual) in &circuit.mutuals {
            if let (Ok(i), Ok(j)) = (group.binary_search(&a.0), group.binary_search(&b.0)) {
                let factor = mutual / (inductance(a.0) * inductance(b.0)).sqrt();
                factors.push((i, j, factor));
            }
        }
        if !semidefinite(group.len(), &factors) {
            let named: Vec<&Element> = circuit
                .elements
                .iter()
                .filter(|e| {
                    e.ports.iter().any(
                        |p| matches!(p.piece, Piece::Branch(k) if group.binary_search(&k).is_ok()),
                    )
                })
                .collect();
            problems.push(
                CircuitProblem::ImpossibleCoupling {
                    inductors: list(named.iter().map(|e| e.name.as_str())),
                }
                .at(named.first().and_then(|e| e.span)),
            );
        }
    }
}

/// Whether a symmetric matrix with ones on its diagonal has no negative eigenvalue: elimination
/// without a negative pivot (Sylvester's law of inertia). `factors` are the rest of it.
///
/// Only what is not zero is kept, and the rows with the fewest neighbours go first, so that
/// thousands of inductors in a row or round a hub cost no more than there are couplings.
fn semidefinite(n: usize, factors: &[(usize, usize, f64)]) -> bool {
    let mut neighbours = vec![0usize; n];
    for &(a, b, _) in factors {
        neighbours[a] += 1;
        neighbours[b] += 1;
    }
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by_key(|&k| neighbours[k]);
    let mut turn = vec![0; n];
    for (at, &k) in order.iter().enumerate() {
        turn[k] = at;
    }
    // The upper triangle.
    let mut rows: Vec<BTreeMap<usize, f64>> = vec![BTreeMap::new(); n];
    for (at, row) in rows.iter_mut().enumerate() {
        row.insert(at, 1.0);
    }
    for &(a, b, factor) in factors {
        let (a, b) = (turn[a].min(turn[b]), turn[a].max(turn[b]));
        rows[a].insert(b, factor);
    }
    for k in 0..n {
        let row = std::mem::take(&mut rows[k]);
        let pivot = row[&k];
        let rest: Vec<(usize, f64)> = row.into_iter().filter(|e| e.0 > k).collect();
        if pivot < -1e-9 {
            return false;
        }
        if pivot < 1e-12 {
            if rest.iter().any(|x| x.1.abs() > 1e-6) {
                return false;
            }
            continue;
        }
        for (at, &(i, x)) in rest.iter().enumerate() {
            for &(j, y) in &rest[at..] {
                *rows[i].entry(j).or_insert(0.0) -= x / pivot * y;
            }
        }
    }
    true
}
