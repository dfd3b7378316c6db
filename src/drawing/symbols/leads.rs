//! Resistors, capacitors, pots, contacts and loudspeakers.

use super::symbol::{Stroke, Symbol, in_line, pin};
use crate::drawing::geometry::{Rect, Way};

/// Half the width of a resistor's body.
const HALF: f64 = 5.0;

fn body() -> Stroke {
    let (top, bottom) = (7.0, 33.0);
    Stroke::Line(vec![
        (-HALF, top),
        (HALF, top),
        (HALF, bottom),
        (-HALF, bottom),
        (-HALF, top),
    ])
}

pub fn resistor() -> Symbol {
    in_line(HALF + 1.0, 7.0, 33.0, vec![body()])
}

/// Two plates; beside the first lead the + of a polarised one.
pub fn capacitor(polarised: bool) -> Symbol {
    let line = |a: (f64, f64), b: (f64, f64)| Stroke::Line(vec![a, b]);
    let plate = |y: f64| line((-9.0, y), (9.0, y));
    let mut strokes = vec![plate(17.5), plate(22.5)];
    if polarised {
        let (x, y, half) = (6.5, 10.5, 3.0);
        strokes.push(line((x - half, y), (x + half, y)));
        strokes.push(line((x, y - half), (x, y + half)));
    }
    in_line(10.0, 17.5, 22.5, strokes)
}

/// `cw` about its middle, 11 wide and 6 high.
fn clockwise() -> Vec<Vec<(f64, f64)>> {
    let c = [
        (-1.5, -2.2),
        (-2.5, -3.0),
        (-4.0, -3.0),
        (-5.5, -1.5),
        (-5.5, 1.5),
        (-4.0, 3.0),
        (-2.5, 3.0),
        (-1.5, 2.2),
    ];
    let w = [
        (0.0, -3.0),
        (1.4, 3.0),
        (2.75, -1.5),
        (4.1, 3.0),
        (5.5, -3.0),
    ];
    vec![c.to_vec(), w.to_vec()]
}

/// Top, wiper, bottom; the wiper's arrow from the right. The knob turned clockwise takes the wiper to
/// the top, which bears `cw`.
pub fn pot() -> Symbol {
    let mut symbol = in_line(HALF + 1.0, 7.0, 33.0, vec![body()]);
    symbol.pins.insert(1, pin(2, 2, Way::East));
    symbol.body.x1 = 20.0;
    symbol
        .strokes
        .push(Stroke::Line(vec![(20.0, 20.0), (HALF + 5.0, 20.0)]));
    symbol.strokes.push(Stroke::Fill(vec![
        (HALF + 0.8, 20.0),
        (HALF + 7.0, 17.0),
        (HALF + 7.0, 23.0),
    ]));
    symbol
        .strokes
        .push(Stroke::Upright((13.0, 7.0), clockwise()));
    symbol
}

fn contact(closed: bool) -> Vec<Stroke> {
    let end = if closed { (0.0, 11.8) } else { (-8.0, 13.5) };
    vec![
        Stroke::Circle((0.0, 10.0), 1.8, false),
        Stroke::Circle((0.0, 30.0), 1.8, false),
        Stroke::Line(vec![(0.0, 28.2), end]),
    ]
}

/// A contact, drawn as it stands.
pub fn switch(closed: bool) -> Symbol {
    in_line(9.0, 8.2, 31.8, contact(closed))
}

/// A contact with the two pins of what works it on the left.
pub fn controlled_switch() -> Symbol {
    let mut symbol = in_line(9.0, 8.2, 31.8, contact(false));
    symbol.pins.push(pin(-4, 1, Way::West));
    symbol.pins.push(pin(-4, 3, Way::West));
    symbol.body = Rect::new(-40.0, 0.0, 9.0, 40.0);
    let coil = vec![
        (-32.0, 7.0),
        (-20.0, 7.0),
        (-20.0, 33.0),
        (-32.0, 33.0),
        (-32.0, 7.0),
    ];
    symbol.strokes.extend([
        Stroke::Line(coil),
        Stroke::Line(vec![(-40.0, 10.0), (-32.0, 10.0)]),
        Stroke::Line(vec![(-40.0, 30.0), (-32.0, 30.0)]),
        Stroke::Dashed(vec![(-20.0, 20.0), (-4.5, 20.0)]),
    ]);
    symbol
}

pub fn speaker() -> Symbol {
    let case = vec![
        (-5.0, 12.0),
        (4.0, 12.0),
        (4.0, 28.0),
        (-5.0, 28.0),
        (-5.0, 12.0),
    ];
    let horn = vec![(4.0, 12.0), (13.0, 4.0), (13.0, 36.0), (4.0, 28.0)];
    let mut symbol = in_line(
        14.0,
        12.0,
        28.0,
        vec![Stroke::Line(case), Stroke::Line(horn)],
    );
    symbol.body.x0 = -6.0;
    symbol
}
