//! Parts made ready for placing: which nets are shown by flags, which pins belong to one wired
//! link, and how each part may stand.

use super::footprint::{Footprint, Lettering, Sign, flag};
use super::geometry::{At, Rect, Turn, Way};
use super::motifs::{self, Motif};
use super::place::{Item, Spot, Unit};
use super::recognise::Recognised;
use super::scheme::Scheme;
use super::symbols::{Pin, Symbol, SymbolKind};

/// What an item stands for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Stands {
    /// A part of the scheme.
    Part(usize),
    /// The flag of a net.
    Flag(usize),
}

/// Items of one strip (the signal's or the supply's) and their links.
#[derive(Debug, Default)]
pub struct Strip {
    /// What each item stands for.
    pub stands: Vec<Stands>,
    /// The items.
    pub items: Vec<Item>,
    /// What is placed together, in the order in which it is placed.
    pub units: Vec<Unit>,
}

/// Everything made ready.
#[derive(Debug, Default)]
pub struct Ready {
    /// The signal's strip, then the supply's.
    pub strips: Vec<Strip>,
    /// The net of each link.
    pub links: Vec<usize>,
}

/// At most this part of the nets is shown by flags as long as wires will do.
pub const NAMED: f64 = 0.15;

/// The supplies that are drawn as flags wherever the signal's parts use them: those used most,
/// as many as may be shown by name. A circuit of one stage has them wired.
pub fn flagged(scheme: &Scheme, reading: &Recognised) -> Vec<bool> {
    let mut flagged = vec![false; scheme.nets.len()];
    let users = |n: usize| {
        let pins = &scheme.nets[n].pins;
        pins.iter().filter(|(p, _)| !reading.supply[*p]).count()
    };
    let valves = scheme.parts.iter().filter(|p| p.kind.is_active()).count();
    let mut rails: Vec<(usize, usize)> = (0..scheme.nets.len())
        .filter(|&n| reading.rails[n].is_some())
        .map(|n| (users(n), n))
        .filter(|&(users, _)| users >= 2 || (users >= 1 && valves >= 2))
        .collect();
    rails.sort_by_key(|&(users, n)| (std::cmp::Reverse(users), n));
    let most = (NAMED * scheme.wired() as f64).floor() as usize;
    for &(_, n) in rails.iter().take(most) {
        flagged[n] = true;
    }
    flagged
}

/// Where a supply is wired its parts come after all that uses it.
const LAST: u32 = 1 << 30;

