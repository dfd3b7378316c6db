//! Everything that may be wrong with a circuit, made from its parts by what they are.
//!
//! How often each goes wrong is a weight: the shares of failure modes are those of
//! MIL-HDBK-338B (1998), table of failure-mode distributions (from memory, not checked); how
//! often each kind of part fails in a newly soldered amplifier, where dry joints and wrong values
//! are most of it, is common practice without a published source.

use super::change::Change;
use super::fault::Fault;
use super::supply::Supply;
use crate::circuit::{BranchKind, Circuit, Element, Node, Piece};
use crate::device::role::DeviceRole;
use crate::math::fun;
use crate::tolerance::list::Variables;
use std::f64::consts::LN_10;

/// One fault at one value.
#[derive(Debug, Clone)]
pub struct Cell {
    /// What it changes; the number of the first is the fault's own.
    pub changes: Vec<Change>,
    /// Its part of the hypothesis before anything was measured.
    pub part: f64,
    /// The fault's own number: ohms, amperes, volts, or a part of the valve's current; see [`Fault::unit`].
    pub value: Option<f64>,
    /// Width of the cell, a natural logarithm; zero for a single value.
    pub width: f64,
    /// Of a second fault's value, where there are two.
    pub second: f64,
    /// What it changes where a mains cycle is solved, if not the same.
    pub real: Option<Vec<Change>>,
}

/// A fault of one part, at the values that it may have.
#[derive(Debug, Clone)]
pub struct Hypothesis {
    /// What is wrong.
    pub fault: Fault,
    /// The part.
    pub element: String,
    /// Which lead or section, or between which.
    pub lead: String,
    /// How likely it is before anything was measured, beside the others.
    pub weight: f64,
    /// Neighbouring values one after the other, from the sound circuit outwards.
    pub cells: Vec<Cell>,
    /// What the value is in the sound circuit, where it is a level that is too high or too low.
    pub sound: Option<f64>,
    /// Where it is two faults at once.
    pub both: Option<Both>,
}

/// Two faults at once.
#[derive(Debug, Clone)]
pub struct Both {
    /// Which hypotheses.
    pub of: [usize; 2],
    /// For each cell, the cells of the two.
    pub cells: Vec<(usize, usize)>,
}

impl Hypothesis {
    /// Two faults are of one name if the reader would look in the same place.
    pub fn name(&self) -> String {
        if self.element.is_empty() {
            self.fault.to_string()
        } else {
            format!("{} {}", self.fault, self.element)
        }
    }
}

/// A fault by name, with the lead that it is of where a part has several: `open XV2's grid`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Named {
    /// What is wrong.
    pub fault: Fault,
    /// The part or two of them, or a lead of one; none for the sound circuit.
    pub place: String,
}

impl Named {
    /// Of a part and what of it.
    pub fn of(fault: Fault, element: &str, lead: &str) -> Self {
        let place = if fault.is_of_lead() && !lead.is_empty() && !lead.ends_with(BLOWN) {
            format!("{element}'s {lead}")
        } else {
            element.to_string()
        };
        Named { fault, place }
    }
}

impl std::fmt::Display for Named {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.place.is_empty() {
            write!(f, "{}", self.fault)
        } else {
            write!(f, "{} {}", self.fault, self.place)
        }
    }
}

/// Capacitors from this on are electrolytics, which dry out (common practice).
pub(super) const ELECTROLYTIC_F: f64 = 0.9e-6;
/// What is left of a dried-out capacitor: 0.5 to 0.03 of it, a factor of two apart.
const DRIED: usize = 5;

/// The cells of a dried-out capacitance; `mean` says what else a part of it left changes, in a
/// reservoir.
pub(super) fn dried(k: usize, farads: f64, mean: impl Fn(f64) -> Option<Change>) -> Vec<Cell> {
    let cells = (0..DRIED).map(|n| {
        let left = 0.5 / f64::from(1u32 << n);
        let own = Change::Farads(k, left * farads);
        let mean = mean(left);
        Cell {
            real: mean.is_some().then(|| vec![own.clone()]),
            second: 0.0,
            changes: [own].into_iter().chain(mean).collect(),
            part: 1.0 / DRIED as f64,
            value: Some(left * farads),
            width: fun::ln(2.0),
        }
    });
    cells.collect()
}

