//! The room that a part takes on the sheet with its lettering, its leads and the flags at its
//! pins, in each way in which it may be turned.

use super::geometry::{At, Cells, PITCH, Rect, Turn, Way};
use super::lettering::{Anchor, LEADING, SIZE, extent, first_base};
use super::symbols::{Pin, Stroke, Symbol};

/// A text in its place.
#[derive(Debug, Clone, PartialEq)]
pub struct Text {
    /// What it says.
    pub text: String,
    /// Its base line's anchor.
    pub at: (f64, f64),
    /// Which end of it is there.
    pub anchor: Anchor,
    /// Its box.
    pub frame: Rect,
    /// How it is dressed.
    pub class: &'static str,
    /// Size of type.
    pub size: f64,
}

impl Text {
    /// A text with its box.
    pub fn new(
        text: String,
        at: (f64, f64),
        anchor: Anchor,
        class: &'static str,
        size: f64,
    ) -> Text {
        Text {
            frame: extent(&text, at, anchor, size),
            text,
            at,
            anchor,
            class,
            size,
        }
    }

    /// The same text elsewhere.
    pub fn moved(&self, by: At) -> Text {
        let (dx, dy) = by.place();
        Text {
            at: (self.at.0 + dx, self.at.1 + dy),
            frame: self.frame.moved(by),
            ..self.clone()
        }
    }
}

/// What a flag stands for, and so how it is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sign {
    /// Ground.
    Chassis,
    /// Ground, where it is the neutral of the mains: by a name, so that nobody wires it to the chassis.
    Neutral,
    /// A supply.
    Supply,
    /// Any other net that is shown by name.
    Name,
}

/// What is lettered at the neutral.
pub const NEUTRAL: &str = "mains N";

/// A flag at the end of a short wire.
#[derive(Debug, Clone, PartialEq)]
pub struct Flag {
    /// The net it stands for.
    pub net: String,
    /// As what.
    pub sign: Sign,
    /// From the pin to the flag.
    pub wire: Vec<At>,
    /// What is drawn at its end.
    pub strokes: Vec<Stroke>,
    /// The room that takes.
    pub body: Rect,
    /// Its name; ground has none.
    pub text: Option<Text>,
}

impl Flag {
    /// Where it is joined.
    pub fn pin(&self) -> At {
        *self.wire.last().expect("a flag has a wire")
    }

    /// The same flag elsewhere.
    pub fn moved(&self, by: At) -> Flag {
        let shift = |p: (f64, f64)| (p.0 + by.place().0, p.1 + by.place().1);
        Flag {
            net: self.net.clone(),
            sign: self.sign,
            wire: self.wire.iter().map(|p| p.plus(by)).collect(),
            strokes: shifted(&self.strokes, shift),
            body: self.body.moved(by),
            text: self.text.as_ref().map(|t| t.moved(by)),
        }
    }
}

/// Strokes moved.
pub fn shifted(strokes: &[Stroke], shift: impl Fn((f64, f64)) -> (f64, f64)) -> Vec<Stroke> {
    let all = |points: &[(f64, f64)]| points.iter().map(|p| shift(*p)).collect();
    strokes
        .iter()
        .map(|s| match s {
            Stroke::Line(p) => Stroke::Line(all(p)),
            Stroke::Fill(p) => Stroke::Fill(all(p)),
            Stroke::Upright(c, lines) => Stroke::Upright(shift(*c), lines.clone()),
            Stroke::Dashed(p) => Stroke::Dashed(all(p)),
            Stroke::Curve(p) => Stroke::Curve(p.map(&shift)),
            Stroke::Circle(c, r, full) => Stroke::Circle(shift(*c), *r, *full),
        })
        .collect()
}

