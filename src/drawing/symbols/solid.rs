//! Semiconductors.

use super::symbol::{Stroke, Symbol, in_line, pin};
use crate::drawing::geometry::{Rect, Way};

fn line(points: &[(f64, f64)]) -> Stroke {
    Stroke::Line(points.to_vec())
}

/// Anode at the top; the bar of a zener is bent towards it at one end.
pub fn diode(zener: bool) -> Symbol {
    let mut bar = vec![(-7.0, 26.0), (7.0, 26.0)];
    if zener {
        bar.push((7.0, 21.0));
    }
    let strokes = vec![
        line(&[(-7.0, 13.5), (7.0, 13.5), (0.0, 26.0), (-7.0, 13.5)]),
        line(&bar),
    ];
    in_line(8.0, 13.5, 26.0, strokes)
}

/// An arrow head at `tip` that comes from `(dx, dy)`, a unit vector times its length.
fn arrow(tip: (f64, f64), (dx, dy): (f64, f64)) -> Stroke {
    let side = (-dy * 0.5, dx * 0.5);
    Stroke::Fill(vec![
        tip,
        (tip.0 - dx + side.0, tip.1 - dy + side.1),
        (tip.0 - dx - side.0, tip.1 - dy - side.1),
    ])
}

/// Collector at the top (emitter if PNP), base on the left.
pub fn bipolar(pnp: bool, substrate: bool) -> Symbol {
    let up = if pnp { -1.0 } else { 1.0 };
    let emitter = (0.0, 13.0 * up);
    let mut strokes = vec![
        line(&[(-30.0, 0.0), (-8.0, 0.0)]),
        line(&[(-8.0, -10.0), (-8.0, 10.0)]),
        line(&[(-8.0, -5.0), (0.0, -13.0), (0.0, -30.0)]),
        line(&[(-8.0, 5.0), (0.0, 13.0), (0.0, 30.0)]),
        Stroke::Circle((-3.0, 0.0), 17.0, false),
    ];
    // In an NPN the arrow leaves the base, in a PNP it points to it.
    strokes.push(if pnp {
        arrow((-7.0, -6.0), (-4.2, 4.2))
    } else {
        arrow((emitter.0 - 0.5, emitter.1 - 0.5), (4.2, 4.2))
    });
    let (top, bottom) = (pin(0, -3, Way::North), pin(0, 3, Way::South));
    let base = pin(-3, 0, Way::West);
    let mut pins = if pnp {
        vec![bottom, base, top]
    } else {
        vec![top, base, bottom]
    };
    let mut right = 15.0;
    if substrate {
        pins.push(pin(3, 0, Way::East));
        strokes.push(line(&[(30.0, 0.0), (14.0, 0.0)]));
        right = 30.0;
    }
    Symbol {
        pins,
        body: Rect::new(-30.0, -30.0, right, 30.0),
        strokes,
    }
}

/// Drain at the top (source if P), gate on the left.
pub fn junction_field(p: bool) -> Symbol {
    let mut strokes = vec![
        line(&[(-30.0, 0.0), (-8.0, 0.0)]),
        line(&[(-8.0, -11.0), (-8.0, 11.0)]),
        line(&[(-8.0, -7.0), (0.0, -7.0), (0.0, -30.0)]),
        line(&[(-8.0, 7.0), (0.0, 7.0), (0.0, 30.0)]),
        Stroke::Circle((-4.0, 0.0), 17.0, false),
    ];
    strokes.push(if p {
        arrow((-17.0, 0.0), (-6.0, 0.0))
    } else {
        arrow((-8.5, 0.0), (6.0, 0.0))
    });
    let (top, bottom) = (pin(0, -3, Way::North), pin(0, 3, Way::South));
    let gate = pin(-3, 0, Way::West);
    Symbol {
        pins: if p {
            vec![bottom, gate, top]
        } else {
            vec![top, gate, bottom]
        },
        body: Rect::new(-30.0, -30.0, 14.0, 30.0),
        strokes,
    }
}

/// Drain at the top (source if P), gate on the left, bulk on the right.
pub fn mosfet(p: bool) -> Symbol {
    let mut strokes = vec![
        line(&[(-30.0, 0.0), (-12.0, 0.0)]),
        line(&[(-12.0, -9.0), (-12.0, 9.0)]),
        line(&[(-8.0, -11.0), (-8.0, -5.0)]),
        line(&[(-8.0, -3.0), (-8.0, 3.0)]),
        line(&[(-8.0, 5.0), (-8.0, 11.0)]),
        line(&[(-8.0, -8.0), (0.0, -8.0), (0.0, -30.0)]),
        line(&[(-8.0, 8.0), (0.0, 8.0), (0.0, 30.0)]),
        line(&[(-8.0, 0.0), (30.0, 0.0)]),
        Stroke::Circle((-4.0, 0.0), 17.0, false),
    ];
    strokes.push(if p {
        arrow((6.0, 0.0), (6.0, 0.0))
    } else {
        arrow((-7.5, 0.0), (-6.0, 0.0))
    });
    let (top, bottom) = (pin(0, -3, Way::North), pin(0, 3, Way::South));
    let (gate, bulk) = (pin(-3, 0, Way::West), pin(3, 0, Way::East));
    Symbol {
        pins: if p {
            vec![bottom, gate, top, bulk]
        } else {
            vec![top, gate, bottom, bulk]
        },
        body: Rect::new(-30.0, -30.0, 30.0, 30.0),
        strokes,
    }
}
