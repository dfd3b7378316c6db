//! From a scheme to a sheet: make ready, place, cut into rows, route; again with more room or
//! with more names where a wire finds no way.

use super::footprint::{NEUTRAL, Sign, Text};
use super::geometry::{At, PITCH, Rect, Way};
use super::ink::{DrawnPart, Sheet};
use super::items::{self, Ready, Stands};
use super::lettering::{Anchor, LEADING, SIZE, width};
use super::place::{self, Spot, Taste};
use super::recognise::Recognised;
use super::route::{Board, Link, Routes};
use super::rows;
use super::scheme::Scheme;
use super::volts::{self, Taken};
use crate::circuit::Circuit;
use std::collections::BTreeMap;

/// What is lettered beside what the netlist says.
#[derive(Debug, Clone, Default)]
pub struct Notes {
    /// Volts by node number.
    pub volts: BTreeMap<usize, String>,
    /// Lines below a part's value, by element, with whether they are past a rating.
    pub readings: BTreeMap<usize, Vec<(String, bool)>>,
    /// Lines at the foot of the sheet.
    pub caution: Vec<String>,
    /// Ways of placing that are tried at most; 0 leaves it to the size of the circuit.
    pub drafts: usize,
}

/// What came out, in figures.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Figures {
    /// Parts drawn.
    pub parts: usize,
    /// Nets but ground.
    pub nets: usize,
    /// Supplies shown by flags.
    pub supplies: Vec<String>,
    /// Other nets shown by name.
    pub named: Vec<String>,
    /// Crossings of wires.
    pub crossings: usize,
}

/// Draws a scheme. `tick` is asked now and then whether to go on.
///
/// # Errors
/// What `tick` says.
pub fn draw<E>(
    circuit: &Circuit,
    scheme: &Scheme,
    notes: &Notes,
    tick: &mut dyn FnMut() -> Result<(), E>,
) -> Result<(Sheet, Figures), E> {
    let reading = Recognised::new(circuit, scheme);
    let flagged = items::flagged(scheme, &reading);
    let mut named = vec![false; scheme.nets.len()];
    let lines: Vec<Vec<String>> = (scheme.parts.iter())
        .map(|p| {
            let mut lines = vec![p.label.clone()];
            lines.extend(p.values.iter().filter(|v| !v.is_empty()).cloned());
            let more = notes.readings.get(&p.element);
            lines.extend(more.into_iter().flatten().map(|(text, _)| text.clone()));
            lines
        })
        .collect();
    let mut tastes = tastes(scheme.parts.len());
    if notes.drafts > 0 {
        tastes.truncate(notes.drafts);
    }
    let mut rounds = 0;
    loop {
        let ready = items::ready(scheme, &reading, &flagged, &named, &lines);
        let mut best: Option<(u64, Tried)> = None;
        for taste in &tastes {
            // More room only where there was too little.
            let found = best
                .as_ref()
                .is_some_and(|(_, t)| t.routes.failed.is_empty());
            if found && taste.margin > place::PLAIN.margin {
                continue;
            }
            let tried = Tried::new(scheme, &ready, *taste, tick)?;
            let price = tried.price();
            if best.as_ref().is_none_or(|(least, _)| price < *least) {
                best = Some((price, tried));
            }
        }
        let (_, tried) = best.expect("one taste at least");
        if !tried.routes.failed.is_empty() {
            for &link in &tried.routes.failed {
                named[ready.links[link]] = true;
            }
            rounds += 1;
            // In the end every net is shown by name, which cannot fail.
            if rounds >= if scheme.parts.len() > MANY { 2 } else { 5 } {
                named.fill(true);
            }
            continue;
        }
        let sheet = ink(scheme, notes, &ready, &tried);
        let figures = Figures {
            parts: scheme.parts.len(),
            nets: scheme.wired(),
            supplies: names(scheme, |n| {
                flagged[n] || (named[n] && reading.rails[n].is_some())
            }),
            named: names(scheme, |n| {
                !flagged[n] && reading.rails[n].is_none() && (named[n] || scheme.nets[n].leaves)
            }),
            crossings: tried.routes.crossings,
        };
        return Ok((sheet, figures));
    }
}

/// From this many parts on, one drawing is not compared with others.
const MANY: usize = 250;