/// A flag for a pin: ground hangs down, a supply stands up (unless it is to lie), a name lies where
/// the pin points.
pub fn flag(pin: Pin, net: &str, sign: Sign, lies: bool) -> Flag {
    let supply = sign == Sign::Supply;
    let end = pin.at.step(pin.way, 1);
    let (x, y) = end.place();
    let line = |points: &[(f64, f64)]| Stroke::Line(points.to_vec());
    if sign == Sign::Chassis {
        let mut wire = vec![pin.at, end];
        let (mut x, mut y) = (x, y);
        if pin.way == Way::North {
            // Over the shoulder and down.
            let aside = end.step(if pin.at.x < 0 { Way::West } else { Way::East }, 3);
            wire.push(aside);
            (x, y) = aside.place();
        }
        let bar = |half: f64, dy: f64| line(&[(x - half, y + dy), (x + half, y + dy)]);
        return Flag {
            net: net.to_string(),
            sign,
            wire,
            strokes: vec![
                line(&[(x, y), (x, y + 3.0)]),
                bar(7.0, 3.0),
                bar(4.5, 5.5),
                bar(2.0, 8.0),
            ],
            body: Rect::new(x - 8.0, y, x + 8.0, y + 9.0),
            text: None,
        };
    }
    // A supply stands up at a level lead too.
    let way = match pin.way {
        way if supply && !lies && way.is_level() => Way::North,
        way => way,
    };
    let (dx, dy) = way.vector();
    let (dx, dy) = (f64::from(dx), f64::from(dy));
    let strokes = if supply {
        vec![
            line(&[(x, y), (x + 4.0 * dx, y + 4.0 * dy)]),
            line(&[
                (x + 4.0 * dx - 6.0 * dy, y + 4.0 * dy - 6.0 * dx),
                (x + 4.0 * dx + 6.0 * dy, y + 4.0 * dy + 6.0 * dx),
            ]),
        ]
    } else {
        vec![
            line(&[(x, y), (x + 1.5 * dx, y + 1.5 * dy)]),
            Stroke::Circle((x + 3.5 * dx, y + 3.5 * dy), 2.0, false),
        ]
    };
    let body = Rect::new(
        (x + 6.5 * dx).min(x) - 6.5 * dy.abs(),
        (y + 6.5 * dy).min(y) - 6.5 * dx.abs(),
        (x + 6.5 * dx).max(x) + 6.5 * dy.abs(),
        (y + 6.5 * dy).max(y) + 6.5 * dx.abs(),
    );
    // Of two leads side by side each has its name on its own side.
    let aside = match pin.at.x.signum() {
        0 => Anchor::Middle,
        1 => Anchor::Start,
        _ => Anchor::End,
    };
    let (at, anchor) = match way {
        // Beside a level lead the name keeps away from the part.
        Way::North if pin.way == Way::East => ((x - 5.0, y - 10.0), Anchor::Start),
        Way::North if pin.way == Way::West => ((x + 5.0, y - 10.0), Anchor::End),
        Way::North => ((x, y - 10.0), aside),
        Way::South => ((x, y + 17.0), aside),
        Way::East => ((x + 9.0, y + 3.0), Anchor::Start),
        Way::West => ((x - 9.0, y + 3.0), Anchor::End),
    };
    let shown = if sign == Sign::Neutral { NEUTRAL } else { net };
    Flag {
        net: net.to_string(),
        sign,
        wire: vec![pin.at, end],
        strokes,
        body,
        text: Some(Text::new(shown.to_string(), at, anchor, "net", SIZE)),
    }
}

/// A part in one of its turns, about its origin.
#[derive(Debug, Clone)]
pub struct Footprint {
    /// How it is turned.
    pub turn: Turn,
    /// The symbol as turned.
    pub symbol: Symbol,
    /// Its lettering.
    pub texts: Vec<Text>,
    /// Flags at its pins.
    pub flags: Vec<Flag>,
    /// Cells that nothing else may take.
    pub cells: Vec<Cells>,
    /// The cells that hold all of them.
    pub hull: Cells,
}

/// What is fixed about a part before it is turned.
#[derive(Debug, Clone, Default)]
pub struct Lettering {
    /// Name, then value lines.
    pub lines: Vec<String>,
    /// For each pin the flag it bears, if any: its net, and as what.
    pub flags: Vec<Option<(String, Sign)>>,
}

/// From a symbol to its lettering.
const CLEAR: f64 = 3.0;

