//! A sheet as SVG. Each part, wire, joint, flag and text can be found in it by its class and read
//! back by its coordinates.

use super::footprint::{Flag, Text};
use super::geometry::{At, Rect};
use super::symbols::Stroke;
use crate::report::svg::{Svg, length, points};

/// A part on the sheet.
#[derive(Debug, Clone)]
pub struct DrawnPart {
    /// Dotted.
    pub name: String,
    /// The word for its kind.
    pub word: &'static str,
    /// Its line in the netlist.
    pub line: String,
    /// All of it.
    pub body: Rect,
    /// In the order of the netlist line.
    pub pins: Vec<At>,
    /// The symbol.
    pub strokes: Vec<Stroke>,
    /// Past a rating.
    pub is_over: bool,
}

/// All that is on the sheet, in drawing units.
#[derive(Debug, Clone, Default)]
pub struct Sheet {
    /// The circuit's title.
    pub title: String,
    /// Parts.
    pub parts: Vec<DrawnPart>,
    /// Wires.
    pub wires: Vec<Vec<At>>,
    /// Joints.
    pub joints: Vec<At>,
    /// Flags with what belongs to them; their own wires are among the wires.
    pub flags: Vec<Flag>,
    /// Texts that belong to no flag.
    pub texts: Vec<Text>,
}