/// Makes items. `flagged` nets are shown by name; `named` ones too, but at every pin.
pub fn ready(
    scheme: &Scheme,
    reading: &Recognised,
    flagged: &[bool],
    named: &[bool],
    lines: &[Vec<String>],
) -> Ready {
    let mut ready = Ready::default();
    let ground = |n: usize| scheme.nets[n].is_ground();
    // Which strip a part goes to: with wired supplies there is but one.
    let is_split = flagged.iter().any(|f| *f);
    let has_signal = reading.supply.iter().any(|s| !s);
    let strip_of = |p: usize| usize::from(is_split && has_signal && reading.supply[p]);
    // A link joins the pins of a net that are wired: all, or those in the supply's strip.
    let mut link_of: Vec<[Option<usize>; 2]> = vec![[None; 2]; scheme.nets.len()];
    let mut lone_flags: Vec<usize> = Vec::new();
    for (n, net) in scheme.nets.iter().enumerate() {
        if ground(n) || named[n] {
            continue;
        }
        let in_supply = net.pins.iter().filter(|(p, _)| strip_of(*p) == 1).count();
        if flagged[n] {
            if in_supply >= 2 {
                link_of[n][1] = Some(ready.links.len());
                ready.links.push(n);
                if in_supply < net.pins.len() || net.leaves {
                    lone_flags.push(n);
                }
            }
        } else if net.pins.len() + usize::from(net.leaves) >= 2 {
            link_of[n] = [Some(ready.links.len()); 2];
            ready.links.push(n);
            if net.leaves {
                lone_flags.push(n);
            }
        }
    }
    ready.strips = (0..2).map(|_| Strip::default()).collect();
    let pairs = pairs(scheme);
    let mut letterings = Vec::new();
    for (p, part) in scheme.parts.iter().enumerate() {
        let side = strip_of(p);
        let links: Vec<Option<usize>> = part.nets.iter().map(|&n| link_of[n][side]).collect();
        let flags = part.nets.iter().zip(&links).enumerate();
        let flags = flags.map(|(pin, (&n, link))| {
            let shown = ground(n) || named[n] || flagged[n];
            let name = scheme.nets[n].name.clone();
            let sign = match (ground(n), reading.rails[n].is_some()) {
                (true, _) if reading.neutral.contains(&(p, pin)) => Sign::Neutral,
                (true, _) => Sign::Chassis,
                (false, true) => Sign::Supply,
                (false, false) => Sign::Name,
            };
            (shown && link.is_none()).then_some((name, sign))
        });
        let lettering = Lettering {
            lines: lines[p].clone(),
            flags: flags.collect(),
        };
        let upright = part.symbol();
        let mut shapes: Vec<(Footprint, f64)> = turns(part.kind)
            .into_iter()
            .map(|turn| {
                let shape = Footprint::new(&upright, turn, &lettering);
                let cost = standing(scheme, reading, p, &shape, side == 1);
                (shape, cost)
            })
            .collect();
        // What stands on its head is never tried where something better exists.
        let least = shapes.iter().map(|s| s.1).fold(f64::INFINITY, f64::min);
        shapes.retain(|s| s.1 < least + 25.0);
        letterings.push(lettering);
        let grounded = part
            .nets
            .iter()
            .any(|&n| ground(n) || reading.rails[n].is_some());
        let strip = &mut ready.strips[side];
        strip.stands.push(Stands::Part(p));
        strip.items.push(Item {
            shapes,
            links,
            lines: lines_of(scheme, &pairs, p),
            flows: !grounded || part.kind.is_active() || part.kind == SymbolKind::Pot,
            near: None,
        });
    }
    for n in lone_flags {
        let side = usize::from(flagged[n]);
        let link = link_of[n][side];
        let supply = reading.rails[n].is_some();
        let negative = reading.rails[n] == Some(true);
        let ways = if supply {
            vec![if negative { Way::South } else { Way::North }]
        } else {
            vec![Way::East, Way::West]
        };
        let shapes = ways
            .iter()
            .map(|&way| (lone_flag(&scheme.nets[n].name, way, supply), 0.0));
        let shapes = shapes.collect();
        let strip = &mut ready.strips[side];
        strip.stands.push(Stands::Flag(n));
        strip.items.push(Item {
            shapes,
            links: vec![link],
            lines: vec![],
            flows: false,
            near: None,
        });
    }
    let shown = |n: usize| ground(n) || named[n] || flagged[n];
    let motifs = motifs::find(scheme, reading, &shown, &|p, turn| {
        Footprint::new(&scheme.parts[p].symbol(), turn, &letterings[p])
    });
    for (side, strip) in ready.strips.iter_mut().enumerate() {
        let key = |strip: &Strip, k: usize| match strip.stands[k] {
            Stands::Part(p) if !is_split && has_signal && reading.supply[p] => {
                let (depth, class, p) = key(scheme, reading, p);
                (depth.saturating_add(LAST), class, p)
            }
            Stands::Part(p) => key(scheme, reading, p),
            Stands::Flag(n) => (reading.depth[n].map_or(u32::MAX - 1, |d| d + 3), 9, k),
        };
        let mut together = vec![false; strip.items.len()];
        let own = motifs.iter().filter(|m| strip_of(m.leader()) == side);
        for motif in own {
            let mut unit = unit(strip, motif, &letterings, scheme);
            let wires = motif.wires.iter();
            let linked = wires.filter_map(|(n, wire)| Some((link_of[*n][side]?, wire.clone())));
            unit.wires = linked.collect();
            unit.members.iter().for_each(|&k| together[k] = true);
            strip.units.push(unit);
        }
        for (k, item) in strip.items.iter().enumerate() {
            if !together[k] {
                strip.units.push(Unit::alone(k, item));
            }
        }
        let mut units = std::mem::take(&mut strip.units);
        units.sort_by_key(|u| key(strip, u.members[0]));
        strip.units = units;
        // What joins inductors has no pins: it stays near the first of them.
        for k in 0..strip.items.len() {
            if strip.items[k].shapes[0].0.symbol.pins.is_empty() {
                let coil = |s: &Stands| matches!(s, Stands::Part(p) if scheme.parts[*p].kind == SymbolKind::Inductor);
                strip.items[k].near = strip.stands.iter().position(coil);
            }
        }
    }
    ready.strips.retain(|s| !s.items.is_empty());
    ready
}

