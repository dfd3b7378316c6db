//! Parts that carry the current of an output stage. Its plates, and its screens far more, draw
//! several times as much on a loud chord as at rest, so nothing is chosen for them by what they need
//! while nothing plays.

use crate::circuit::{Circuit, Element, Node};
use crate::device::role::DeviceRole;
use crate::measure::chart::is_valve;
use crate::measure::stress::Survey;
use crate::measure::windings::common_of;
use std::collections::{BTreeSet, HashMap, VecDeque};

/// What is said of such a part.
pub(super) const NOTE: &str = "at rest only: use --drive full";

/// The places among the elements of the resistors and chokes between an output stage's plates,
/// screens and cathodes and its supply or ground, in the supply, and at its load. None where a
/// signal plays, or where no valve is on an output transformer.
pub(super) fn carriers(circuit: &Circuit, survey: &Survey) -> BTreeSet<usize> {
    let mut found = BTreeSet::new();
    let mut primaries = Vec::new();
    let mut taps = Vec::new();
    for element in &circuit.elements {
        if let Some(common) = common_of(element) {
            primaries.extend_from_slice(&element.terminals[..common]);
            taps.extend_from_slice(&element.terminals[common + 1..]);
        }
    }
    // A load is on a tap through a closed switch too.
    for toggle in &circuit.elements {
        if let (Some(DeviceRole::Toggle), Some(1.0), [a, b]) =
            (toggle.role(), toggle.position, &toggle.terminals[..])
        {
            for (near, far) in [(*a, *b), (*b, *a)] {
                if taps.contains(&near) && far != Node::GROUND && !taps.contains(&far) {
                    taps.push(far);
                }
            }
        }
    }
    let on_iron = |e: &&Element| {
        let plate = e.terminal("plate");
        is_valve(e) && plate.is_some_and(|plate| primaries.contains(&plate))
    };
    let valves: Vec<&Element> = circuit.elements.iter().filter(on_iron).collect();
    if valves.is_empty() || survey.states.iter().any(|s| s.sine.is_some()) {
        return found;
    }
    let wires = wires(circuit);
    let from_supply = Ways::from(&supplies(circuit), &wires);
    let from_ground = Ways::from(&[Node::GROUND], &wires);
    for valve in valves {
        for (electrode, ways) in [
            ("plate", &from_supply),
            ("screen", &from_supply),
            ("cathode", &from_ground),
        ] {
            found.extend(
                valve
                    .terminal(electrode)
                    .into_iter()
                    .flat_map(|n| ways.to(n)),
            );
        }
    }
    let (high, centre) = windings(circuit);
    for (k, element) in circuit.elements.iter().enumerate() {
        let [a, b] = element.terminals[..] else {
            continue;
        };
        let joins = |nodes: &[Node]| nodes.contains(&a) || nodes.contains(&b);
        let is_grounded = a == Node::GROUND || b == Node::GROUND;
        let in_supply = joins(&centre) || (joins(&high) && !is_grounded);
        if element.role() == Some(DeviceRole::Resistor) && (joins(&taps) || in_supply) {
            found.insert(k);
        }
    }
    found
}

/// What joins two nodes for direct current, by the place of its element.
type Wire = (usize, Node, Node);

fn wires(circuit: &Circuit) -> Vec<Wire> {
    let mut all = Vec::new();
    for (k, element) in circuit.elements.iter().enumerate() {
        let nodes = &element.terminals;
        match element.role() {
            Some(
                DeviceRole::Resistor
                | DeviceRole::Choke
                | DeviceRole::Inductor
                | DeviceRole::Toggle
                | DeviceRole::Switch,
            ) => all.push((k, nodes[0], nodes[1])),
            Some(DeviceRole::Pot) => {
                all.extend(nodes.windows(2).map(|pair| (k, pair[0], pair[1])));
            }
            _ => {
                if let Some(common) = common_of(element) {
                    let ends = nodes[..common].windows(2);
                    all.extend(ends.map(|pair| (k, pair[0], pair[1])));
                }
            }
        }
    }
    all
}

/// Where a supply begins: at sources, rectifiers and regulators.
fn supplies(circuit: &Circuit) -> Vec<Node> {
    let begins = |e: &&Element| {
        e.role().is_some_and(|role| {
            role.is_source() || role.rectifies() || matches!(role, DeviceRole::Transistor(_))
        })
    };
    let all = circuit.elements.iter().filter(begins);
    let nodes = all.flat_map(|e| e.terminals.iter().copied());
    nodes.filter(|n| *n != Node::GROUND).collect()
}

/// The ends and the centres of high-tension windings; a centre at ground has no resistor.
fn windings(circuit: &Circuit) -> (Vec<Node>, Vec<Node>) {
    let is_mains = |e: &&Element| e.role() == Some(DeviceRole::MainsTransformer);
    let all: Vec<&Element> = circuit.elements.iter().filter(is_mains).collect();
    let of = |names: &[&str]| {
        let nodes = all
            .iter()
            .flat_map(|e| names.iter().filter_map(|n| e.terminal(n)));
        nodes.filter(|n| *n != Node::GROUND).collect()
    };
    (of(&["ht1", "ht2"]), of(&["centre"]))
}

/// The shortest ways from some nodes to all others, none of them through ground.
struct Ways(HashMap<Node, Option<(usize, Node)>>);

impl Ways {
    fn from(nodes: &[Node], wires: &[Wire]) -> Ways {
        let mut back: HashMap<Node, Option<(usize, Node)>> = HashMap::new();
        let mut open: VecDeque<Node> = nodes.iter().copied().collect();
        back.extend(nodes.iter().map(|n| (*n, None)));
        while let Some(at) = open.pop_front() {
            for &(k, a, b) in wires {
                for (near, far) in [(a, b), (b, a)] {
                    if near == at && far != Node::GROUND && !back.contains_key(&far) {
                        back.insert(far, Some((k, at)));
                        open.push_back(far);
                    }
                }
            }
        }
        Ways(back)
    }

    /// The elements on the way to a node; none where there is no way.
    fn to(&self, mut node: Node) -> Vec<usize> {
        let mut all = Vec::new();
        while let Some(&Some((k, before))) = self.0.get(&node) {
            all.push(k);
            node = before;
        }
        all
    }
}