/// How a fault is called that has blown the fuse.
pub const BLOWN: &str = "fuse blown";

/// A sound amplifier beside all faults together.
pub const SOUND: f64 = 0.5;

/// Ohms of a bridge of solder.
const SHORT: f64 = 0.01;
/// Ohms of a part that has failed short, the share of each, and how wide it reaches, as a natural logarithm: a bridge
/// beside it, and 0.1 to 10 ohm within it (common practice, no published source).
const WORN: [(f64, f64, f64); 3] = [(SHORT, 0.6, 0.0), (0.3, 0.25, LN_10), (3.0, 0.15, LN_10)];
/// Ohms of a gap, and of a dirty one, with the part of each.
pub(super) const OPEN: [(f64, f64); 2] = [(1e12, 0.45), (1e9, 0.25)];
/// The part of a gap across which nothing flows at all. A grid that it leaves in the air does not stay
/// at its bias for the sake of a billion ohms: the valve's own leakage takes it to the cathode.
const GAP: f64 = 0.3;
/// Leaks, ohm, from small to large: 20 megohm to 5 kilohm, a factor of two apart.
const LEAK: (f64, usize) = (20e6, 13);
/// Of wrong values those that are no misread colours (common practice).
const ANY_VALUE: f64 = 0.35;
/// Sources below this are no supply, V.
const SUPPLY_V: f64 = 1.0;

pub(super) fn single(changes: Vec<Change>) -> Vec<Cell> {
    vec![whole(changes)]
}

fn whole(changes: Vec<Change>) -> Cell {
    Cell {
        changes,
        part: 1.0,
        value: None,
        width: 0.0,
        real: None,
        second: 0.0,
    }
}

/// Every fault of every part, the faults of one part together; and those that direct volts
/// cannot show, by name.
pub fn all(
    circuit: &Circuit,
    variables: &Variables,
    supply: Option<&Supply>,
    tones: bool,
) -> (Vec<Hypothesis>, Vec<Named>) {
    let mut list = List {
        circuit,
        variables,
        supply,
        tones,
        found: Vec::new(),
        hidden: Vec::new(),
    };
    for (k, element) in circuit.elements.iter().enumerate() {
        list.element(k, element);
    }
    if let Some(supply) = supply {
        list.mains(supply);
    }
    list.bottles();
    list.exchanged_valves();
    (list.found, list.hidden)
}

pub(super) struct List<'a> {
    pub(super) circuit: &'a Circuit,
    pub(super) variables: &'a Variables,
    supply: Option<&'a Supply>,
    /// Whether a gain was measured, which shows open capacitors.
    tones: bool,
    found: Vec<Hypothesis>,
    hidden: Vec<Named>,
}