/// What is tried: for a large circuit little, because it takes its time.
fn tastes(parts: usize) -> Vec<Taste> {
    let plain = place::PLAIN;
    let wider = Taste {
        margin: plain.margin + 1,
        ..plain
    };
    if parts > MANY {
        return vec![plain];
    }
    vec![
        plain,
        Taste {
            backwards: 4.0,
            aside: 1.5,
            ..plain
        },
        Taste {
            backwards: 1.0,
            line: 22,
            ..plain
        },
        Taste {
            off_line: 0.7,
            line: 16,
            ..plain
        },
        Taste { rounds: 1, ..plain },
        wider,
    ]
}

/// A sheet as placed and wired by one taste.
struct Tried {
    spots: Vec<Vec<Spot>>,
    laid: Laid,
    routes: Routes,
}

impl Tried {
    fn new<E>(
        scheme: &Scheme,
        ready: &Ready,
        taste: Taste,
        tick: &mut dyn FnMut() -> Result<(), E>,
    ) -> Result<Tried, E> {
        let mut spots = Vec::new();
        for strip in &ready.strips {
            let links = ready.links.len();
            spots.push(place::place(
                &strip.items,
                &strip.units,
                links,
                taste,
                tick,
            )?);
        }
        rows::arrange(&ready.strips, &mut spots);
        let laid = Laid::new(scheme, ready, &spots);
        let routes = laid.route(tick)?;
        Ok(Tried {
            spots,
            laid,
            routes,
        })
    }

    /// How far it is from what one would like: nets without a way, crossings, bends, length.
    fn price(&self) -> u64 {
        let wires = || self.routes.wires.iter().flatten();
        let bends: usize = wires().map(|w| w.len() - 2).sum();
        let length: i32 = wires()
            .flat_map(|w| w.windows(2))
            .map(|r| r[0].distance(r[1]))
            .sum();
        let (failed, crossings) = (self.routes.failed.len(), self.routes.crossings);
        10_000 * failed as u64 + 24 * crossings as u64 + 3 * bends as u64 + length as u64 / 3
    }
}

fn names(scheme: &Scheme, wanted: impl Fn(usize) -> bool) -> Vec<String> {
    let all = 0..scheme.nets.len();
    all.filter(|&n| !scheme.nets[n].is_ground() && wanted(n))
        .map(|n| scheme.nets[n].name.clone())
        .collect()
}

/// Links and obstacles as they lie.
struct Laid {
    links: Vec<Link>,
    obstacles: Vec<Rect>,
    /// Wires of flags, with their nets.
    fixed: Vec<(usize, Vec<At>)>,
    /// Pins that nothing is joined to: no wire may pass.
    lone: Vec<(At, Way)>,
    room: Rect,
}

/// Room round everything for wires, in lattice steps.
const AROUND: f64 = 6.0 * PITCH;

impl Laid {
    fn new(scheme: &Scheme, ready: &Ready, spots: &[Vec<Spot>]) -> Laid {
        let nets: Vec<&[usize]> = scheme.parts.iter().map(|p| &*p.nets).collect();
        let mut laid = Laid {
            links: vec![Link::default(); ready.links.len()],
            obstacles: vec![],
            fixed: vec![],
            lone: vec![],
            room: Rect::new(0.0, 0.0, 0.0, 0.0),
        };
        for (strip, spots) in ready.strips.iter().zip(spots) {
            for ((item, spot), stands) in strip.items.iter().zip(spots).zip(&strip.stands) {
                let shape = &item.shapes[spot.shape].0;
                let body = shape.symbol.body.moved(spot.at);
                laid.obstacles.push(body);
                for text in &shape.texts {
                    laid.obstacles.push(text.frame.moved(spot.at));
                }
                for flag in &shape.flags {
                    laid.obstacles.push(flag.body.moved(spot.at));
                    laid.obstacles
                        .extend(flag.text.iter().map(|t| t.frame.moved(spot.at)));
                    if let Stands::Part(p) = stands {
                        let pin = shape.symbol.pins.iter().position(|q| q.at == flag.wire[0]);
                        let net = nets[*p][pin.expect("a flag is at a pin")];
                        laid.fixed.push((net, flag.moved(spot.at).wire));
                    }
                }
                let flagged: Vec<At> = shape.flags.iter().map(|f| f.wire[0]).collect();
                for (pin, link) in shape.symbol.pins.iter().zip(&item.links) {
                    let at = pin.at.plus(spot.at);
                    match link {
                        Some(link) => laid.links[*link].pins.push((at, pin.way)),
                        None if !flagged.contains(&pin.at) => laid.lone.push((at, pin.way)),
                        None => {}
                    }
                }
            }
        }
        for (strip, spots) in ready.strips.iter().zip(spots) {
            for unit in &strip.units {
                // A link's wires are in one piece: those of one unit only.
                let first = |link: usize| laid.links[link].wires.is_empty();
                let own: Vec<_> = unit.wires.iter().filter(|w| first(w.0)).collect();
                for (link, wire) in own {
                    let by = unit.moved(spots);
                    let wire = wire.iter().map(|at| at.plus(by)).collect();
                    laid.links[*link].wires.push(wire);
                }
            }
        }
        let all = laid.obstacles.iter().copied().reduce(Rect::joined);
        laid.room = all.unwrap_or(laid.room).grown(AROUND);
        laid
    }

