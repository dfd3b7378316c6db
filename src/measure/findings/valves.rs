//! Valves that do not work: electrodes exchanged, cut off, bottomed, or drawing grid current.
//!
//! A valve's surroundings are judged from what they would do without it: with its laws pulled from
//! the equations each electrode sees a resistance and would stand at a voltage of its own. The
//! thresholds are this project's own; they leave alone what is common practice (the grid of a
//! follower straight at a plate, grid-leak bias of a few meg, long tails).

use super::finding::{Finding, Judgement, show};
use super::halves;
use crate::circuit::{BranchKind, Element, Node};
use crate::device::role::DeviceRole;
use crate::measure::chart::is_valve;
use crate::measure::grid_circuit::{OPEN, SUPPLIED_V};
use crate::measure::groups::Groups;
use crate::measure::impedance::{self, Resistances, SmallDirect};
use crate::system::assemble::Assembly;

/// Plate current below which data sheets call a small valve cut off (RCA Receiving Tube Manual
/// RC-30, 1975: "grid voltage for plate current of 10 microamperes"; from memory), A.
const CUT_OFF: f64 = 10e-6;
/// Part of its supply's volts at which a plate has bottomed.
const BOTTOM: f64 = 0.1;
/// Grid current that is worth a word, and that which no working stage has at rest, A; the latter
/// as a part of the plate current too.
const GRID: (f64, f64, f64) = (1e-6, 50e-6, 0.02);

/// What one valve sees.
struct Seen {
    /// Volts at plate, grid and cathode.
    plate: f64,
    grid: f64,
    cathode: f64,
    screen: Option<f64>,
    /// Amperes.
    plate_a: f64,
    grid_a: f64,
    /// Ohms that plate, grid and cathode see without the valve.
    ohms: [f64; 3],
    /// Volts at which plate, grid and cathode would stand without the valve.
    without: [f64; 3],
    /// Whether an open switch keeps a supply from its plate.
    held_off: bool,
    /// Whether its screen is at an output transformer's end for a plate, and its plate is at none.
    crossed: bool,
}

/// The findings about all valves.
pub(super) fn findings(assembly: &mut Assembly<'_>, x: &[f64]) -> Vec<Finding> {
    let circuit = assembly.circuit;
    let valves = circuit.elements.iter().filter(|e| is_valve(e));
    let joined = Joined::new(assembly, x);
    let plain = plain_ohms(assembly, x);
    let mut found = Vec::new();
    for (element, plain) in valves.zip(plain) {
        let Some(seen) = look(assembly, x, element, plain, &joined) else {
            continue;
        };
        let judgement = judge(&seen);
        found.extend(judgement.map(|j| Finding::of(element, j)));
    }
    found
}

/// Up to this many ohms without the valve they are taken from the circuit with it, by one
/// factorisation for all valves: an empty socket's leakage is a thousandth of that. The circuit was
/// factored once for each valve before, 1000 times for 1000 stages.
const PLAIN: f64 = 1e7;

/// Ohms that plate, grid and cathode of each valve see without it, where they are plain.
fn plain_ohms(assembly: &mut Assembly<'_>, x: &[f64]) -> Vec<Option<[f64; 3]>> {
    let circuit = assembly.circuit;
    let valves = circuit.elements.iter().filter(|e| is_valve(e));
    let Some(lu) = impedance::factored(assembly, x) else {
        return valves.map(|_| None).collect();
    };
    let laws = assembly.currents(x);
    let mut seen = Resistances::new(assembly, laws, &lu);
    let of = |element: &Element| {
        let own = element.laws();
        let mut ohms = [0.0; 3];
        for (ohms, node) in ohms.iter_mut().zip(electrodes(element)?) {
            if node != Node::GROUND {
                *ohms = seen.without(node, &own).filter(|o| *o < PLAIN)?;
            }
        }
        Some(ohms)
    };
    valves.map(of).collect()
}

/// Plate, grid and cathode.
fn electrodes(element: &Element) -> Option<[Node; 3]> {
    let at = |name: &str| element.terminal(name);
    Some([at("plate")?, at("grid")?, at("cathode")?])
}

