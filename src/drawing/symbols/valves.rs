//! Valves: plate at the top, grids at the side, cathode at the bottom, in an envelope.

use super::symbol::{Pin, Stroke, Symbol, pin};
use crate::drawing::geometry::{Rect, Way};

/// Radius of the envelope.
const ENVELOPE: f64 = 21.0;
/// From the centre to a pin, in lattice steps.
const REACH: i32 = 3;

fn valve(pins: Vec<Pin>, right: f64, mut strokes: Vec<Stroke>) -> Symbol {
    strokes.push(Stroke::Circle((0.0, 0.0), ENVELOPE, false));
    let left = if pins.iter().any(|p| p.way == Way::West) {
        -30.0
    } else {
        -ENVELOPE - 1.0
    };
    Symbol {
        pins,
        body: Rect::new(left, -30.0, right, 30.0),
        strokes,
    }
}

fn line(points: &[(f64, f64)]) -> Stroke {
    Stroke::Line(points.to_vec())
}

/// A plate at some height with its lead at x.
fn plate(x: f64, y: f64, half: f64) -> [Stroke; 2] {
    [
        line(&[(x, -30.0), (x, y)]),
        line(&[(x - half, y), (x + half, y)]),
    ]
}

/// A cathode: a bow with its lead in the middle, or a filament, of which one end is the pin's and the
/// other one goes on to its winding, which netlists leave out.
fn cathode(filament: bool) -> [Stroke; 2] {
    if filament {
        let lead = [(-6.0, 17.0), (-6.0, 25.0), (0.0, 25.0), (0.0, 30.0)];
        let wire = [(-6.0, 17.0), (0.0, 10.0), (6.0, 17.0), (6.0, 25.0)];
        return [line(&lead), line(&wire)];
    }
    let bow = [
        (-10.0, 16.0),
        (-10.0, 12.0),
        (-10.0, 11.5),
        (-6.0, 11.5),
        (6.0, 11.5),
        (10.0, 11.5),
        (10.0, 12.0),
        (10.0, 16.0),
    ];
    [line(&bow), line(&[(0.0, 11.5), (0.0, 30.0)])]
}

/// A grid, broken, its lead from `from`.
fn grid(y: f64, from: f64) -> [Stroke; 4] {
    let bar = |x: f64| line(&[(x - 3.2, y), (x + 3.2, y)]);
    let near = if from < 0.0 { -12.2 } else { 12.2 };
    [bar(-9.0), bar(0.0), bar(9.0), line(&[(from, y), (near, y)])]
}

pub fn triode(filament: bool) -> Symbol {
    let mut strokes = plate(0.0, -10.0, 11.0).to_vec();
    strokes.extend(grid(0.0, -30.0));
    strokes.extend(cathode(filament));
    let pins = vec![
        pin(0, -REACH, Way::North),
        pin(-REACH, 0, Way::West),
        pin(0, REACH, Way::South),
    ];
    valve(pins, ENVELOPE + 1.0, strokes)
}

pub fn pentode(filament: bool) -> Symbol {
    let mut strokes = plate(0.0, -13.0, 10.0).to_vec();
    strokes.extend(grid(4.5, -30.0));
    strokes.extend(grid(-1.5, 30.0));
    // The lead of the control grid comes in level with its pin, that of the screen likewise.
    strokes.retain(|s| !matches!(s, Stroke::Line(p) if p.len() == 2 && p[0].0.abs() == 30.0));
    strokes.push(line(&[
        (-30.0, 10.0),
        (-15.0, 10.0),
        (-15.0, 4.5),
        (-12.2, 4.5),
    ]));
    strokes.push(line(&[
        (30.0, 0.0),
        (15.0, 0.0),
        (15.0, -1.5),
        (12.2, -1.5),
    ]));
    // The third grid (or the plates that form the beam) joins the cathode inside.
    let bar = |x: f64| line(&[(x - 3.2, -7.0), (x + 3.2, -7.0)]);
    strokes.extend([bar(-9.0), bar(0.0), bar(9.0)]);
    strokes.push(line(&[
        (12.2, -7.0),
        (17.0, -7.0),
        (17.0, 11.5),
        (6.0, 11.5),
    ]));
    strokes.extend(cathode(filament));
    let pins = vec![
        pin(0, -REACH, Way::North),
        pin(REACH, 0, Way::East),
        pin(-REACH, 1, Way::West),
        pin(0, REACH, Way::South),
    ];
    valve(pins, 30.0, strokes)
}

pub fn rectifier(filament: bool) -> Symbol {
    let lead = |s: f64| {
        line(&[
            (20.0 * s, -30.0),
            (20.0 * s, -25.0),
            (9.0 * s, -25.0),
            (9.0 * s, -8.0),
        ])
    };
    let bar = |s: f64| line(&[(2.5 * s, -8.0), (15.5 * s, -8.0)]);
    let mut strokes = vec![lead(-1.0), bar(-1.0), lead(1.0), bar(1.0)];
    strokes.extend(cathode(filament));
    let pins = vec![
        pin(-2, -REACH, Way::North),
        pin(2, -REACH, Way::North),
        pin(0, REACH, Way::South),
    ];
    valve(pins, ENVELOPE + 1.0, strokes)
}
