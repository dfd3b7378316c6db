//! Sources, free and controlled, and the box for anything else.

use super::symbol::{LONG, Stroke, Symbol, in_line, pin};
use crate::drawing::geometry::{PITCH, Rect, Way};

/// Radius of a source, and half the diagonal of a controlled one.
const ROUND: f64 = 11.0;
const CONTROLLED: f64 = 12.0;
const MIDDLE: f64 = 20.0;

/// The line that goes through a voltage source, or across a current source, and the mark of its
/// first pin: + or an arrow.
fn inside(voltage: bool, reach: f64) -> Vec<Stroke> {
    if voltage {
        vec![
            Stroke::Line(vec![(0.0, MIDDLE - reach), (0.0, MIDDLE + reach)]),
            Stroke::Line(vec![(-9.5, 3.0), (-4.5, 3.0)]),
            Stroke::Line(vec![(-7.0, 0.5), (-7.0, 5.5)]),
        ]
    } else {
        vec![
            Stroke::Line(vec![(-reach, MIDDLE), (reach, MIDDLE)]),
            Stroke::Line(vec![(-7.0, 0.5), (-7.0, 6.0)]),
            Stroke::Fill(vec![(-7.0, 9.0), (-9.3, 4.0), (-4.7, 4.0)]),
        ]
    }
}

/// A source: + at the first pin, or the current's arrow from the first to the second.
pub fn independent(voltage: bool) -> Symbol {
    let mut strokes = inside(voltage, ROUND);
    strokes.push(Stroke::Circle((0.0, MIDDLE), ROUND, false));
    in_line(ROUND + 1.0, MIDDLE - ROUND, MIDDLE + ROUND, strokes)
}

/// A controlled source with N pairs of control pins on its left.
pub fn controlled(voltage: bool, pairs: usize) -> Symbol {
    let c = CONTROLLED;
    let mut strokes = inside(voltage, c);
    strokes.push(Stroke::Line(vec![
        (0.0, MIDDLE - c),
        (c, MIDDLE),
        (0.0, MIDDLE + c),
        (-c, MIDDLE),
        (0.0, MIDDLE - c),
    ]));
    let mut symbol = in_line(c + 1.0, MIDDLE - c, MIDDLE + c, strokes);
    if pairs == 0 {
        return symbol;
    }
    let last = 4 * pairs as i32 - 1;
    let bottom = f64::from(last.max(LONG)) * PITCH + if last >= LONG { 6.0 } else { 0.0 };
    for k in 0..pairs as i32 {
        for (y, plus) in [(4 * k + 1, true), (4 * k + 3, false)] {
            let at = f64::from(y) * PITCH;
            symbol.pins.push(pin(-4, y, Way::West));
            symbol
                .strokes
                .push(Stroke::Line(vec![(-40.0, at), (-34.0, at)]));
            symbol.strokes.push(Stroke::Circle((-32.5, at), 1.5, false));
            let mark = |points: [(f64, f64); 2]| Stroke::Line(points.to_vec());
            symbol.strokes.push(mark([(-28.5, at), (-23.5, at)]));
            if plus {
                symbol
                    .strokes
                    .push(mark([(-26.0, at - 2.5), (-26.0, at + 2.5)]));
            }
        }
    }
    symbol.body.x0 = -40.0;
    if last >= LONG {
        // The second pin goes down to where the box ends, or its wire would run along it.
        let down = (bottom / PITCH).ceil() as i32;
        symbol.pins[1] = pin(0, down, Way::South);
        let end = f64::from(down) * PITCH;
        symbol
            .strokes
            .push(Stroke::Line(vec![(0.0, 40.0), (0.0, end)]));
        symbol.body.y1 = end;
    }
    symbol
}

/// A box with pins on both sides, from the top.
pub fn block(count: usize) -> Symbol {
    let rows = count.div_ceil(2) as i32;
    let bottom = f64::from(2 * rows) * PITCH;
    let pins: Vec<_> = (0..count as i32)
        .map(|k| {
            let y = 1 + 2 * (k % rows);
            if k < rows {
                pin(-3, y, Way::West)
            } else {
                pin(3, y, Way::East)
            }
        })
        .collect();
    let mut strokes = vec![Stroke::Line(vec![
        (-20.0, 1.0),
        (20.0, 1.0),
        (20.0, bottom - 1.0),
        (-20.0, bottom - 1.0),
        (-20.0, 1.0),
    ])];
    for pin in &pins {
        let (x, y) = pin.at.place();
        strokes.push(Stroke::Line(vec![(x, y), (x.signum() * 20.0, y)]));
    }
    Symbol {
        pins,
        body: Rect::new(-30.0, 0.0, 30.0, bottom),
        strokes,
    }
}