/// `plain` are the ohms that its electrodes see without it, if they are known.
fn look(
    assembly: &mut Assembly<'_>,
    x: &[f64],
    element: &Element,
    plain: Option<[f64; 3]>,
    joined: &Joined,
) -> Option<Seen> {
    let nodes = electrodes(element)?;
    let screen = element.terminal("screen");
    let amperes = |name: &str| {
        let reading = element.readings.iter().find(|r| r.0.name == name);
        reading.map_or(0.0, |&(_, law, output)| {
            assembly.law_currents(law, x).i[output]
        })
    };
    let (plate_a, grid_a) = (amperes("plate current"), amperes("grid current"));
    let screen_a = amperes("screen current");
    // What each electrode gives back to the circuit when the valve is pulled.
    let taken = [plate_a, grid_a, -(plate_a + grid_a + screen_a)];
    let ohms = match plain {
        Some(ohms) => ohms,
        None => {
            let mut small = SmallDirect::without(assembly, x, &element.laws()).ok()?;
            nodes.map(|node| small.resistance(node, Node::GROUND))
        }
    };
    let volts = |node: Node| assembly.unknowns.voltage(x, node);
    // Without the valve nothing drives its electrodes beyond what stands in the circuit.
    let all = || (0..assembly.circuit.nodes.len()).map(|node| volts(Node(node)));
    let (lowest, highest) = (all().fold(0.0, f64::min), all().fold(0.0, f64::max));
    let alone = |k: usize| (volts(nodes[k]) + ohms[k] * taken[k]).clamp(lowest, highest);
    let without: [f64; 3] = std::array::from_fn(alone);
    Some(Seen {
        plate: volts(nodes[0]),
        grid: volts(nodes[1]),
        cathode: volts(nodes[2]),
        screen: screen.map(volts),
        plate_a,
        grid_a,
        ohms,
        without,
        held_off: joined.held_off(assembly, x, nodes[0]),
        crossed: screen.is_some_and(|screen| joined.crossed(nodes[0], screen)),
    })
}

/// Groups of nodes that wires, resistors and windings join, ground apart.
struct Joined {
    groups: Groups,
    /// Open switches: the nodes of both ends.
    open: Vec<(Node, Node)>,
    /// Nodes that are one lead, and which of these are where output transformers feed plates.
    leads: Groups,
    ends: Vec<usize>,
}

impl Joined {
    fn new(assembly: &mut Assembly<'_>, x: &[f64]) -> Self {
        let circuit = assembly.circuit;
        let resistances = circuit.resistances.iter().filter(|r| r.ohms.abs() < OPEN);
        let branches = circuit.branches.iter();
        let windings = branches.filter(|b| !matches!(b.kind, BranchKind::Source(_)));
        let pairs = resistances
            .map(|r| (r.a, r.b))
            .chain(windings.map(|b| (b.a, b.b)));
        let groups = Groups::new(circuit, pairs);
        let open = circuit.elements.iter().filter_map(|e| {
            let open = e.role() == Some(DeviceRole::Toggle) && e.position == Some(0.0);
            match e.terminals[..] {
                [a, b] if open => Some((a, b)),
                _ => None,
            }
        });
        let leads = halves::leads(circuit);
        Joined {
            groups,
            open: open.collect(),
            ends: halves::plate_ends(assembly, x, &leads),
            leads,
        }
    }

    /// Whether a screen is where an output transformer feeds a plate, and the plate is not.
    fn crossed(&self, plate: Node, screen: Node) -> bool {
        let at_end = |node: Node| self.ends.contains(&self.leads.of(node));
        at_end(screen) && !at_end(plate)
    }

    /// Whether an open switch keeps a supply from a node: one end of it is in the node's group, and
    /// the other has volts.
    fn held_off(&self, assembly: &Assembly<'_>, x: &[f64], node: Node) -> bool {
        let volts = |node: Node| assembly.unknowns.voltage(x, node);
        let own = self.groups.of(node);
        let live = |near: Node, far: Node| {
            self.groups.of(near) == own
                && self.groups.of(far) != own
                && volts(far) - volts(near) > SUPPLIED_V
        };
        self.open.iter().any(|&(a, b)| live(a, b) || live(b, a))
    }
}