/// Line weights in drawing units, and colours. A drawing unit is about a third of a millimetre
/// where a valve is 7 mm across, as on an A3 sheet.
const STYLE: &str = "\
svg{color:#000;background:#fff}
.paper{fill:#fff}
.part path,.flag path{fill:none;stroke:currentColor;stroke-width:1.2;stroke-linejoin:round}
.part .full,.flag .full{fill:currentColor;stroke-width:.6}
.part .broken{stroke-dasharray:3 2;stroke-width:.8}
.wire{fill:none;stroke:currentColor;stroke-width:1}
.joint{fill:currentColor}
text{font-family:'Liberation Sans',Arial,Helvetica,sans-serif;fill:currentColor}
.name{font-weight:normal}
.value,.net{fill:#444}
.volts,.reading{fill:#0b57a4}
.over{fill:#b3261e}
.part.over path,.over path{stroke:#b3261e}
.caution{fill:#444}
@media (prefers-color-scheme:dark){
svg{color:#e8e8e8;background:#16181c}
.paper{fill:#16181c}
.value,.net,.caution{fill:#b8b8b8}
.volts,.reading{fill:#7db7ff}
.over{fill:#ff8a80}
.over path{stroke:#ff8a80}
}
";

/// Room round the drawing.
const BORDER: f64 = 25.0;

fn path(points: &[(f64, f64)], closed: bool) -> String {
    let mut d = String::new();
    for (k, (x, y)) in points.iter().enumerate() {
        let letter = if k == 0 { 'M' } else { 'L' };
        d += &format!("{letter}{} {}", length(*x), length(*y));
    }
    if closed {
        d.push('Z');
    }
    d
}

/// The strokes of one symbol: all lines as one path, filled and broken ones by themselves.
fn strokes(svg: &mut Svg, strokes: &[Stroke]) {
    let (mut lines, mut full, mut broken) = (String::new(), String::new(), String::new());
    for stroke in strokes {
        match stroke {
            Stroke::Line(p) => lines += &path(p, p.len() > 2 && p.first() == p.last()),
            Stroke::Fill(p) => full += &path(p, true),
            Stroke::Upright((x, y), letters) => {
                for letter in letters {
                    let placed: Vec<_> = letter.iter().map(|p| (x + p.0, y + p.1)).collect();
                    lines += &path(&placed, false);
                }
            }
            Stroke::Dashed(p) => broken += &path(p, false),
            Stroke::Curve(p) => {
                let [a, b, c, d] = p.map(|(x, y)| format!("{} {}", length(x), length(y)));
                lines += &format!("M{a}C{b} {c} {d}");
            }
            Stroke::Circle((x, y), r, is_full) => {
                let (x0, x1, y, r) = (length(x - r), length(x + r), length(*y), length(*r));
                let round = format!("M{x0} {y}A{r} {r} 0 1 1 {x1} {y}A{r} {r} 0 1 1 {x0} {y}Z");
                if *is_full {
                    full += &round;
                } else {
                    lines += &round;
                }
            }
        }
    }
    for (d, class) in [(&lines, ""), (&full, "full"), (&broken, "broken")] {
        match (d.is_empty(), class) {
            (true, _) => {}
            (false, "") => svg.element("path", &[("d", d)]),
            (false, class) => svg.element("path", &[("class", class), ("d", d)]),
        }
    }
}

fn frame(r: Rect) -> String {
    [r.x0, r.y0, r.x1, r.y1].map(length).join(" ")
}

fn text(svg: &mut Svg, t: &Text) {
    let attributes = [
        ("class", t.class),
        ("x", &length(t.at.0)),
        ("y", &length(t.at.1)),
        ("font-size", &length(t.size)),
        ("text-anchor", t.anchor.word()),
        ("data-box", &frame(t.frame)),
    ];
    svg.with_text("text", &attributes, &t.text);
}

impl Sheet {
    /// The box of everything.
    pub fn extent(&self) -> Rect {
        let mut all: Option<Rect> = None;
        let mut add = |r: Rect| all = Some(all.map_or(r, |a| a.joined(r)));
        self.parts.iter().for_each(|p| add(p.body));
        self.texts.iter().for_each(|t| add(t.frame));
        for flag in &self.flags {
            add(flag.body);
            flag.text.iter().for_each(|t| add(t.frame));
        }
        for (x, y) in self.wires.iter().flatten().map(|p| p.place()) {
            add(Rect::new(x, y, x, y));
        }
        all.unwrap_or(Rect::new(0.0, 0.0, 0.0, 0.0))
    }

    /// The SVG text.
    pub fn svg(&self) -> String {
        let extent = self.extent();
        // Whole lattice steps, so that all coordinates stay short.
        let step = |v: f64| (v / 10.0).floor() as i32;
        let by = At::new(-step(extent.x0 - BORDER), -step(extent.y0 - BORDER));
        let moved = extent.moved(by);
        let (width, height) = ((moved.x1 + BORDER).ceil(), (moved.y1 + BORDER).ceil());
        let mut svg = Svg::new(width, height, &self.title, STYLE);
        let (w, h) = (length(width), length(height));
        svg.element("rect", &[("class", "paper"), ("width", &w), ("height", &h)]);
        let shift = |p: (f64, f64)| (p.0 + by.place().0, p.1 + by.place().1);
        for wire in &self.wires {
            let corners = points(wire.iter().map(|p| p.plus(by).place()));
            svg.element("polyline", &[("class", "wire"), ("points", &corners)]);
        }
        for joint in &self.joints {
            let (x, y) = joint.plus(by).place();
            let (x, y) = (length(x), length(y));
            svg.element(
                "circle",
                &[("class", "joint"), ("cx", &x), ("cy", &y), ("r", "2.2")],
            );
        }
        for flag in &self.flags {
            let flag = flag.moved(by);
            let pins = points([flag.pin().place()]);
            let attributes = [
                ("class", "flag"),
                ("data-net", &*flag.net),
                ("data-pins", &pins),
            ];
            svg.open("g", &attributes);
            strokes(&mut svg, &flag.strokes);
            if let Some(t) = &flag.text {
                text(&mut svg, t);
            }
            svg.close();
        }
        for part in &self.parts {
            let pins = points(part.pins.iter().map(|p| p.plus(by).place()));
            let body = frame(part.body.moved(by));
            svg.open(
                "g",
                &[
                    ("class", "part"),
                    ("data-name", &part.name),
                    ("data-kind", part.word),
                    ("data-box", &body),
                    ("data-pins", &pins),
                ],
            );
            svg.with_text("title", &[], &part.line);
            if part.is_over {
                svg.open("g", &[("class", "over")]);
            }
            strokes(&mut svg, &super::footprint::shifted(&part.strokes, shift));
            if part.is_over {
                svg.close();
            }
            svg.close();
        }
        for t in &self.texts {
            text(&mut svg, &t.moved(by));
        }
        svg.finish()
    }
}
