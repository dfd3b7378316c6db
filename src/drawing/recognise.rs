//! What a circuit is made of, as far as a draughtsman cares: which nets are supplies, which parts
//! belong to the power supply, how far along the signal's way each net lies, and what stands on
//! what by its direct voltage.

use super::neutral;
use super::order;
use super::scheme::{Part, Scheme};
use super::symbols::SymbolKind;
use crate::circuit::{BranchKind, Circuit};
use std::collections::{BTreeSet, BinaryHeap};

/// What was found.
#[derive(Debug, Clone)]
pub struct Recognised {
    /// Supplies among the nets: whether each is one, and whether it is negative.
    pub rails: Vec<Option<bool>>,
    /// Parts of the power supply.
    pub supply: Vec<bool>,
    /// Steps from the signal's source (or from the mains), where anything leads there.
    pub depth: Vec<Option<u32>>,
    /// Height by a rough direct voltage: 0 ground, 1 the highest supply.
    pub height: Vec<f64>,
    /// Resistors that a draughtsman stands whatever they drop, below a cathode (an emitter, a source)
    /// or from a grid to where its leak returns: the pin that goes up.
    pub upper_pin: Vec<Option<usize>>,
    /// Pins at ground, by part and pin, that are at the neutral of the mains and not at the chassis.
    pub neutral: BTreeSet<(usize, usize)>,
}

/// The least capacitor that makes a supply of a net behind a resistor, F.
const RESERVOIR: f64 = 0.9e-6;

impl Recognised {
    /// Reads a scheme.
    pub fn new(circuit: &Circuit, scheme: &Scheme) -> Recognised {
        let rails = rails(circuit, scheme);
        let supply = supply(scheme, &rails);
        let depth = depth(circuit, scheme, &rails, &supply);
        let height = heights(circuit, scheme, &rails);
        let upper_pin = upper_pin(circuit, scheme, &height);
        Recognised {
            rails,
            supply,
            depth,
            height,
            upper_pin,
            neutral: neutral::pins(circuit, scheme),
        }
    }

    /// How far along a part lies: an active one right behind its grid, any other where the
    /// nearer of its nets lies.
    pub fn depth_of(&self, part: &Part) -> u32 {
        let of = |&n: &usize| self.depth[n];
        if let Some((grid, ..)) = part.kind.electrodes()
            && let Some(d) = of(&part.nets[grid])
        {
            return d + 1;
        }
        let signal = part.nets.iter().filter(|&&n| self.rails[n].is_none());
        let least = signal.filter_map(of).min();
        let least = least.or_else(|| part.nets.iter().filter_map(of).min());
        least.map_or(u32::MAX, |d| d + 1)
    }
}

/// Direct volts of a free voltage source that is nothing but a supply.
fn supply_volts(circuit: &Circuit, part: &Part) -> Option<f64> {
    let element = &circuit.elements[part.element];
    let branch = circuit.branch_of(element)?;
    match &circuit.branches[branch.0].kind {
        BranchKind::Source(d) if d.ac.is_none() && d.wave.is_none() && d.dc != 0.0 => Some(d.dc),
        _ => None,
    }
}

/// Whether a source brings a signal (or the mains).
pub fn is_driven(circuit: &Circuit, part: &Part) -> bool {
    if !matches!(
        part.kind,
        SymbolKind::VoltageSource | SymbolKind::CurrentSource
    ) {
        return false;
    }
    let element = &circuit.elements[part.element];
    let name = circuit.branch_of(element);
    let drive = match name.map(|b| &circuit.branches[b.0].kind) {
        Some(BranchKind::Source(drive)) => Some(drive),
        _ => element.ports.iter().find_map(|p| match p.piece {
            crate::circuit::Piece::Current(k) => Some(&circuit.currents[k].drive),
            _ => None,
        }),
    };
    drive.is_some_and(|d| d.ac.is_some() || d.wave.is_some())
}