impl Footprint {
    /// A symbol turned, with its lettering and flags.
    pub fn new(upright: &Symbol, turn: Turn, lettering: &Lettering) -> Footprint {
        let symbol = upright.turned(turn);
        let texts = letter(&symbol, turn, &lettering.lines);
        let mut flags = Vec::new();
        for (pin, wanted) in symbol.pins.iter().zip(&lettering.flags) {
            if let Some((net, sign)) = wanted {
                flags.push(flag(*pin, net, *sign, false));
            }
        }
        // Between leads close to one another a supply's flag has to lie.
        let wanted = symbol.pins.iter().zip(&lettering.flags);
        let wanted: Vec<_> = wanted.filter(|(_, w)| w.is_some()).collect();
        for k in 0..flags.len() {
            if let (pin, Some((net, Sign::Supply))) = wanted[k]
                && pin.way.is_level()
                && is_crowded(&flags, k, &symbol)
            {
                flags[k] = flag(*pin, net, Sign::Supply, true);
            }
        }
        let texts = clear(texts, &flags, &symbol);
        let mut cells = vec![symbol.body.cells()];
        cells.extend(texts.iter().map(|t| t.frame.cells()));
        for pin in &symbol.pins {
            cells.push(stub(pin));
        }
        for flag in &flags {
            cells.push(flag.body.cells());
            cells.extend(flag.text.iter().map(|t| t.frame.cells()));
            cells.extend(run_cells(&flag.wire));
        }
        let hull = cells.iter().fold(cells[0], |all, c| all.joined(*c));
        Footprint {
            turn,
            symbol,
            texts,
            flags,
            cells,
            hull,
        }
    }
}

/// Whether a flag lies on another one, or on the lead of a pin that is not its own.
fn is_crowded(flags: &[Flag], k: usize, symbol: &Symbol) -> bool {
    let frames = |f: &Flag| -> Vec<Rect> {
        let text = f.text.iter().map(|t| t.frame);
        std::iter::once(f.body).chain(text).collect()
    };
    let others = flags.iter().enumerate().filter(|(other, _)| *other != k);
    let mut taken: Vec<Rect> = others.flat_map(|(_, f)| frames(f)).collect();
    let pins = symbol.pins.iter().filter(|p| p.at != flags[k].wire[0]);
    taken.extend(pins.map(|p| {
        let (a, b) = (p.at.place(), p.at.step(p.way, 2).place());
        Rect::new(a.0.min(b.0), a.1.min(b.1), a.0.max(b.0), a.1.max(b.1)).grown(2.0)
    }));
    let own = frames(&flags[k]);
    own.iter().any(|r| taken.iter().any(|t| t.overlaps(*r)))
}

/// The cells that a wire's runs take.
pub fn run_cells(wire: &[At]) -> impl Iterator<Item = Cells> {
    wire.windows(2).map(|ends| {
        let (a, b) = (ends[0].place(), ends[1].place());
        let run = Rect::new(a.0.min(b.0), a.1.min(b.1), a.0.max(b.0), a.1.max(b.1));
        run.grown(1.0).cells()
    })
}

/// A part's lettering, moved if it lies on one of its flags: all of it below or above a part that
/// lies, else to the right of all flags.
fn clear(mut texts: Vec<Text>, flags: &[Flag], symbol: &Symbol) -> Vec<Text> {
    let body = symbol.body;
    let mut taken: Vec<Rect> = Vec::new();
    for flag in flags {
        taken.push(flag.body);
        taken.extend(flag.text.iter().map(|t| t.frame));
        let ends = flag.wire.windows(2).map(|w| (w[0].place(), w[1].place()));
        taken.extend(
            ends.map(|(a, b)| Rect::new(a.0.min(b.0), a.1.min(b.1), a.0.max(b.0), a.1.max(b.1))),
        );
    }
    let meets = |t: &Text| taken.iter().any(|r| r.grown(1.0).overlaps(t.frame));
    if !texts.iter().any(meets) {
        return texts;
    }
    if symbol.pins.len() == 2 && symbol.pins.iter().all(|p| p.way.is_level()) {
        let more = (texts.len() as f64 - 1.0) * LEADING * SIZE;
        let below = body.y1 + CLEAR - 1.0 + 0.93 * SIZE;
        let above = body.y0 - CLEAR + 1.0 - 0.24 * SIZE - more;
        for first in [below, above] {
            let lines = texts.iter().enumerate().map(|(k, t)| {
                let at = (t.at.0, first + k as f64 * LEADING * SIZE);
                Text::new(t.text.clone(), at, t.anchor, t.class, t.size)
            });
            let lines: Vec<Text> = lines.collect();
            if !lines.iter().any(meets) {
                return lines;
            }
        }
    }
    let right = taken.iter().map(|r| r.x1).fold(body.x1, f64::max);
    let left = texts
        .iter()
        .map(|t| t.frame.x0)
        .fold(f64::INFINITY, f64::min);
    for text in &mut texts {
        let at = (right + CLEAR + text.at.0 - left, text.at.1);
        *text = Text::new(text.text.clone(), at, text.anchor, text.class, text.size);
    }
    texts
}