/// A plate stands no higher than this without its valve where nothing feeds it, V.
const SOME_V: f64 = 0.05;

/// What is wrong with a valve, if something is: the row it is about, in words, and whether it
/// cannot be right.
fn judge(seen: &Seen) -> Option<Judgement> {
    let (vpk, vgk) = (seen.plate - seen.cathode, seen.grid - seen.cathode);
    let [_, _, cathode_ohms] = seen.ohms;
    let [plate_v, grid_v, cathode_v] = seen.without;
    let draws = show(seen.grid_a, "A");
    if cathode_ohms.abs() >= OPEN {
        let text = "switched off: its cathode leads nowhere".to_string();
        return Some(("plate current", text, false));
    }
    let [_, grid_ohms, _] = seen.ohms;
    if grid_ohms.abs() >= OPEN && vpk > SUPPLIED_V {
        let text = format!(
            "its grid floats: {} lead from it, so that leakage says where it stands and what the valve draws",
            show(grid_ohms.abs(), "Ω")
        );
        return Some(("vgk", text, true));
    }
    let much = seen.grid_a > GRID.1 && seen.grid_a > GRID.2 * seen.plate_a;
    if much && grid_v - seen.cathode > 30.0 && vpk < vgk.max(0.1 * (grid_v - seen.cathode)) {
        let text = format!("grid current at rest {draws}: are plate and grid exchanged?");
        return Some(("grid current", text, true));
    }
    if much {
        let text = format!(
            "grid current at rest {draws}: the grid stands at {} to the cathode",
            signed(vgk)
        );
        return Some(("grid current", text, true));
    }
    if vgk > 0.5 {
        let text = format!("the grid stands at {} to the cathode at rest", signed(vgk));
        return Some(("vgk", text, true));
    }
    let supply = plate_v - seen.cathode.min(cathode_v.max(0.0));
    // A current source supplies a plate too, and is no resistance.
    let works = vpk > SUPPLIED_V && seen.plate_a > CUT_OFF;
    if !works && (supply < SUPPLIED_V || seen.ohms[0].abs() >= OPEN) {
        let text = if seen.held_off {
            "no plate volts: what supplies the plate is switched off".to_string()
        } else if seen.ohms[0].abs() < OPEN && plate_v.abs() > SOME_V {
            format!(
                "no plate volts: what feeds the plate has {}",
                show(plate_v, "V")
            )
        } else {
            "no plate volts: the plate is connected to nothing that supplies it".to_string()
        };
        return Some(("plate current", text, !seen.held_off));
    }
    if seen.crossed {
        let text = "are plate and screen exchanged? The output transformer is at its screen, and its plate \
                    is not at the transformer";
        return Some(("plate current", text.to_string(), true));
    }
    let starved = vpk > 0.7 * (plate_v - cathode_v);
    if cathode_ohms > 47e3 && cathode_ohms > 10.0 * grid_ohms.abs() && starved {
        let text = format!(
            "starved: {} through {} at the cathode: are grid and cathode exchanged?",
            show(seen.plate_a, "A"),
            show(cathode_ohms, "Ω")
        );
        return Some(("plate current", text, true));
    }
    if seen.plate_a < CUT_OFF {
        let text = match seen.screen {
            Some(screen) if screen - seen.cathode < SUPPLIED_V => {
                "no plate current: the screen has no volts".to_string()
            }
            _ => format!(
                "cut off: {} with the grid at {} to the cathode",
                show(seen.plate_a, "A"),
                signed(vgk)
            ),
        };
        return Some(("plate current", text, true));
    }
    if vpk < BOTTOM * (plate_v - seen.cathode) && plate_v - seen.plate > SUPPLIED_V {
        let text = format!(
            "bottomed: {} from plate to cathode of {} that feed it",
            show(vpk, "V"),
            show(plate_v, "V")
        );
        return Some(("vpk", text, true));
    }
    (seen.grid_a > GRID.0).then(|| {
        let text = format!("grid current at rest {draws}");
        ("grid current", text, false)
    })
}

fn signed(volts: f64) -> String {
    let sign = if volts > 0.0 { "+" } else { "" };
    format!("{sign}{}", show(volts, "V"))
}
