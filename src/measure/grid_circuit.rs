//! Resistance of grid circuits, and what data sheets allow.
//!
//! The rating is for one valve. Of valves that share a leak each grid's current makes its volts for all of them, so
//! that each counts the shared part once for every valve (RCA Receiving Tube Manual RC-30, 1975: two valves in
//! parallel have half the resistance; from memory).
//!
//! What grid and cathode have in common does not count: a leak that returns to the tail of a long-tailed pair or to
//! a tap of a follower's cathode resistor lifts the cathode as far as the grid by what its current makes there.

use super::groups::Groups;
use super::impedance::{Resistances, is_fixed};
use crate::circuit::{BranchKind, Circuit, Element, Node};
use crate::system::assemble::Assembly;
use std::collections::BTreeMap;

/// Ohms of what is no more than an open switch.
pub const OPEN: f64 = 1e9;
/// Resistors above this are no way from one grid to another, ohm.
const JOINS: f64 = 10e6;
/// What other grids add counts from this part of a grid's own resistance on.
const COUNTS: f64 = 0.1;
/// More grids than this are not valves on one leak, but stages that are coupled directly.
const MANY: usize = 8;
/// A grid that would stand this near its cathode without its own current has no other bias, V.
const UNBIASED_V: f64 = 0.1;
/// Plate watts up to which a triode is a small one: grid current makes the bias of no output valve.
const SMALL_W: f64 = 5.0;
/// Volts from plate to cathode from which on a valve is supplied.
pub const SUPPLIED_V: f64 = 5.0;

/// Which grids resistors join to others.
#[derive(Debug)]
pub struct GridCircuits {
    groups: Groups,
    /// Grids with their laws, in the order of the netlist.
    grids: Vec<(Node, Vec<usize>)>,
    /// Cathodes with the laws of all valves on them, fixed ones left out.
    cathodes: BTreeMap<usize, Vec<usize>>,
}

/// One valve's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GridCircuit {
    /// Of its resistance.
    pub ohms: f64,
    /// The most that is allowed, if the model says.
    pub limit: Option<f64>,
}

impl GridCircuits {
    /// Those of a circuit.
    pub fn new(circuit: &Circuit) -> Self {
        let mut held = vec![false; circuit.nodes.len()];
        for branch in &circuit.branches {
            if matches!(branch.kind, BranchKind::Source(_)) {
                held[branch.a.0] = true;
                held[branch.b.0] = true;
            }
        }
        let free = |node: Node| !held[node.0];
        let resistors = circuit.resistances.iter();
        let joins = resistors.filter(|r| r.ohms.abs() < JOINS && free(r.a) && free(r.b));
        let groups = Groups::new(circuit, joins.map(|r| (r.a, r.b)));
        let valves = circuit.elements.iter().filter(|e| e.is_valve());
        let grids = valves
            .clone()
            .filter_map(|e| Some((e.terminal("grid")?, e.laws())));
        let mut cathodes: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for valve in valves.clone() {
            let cathode = valve.terminal("cathode");
            if let Some(node) = cathode.filter(|&node| !is_fixed(circuit, node)) {
                cathodes.entry(node.0).or_default().extend(valve.laws());
            }
        }
        GridCircuits {
            groups,
            grids: grids.collect(),
            cathodes,
        }
    }

    /// That of a valve, if it has a grid.
    pub fn of(
        &self,
        assembly: &Assembly<'_>,
        x: &[f64],
        seen: &mut Resistances<'_, '_>,
        element: &Element,
    ) -> Option<GridCircuit> {
        let (grid, cathode) = (element.terminal("grid")?, element.terminal("cathode")?);
        let kind = if is_fixed(assembly.circuit, cathode) {
            "grid circuit resistance (fixed bias)"
        } else {
            "grid circuit resistance (cathode bias)"
        };
        let limit = element.rating(kind);
        // The rating means the resistors on the grid. With the valve at work its own feedback
        // would be counted too: a leak returned to the cathode looks many times its value.
        let own = element.laws();
        let on_cathode = self.cathodes.get(&cathode.0);
        let on_cathode = on_cathode.filter(|pulled| pulled.len() <= MANY);
        let alone = match on_cathode {
            Some(pulled) => {
                let whole = seen.without(grid, pulled)?;
                // Where only leakage holds both they are of one size, and rounding.
                let common = seen.between(cathode, grid, pulled);
                let common = common.filter(|_| whole < OPEN).unwrap_or(0.0);
                whole - common.clamp(0.0, whole)
            }
            None => seen.without(grid, &own)?,
        };
        // Beyond this only an open switch leads on: in standby that is no grid leak which is too
        // large, with plate volts it is the largest.
        let volts = |node: Node| assembly.unknowns.voltage(x, node);
        let supplied = element
            .terminal("plate")
            .is_some_and(|plate| volts(plate) - volts(cathode) > SUPPLIED_V);
        let limit = limit.filter(|_| alone < OPEN || supplied);
        let over = volts(grid) - volts(cathode);
        let own_bias = alone < OPEN
            && is_fixed(assembly.circuit, cathode)
            && is_small_triode(element)
            && over < 0.0
            && (over + alone * drawn(seen, element)).abs() < UNBIASED_V;
        let limit = limit.filter(|_| !own_bias);
        let cathode = on_cathode.map(|_| cathode);
        let shared = limit.map_or(0.0, |_| {
            self.shared(seen, (grid, cathode), &own, COUNTS * alone)
        });
        Some(GridCircuit {
            ohms: alone + shared,
            limit,
        })
    }

    /// What the currents of other grids make at this one, beyond what they make at its cathode where nothing fixes
    /// that, those that make less than a bound left out, ohm.
    fn shared(
        &self,
        seen: &mut Resistances<'_, '_>,
        (grid, cathode): (Node, Option<Node>),
        own: &[usize],
        least: f64,
    ) -> f64 {
        let group = self.groups.of(grid);
        let others = self.grids.iter().filter(|(_, laws)| laws[..] != *own);
        let others: Vec<_> = others
            .filter(|(node, _)| self.groups.of(*node) == group)
            .collect();
        if others.is_empty() || others.len() > MANY {
            return 0.0;
        }
        let pulled: Vec<usize> = others
            .iter()
            .flat_map(|(_, laws)| laws)
            .chain(own)
            .copied()
            .collect();
        let common = |node: Node, seen: &mut Resistances<'_, '_>| {
            let ohms = cathode.and_then(|cathode| seen.between(cathode, node, &pulled));
            ohms.map_or(0.0, |ohms| ohms.max(0.0))
        };
        let each = others.iter().filter_map(|&&(node, _)| {
            let ohms = seen.between(grid, node, &pulled)?;
            Some(ohms - common(node, seen))
        });
        each.filter(|ohms| *ohms > least).sum()
    }
}

/// What a valve's grid draws, A.
fn drawn(seen: &Resistances<'_, '_>, element: &Element) -> f64 {
    let mut readings = element.readings.iter();
    let grid = readings.find(|r| r.0.name == "grid current");
    grid.map_or(0.0, |&(_, law, output)| seen.drawn(law, output))
}

/// Whether a valve's own grid current may make its bias: a triode that is no output valve. Makers print
/// another limit for it, if any: some 22 megohms for types that have 1 with a fixed bias (from memory).
pub fn is_small_triode(element: &Element) -> bool {
    element.terminal("screen").is_none()
        && element
            .rating("plate dissipation")
            .is_some_and(|w| w <= SMALL_W)
}