fn rails(circuit: &Circuit, scheme: &Scheme) -> Vec<Option<bool>> {
    let mut rails: Vec<Option<bool>> = vec![None; scheme.nets.len()];
    let ground = |n: usize| scheme.nets[n].is_ground();
    for part in &scheme.parts {
        match part.kind {
            SymbolKind::VoltageSource => {
                let (a, b) = (part.nets[0], part.nets[1]);
                if let Some(volts) = supply_volts(circuit, part) {
                    match (ground(a), ground(b)) {
                        (false, true) => rails[a] = Some(volts < 0.0),
                        (true, false) => rails[b] = Some(volts > 0.0),
                        _ => {}
                    }
                }
            }
            SymbolKind::Rectifier if !ground(part.nets[2]) => rails[part.nets[2]] = Some(false),
            _ => {}
        }
    }
    let is_transformer = |n: usize| {
        (scheme.nets[n].pins.iter())
            .any(|&(p, _)| matches!(scheme.parts[p].kind, SymbolKind::Transformer(_)))
    };
    // The far nets of a net's large capacitors.
    let reservoirs = |n: usize| {
        let parts = scheme.nets[n]
            .pins
            .iter()
            .map(|&(p, pin)| (&scheme.parts[p], pin));
        let large = parts.filter(|(part, _)| {
            let value = circuit.elements[part.element].value.unwrap_or(0.0);
            part.kind == SymbolKind::Capacitor && value >= RESERVOIR
        });
        large.map(|(part, pin)| part.nets[1 - pin])
    };
    let to_ground = |n: usize| reservoirs(n).any(ground);
    let has_reservoir = |n: usize| !ground(n) && to_ground(n);
    // Of two over one another the net between them.
    let middle = |n: usize| {
        let mut far = reservoirs(n).filter(|&far| !ground(far) && to_ground(far));
        far.next().filter(|_| !ground(n))
    };
    // Where a valve is steered, or stands, there is signal.
    let is_signal = |n: usize, plates: bool| {
        scheme.nets[n].pins.iter().any(|&(p, pin)| {
            scheme.parts[p]
                .kind
                .electrodes()
                .is_some_and(|(grid, top, bottom)| {
                    pin == grid || pin == bottom || (plates && pin == top)
                })
        })
    };
    for part in scheme.parts.iter().filter(|p| p.kind == SymbolKind::Diode) {
        let (anode, cathode) = (part.nets[0], part.nets[1]);
        for (winding, out, negative) in [(anode, cathode, false), (cathode, anode, true)] {
            if !is_transformer(winding) {
                continue;
            }
            let middle = middle(out);
            if has_reservoir(out) || middle.is_some() {
                rails[out] = Some(negative);
            }
            if let Some(middle) = middle {
                rails[middle] = Some(negative);
            }
        }
    }
    loop {
        let mut moved = false;
        for part in &scheme.parts {
            let follows = match part.kind {
                SymbolKind::Resistor => 1,
                SymbolKind::Inductor | SymbolKind::Choke | SymbolKind::Switch(_) => 2,
                _ => continue,
            };
            for (from, to) in [(0, 1), (1, 0)] {
                let (from, to) = (part.nets[from], part.nets[to]);
                let (Some(sign), None) = (rails[from], rails[to]) else {
                    continue;
                };
                let takes = match follows {
                    1 => has_reservoir(to) && !is_signal(to, false),
                    _ => !is_signal(to, true) && scheme.nets[to].pins.len() > 1,
                };
                if takes && !ground(to) {
                    rails[to] = Some(sign);
                    moved = true;
                }
            }
        }
        if !moved {
            return rails;
        }
    }
}

/// Parts that lie between supplies and ground alone, and what feeds them.
fn supply(scheme: &Scheme, rails: &[Option<bool>]) -> Vec<bool> {
    let mut supply = vec![false; scheme.parts.len()];
    loop {
        let mut moved = false;
        for (k, part) in scheme.parts.iter().enumerate() {
            if supply[k] || part.kind.is_active() || part.nets.is_empty() {
                continue;
            }
            let stays = |&n: &usize| {
                let net = &scheme.nets[n];
                let others = || net.pins.iter().filter(|(p, _)| *p != k);
                net.is_ground()
                    || rails[n].is_some()
                    || (others().count() > 0 && others().all(|&(p, _)| supply[p]))
            };
            let feeds = matches!(part.kind, SymbolKind::Rectifier)
                || part.kind == SymbolKind::Transformer(&super::symbols::MAINS);
            let between = part.nets.iter().all(stays)
                && part.nets.iter().any(|&n| !scheme.nets[n].is_ground());
            let rectifies =
                part.kind == SymbolKind::Diode && part.nets.iter().any(|&n| rails[n].is_some());
            if feeds || between || rectifies {
                supply[k] = true;
                moved = true;
            }
        }
        if !moved {
            return supply;
        }
    }
}