impl List<'_> {
    pub(super) fn add(
        &mut self,
        fault: Fault,
        element: &str,
        lead: &str,
        weight: f64,
        cells: Vec<Cell>,
    ) {
        if !cells.is_empty() {
            self.found.push(Hypothesis {
                fault,
                element: element.to_string(),
                lead: lead.to_string(),
                weight,
                cells,
                sound: None,
                both: None,
            });
        }
    }

    /// A supply whose volts are too low or too high: `lead` says which, `sound` are its own.
    pub(super) fn level(
        &mut self,
        name: &str,
        lead: &str,
        weight: f64,
        cells: Vec<Cell>,
        sound: Option<f64>,
    ) {
        self.add(Fault::Supply, name, lead, weight, cells);
        if let Some(added) = self.found.last_mut() {
            added.sound = sound;
        }
    }

    fn element(&mut self, k: usize, element: &Element) {
        let name = element.name.as_str();
        let Some(role) = element.role() else { return };
        if self.is_of_mains(element, role) {
            return;
        }
        match role {
            DeviceRole::Resistor => self.resistor(k, element),
            DeviceRole::Capacitor => self.capacitor(element),
            DeviceRole::Valve => self.valve(k, element),
            DeviceRole::Pot => {
                self.leads(k, element, 0.25);
                self.bridge(element, Fault::Short, (0, 1), 0.02);
                self.bridge(element, Fault::Short, (1, 2), 0.02);
            }
            DeviceRole::Diode | DeviceRole::Inductor | DeviceRole::Choke => {
                self.lead(k, element, 0, 0.4);
                self.bridge(element, Fault::Short, (0, 1), 0.4);
            }
            DeviceRole::Toggle | DeviceRole::Switch => {
                let closed = element.ports.first().is_some_and(|p| match p.piece {
                    Piece::Resistance(r) => self.circuit.resistances[r].ohms < 1e6,
                    _ => true,
                });
                if closed {
                    self.lead(k, element, 0, 0.4);
                }
                self.bridge(element, Fault::Short, (0, 1), 0.1);
            }
            DeviceRole::Transistor(_) | DeviceRole::RectifierValve => {
                self.leads(k, element, 0.3);
                let laws = self.circuit.laws_of(k);
                let cells = single(laws.into_iter().map(Change::Unplug).collect());
                self.add(Fault::Dead, name, "", 0.4, cells);
                for pair in pairs(element.terminals.len().min(3)) {
                    self.bridge(element, Fault::Short, pair, 0.15);
                }
            }
            DeviceRole::OutputTransformer | DeviceRole::MainsTransformer => {
                self.leads(k, element, 0.2);
            }
            DeviceRole::Loudspeaker => self.hide(Fault::Open, name),
            DeviceRole::VoltageSource => self.source(k, element),
            DeviceRole::CurrentSource | DeviceRole::ControlledSource => {}
        }
    }

    /// Whether it is on the mains' side of a rectifier, where no direct current says anything.
    pub(super) fn is_of_mains(&self, element: &Element, role: DeviceRole) -> bool {
        let Some(supply) = self.supply else {
            return false;
        };
        role == DeviceRole::MainsTransformer
            || self.is_rectifier(element)
            || role != DeviceRole::VoltageSource
                && element.terminals.iter().any(|n| supply.alternating[n.0])
                && !role.is_valve()
    }

    /// Whether it stands between the mains and a supply.
    pub(super) fn is_rectifier(&self, element: &Element) -> bool {
        let mut outputs = self.supply.iter().flat_map(|s| &s.outputs);
        outputs.any(|o| o.rectifiers.contains(&element.name))
    }

    /// Whether a node carries the mains.
    pub(super) fn supply_alternates(&self, node: Node) -> bool {
        self.supply.is_some_and(|s| s.alternating[node.0])
    }

    /// Whether it stands at the output of a rectifier.
    fn is_reservoir(&self, element: &Element) -> bool {
        let outputs = self.supply.iter().flat_map(|s| &s.outputs);
        outputs
            .into_iter()
            .any(|o| element.terminals.contains(&o.node))
    }

    pub(super) fn hide(&mut self, fault: Fault, name: &str) {
        self.hidden.push(Named::of(fault, name, ""));
    }

    /// Every lead off its node.
    pub(super) fn leads(&mut self, k: usize, element: &Element, weight: f64) {
        for terminal in 0..element.terminals.len() {
            self.lead(k, element, terminal, weight);
        }
    }

    fn lead(&mut self, k: usize, element: &Element, terminal: usize, weight: f64) {
        // A lead that is fixed to nothing else cannot come off.
        if !self.is_shared(element.terminals[terminal]) {
            return;
        }
        let pin = match element.kind {
            Some(kind) if element.terminals.len() > 2 => kind.terminals[terminal],
            _ => "",
        };
        let cells = single(vec![Change::Loosen(k, terminal)]);
        self.add(Fault::Open, &element.name, pin, weight, cells);
    }

    /// Whether more than one lead meets at a node.
    fn is_shared(&self, node: Node) -> bool {
        let leads = self.circuit.elements.iter().flat_map(|e| &e.terminals);
        node == Node::GROUND || leads.filter(|n| **n == node).count() > 1
    }

    pub(super) fn bridge(
        &mut self,
        element: &Element,
        fault: Fault,
        (a, b): (usize, usize),
        weight: f64,
    ) {
        let (from, to) = (element.terminals[a], element.terminals[b]);
        if from == to {
            return;
        }
        let lead = match element.kind {
            Some(kind) if element.terminals.len() > 2 => {
                format!("{} to {}", kind.terminals[a], kind.terminals[b])
            }
            _ => String::new(),
        };
        let join = |ohms: f64| vec![Change::Join(from, to, ohms)];
        let cells = match element.role() {
            Some(DeviceRole::Capacitor | DeviceRole::Diode | DeviceRole::Transistor(_)) => {
                let cell = |(ohms, part, width)| Cell {
                    part,
                    width,
                    ..whole(join(ohms))
                };
                WORN.map(cell).to_vec()
            }
            _ => single(join(SHORT)),
        };
        self.add(fault, &element.name, &lead, weight, cells);
    }

    fn resistor(&mut self, number: usize, element: &Element) {
        let Some(Piece::Resistance(k)) = element.ports.first().map(|p| p.piece) else {
            return;
        };
        let ohms = self.circuit.resistances[k].ohms;
        let name = &element.name;
        // Film: open 59 %, drift 36 %, short 5 %; a builder's misread colours are drift here.
        let gap =
            |(open, part): (f64, f64)| (vec![Change::Ohms(k, open.max(100.0 * ohms.abs()))], part);
        let mut open: Vec<_> = OPEN.into_iter().map(gap).collect();
        let leads = element.terminals.iter();
        if let Some(lead) = leads.copied().position(|node| self.is_shared(node)) {
            open.push((vec![Change::Loosen(number, lead)], GAP));
        }
        let cells = open.into_iter().map(|(changes, part)| Cell {
            changes,
            part,
            value: None,
            width: 0.0,
            real: None,
            second: 0.0,
        });
        let cells = cells.collect();
        self.add(Fault::Open, name, "", 1.0, cells);
        self.add(
            Fault::Short,
            name,
            "",
            0.1,
            single(vec![Change::Ohms(k, SHORT.min(0.01 * ohms.abs()))]),
        );
        let tolerance = element.tolerance.map_or(0.05, |t| t.high.max(-t.low));
        for up in [true, false] {
            let mut cells = Vec::new();
            let mut at = fun::ln(1.0 + 1.2 * tolerance);
            // Finely about the decade of a misread colour, coarsely beyond it.
            // Nobody is often off by more: what looks so is mostly a short or a gap.
            for (width, count, share) in [(0.22, 4, 0.5), (0.4, 4, 0.4), (0.8, 3, 0.1)] {
                for _ in 0..count {
                    let middle = at + 0.5 * width;
                    let value = ohms * fun::exp(if up { middle } else { -middle });
                    cells.push(Cell {
                        changes: vec![Change::Ohms(k, value)],
                        part: ANY_VALUE * share / f64::from(count),
                        value: Some(value),
                        width,
                        real: None,
                        second: 0.0,
                    });
                    at += width;
                }
            }
            let misread = misread(ohms);
            for &(value, part) in misread.iter().filter(|v| (v.0 > ohms) == up) {
                cells.push(Cell {
                    changes: vec![Change::Ohms(k, value)],
                    part,
                    value: Some(value),
                    width: 0.0,
                    real: None,
                    second: 0.0,
                });
            }
            self.add(
                Fault::WrongValue,
                name,
                if up { "high" } else { "low" },
                0.6,
                cells,
            );
        }
    }

    fn capacitor(&mut self, element: &Element) {
        let name = &element.name;
        match element.ports.first().map(|p| p.piece) {
            Some(Piece::Capacitance(k)) if self.tones && !self.is_reservoir(element) => {
                let cells = single(vec![Change::Farads(k, 1e-18)]);
                self.add(Fault::Open, name, "", 0.4, cells);
                let farads = self.circuit.capacitances[k].farads;
                if farads >= ELECTROLYTIC_F {
                    self.add(Fault::DriedOut, name, "", 0.4, dried(k, farads, |_| None));
                }
            }
            _ if self.is_reservoir(element) => {}
            _ => self.hide(Fault::Open, name),
        }
        let &[a, b] = &element.terminals[..] else {
            return;
        };
        if a == b {
            return;
        }
        // A reservoir that is shorted has mostly blown the fuse (`mains`).
        let weight = if self.is_reservoir(element) { 0.1 } else { 0.5 };
        self.bridge(element, Fault::Short, (0, 1), weight);
        let (largest, count) = LEAK;
        let cells = (0..count).map(|n| {
            let ohms = largest / f64::from(1u32 << n);
            Cell {
                changes: vec![Change::Join(a, b, ohms)],
                part: 1.0 / count as f64,
                value: Some(ohms),
                width: fun::ln(2.0),
                real: None,
                second: 0.0,
            }
        });
        let cells = cells.collect();
        self.add(Fault::Leaky, name, "", 0.8, cells);
    }

    fn source(&mut self, k: usize, element: &Element) {
        let Some(Piece::Branch(branch)) = element.ports.first().map(|p| p.piece) else {
            return;
        };
        let BranchKind::Source(drive) = &self.circuit.branches[branch].kind else {
            return;
        };
        let dc = drive.dc;
        if dc.abs() < SUPPLY_V {
            return;
        }
        let name = &element.name;
        self.add(
            Fault::Supply,
            name,
            "missing",
            0.7,
            single(vec![Change::Source(branch, 0.0)]),
        );
        self.add(
            Fault::Supply,
            name,
            "disconnected",
            0.5,
            single(vec![Change::Loosen(k, 0)]),
        );
        for (lead, sign) in [("low", -1.0f64), ("high", 1.0)] {
            let width = 0.15;
            let count = if sign < 0.0 { 8 } else { 4 };
            let cells = (0..count).map(|n| {
                let volts = dc * fun::exp(sign * (0.07 + (n as f64 + 0.5) * width));
                Cell {
                    changes: vec![Change::Source(branch, volts)],
                    part: 1.0 / count as f64,
                    value: Some(volts),
                    width,
                    real: None,
                    second: 0.0,
                }
            });
            self.level(name, lead, 0.5, cells.collect(), Some(dc));
        }
    }
}

