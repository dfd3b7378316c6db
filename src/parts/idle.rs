//! Parts that the switches leave out of use: no figure says what they stand when they are in it.
//!
//! Judged by the circuit's graph, with open switches taken out. No current flows in a part that is on
//! no loop (one end of it leads to nothing), nor in a loop that nothing feeds and that hangs on the
//! rest at one node alone: a cathode's resistor and its capacitor behind an open switch. These loops
//! are the blocks of the graph (its biconnected components; J. Hopcroft and R. Tarjan, Algorithm 447,
//! Communications of the ACM, 1973). A valve is a loop's lead only where current can flow in it: in at
//! a plate that is supplied, out at a cathode that leads on; its own capacitances do not count.

use crate::circuit::{Circuit, Element, Node, Piece, Sense};
use crate::device::Answer;
use crate::device::role::DeviceRole;
use crate::measure::groups::Sets;
use crate::measure::stress::Survey;
use crate::measure::windings::common_of;
use crate::system::assemble::Assembly;
use std::collections::BTreeMap;

/// What is said of such a part.
const NOTE: &str = "not in use as the switches stand: set them and ask again";

/// A relay contact of more ohms is open: less than 0.1 mA flows at any volts of an amplifier.
const OPEN_OHMS: f64 = 1e7;

/// Of more switches than this none is named.
const MOST_NAMED: usize = 64;

/// The relay contacts that are open with the circuit at rest, by their places among the elements;
/// `x` are the unknowns at rest.
pub fn open_contacts(assembly: &Assembly<'_>, x: &[f64]) -> Vec<usize> {
    let circuit = assembly.circuit;
    let is_open = |element: &Element| {
        let laws = element.ports.iter().filter_map(|p| match p.piece {
            Piece::Law(k, _) => Some(k),
            _ => None,
        });
        let mut siemens = laws.map(|k| {
            let control = match circuit.laws[k].controls[1] {
                Sense::Voltage(a, b) => {
                    assembly.unknowns.voltage(x, a) - assembly.unknowns.voltage(x, b)
                }
                Sense::Current(branch) => x[assembly.unknowns.branch(branch)],
            };
            // At 1 V the current is the conductance.
            let mut i = [0.0];
            let mut answer = Answer {
                i: &mut i,
                q: &mut [0.0],
                g: &mut [0.0; 2],
                c: &mut [0.0; 2],
            };
            let law = &circuit.laws[k].law;
            law.answer(&[1.0, control], assembly.memory[k], &mut answer);
            i[0]
        });
        siemens.all(|siemens| siemens * OPEN_OHMS < 1.0)
    };
    let all = circuit.elements.iter().enumerate();
    all.filter(|(_, e)| e.role() == Some(DeviceRole::Switch) && is_open(e))
        .map(|(k, _)| k)
        .collect()
}

/// What is to be noted of parts that are idle because switches are open, by their places among the
/// elements. Parts that would be idle with all switches closed are not among them.
pub(super) fn notes(
    circuit: &Circuit,
    survey: &Survey,
    open_contacts: &[usize],
) -> BTreeMap<usize, String> {
    let all = circuit.elements.iter().enumerate();
    let toggles: Vec<usize> = all
        .filter(|(_, e)| e.role() == Some(DeviceRole::Toggle) && e.position == Some(0.0))
        .map(|(k, _)| k)
        .collect();
    // One that current flows in when a signal plays is not open all the time.
    let contacts = open_contacts.iter().copied().filter(|&k| {
        let worst = |quantity: &str| {
            let figure = survey.find(&circuit.elements[k].name, quantity);
            figure.and_then(|f| f.worst()).map_or(0.0, |w| w.0.abs())
        };
        worst("rms current") * OPEN_OHMS <= worst("peak voltage").max(1.0)
    });
    let mut open = vec![false; circuit.elements.len()];
    toggles
        .iter()
        .copied()
        .chain(contacts)
        .for_each(|k| open[k] = true);
    let mut found = BTreeMap::new();
    if !open.contains(&true) {
        return found;
    }
    let is_live = live(circuit, &open);
    let with_all = live(circuit, &vec![false; open.len()]);
    for k in (0..open.len()).filter(|&k| with_all[k] && !is_live[k]) {
        found.insert(k, NOTE.to_string());
    }
    if toggles.len() > MOST_NAMED {
        return found;
    }
    for toggle in toggles {
        open[toggle] = false;
        let is_live = live(circuit, &open);
        open[toggle] = true;
        let name = crate::circuit::params::bare(&circuit.elements[toggle].name);
        for (_, note) in found.iter_mut().filter(|(k, _)| is_live[**k]) {
            let joint = if note == NOTE { ", with" } else { " or" };
            *note += &format!("{joint} --switch {name}=1");
        }
    }
    found
}