    fn route<E>(&self, tick: &mut dyn FnMut() -> Result<(), E>) -> Result<Routes, E> {
        let mut board = Board::new(self.room, &self.obstacles);
        let mut number = self.links.len();
        for (_, wire) in &self.fixed {
            board.lay(wire, number);
            number += 1;
        }
        for &(at, way) in &self.lone {
            board.reserve(at.step(way, 1), number);
            number += 1;
        }
        board.route(&self.links, tick)
    }
}

fn ink(scheme: &Scheme, notes: &Notes, ready: &Ready, tried: &Tried) -> Sheet {
    let Tried {
        spots,
        laid,
        routes,
    } = tried;
    let mut sheet = Sheet {
        title: scheme.title.clone(),
        wires: laid.fixed.iter().map(|(_, wire)| wire.clone()).collect(),
        ..Sheet::default()
    };
    let mut parts: BTreeMap<usize, DrawnPart> = BTreeMap::new();
    for (strip, spots) in ready.strips.iter().zip(spots) {
        for ((item, spot), stands) in strip.items.iter().zip(spots).zip(&strip.stands) {
            let shape = &item.shapes[spot.shape].0;
            sheet
                .flags
                .extend(shape.flags.iter().map(|f| f.moved(spot.at)));
            let Stands::Part(p) = *stands else {
                continue;
            };
            let part = &scheme.parts[p];
            let readings = notes.readings.get(&part.element);
            let mut texts: Vec<Text> = shape.texts.iter().map(|t| t.moved(spot.at)).collect();
            let first = texts.len() - readings.map_or(0, Vec::len).min(texts.len());
            for (text, (_, over)) in texts[first..]
                .iter_mut()
                .zip(readings.into_iter().flatten())
            {
                text.class = if *over { "over" } else { "reading" };
            }
            sheet.texts.extend(texts);
            let (dx, dy) = spot.at.place();
            let drawn = DrawnPart {
                name: part.name.clone(),
                word: part.word,
                line: part.line.clone(),
                body: shape.symbol.body.moved(spot.at),
                pins: shape
                    .symbol
                    .pins
                    .iter()
                    .map(|p| p.at.plus(spot.at))
                    .collect(),
                strokes: super::footprint::shifted(&shape.symbol.strokes, |(x, y)| {
                    (x + dx, y + dy)
                }),
                is_over: readings.is_some_and(|r| r.iter().any(|(_, over)| *over)),
            };
            parts.insert(p, drawn);
        }
    }
    sheet.parts = parts.into_values().collect();
    sheet.wires.extend(routes.wires.iter().flatten().cloned());
    sheet.joints.extend(routes.joints.iter().flatten());
    let left_over = letter_volts(&mut sheet, scheme, notes, ready, laid, routes);
    foot(&mut sheet, notes, &left_over);
    sheet
}

/// From one text of volts to the next.
const APART: f64 = 2.0;