/// A motif's parts as a unit of a strip. The ways in which they stand are made where the items
/// have none like them.
fn unit(strip: &mut Strip, motif: &Motif, letterings: &[Lettering], scheme: &Scheme) -> Unit {
    let (mut members, mut spots) = (Vec::new(), Vec::new());
    for &(p, turn, at) in &motif.places {
        let k = strip.stands.iter().position(|s| *s == Stands::Part(p));
        let k = k.expect("a motif lies in one strip");
        let shapes = &mut strip.items[k].shapes;
        let found = shapes.iter().position(|s| s.0.turn == turn);
        let shape = found.unwrap_or_else(|| {
            let upright = scheme.parts[p].symbol();
            shapes.push((Footprint::new(&upright, turn, &letterings[p]), 0.0));
            shapes.len() - 1
        });
        members.push(k);
        spots.push(Spot { shape, at });
    }
    strip.items[members[0]].lines = vec![0];
    Unit {
        members,
        layouts: vec![(spots, 0.0)],
        wires: vec![],
    }
}

/// The base lines of a part: an active one stands on the first, or where its pair says.
fn lines_of(scheme: &Scheme, pairs: &[Option<i32>], p: usize) -> Vec<i32> {
    if !scheme.parts[p].kind.is_active() {
        return vec![];
    }
    vec![pairs[p].unwrap_or(0)]
}

/// Pairs of active parts of one kind: by a cathode that both share and that is not ground, or by
/// the two ends of a transformer's winding. For each part of one its base line: 0 and 1, and
/// for a pair whose plates hang where another's do, 2 and 3.
fn pairs(scheme: &Scheme) -> Vec<Option<i32>> {
    let mut found: Vec<Option<i32>> = vec![None; scheme.parts.len()];
    let pins = |n: usize| scheme.nets[n].pins.iter().copied();
    for (p, part) in scheme.parts.iter().enumerate() {
        let Some((_, top, bottom)) = part.kind.electrodes() else {
            continue;
        };
        if found[p].is_some() {
            continue;
        }
        let is_like = |q: usize| q > p && found[q].is_none() && scheme.parts[q].kind == part.kind;
        let cathode = part.nets[bottom];
        let by_cathode = pins(cathode).find(|&(q, pin)| is_like(q) && pin == bottom);
        let by_cathode = by_cathode.filter(|_| !scheme.nets[cathode].is_ground());
        let by_plate = || {
            let (t, pin) = pins(part.nets[top])
                .find(|&(t, _)| matches!(scheme.parts[t].kind, SymbolKind::Transformer(_)))?;
            let SymbolKind::Transformer(windings) = scheme.parts[t].kind else {
                return None;
            };
            let winding = windings.left.iter().find(|w| w.contains(&pin))?;
            let other = if winding[0] == pin {
                winding.last()
            } else {
                winding.first()
            };
            let far = scheme.parts[t].nets[*other?];
            pins(far).find(|&(q, pin)| is_like(q) && pin == top)
        };
        if let Some((q, _)) = by_cathode.or_else(by_plate) {
            let plates = [part.nets[top], scheme.parts[q].nets[top]];
            let above = plates
                .iter()
                .flat_map(|&n| pins(n))
                .filter_map(|(o, _)| found[o])
                .max();
            let line = above.map_or(0, |line| line + 1);
            found[p] = Some(line);
            found[q] = Some(line + 1);
        }
    }
    found
}

/// The order along the signal's way: first what leads on, then what hangs there.
fn key(scheme: &Scheme, reading: &Recognised, p: usize) -> (u32, u32, usize) {
    let part = &scheme.parts[p];
    let depth = reading.depth_of(part);
    let shunt = part
        .nets
        .iter()
        .filter(|&&n| !scheme.nets[n].is_ground() && reading.rails[n].is_none())
        .count();
    let class = if part.kind.is_active() {
        0
    } else if shunt <= 1 {
        1
    } else {
        2
    };
    (depth, class, p)
}