/// What current takes through an element: one node to another.
#[derive(Debug, Clone, Copy)]
struct Edge {
    a: usize,
    b: usize,
    element: usize,
    /// Whether it may feed a loop.
    feeds: bool,
}

/// Whether current can flow in each element, with the switches that are `open` taken out.
fn live(circuit: &Circuit, open: &[bool]) -> Vec<bool> {
    let mut nodes = circuit.nodes.len();
    let mut edges = Vec::new();
    let mut valves = Vec::new();
    for (k, element) in circuit.elements.iter().enumerate().filter(|e| !open[e.0]) {
        if cathode(element).is_some() {
            valves.push(k);
        } else {
            paths(element, k, &mut nodes, &mut edges);
        }
    }
    let conducting = conducting(circuit, nodes, &edges, &valves);
    for k in conducting {
        let element = &circuit.elements[k];
        let Some(cathode) = cathode(element) else {
            continue;
        };
        let others = element.terminals.iter().filter(|n| **n != cathode);
        edges.extend(others.map(|n| Edge {
            a: n.0,
            b: cathode.0,
            element: k,
            feeds: true,
        }));
    }
    let mut found = vec![false; circuit.elements.len()];
    for block in blocks(nodes, &edges) {
        if block.len() > 1 && block.iter().any(|&e| edges[e].feeds) {
            block.iter().for_each(|&e| found[edges[e].element] = true);
        }
    }
    found
}

/// The cathode of a valve; none of anything else.
fn cathode(element: &Element) -> Option<Node> {
    element.terminal("cathode").filter(|_| element.is_valve())
}

/// The paths of current through an element that is no valve. What has more than two leads joins them in
/// a node of its own, a transformer those of each winding.
fn paths(element: &Element, k: usize, nodes: &mut usize, edges: &mut Vec<Edge>) {
    let ends = &element.terminals;
    let mut path = |a: usize, b: usize, feeds: bool| {
        if a != b {
            edges.push(Edge {
                a,
                b,
                element: k,
                feeds,
            });
        }
    };
    let windings = match element.role() {
        // A coupling of inductors.
        None => return,
        Some(
            DeviceRole::Resistor
            | DeviceRole::Capacitor
            | DeviceRole::Diode
            | DeviceRole::Toggle
            | DeviceRole::Switch
            | DeviceRole::Choke
            | DeviceRole::Loudspeaker,
        ) => return path(ends[0].0, ends[1].0, false),
        // An inductor may be coupled to another.
        Some(DeviceRole::Inductor | DeviceRole::VoltageSource | DeviceRole::CurrentSource) => {
            return path(ends[0].0, ends[1].0, true);
        }
        Some(DeviceRole::Pot) => {
            return ends
                .windows(2)
                .for_each(|pair| path(pair[0].0, pair[1].0, false));
        }
        Some(DeviceRole::MainsTransformer) => vec![0, 2, 5],
        _ => match common_of(element) {
            Some(common) => vec![0, common],
            None => vec![0],
        },
    };
    for (n, &first) in windings.iter().enumerate() {
        let last = windings
            .get(n + 1)
            .map_or(ends.len(), |&next| next.min(ends.len()));
        for end in ends.get(first..last).unwrap_or(&[]) {
            path(end.0, *nodes, true);
        }
        *nodes += 1;
    }
}

