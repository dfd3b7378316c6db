//! What may be wrong between the mains and the reservoirs.
//!
//! What stands for a rectifier is changed as the fault is expected to change it; where that is no
//! more than a guess, the cell says what a real mains cycle is to be solved with.

use super::change::Change;
use super::fault::Fault;
use super::hypothesis::{BLOWN, Cell, ELECTROLYTIC_F, List, OPEN, dried, single};
use super::supply::{Output, Supply};
use crate::circuit::{BranchKind, Element, Node, Piece};
use crate::device::role::DeviceRole;
use crate::device::source::Wave;
use crate::math::fun;
use crate::system::assemble::Driven;

/// Nothing comes from an output.
fn off(o: &Output) -> Vec<Change> {
    vec![
        Change::Feed(o.current, 0.0),
        Change::Ohms(o.resistance, OPEN[0].0),
    ]
}

/// Two nodes joined, and the fuse blown by it.
fn blown(off: &[Change], a: Node, b: Node) -> Vec<Change> {
    let join = Change::Join(a, b, MELTED);
    off.iter().cloned().chain([join]).collect()
}

/// One of two half-waves is missing.
fn half(o: &Output) -> Vec<Change> {
    vec![
        Change::Feed(o.current, 0.5 * o.short()),
        Change::Ohms(o.resistance, 2.0 / o.siemens),
    ]
}

/// A fault whose cycle, if one is to be solved, has other changes.
fn one(changes: Vec<Change>, real: Vec<Change>) -> Vec<Cell> {
    single(changes)
        .into_iter()
        .map(|cell| Cell {
            real: Some(real.clone()),
            ..cell
        })
        .collect()
}

/// Ohms of a junction that has melted, or of an arc.
const MELTED: f64 = 0.1;

/// No cycle is left to solve.
const NO_CYCLE: Vec<Change> = Vec::new();