/// The flag of a net by itself: its pin is where its wire comes in.
fn lone_flag(net: &str, way: Way, supply: bool) -> Footprint {
    let pin = Pin {
        at: At::new(0, 0).step(way.back(), 1),
        way,
    };
    let sign = if supply { Sign::Supply } else { Sign::Name };
    let made = flag(pin, net, sign, false);
    let body = made.body;
    let text = made.text.clone();
    let inner = Pin {
        at: At::new(0, 0),
        way: way.back(),
    };
    let symbol = Symbol {
        pins: vec![inner],
        body,
        strokes: made.strokes.clone(),
    };
    let mut cells = vec![body.cells()];
    cells.extend(text.iter().map(|t| t.frame.cells()));
    let (x, y) = inner.at.step(inner.way, 1).place();
    cells.push(body.joined(Rect::new(x, y, x, y)).cells());
    let hull = cells.iter().fold(cells[0], |all, c| all.joined(*c));
    Footprint {
        turn: Turn::default(),
        symbol,
        texts: vec![],
        flags: vec![made],
        cells,
        hull,
    }
}

/// The ways in which a part may stand.
fn turns(kind: SymbolKind) -> Vec<Turn> {
    let turn = |quarters: u8, mirrored: bool| Turn { quarters, mirrored };
    if kind.is_in_line() {
        // Standing with its lettering on either side, or lying.
        return vec![
            turn(0, false),
            turn(0, true),
            turn(3, false),
            turn(1, false),
            turn(2, false),
            turn(2, true),
        ];
    }
    match kind {
        SymbolKind::Pot => (0..4)
            .flat_map(|q| [turn(q, false), turn(q, true)])
            .collect(),
        SymbolKind::Coupling | SymbolKind::Rectifier => vec![turn(0, false)],
        _ => vec![turn(0, false), turn(0, true)],
    }
}

/// What a way of standing costs by itself.
fn standing(
    scheme: &Scheme,
    reading: &Recognised,
    p: usize,
    shape: &Footprint,
    in_supply: bool,
) -> f64 {
    let part = &scheme.parts[p];
    let pins = &shape.symbol.pins;
    let mut cost = 0.0;
    let mut is_fixed = false;
    for (pin, &n) in pins.iter().zip(&part.nets) {
        if scheme.nets[n].is_ground() {
            is_fixed = true;
            cost += match pin.way {
                Way::South => 0.0,
                Way::North => 60.0,
                _ => 10.0,
            };
        } else if let (Some(negative), false) = (reading.rails[n], in_supply) {
            is_fixed = true;
            // A negative supply hangs down, but not from what stands on ground.
            let hangs = negative && !part.nets.iter().any(|&m| scheme.nets[m].is_ground());
            let good = if hangs { Way::South } else { Way::North };
            cost += match pin.way {
                way if way == good => 0.0,
                way if way == good.back() => 22.0,
                _ => 8.0,
            };
        }
    }
    if shape.turn.mirrored {
        cost += if part.kind.is_in_line() { 1.5 } else { 8.0 };
    }
    if part.kind == SymbolKind::Pot && matches!(shape.turn.quarters, 1..=3) {
        cost += if shape.turn.quarters == 2 { 4.0 } else { 6.0 };
    }
    if is_fixed || !part.kind.is_in_line() || part.kind.electrodes().is_some() {
        return cost;
    }
    let (a, b) = (part.nets[0], part.nets[1]);
    let drop = reading.height[a] - reading.height[b];
    let is_level = pins[0].way.is_level();
    let first_up = pins[0].way == Way::North;
    if let Some(upper) = reading.upper_pin[p] {
        return cost
            + match (is_level, first_up == (upper == 0)) {
                (true, _) | (false, false) => 16.0,
                (false, true) => 0.0,
            };
    }
    let carries = matches!(
        part.kind,
        SymbolKind::Resistor | SymbolKind::Inductor | SymbolKind::Choke | SymbolKind::Diode
    ) && drop.abs() > 0.01
        && !in_supply;
    if carries {
        return cost
            + match (is_level, first_up == (drop > 0.0)) {
                (true, _) => 7.0,
                (false, true) => 0.0,
                (false, false) => 16.0,
            };
    }
    let first_left = pins[0].way == Way::West;
    let forward = match (reading.depth[a], reading.depth[b]) {
        (Some(x), Some(y)) if x != y => (x < y) == first_left,
        _ => true,
    };
    cost + match (is_level, forward) {
        (true, true) => 0.0,
        (true, false) => 9.0,
        (false, _) => 6.0,
    }
}