/// The valves that current can flow in. Out at a cathode: it leads to ground, or to what feeds, or to
/// another such valve. In at a plate: without passing ground it leads, for direct current, to what feeds.
fn conducting(circuit: &Circuit, nodes: usize, edges: &[Edge], valves: &[usize]) -> Vec<usize> {
    let role = |e: &Edge| circuit.elements[e.element].role();
    let others = |k: usize| {
        let element = &circuit.elements[k];
        let cathode = cathode(element);
        let all = element.terminals.iter().copied();
        all.filter(move |n| Some(*n) != cathode)
    };
    let mut sets = joined(nodes, edges);
    let mut sinks = vec![false; nodes];
    sinks[sets.lowest(0)] = true;
    for edge in edges.iter().filter(|e| e.feeds) {
        sinks[sets.lowest(edge.a)] = true;
    }
    let mut leaving = Vec::new();
    let mut waiting = valves.to_vec();
    loop {
        let (more, rest): (Vec<usize>, Vec<usize>) = waiting
            .into_iter()
            .partition(|&k| cathode(&circuit.elements[k]).is_some_and(|n| sinks[sets.lowest(n.0)]));
        waiting = rest;
        for n in more.iter().flat_map(|&k| others(k)) {
            sinks[sets.lowest(n.0)] = true;
        }
        if more.is_empty() {
            break;
        }
        leaving.extend(more);
    }
    // An output transformer passes on what its centre gets.
    let passes = |e: &&Edge| match role(e) {
        Some(DeviceRole::Capacitor) => false,
        _ => e.a != 0 && e.b != 0,
    };
    let direct: Vec<Edge> = edges.iter().filter(passes).copied().collect();
    let mut sets = joined(nodes, &direct);
    let mut fed = vec![false; nodes];
    let feeds = |e: &&Edge| {
        e.feeds
            && !matches!(
                role(e),
                Some(DeviceRole::Inductor | DeviceRole::OutputTransformer)
            )
    };
    for edge in edges.iter().filter(feeds) {
        for end in [edge.a, edge.b] {
            fed[sets.lowest(end)] |= end != 0;
        }
    }
    let mut found = Vec::new();
    loop {
        let (more, rest): (Vec<usize>, Vec<usize>) = leaving.into_iter().partition(|&k| {
            let element = &circuit.elements[k];
            let plates = ["plate", "plate1", "plate2"];
            let mut plates = plates.iter().filter_map(|plate| element.terminal(plate));
            plates.any(|n| n != Node::GROUND && fed[sets.lowest(n.0)])
        });
        leaving = rest;
        for n in more.iter().filter_map(|&k| cathode(&circuit.elements[k])) {
            fed[sets.lowest(n.0)] |= n != Node::GROUND;
        }
        if more.is_empty() {
            return found;
        }
        found.extend(more);
    }
}

/// Nodes in sets that edges join.
fn joined(nodes: usize, edges: &[Edge]) -> Sets {
    let mut sets = Sets::apart(nodes);
    for edge in edges {
        sets.join(edge.a, edge.b);
    }
    sets
}

/// The blocks of a graph, as the places of their edges; without recursion, as a netlist may be long.
fn blocks(nodes: usize, edges: &[Edge]) -> Vec<Vec<usize>> {
    let mut leads: Vec<Vec<usize>> = vec![Vec::new(); nodes];
    for (k, edge) in edges.iter().enumerate() {
        leads[edge.a].push(k);
        leads[edge.b].push(k);
    }
    const UNSEEN: usize = usize::MAX;
    let (mut depth, mut low) = (vec![UNSEEN; nodes], vec![0; nodes]);
    let mut is_taken = vec![false; edges.len()];
    let (mut found, mut stack) = (Vec::new(), Vec::new());
    for first in 0..nodes {
        if depth[first] != UNSEEN {
            continue;
        }
        depth[first] = 0;
        // A node, the next of its leads, and how many edges the stack had before the one to it.
        let mut way: Vec<(usize, usize, usize)> = vec![(first, 0, 0)];
        while let Some(&mut (node, ref mut next, before)) = way.last_mut() {
            if let Some(&edge) = leads[node].get(*next) {
                *next += 1;
                if std::mem::replace(&mut is_taken[edge], true) {
                    continue;
                }
                let before = stack.len();
                stack.push(edge);
                let other = edges[edge].a + edges[edge].b - node;
                if depth[other] == UNSEEN {
                    depth[other] = way.len();
                    low[other] = way.len();
                    way.push((other, 0, before));
                } else {
                    low[node] = low[node].min(depth[other]);
                }
                continue;
            }
            way.pop();
            if let Some(&(parent, ..)) = way.last() {
                low[parent] = low[parent].min(low[node]);
                if low[node] >= depth[parent] {
                    found.push(stack.split_off(before));
                }
            }
        }
    }
    found
}