/// What a resistor's colours are misread as: a decade up or down, or its two digits exchanged; each
/// with its part.
fn misread(ohms: f64) -> Vec<(f64, f64)> {
    let mut all = vec![(10.0 * ohms, 0.3), (0.1 * ohms, 0.3)];
    let decade = fun::pow(10.0, fun::log10(ohms.abs()).floor() - 1.0);
    let digits = (ohms / decade).round() as u32;
    let other = (digits % 10) * 10 + digits / 10;
    if other != digits && other >= 10 {
        all.push((f64::from(other) * decade, 0.2));
    }
    all
}

/// All pairs of the first `n`.
pub(super) fn pairs(n: usize) -> Vec<(usize, usize)> {
    (0..n)
        .flat_map(|a| (a + 1..n).map(move |b| (a, b)))
        .collect()
}

/// Two resistors in each other's places, for one that is suspected and all others.
pub fn interchanged(circuit: &Circuit, suspects: &[String]) -> Vec<Hypothesis> {
    let resistors: Vec<(&Element, usize, f64)> = circuit
        .elements
        .iter()
        .filter(|e| e.role() == Some(DeviceRole::Resistor))
        .filter_map(|e| match e.ports.first()?.piece {
            Piece::Resistance(k) => Some((e, k, circuit.resistances[k].ohms)),
            _ => None,
        })
        .collect();
    let mut found = Vec::new();
    for (n, &(one, k, ohms)) in resistors.iter().enumerate() {
        for &(two, j, others) in &resistors[n + 1..] {
            let suspected = suspects.contains(&one.name) || suspects.contains(&two.name);
            if !suspected || fun::ln(ohms / others).abs() < 0.25 {
                continue;
            }
            found.push(Hypothesis {
                fault: Fault::Interchanged,
                element: format!("{} {}", one.name, two.name),
                lead: String::new(),
                weight: 0.3 / resistors.len() as f64,
                cells: single(vec![Change::Ohms(k, others), Change::Ohms(j, ohms)]),
                sound: None,
                both: None,
            });
        }
    }
    found
}
