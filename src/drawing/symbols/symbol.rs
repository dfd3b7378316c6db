//! What a symbol is made of.

use crate::drawing::geometry::{At, PITCH, Rect, Turn, Way};

/// A transformer's windings: the pins of each from the top, by their place on the netlist line.
#[derive(Debug, PartialEq, Eq)]
pub struct Windings {
    /// Left side.
    pub left: &'static [&'static [usize]],
    /// Right side.
    pub right: &'static [&'static [usize]],
    /// Taps with their ohms, by their place on the netlist line.
    pub taps: &'static [(usize, &'static str)],
}

/// A stroke, in drawing units about the origin.
#[derive(Debug, Clone, PartialEq)]
pub enum Stroke {
    /// A line through points.
    Line(Vec<(f64, f64)>),
    /// A filled outline.
    Fill(Vec<(f64, f64)>),
    /// Lines about a centre that stay upright when the symbol is turned: letters.
    Upright((f64, f64), Vec<Vec<(f64, f64)>>),
    /// A line drawn broken.
    Dashed(Vec<(f64, f64)>),
    /// A cubic curve: start, two controls, end.
    Curve([(f64, f64); 4]),
    /// A circle: centre, radius, whether it is filled.
    Circle((f64, f64), f64, bool),
}

/// A pin: where it is and where its wire goes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pin {
    /// On the border of the box.
    pub at: At,
    /// Away from the part.
    pub way: Way,
}

/// A symbol.
#[derive(Debug, Clone, PartialEq)]
pub struct Symbol {
    /// In the order of the netlist line.
    pub pins: Vec<Pin>,
    /// All of its strokes lie within.
    pub body: Rect,
    /// What is drawn.
    pub strokes: Vec<Stroke>,
}

impl Symbol {
    /// The symbol turned about its origin.
    pub fn turned(&self, turn: Turn) -> Symbol {
        let place = |p: &(f64, f64)| turn.place(*p);
        let all = |points: &[(f64, f64)]| points.iter().map(place).collect();
        Symbol {
            pins: (self.pins.iter())
                .map(|p| Pin {
                    at: turn.at(p.at),
                    way: turn.way(p.way),
                })
                .collect(),
            body: turn.rect(self.body),
            strokes: (self.strokes.iter())
                .map(|s| match s {
                    Stroke::Line(p) => Stroke::Line(all(p)),
                    Stroke::Fill(p) => Stroke::Fill(all(p)),
                    Stroke::Upright(c, lines) => Stroke::Upright(turn.place(*c), lines.clone()),
                    Stroke::Dashed(p) => Stroke::Dashed(all(p)),
                    Stroke::Curve(p) => Stroke::Curve(p.map(|p| turn.place(p))),
                    Stroke::Circle(c, r, full) => Stroke::Circle(turn.place(*c), *r, *full),
                })
                .collect(),
        }
    }
}

/// A pin.
pub(super) fn pin(x: i32, y: i32, way: Way) -> Pin {
    Pin {
        at: At::new(x, y),
        way,
    }
}

/// Length of a part with two leads in line, in lattice steps.
pub(super) const LONG: i32 = 4;

/// A part with two leads in line: what lies between `top` and `bottom`, and half its width.
pub(super) fn in_line(half: f64, top: f64, bottom: f64, mut strokes: Vec<Stroke>) -> Symbol {
    let end = f64::from(LONG) * PITCH;
    strokes.push(Stroke::Line(vec![(0.0, 0.0), (0.0, top)]));
    strokes.push(Stroke::Line(vec![(0.0, bottom), (0.0, end)]));
    Symbol {
        pins: vec![pin(0, 0, Way::North), pin(0, LONG, Way::South)],
        body: Rect::new(-half, 0.0, half, end),
        strokes,
    }
}
