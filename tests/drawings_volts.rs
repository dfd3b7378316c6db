//! A drawing's volts are read as those of the wire beside them: whatever else is near belongs to the
//! same net, or is several times as far away. Read from the drawing's geometry alone.

mod common;

use common::netlists_in;
use gridleak::circuit::params::Overrides;
use gridleak::circuit::read::Draft;
use gridleak::circuit::{Circuit, Node};
use gridleak::drawing::read_back::{self, Drawn};
use gridleak::drawing::scheme::{self, Scheme};
use gridleak::drawing::{self, Notes};
use gridleak::netlist::FileLoader;
use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};

/// A place, in thousandths of a drawing unit.
type Place = (i64, i64);

fn netlists() -> Vec<PathBuf> {
    netlists_in(&["netlists", "tests/drawn"])
}

fn circuit(path: &Path) -> Option<Circuit> {
    let mut draft = Draft::read(path.to_str().expect("UTF-8"), &FileLoader);
    let circuit = draft.build_unwired(&Overrides::default()).ok()?.circuit;
    (!circuit.elements.is_empty()).then_some(circuit)
}

/// Volts as they are lettered, short and long, each node's its own.
fn volts(node: usize, turn: usize) -> String {
    match (node + turn) % 3 {
        0 => format!("{node} V"),
        1 => format!("-{node}.4 mV"),
        _ => format!("{node}.5 V rms AC"),
    }
}

fn drawn(circuit: &Circuit, turn: usize) -> Drawn {
    let all: Vec<usize> = (0..circuit.elements.len()).collect();
    let scheme = Scheme::new(circuit, &all, |_| String::new());
    let mut notes = Notes {
        // Without optimisation a large circuit takes minutes; then the first way of placing will do.
        drafts: usize::from(cfg!(debug_assertions)),
        ..Notes::default()
    };
    for node in 1..circuit.nodes.len() {
        notes.volts.insert(node, volts(node, turn));
    }
    let mut on = || Ok::<(), std::convert::Infallible>(());
    let Ok((sheet, _)) = drawing::draw(circuit, &scheme, &notes, &mut on);
    read_back::read(&sheet.svg()).expect("a drawing")
}

fn on(a: Place, b: Place, p: Place) -> bool {
    let within = |v: i64, a: i64, b: i64| v >= a.min(b) && v <= a.max(b);
    within(p.0, a.0, b.0) && within(p.1, a.1, b.1)
}

/// All that belongs to a net, as runs: wires, and pins, joints and flags as runs of no length.
fn runs(circuit: &Circuit, drawn: &Drawn) -> Vec<(Node, (Place, Place))> {
    let mut net: HashMap<Place, Node> = HashMap::new();
    for part in &drawn.parts {
        let element = circuit.element(&part.name).expect("a part");
        let nodes = scheme::nodes(circuit, element);
        net.extend(part.pins.iter().copied().zip(nodes));
    }
    for flag in &drawn.flags {
        let node = circuit.node(&flag.net).expect("a net");
        net.extend(flag.pins.iter().map(|pin| (*pin, node)));
    }
    let mut of: Vec<Option<Node>> = vec![None; drawn.wires.len()];
    loop {
        let before = net.len();
        for (wire, of) in drawn.wires.iter().zip(&mut of) {
            let joints = drawn.joints.iter().copied();
            let ends = [wire[0], wire[wire.len() - 1]];
            let meets: Vec<Place> = joints
                .filter(|j| wire.windows(2).any(|r| on(r[0], r[1], *j)))
                .chain(ends)
                .collect();
            *of = of.or(meets.iter().find_map(|p| net.get(p).copied()));
            if let Some(node) = *of {
                net.extend(meets.into_iter().map(|p| (p, node)));
            }
        }
        if net.len() == before {
            break;
        }
    }
    let wires = drawn.wires.iter().zip(of);
    let wires = wires.flat_map(|(wire, of)| {
        let of = of.expect("every wire leads to a pin");
        wire.windows(2).map(move |r| (of, (r[0], r[1])))
    });
    wires
        .chain(net.iter().map(|(place, of)| (*of, (*place, *place))))
        .collect()
}

/// From a box to a run, in drawing units.
fn distance(frame: [i64; 4], (a, b): (Place, Place)) -> f64 {
    let gap = |low: i64, high: i64, a: i64, b: i64| (a.min(b) - high).max(low - a.max(b)).max(0);
    let dx = gap(frame[0], frame[2], a.0, b.0) as f64;
    let dy = gap(frame[1], frame[3], a.1, b.1) as f64;
    dx.hypot(dy) / 1000.0
}

/// How much farther another net is than the text's own.
const TIMES: f64 = 3.0;

/// A fixed bug: `0 V` ended at a joint that stood at 254 V, and belonged to the wire below.
#[test]
fn volts_stand_beside_their_own_net_and_far_from_any_other() {
    let mut wrong = Vec::new();
    let (mut texts, mut left) = (0, 0);
    for path in netlists() {
        let Some(circuit) = circuit(&path) else {
            continue;
        };
        // A large circuit takes its time: once is enough.
        let turns = if circuit.elements.len() > 60 { 1 } else { 3 };
        for turn in 0..turns {
            let drawn = drawn(&circuit, turn);
            let runs = runs(&circuit, &drawn);
            let own: BTreeMap<String, Node> = (1..circuit.nodes.len())
                .map(|k| (volts(k, turn), Node(k)))
                .collect();
            let mut there = 0;
            for (frame, text) in &drawn.texts {
                let Some(&node) = own.get(text) else {
                    continue;
                };
                there += 1;
                let nearest = |wanted: &dyn Fn(Node) -> bool| {
                    let of = runs.iter().filter(|(n, _)| wanted(*n));
                    of.map(|(_, run)| distance(*frame, *run))
                        .fold(f64::INFINITY, f64::min)
                };
                let (near, far) = (nearest(&|n| n == node), nearest(&|n| n != node));
                if near > 3.0 || far < TIMES * near {
                    let name = &circuit.nodes[node.0].name;
                    wrong.push(format!(
                        "{}: `{text}` of {name} is {near} from it and {far} from another net",
                        path.display()
                    ));
                }
            }
            let all = runs.iter().map(|(n, _)| n.0).filter(|n| *n > 0);
            left += all.collect::<std::collections::BTreeSet<_>>().len() - there;
            texts += there;
        }
    }
    println!("{texts} texts beside their wires, {left} at the foot");
    assert!(texts > 500, "{texts} texts");
    assert!(5 * left < texts, "{left} texts at the foot of {texts}");
    assert!(wrong.is_empty(), "{}:\n{}", wrong.len(), wrong.join("\n"));
}