/// The cells that a pin's first step takes.
fn stub(pin: &Pin) -> Cells {
    let (a, b) = (pin.at.place(), pin.at.step(pin.way, 1).place());
    let run = Rect::new(a.0.min(b.0), a.1.min(b.1), a.0.max(b.0), a.1.max(b.1));
    run.grown(1.0).cells()
}

/// How many points the lines of a text stand over one another before the last.
fn rise(lines: &[String]) -> f64 {
    (lines.len() as f64 - 1.0) * LEADING * SIZE
}

/// Where the first line begins of a text that ends clear above `y`.
fn above(y: f64, lines: &[String]) -> f64 {
    y - CLEAR - rise(lines) - 0.24 * SIZE
}

/// Where a text stands beside a symbol: its lines' place from side to side, the first one's base,
/// and which of its ends is there. `None` for a part that lies, whose name goes above and
/// whose value below.
fn beside(symbol: &Symbol, turn: Turn, lines: &[String]) -> Option<(f64, f64, Anchor)> {
    let body = symbol.body;
    let leaves = |way: Way| symbol.pins.iter().any(|p| p.way == way);
    let is_standing = leaves(Way::North) || leaves(Way::South);
    let middle = ((body.x0 + body.x1) / 2.0, (body.y0 + body.y1) / 2.0);
    let right = (body.x1 + CLEAR, Anchor::Start);
    let left = (body.x0 - CLEAR, Anchor::End);
    let own = if turn.mirrored { left } else { right };
    let level = first_base(middle.1, lines.len(), SIZE);
    if is_standing && !leaves(Way::East) && !leaves(Way::West) {
        return Some((own.0, level, own.1));
    }
    if is_standing && symbol.pins.len() == 3 {
        // A valve or a pot: on the side where no lead leaves level.
        if leaves(Way::North) && leaves(Way::South) {
            let free = if leaves(Way::East) { left } else { right };
            return Some((free.0, level, free.1));
        }
        // A pot that lies: opposite to its wiper.
        let y = if leaves(Way::South) {
            above(body.y0, lines)
        } else {
            body.y1 + CLEAR + 0.93 * SIZE
        };
        return Some((middle.0, y, Anchor::Middle));
    }
    if is_standing {
        // A pentode and its kin have leads on all sides: above the one on the right.
        let side = if turn.mirrored { Way::West } else { Way::East };
        let leads = symbol.pins.iter().filter(|p| p.way == side);
        let Some(y) = leads.map(|p| p.at.y).min() else {
            return Some((own.0, level, own.1));
        };
        let inward = if turn.mirrored { 4.0 } else { -4.0 };
        return Some((own.0 + inward, above(f64::from(y) * PITCH, lines), own.1));
    }
    if symbol.pins.len() == 2 {
        return None;
    }
    // A box with leads on both sides: above it.
    Some((middle.0, above(body.y0, lines), Anchor::Middle))
}

/// Name and values beside a symbol, where no pin is in the way.
fn letter(symbol: &Symbol, turn: Turn, lines: &[String]) -> Vec<Text> {
    let body = symbol.body;
    let stands = beside(symbol, turn, lines);
    let texts = lines.iter().enumerate().map(|(k, line)| {
        let class = if k == 0 { "name" } else { "value" };
        let (at, anchor) = match (stands, k) {
            (Some((x, first, anchor)), _) => ((x, first + k as f64 * LEADING * SIZE), anchor),
            (None, _) => {
                let y = match k {
                    0 => body.y0 - CLEAR + 1.0 - 0.24 * SIZE,
                    _ => body.y1 + CLEAR - 1.0 + 0.93 * SIZE + (k as f64 - 1.0) * LEADING * SIZE,
                };
                (((body.x0 + body.x1) / 2.0, y), Anchor::Middle)
            }
        };
        Text::new(line.clone(), at, anchor, class, SIZE)
    });
    let mut texts: Vec<Text> = texts.collect();
    // A text on its symbol (a long one over a narrow box) is moved off.
    for text in &mut texts {
        if text.frame.overlaps(body) {
            let by = body.x1 + CLEAR - text.frame.x0;
            text.at.0 += by;
            text.frame = Rect::new(
                text.frame.x0 + by,
                text.frame.y0,
                text.frame.x1 + by,
                text.frame.y1,
            );
        }
    }
    texts
}
