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
    let mut making = Making {
        scheme,
        reading,
        flagged,
        named,
        is_split: flagged.iter().any(|f| *f),
        has_signal: reading.supply.iter().any(|s| !s),
        link_of: vec![[None; 2]; scheme.nets.len()],
        letterings: Vec::new(),
        strips: (0..2).map(|_| Strip::default()).collect(),
    };
    let (links, leaving) = making.link();
    let pairs = pairs(scheme);
    for (p, lines) in lines.iter().enumerate() {
        making.part(p, lines, &pairs);
    }
    for n in leaving {
        making.leaving(n);
    }
    making.units();
    let mut strips = making.strips;
    strips.retain(|s| !s.items.is_empty());
    Ready { strips, links }
}

/// Items in the making.
struct Making<'a> {
    scheme: &'a Scheme,
    reading: &'a Recognised,
    flagged: &'a [bool],
    named: &'a [bool],
    /// With wired supplies there is but one strip.
    is_split: bool,
    has_signal: bool,
    /// The link of each net in either strip.
    link_of: Vec<[Option<usize>; 2]>,
    /// Each part's.
    letterings: Vec<Lettering>,
    strips: Vec<Strip>,
}

impl Making<'_> {
    fn is_ground(&self, n: usize) -> bool {
        self.scheme.nets[n].is_ground()
    }

    /// Whether a net shows its name, or ground's sign, where it is not wired.
    fn is_shown(&self, n: usize) -> bool {
        self.is_ground(n) || self.named[n] || self.flagged[n]
    }

    /// The strip that a part goes to.
    fn strip_of(&self, p: usize) -> usize {
        usize::from(self.is_split && self.has_signal && self.reading.supply[p])
    }

    /// Links join the pins of a net that are wired: all, or those in the supply's strip. The net
    /// of each link, and the nets that have a flag of their own, because they lead on from it.
    fn link(&mut self) -> (Vec<usize>, Vec<usize>) {
        let (mut links, mut leaving) = (Vec::new(), Vec::new());
        for (n, net) in self.scheme.nets.iter().enumerate() {
            if self.is_ground(n) || self.named[n] {
                continue;
            }
            let pins = net.pins.len();
            let in_supply = net.pins.iter().filter(|(p, _)| self.strip_of(*p) == 1);
            let in_supply = in_supply.count();
            if self.flagged[n] {
                if in_supply >= 2 {
                    self.link_of[n][1] = Some(links.len());
                    links.push(n);
                    if in_supply < pins || net.leaves {
                        leaving.push(n);
                    }
                }
            } else if pins + usize::from(net.leaves) >= 2 {
                self.link_of[n] = [Some(links.len()); 2];
                links.push(n);
                if net.leaves {
                    leaving.push(n);
                }
            }
        }
        (links, leaving)
    }

    /// The flag at a pin, where its net has no link there.
    fn flag(&self, p: usize, pin: usize, n: usize) -> Option<(String, Sign)> {
        let sign = match (self.is_ground(n), self.reading.rails[n].is_some()) {
            (true, _) if self.reading.neutral.contains(&(p, pin)) => Sign::Neutral,
            (true, _) => Sign::Chassis,
            (false, true) => Sign::Supply,
            (false, false) => Sign::Name,
        };
        let is_linked = self.link_of[n][self.strip_of(p)].is_some();
        (self.is_shown(n) && !is_linked).then(|| (self.scheme.nets[n].name.clone(), sign))
    }

    /// The item of a part, with the ways in which it may stand.
    fn part(&mut self, p: usize, lines: &[String], pairs: &[Option<i32>]) {
        let (scheme, side) = (self.scheme, self.strip_of(p));
        let part = &scheme.parts[p];
        let pins = part.nets.iter().enumerate();
        let lettering = Lettering {
            lines: lines.to_vec(),
            flags: pins.map(|(pin, &n)| self.flag(p, pin, n)).collect(),
        };
        let upright = part.symbol();
        let mut shapes: Vec<(Footprint, f64)> = turns(part.kind)
            .into_iter()
            .map(|turn| {
                let shape = Footprint::new(&upright, turn, &lettering);
                let cost = standing(scheme, self.reading, p, &shape, side == 1);
                (shape, cost)
            })
            .collect();
        // What stands on its head is never tried where something better exists.
        let least = shapes.iter().map(|s| s.1).fold(f64::INFINITY, f64::min);
        shapes.retain(|s| s.1 < least + 25.0);
        self.letterings.push(lettering);
        let is_grounded = |&n: &usize| self.is_ground(n) || self.reading.rails[n].is_some();
        let is_grounded = part.nets.iter().any(is_grounded);
        let links = part.nets.iter().map(|&n| self.link_of[n][side]);
        let item = Item {
            shapes,
            links: links.collect(),
            lines: lines_of(scheme, pairs, p),
            flows: !is_grounded || part.kind.is_active() || part.kind == SymbolKind::Pot,
            near: None,
        };
        self.add(side, Stands::Part(p), item);
    }

    /// The item of the flag of a net that leads on from its link.
    fn leaving(&mut self, n: usize) {
        let side = usize::from(self.flagged[n]);
        let ways = match self.reading.rails[n] {
            Some(true) => vec![Way::South],
            Some(false) => vec![Way::North],
            None => vec![Way::East, Way::West],
        };
        let is_supply = self.reading.rails[n].is_some();
        let name = &self.scheme.nets[n].name;
        let shapes = ways.iter().map(|&way| lone_flag(name, way, is_supply));
        let item = Item {
            shapes: shapes.map(|shape| (shape, 0.0)).collect(),
            links: vec![self.link_of[n][side]],
            lines: vec![],
            flows: false,
            near: None,
        };
        self.add(side, Stands::Flag(n), item);
    }

    fn add(&mut self, side: usize, stands: Stands, item: Item) {
        let strip = &mut self.strips[side];
        strip.stands.push(stands);
        strip.items.push(item);
    }

    /// What is placed together, in the order in which it is placed.
    fn units(&mut self) {
        let scheme = self.scheme;
        let motifs = motifs::find(scheme, self.reading, &|n| self.is_shown(n), &|p, turn| {
            Footprint::new(&scheme.parts[p].symbol(), turn, &self.letterings[p])
        });
        let mut strips = std::mem::take(&mut self.strips);
        for (side, strip) in strips.iter_mut().enumerate() {
            let mut together = vec![false; strip.items.len()];
            let own = motifs.iter().filter(|m| self.strip_of(m.leader()) == side);
            for motif in own {
                let mut unit = unit(strip, motif, &self.letterings, scheme);
                let wires = motif.wires.iter();
                let linked =
                    wires.filter_map(|(n, wire)| Some((self.link_of[*n][side]?, wire.clone())));
                unit.wires = linked.collect();
                unit.members.iter().for_each(|&k| together[k] = true);
                strip.units.push(unit);
            }
            let alone = strip
                .items
                .iter()
                .enumerate()
                .filter(|(k, _)| !together[*k]);
            strip
                .units
                .extend(alone.map(|(k, item)| Unit::alone(k, item)));
            let mut units = std::mem::take(&mut strip.units);
            units.sort_by_key(|u| self.turn(strip, u.members[0]));
            strip.units = units;
            beside_coils(scheme, strip);
        }
        self.strips = strips;
    }

    /// When an item's turn to be placed comes.
    fn turn(&self, strip: &Strip, k: usize) -> (u32, u32, usize) {
        let (scheme, reading) = (self.scheme, self.reading);
        match strip.stands[k] {
            Stands::Part(p) if !self.is_split && self.has_signal && reading.supply[p] => {
                let (depth, class, p) = key(scheme, reading, p);
                (depth.saturating_add(LAST), class, p)
            }
            Stands::Part(p) => key(scheme, reading, p),
            Stands::Flag(n) => (reading.depth[n].map_or(u32::MAX - 1, |d| d + 3), 9, k),
        }
    }
}

/// What joins inductors has no pins: it stays near the first of them.
fn beside_coils(scheme: &Scheme, strip: &mut Strip) {
    let is_coil =
        |s: &Stands| matches!(s, Stands::Part(p) if scheme.parts[*p].kind == SymbolKind::Inductor);
    let coil = strip.stands.iter().position(is_coil);
    for item in &mut strip.items {
        if item.shapes[0].0.symbol.pins.is_empty() {
            item.near = coil;
        }
    }
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