/// Shortest ways over parts, first from the signal's sources, then from the mains, then from
/// whatever is left, each set in the order of the netlist.
fn depth(
    circuit: &Circuit,
    scheme: &Scheme,
    rails: &[Option<bool>],
    supply: &[bool],
) -> Vec<Option<u32>> {
    let mut depth: Vec<Option<u32>> = vec![None; scheme.nets.len()];
    let open = |n: usize, chain: bool| !scheme.nets[n].is_ground() && (chain || rails[n].is_none());
    let sources = |wanted: &dyn Fn(usize, &Part) -> bool| -> Vec<usize> {
        let parts = scheme.parts.iter().enumerate();
        let of = parts.filter(|(k, p)| wanted(*k, p));
        of.flat_map(|(_, p)| p.nets.clone()).collect()
    };
    let signal = sources(&|k, p| is_driven(circuit, p) && !supply[k]);
    let mut first = depth.clone();
    spread(scheme, &mut first, signal.clone(), &|n| open(n, false), 0);
    depth = order::along(scheme, &signal, &first, &|n| open(n, false));
    let mains = sources(&|k, p| is_driven(circuit, p) && supply[k]);
    spread(scheme, &mut depth, mains, &|n| open(n, true), 0);
    let direct = sources(&|_, p| p.kind == SymbolKind::VoltageSource);
    spread(scheme, &mut depth, direct, &|n| open(n, true), 0);
    for part in &scheme.parts {
        let left: Vec<usize> = part
            .nets
            .iter()
            .copied()
            .filter(|&n| depth[n].is_none())
            .collect();
        let from = depth.iter().flatten().max().map_or(0, |d| d + 4);
        if let Some(&first) = left.first() {
            spread(scheme, &mut depth, vec![first], &|n| open(n, true), from);
        }
    }
    depth
}

fn spread(
    scheme: &Scheme,
    depth: &mut [Option<u32>],
    from: Vec<usize>,
    open: &dyn Fn(usize) -> bool,
    start: u32,
) {
    let mut waiting = BinaryHeap::new();
    for net in from.into_iter().filter(|&n| open(n)) {
        waiting.push((std::cmp::Reverse(start), std::cmp::Reverse(net)));
    }
    while let Some((std::cmp::Reverse(d), std::cmp::Reverse(net))) = waiting.pop() {
        if depth[net].is_some() {
            continue;
        }
        depth[net] = Some(d);
        for &(p, pin) in &scheme.nets[net].pins {
            let part = &scheme.parts[p];
            for (other, &to) in part.nets.iter().enumerate() {
                if other == pin || depth[to].is_some() || !open(to) {
                    continue;
                }
                let step = match part.kind.electrodes() {
                    Some((grid, top, bottom)) if pin == grid => {
                        2 + u32::from(other == top && bottom != other)
                    }
                    Some((_, _, bottom)) if pin == bottom => 3,
                    Some(_) => 12,
                    None => 2,
                };
                waiting.push((std::cmp::Reverse(d + step), std::cmp::Reverse(to)));
            }
        }
    }
}