/// Letters each net's volts once. What finds no room is given back.
fn letter_volts(
    sheet: &mut Sheet,
    scheme: &Scheme,
    notes: &Notes,
    ready: &Ready,
    laid: &Laid,
    routes: &Routes,
) -> Vec<String> {
    if notes.volts.is_empty() {
        return vec![];
    }
    let mut taken = Taken::default();
    laid.obstacles.iter().for_each(|r| taken.add(*r, None));
    laid.fixed.iter().for_each(|(n, w)| taken.add_wire(w, *n));
    for (&n, wires) in ready.links.iter().zip(&routes.wires) {
        wires.iter().for_each(|w| taken.add_wire(w, n));
    }
    for (part, drawn) in scheme.parts.iter().zip(&sheet.parts) {
        for (&n, pin) in part.nets.iter().zip(&drawn.pins) {
            taken.add_wire(&[*pin, *pin], n);
        }
    }
    for flag in &sheet.flags {
        let net = scheme.nets.iter().position(|n| n.name == flag.net);
        let text = flag.text.iter().map(|t| t.frame);
        let frames = text.chain([flag.body]);
        frames.for_each(|r| taken.add(r, net));
    }
    let mut left_over = Vec::new();
    for (n, net) in scheme.nets.iter().enumerate() {
        let Some(text) = notes.volts.get(&net.node.0) else {
            continue;
        };
        let linked = (ready.links.iter().zip(&routes.wires)).filter(|(of, _)| **of == n);
        let mut wires: Vec<Vec<At>> = linked.flat_map(|(_, wires)| wires.clone()).collect();
        if wires.is_empty() {
            let own = laid.fixed.iter().filter(|(of, _)| *of == n);
            wires.extend(own.map(|(_, wire)| wire.clone()));
        }
        if wires.is_empty() {
            // A lone pin: beside its first step.
            let here = net.pins.first().map(|&(p, pin)| sheet.parts[p].pins[pin]);
            let out = laid.lone.iter().filter(|(at, _)| Some(*at) == here);
            wires.extend(out.map(|&(at, way)| vec![at, at.step(way, 1)]));
        }
        match volts::beside(text, n, &wires, &taken) {
            Some(text) => {
                taken.add(text.frame.grown(APART), None);
                sheet.texts.push(text);
            }
            None => left_over.push(format!("{} {text}", net.name)),
        }
    }
    left_over
}

/// What is said where ground is the neutral of the mains.
const NEUTRAL_NOTE: &str = "\
    Points marked {} are the neutral of the mains, not the chassis, though the netlist calls both 0: \
    never join them. Fuse, mains switch and protective earth are shown only where the netlist has them.";

/// The title above and the caution below.
fn foot(sheet: &mut Sheet, notes: &Notes, left_over: &[String]) {
    let extent = sheet.extent();
    let room = (extent.x1 - extent.x0).max(260.0);
    if !sheet.title.is_empty() {
        let size = 1.6 * SIZE;
        let lines = broken(&sheet.title, room.max(400.0), size);
        for (k, line) in lines.iter().enumerate() {
            let above = (lines.len() - 1 - k) as f64 * LEADING * size;
            let at = (extent.x0, extent.y0 - 20.0 - above);
            let line = Text::new(line.clone(), at, Anchor::Start, "title", size);
            sheet.texts.push(line);
        }
    }
    let mut y = extent.y1 + 30.0;
    let more = match left_over {
        [] => None,
        all => Some((format!("Also: {}", all.join(", ")), "volts")),
    };
    let has_neutral = sheet.flags.iter().any(|f| f.sign == Sign::Neutral);
    let neutral = has_neutral.then(|| (NEUTRAL_NOTE.replace("{}", NEUTRAL), "caution"));
    let lines = notes.caution.iter().map(|l| (l.clone(), "caution"));
    for (line, class) in more.into_iter().chain(neutral).chain(lines) {
        for line in broken(&line, room, SIZE) {
            let text = Text::new(line, (extent.x0, y), Anchor::Start, class, SIZE);
            sheet.texts.push(text);
            y += LEADING * SIZE;
        }
    }
}

/// A text in lines of at most a width.
fn broken(text: &str, room: f64, size: f64) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split(' ') {
        let last = lines.last_mut().expect("never empty");
        if !last.is_empty() && width(&format!("{last} {word}"), size) > room {
            lines.push(word.to_string());
        } else {
            if !last.is_empty() {
                last.push(' ');
            }
            last.push_str(word);
        }
    }
    lines
}