impl List<'_> {
    /// What may be wrong between the mains and the reservoirs.
    pub(super) fn mains(&mut self, supply: &Supply) {
        let all: Vec<Change> = supply.outputs.iter().flat_map(off).collect();
        let mains = supply.mains.as_str();
        let cells = one(all.clone(), NO_CYCLE);
        self.add(Fault::Supply, mains, "disconnected", 0.7, cells);
        self.volts(supply);
        let circuit = self.circuit;
        for (k, element) in circuit.elements.iter().enumerate() {
            let Some(role) = element.role() else { continue };
            let name = element.name.as_str();
            let at = |o: &&Output| element.terminals.contains(&o.node);
            let reservoir = supply.outputs.iter().find(at);
            if let (DeviceRole::Capacitor, Some(output)) = (role, reservoir) {
                self.reservoir(element, output, supply);
                if let &[a, b] = &element.terminals[..] {
                    let blown = one(blown(&all, a, b), NO_CYCLE);
                    self.add(Fault::Short, name, BLOWN, 0.4, blown);
                }
            }
            let rectified = supply
                .outputs
                .iter()
                .find(|o| o.rectifiers.contains(&element.name));
            if role == DeviceRole::MainsTransformer {
                let cells = one(all.clone(), NO_CYCLE);
                self.add(Fault::Open, name, "primary", 0.2, cells);
                self.windings(k, element, supply);
            } else if let Some(output) = rectified {
                let laws = circuit.laws_of(k).into_iter();
                let dead = laws.map(Change::Unplug).collect();
                let changes = match output.rectifiers.len() {
                    1 => off(output),
                    _ => half(output),
                };
                let fault = if role.is_valve() {
                    Fault::Dead
                } else {
                    Fault::Open
                };
                self.add(fault, name, "", 0.4, one(changes, dead));
                self.shorted(element, role, output, &all);
                if role.is_valve() {
                    for (terminal, node) in element.terminals.iter().enumerate() {
                        if *node != output.node && supply.alternating[node.0] {
                            let pin = element.kind.map_or("", |kind| kind.terminals[terminal]);
                            let real = vec![Change::Loosen(k, terminal)];
                            self.add(Fault::Open, name, pin, 0.15, one(half(output), real));
                        }
                    }
                }
            } else if role.rectifies() && self.is_of_mains(element, role) {
                self.returning(k, element, supply, &all);
            } else if role.is_resistance() && self.is_of_mains(element, role) {
                // A fuse before everything, or a resistor in the way of one half-wave.
                let real = match element.ports.first().map(|p| p.piece) {
                    Some(Piece::Resistance(k)) => vec![Change::Ohms(k, OPEN[0].0)],
                    _ => NO_CYCLE,
                };
                let mut cells = one(all.clone(), real.clone());
                for output in &supply.outputs {
                    cells.extend(one(half(output), real.clone()));
                }
                let count = cells.len() as f64;
                cells.iter_mut().for_each(|cell| cell.part /= count);
                self.add(Fault::Open, name, "", 0.3, cells);
            } else if matches!(role, DeviceRole::Inductor | DeviceRole::Choke)
                && self.is_of_mains(element, role)
            {
                self.winding(k, element, supply, &all);
            } else if role == DeviceRole::Capacitor && self.is_of_mains(element, role) {
                self.hide(Fault::Open, name);
            }
        }
    }

    /// A rectifier that is shorted, or a valve flashed over from a plate: then the fuse blows; where it
    /// does not, the winding's alternating volts stand on the reservoir.
    fn shorted(&mut self, element: &Element, role: DeviceRole, output: &Output, off: &[Change]) {
        let own = output.end_of(element);
        for (terminal, &node) in element.terminals.iter().enumerate() {
            let is_other_end = node != own && element.terminals.contains(&own);
            let is_fed = self.supply_alternates(node) || !role.is_valve();
            if !is_other_end || !is_fed {
                continue;
            }
            let pin = match element.kind {
                Some(kind) if role.is_valve() => format!("{}, ", kind.terminals[terminal]),
                _ => String::new(),
            };
            let lead = format!("{pin}{BLOWN}");
            let cells = one(blown(off, node, own), NO_CYCLE);
            self.add(Fault::Short, &element.name, &lead, 0.3, cells);
            let width = 0.5;
            let cells = (0..4).map(|n| {
                let part = fun::exp(-0.1 - (f64::from(n) + 0.5) * width);
                Cell {
                    changes: vec![Change::Feed(output.current, output.short() * part)],
                    part: 0.25,
                    value: None,
                    width,
                    second: 0.0,
                    real: Some(vec![Change::Join(node, own, MELTED)]),
                }
            });
            let lead = match element.kind {
                Some(kind) if role.is_valve() => {
                    format!("{} to the cathode", kind.terminals[terminal])
                }
                _ => String::new(),
            };
            self.add(Fault::Short, &element.name, &lead, 0.1, cells.collect());
        }
    }

    /// Whether a rectifier carries the current back from ground to the winding, as two of a bridge do.
    fn returns(&self, element: &Element, output: &Output) -> bool {
        element.role().is_some_and(|r| r.rectifies())
            && !element.terminals.contains(&output.node)
            && element.terminals.iter().any(|n| self.is_end(output, *n))
            && !self.is_rectifier(element)
    }

    /// One of a bridge's rectifiers between ground and the winding.
    fn returning(&mut self, k: usize, element: &Element, supply: &Supply, off_all: &[Change]) {
        let fed = supply.outputs.iter().filter(|o| self.returns(element, o));
        let fed: Vec<Change> = fed.flat_map(half).collect();
        let &[a, b] = &element.terminals[..] else {
            return;
        };
        if fed.is_empty() {
            return;
        }
        let name = &element.name;
        let laws = self.circuit.laws_of(k).into_iter();
        let dead = laws.map(Change::Unplug).collect();
        self.add(Fault::Open, name, "", 0.4, one(fed, dead));
        let cells = one(blown(off_all, a, b), NO_CYCLE);
        self.add(Fault::Short, name, BLOWN, 0.3, cells);
    }

    /// A winding drawn as an inductance: of a high tension, or the primary.
    fn winding(&mut self, k: usize, element: &Element, supply: &Supply, off_all: &[Change]) {
        let fed: Vec<&Output> = supply
            .outputs
            .iter()
            .filter(|o| element.terminals.iter().any(|n| self.is_end(o, *n)))
            .collect();
        let changes: Vec<Change> = match &fed[..] {
            [] => off_all.to_vec(),
            some => some
                .iter()
                .flat_map(|o| {
                    if o.rectifiers.len() > 1 && !o.floats {
                        half(o)
                    } else {
                        off(o)
                    }
                })
                .collect(),
        };
        let real = vec![Change::Loosen(k, 0)];
        self.add(Fault::Open, &element.name, "", 0.2, one(changes, real));
    }

    /// Whether a node feeds an output through its rectifiers.
    fn is_end(&self, output: &Output, node: Node) -> bool {
        let elements = self.circuit.elements.iter();
        let mut of = elements.filter(|e| output.rectifiers.contains(&e.name));
        self.supply_alternates(node)
            && node != output.node
            && node != Node::GROUND
            && of.any(|e| e.terminals.contains(&node))
    }

    /// Mains too low or too high, or the wrong tap of the primary.
    fn volts(&mut self, supply: &Supply) {
        let sines: Vec<(usize, f64)> = supply
            .mains_of
            .sources
            .iter()
            .filter_map(|source| {
                let Driven::Voltage(k) = *source else {
                    return None;
                };
                match &self.circuit.branches[k].kind {
                    BranchKind::Source(drive) => match drive.wave {
                        Some(Wave::Sin { amplitude, .. }) => Some((k, amplitude)),
                        _ => None,
                    },
                    _ => None,
                }
            })
            .collect();
        let rms = sines.first().map(|s| s.1.abs() / 2f64.sqrt());
        for (lead, sign) in [("low", -1.0f64), ("high", 1.0)] {
            let width = 0.12;
            let count = if sign < 0.0 { 7 } else { 3 };
            let cells = (0..count).map(|n| {
                let factor = fun::exp(sign * (0.06 + (n as f64 + 0.5) * width));
                let outputs = supply.outputs.iter();
                let real = sines.iter().map(|s| Change::Mains(s.0, factor));
                Cell {
                    changes: outputs
                        .map(|o| Change::Feed(o.current, factor * o.short()))
                        .collect(),
                    part: 1.0 / count as f64,
                    value: rms.map(|rms| factor * rms),
                    width,
                    real: Some(real.collect()),
                    second: 0.0,
                }
            });
            self.level(&supply.mains, lead, 0.4, cells.collect(), rms);
        }
    }

    /// A reservoir that is open or has dried out: its mean sinks by half of what its ripple gains.
    fn reservoir(&mut self, element: &Element, output: &Output, supply: &Supply) {
        let Some(Piece::Capacitance(k)) = element.ports.first().map(|p| p.piece) else {
            return;
        };
        let farads = self.circuit.capacitances[k].farads;
        let (low, high) = supply.swing(output);
        let sunk = |left: f64| {
            let more = 0.5 * (high - low) * (1.0 / left - 1.0);
            let down = more.min(0.36 * output.volts.abs()) * output.volts.signum();
            Change::Entailed(output.current, output.short() - output.siemens * down)
        };
        if farads >= ELECTROLYTIC_F {
            let cells = dried(k, farads, |left| Some(sunk(left)));
            self.add(Fault::DriedOut, &element.name, "", 0.4, cells);
        }
        let open = Change::Farads(k, 1e-18);
        // Without it the mean falls towards 2/pi of the peak, as far as what follows lets it.
        let width = 0.1;
        let cells = (0..4).map(|n| {
            let part = fun::exp(-0.05 - (n as f64 + 0.5) * width);
            let sunk = Change::Feed(output.current, output.short() * part);
            Cell {
                changes: vec![open.clone(), sunk],
                part: 0.25,
                value: None,
                width,
                real: Some(vec![open.clone()]),
                second: 0.0,
            }
        });
        self.add(Fault::Open, &element.name, "", 0.4, cells.collect());
    }

    /// Ends of the secondaries off, and whole windings.
    fn windings(&mut self, k: usize, element: &Element, supply: &Supply) {
        let circuit = self.circuit;
        let name = element.name.as_str();
        for output in &supply.outputs {
            let lead = format!("winding of {}", circuit.nodes[output.node.0].name);
            self.add(Fault::Open, name, &lead, 0.1, one(off(output), NO_CYCLE));
            let ends: Vec<usize> = (0..element.terminals.len())
                .filter(|&t| self.is_end(output, element.terminals[t]))
                .collect();
            // Both ends rectified against the tap: without it nothing flows.
            let tap = element.place("centre");
            let returning = circuit.elements.iter().any(|e| self.returns(e, output));
            let is_bridge = output.floats || returning;
            if let Some(tap) = tap.filter(|t| ends.len() > 1 && !ends.contains(t) && !is_bridge) {
                let real = vec![Change::Loosen(k, tap)];
                self.add(Fault::Open, name, "centre", 0.1, one(off(output), real));
            }
            for &terminal in &ends {
                let pin = element.kind.map_or("", |kind| kind.terminals[terminal]);
                let changes = match ends.len() {
                    2.. if !output.floats => half(output),
                    _ => off(output),
                };
                let real = vec![Change::Loosen(k, terminal)];
                self.add(Fault::Open, name, pin, 0.1, one(changes, real));
            }
        }
    }
}