/// Rough direct voltages: supplies at one (or minus one), valves as resistors. Only who stands
/// above whom is read from them.
fn heights(circuit: &Circuit, scheme: &Scheme, rails: &[Option<bool>]) -> Vec<f64> {
    let count = scheme.nets.len();
    let mut links: Vec<Vec<(usize, f64)>> = vec![vec![]; count];
    let mut fixed: Vec<Option<f64>> = vec![None; count];
    for (n, net) in scheme.nets.iter().enumerate() {
        if net.is_ground() {
            fixed[n] = Some(0.0);
        } else if let Some(negative) = rails[n] {
            fixed[n] = Some(if negative { -0.2 } else { 1.0 });
        }
    }
    let mut link = |a: usize, b: usize, ohms: f64| {
        let siemens = 1.0 / ohms.abs().max(1e-3);
        links[a].push((b, siemens));
        links[b].push((a, siemens));
    };
    for part in &scheme.parts {
        let value = circuit.elements[part.element].value;
        let n = &part.nets;
        match part.kind {
            SymbolKind::Resistor => link(n[0], n[1], value.unwrap_or(1e3)),
            SymbolKind::Inductor | SymbolKind::Choke | SymbolKind::Switch(_) => {
                link(n[0], n[1], 10.0)
            }
            SymbolKind::Pot => {
                link(n[0], n[1], 1e5);
                link(n[1], n[2], 1e5);
            }
            SymbolKind::Diode => link(n[0], n[1], 1e4),
            SymbolKind::Triode => link(n[0], n[2], 6e4),
            SymbolKind::Pentode => link(n[0], n[3], 1e4),
            SymbolKind::Bipolar(..) | SymbolKind::JunctionField(_) | SymbolKind::Mosfet(_) => {
                link(n[0], n[2], 5e3)
            }
            SymbolKind::Transformer(w) => {
                for winding in w.left.iter().chain(w.right) {
                    for pair in winding.windows(2) {
                        link(n[pair[0]], n[pair[1]], 10.0);
                    }
                }
            }
            _ => {}
        }
    }
    let mut height: Vec<f64> = fixed.iter().map(|f| f.unwrap_or(0.0)).collect();
    for _ in 0..SWEEPS {
        for n in 0..count {
            if fixed[n].is_some() || links[n].is_empty() {
                continue;
            }
            let (mut sum, mut weight) = (0.0, 1e-10);
            for &(other, siemens) in &links[n] {
                sum += siemens * height[other];
                weight += siemens;
            }
            height[n] = sum / weight;
        }
    }
    height
}

/// The resistor below each cathode: of several that lead down the one that carries most. And each
/// that carries nothing from a grid, or from behind its stopper, to another net than ground.
fn upper_pin(circuit: &Circuit, scheme: &Scheme, height: &[f64]) -> Vec<Option<usize>> {
    let mut found: Vec<Option<usize>> = vec![None; scheme.parts.len()];
    let resistors = |net: usize| {
        let pins = scheme.nets[net].pins.iter().copied();
        let own = pins.filter(|&(p, _)| scheme.parts[p].kind == SymbolKind::Resistor);
        own.map(|(p, pin)| (p, pin, scheme.parts[p].nets[1 - pin]))
    };
    let ohms = |p: usize| {
        circuit.elements[scheme.parts[p].element]
            .value
            .unwrap_or(0.0)
    };
    for part in &scheme.parts {
        let Some((grid, _, bottom)) = part.kind.electrodes() else {
            continue;
        };
        let (grid, net) = (part.nets[grid], part.nets[bottom]);
        let down = resistors(net).filter(|&(.., far)| height[far] < height[net]);
        if let Some((p, pin, _)) = down.min_by(|a, b| ohms(a.0).total_cmp(&ohms(b.0))) {
            found[p] = Some(pin);
        }
        let mut leaky = vec![grid];
        if scheme.nets[grid].pins.len() == 2 {
            leaky.extend(resistors(grid).map(|(.., far)| far));
        }
        // The only way for direct current, and so without any.
        let mut away = leaky
            .iter()
            .flat_map(|&from| resistors(from))
            .filter(|(.., far)| !leaky.contains(far));
        let (leak, more) = (away.next(), away.next());
        let blocks = |&(p, pin): &(usize, usize)| {
            let kind = scheme.parts[p].kind;
            matches!(kind, SymbolKind::Resistor | SymbolKind::Capacitor)
                || kind.electrodes().is_some_and(|(grid, ..)| grid == pin)
        };
        let mut pins = leaky.iter().flat_map(|&n| &scheme.nets[n].pins);
        if let (Some((p, pin, far)), None) = (leak, more)
            && !scheme.nets[far].is_ground()
            && pins.all(blocks)
        {
            found[p] = Some(pin);
        }
    }
    found
}

/// Sweeps over all nets: enough for a valve stage, more only moves digits.
const SWEEPS: usize = 200;
