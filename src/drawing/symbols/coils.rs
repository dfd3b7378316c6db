//! Inductors, chokes and transformers.

use super::symbol::{LONG, Pin, Stroke, Symbol, Windings, in_line, pin};
use crate::drawing::geometry::{PITCH, Rect, Way};

/// Half a turn from `y0` to `y1` at `x`, bulging by `bulge` (to the right if positive).
fn half_turn(x: f64, y0: f64, y1: f64, bulge: f64) -> Stroke {
    // A half circle as a cubic: its controls stand 4/3 of the radius out.
    let out = x + bulge * 4.0 / 3.0;
    Stroke::Curve([(x, y0), (out, y0), (out, y1), (x, y1)])
}

fn turns(x: f64, top: f64, bottom: f64, count: usize, bulge: f64) -> Vec<Stroke> {
    let each = (bottom - top) / count as f64;
    (0..count)
        .map(|k| {
            let y = top + k as f64 * each;
            half_turn(x, y, y + each, bulge)
        })
        .collect()
}

/// A dot marks the first pin of a coupled one: where the currents go in at the dots, the fluxes add.
pub fn inductor(dot: bool) -> Symbol {
    let mut strokes = turns(0.0, 6.0, 34.0, 4, 4.5);
    if dot {
        // Beside the lead: on it, it would be a joint.
        strokes.push(Stroke::Circle((5.0, 4.0), 1.7, true));
    }
    coil(strokes, 7.0)
}

/// An inductor with a core.
pub fn choke() -> Symbol {
    let mut strokes = turns(0.0, 6.0, 34.0, 4, 4.5);
    strokes.push(Stroke::Line(vec![(9.0, 6.0), (9.0, 34.0)]));
    strokes.push(Stroke::Line(vec![(11.5, 6.0), (11.5, 34.0)]));
    coil(strokes, 12.5)
}

fn coil(strokes: Vec<Stroke>, right: f64) -> Symbol {
    let mut symbol = in_line(6.5, 6.0, 34.0, strokes);
    symbol.body.x0 = -1.5;
    symbol.body.x1 = right;
    symbol
}

/// Lattice rows from one pin of a winding to the next, and between two windings.
const TAP: i32 = 3;
const APART: i32 = 3;
/// From the core to the pins, in lattice steps.
const REACH: i32 = 3;

/// The rows that a side's windings take.
fn rows(side: &[&[usize]]) -> i32 {
    let taps: i32 = side.iter().map(|w| (w.len() as i32 - 1) * TAP).sum();
    taps + (side.len() as i32 - 1) * APART
}

/// Height and width of a figure, and from one to the next.
const FIGURE: (f64, f64, f64) = (9.0, 5.0, 6.8);

/// A number in strokes, its upper right corner at a place: it belongs to the symbol, where no
/// lettering finds room.
fn lettered((right, top): (f64, f64), number: &str) -> Vec<Stroke> {
    let (high, wide, pitch) = FIGURE;
    let count = number.chars().count();
    let mut strokes = Vec::new();
    for (k, figure) in number.chars().enumerate() {
        let left = right - wide - pitch * (count - 1 - k) as f64;
        // Points as parts of width and height.
        let lines: &[&[(f64, f64)]] = match figure {
            '1' => &[&[(0.2, 0.25), (0.7, 0.0), (0.7, 1.0)]],
            '4' => &[&[(0.75, 1.0), (0.75, 0.0), (0.0, 0.7), (1.0, 0.7)]],
            '6' => &[&[
                (0.85, 0.0),
                (0.15, 0.45),
                (0.0, 0.75),
                (0.25, 1.0),
                (0.75, 1.0),
                (1.0, 0.75),
                (0.75, 0.5),
                (0.1, 0.55),
            ]],
            '8' => &[&[
                (0.5, 0.48),
                (0.1, 0.25),
                (0.3, 0.0),
                (0.7, 0.0),
                (0.9, 0.25),
                (0.5, 0.48),
                (0.0, 0.75),
                (0.25, 1.0),
                (0.75, 1.0),
                (1.0, 0.75),
                (0.5, 0.48),
            ]],
            _ => &[],
        };
        let place = |p: &(f64, f64)| (left + wide * p.0, top + high * p.1);
        let drawn = lines
            .iter()
            .map(|l| Stroke::Line(l.iter().map(place).collect()));
        strokes.extend(drawn);
    }
    strokes
}

pub fn transformer(windings: &Windings) -> Symbol {
    let (left, right) = (rows(windings.left), rows(windings.right));
    let tall = left.max(right);
    let count: usize = [windings.left, windings.right]
        .iter()
        .flat_map(|side| side.iter())
        .map(|w| w.len())
        .sum();
    let mut pins: Vec<Option<Pin>> = vec![None; count];
    let mut strokes = Vec::new();
    for (side, own, sign) in [(windings.left, left, -1), (windings.right, right, 1)] {
        let mut y = (tall - own) / 2;
        let x = f64::from(sign) * 12.0;
        let edge = f64::from(sign * REACH) * PITCH;
        let way = if sign < 0 { Way::West } else { Way::East };
        for winding in side {
            for (k, &place) in winding.iter().enumerate() {
                let at = f64::from(y) * PITCH;
                pins[place] = Some(pin(sign * REACH, y, way));
                strokes.push(Stroke::Line(vec![(edge, at), (x, at)]));
                if k + 1 < winding.len() {
                    let next = f64::from(y + TAP) * PITCH;
                    // Bulges towards the core.
                    strokes.extend(turns(x, at, next, 3, f64::from(-sign) * 5.0));
                    y += TAP;
                }
            }
            y += APART;
        }
    }
    for &(place, figure) in windings.taps {
        let pin = pins.get(place).copied().flatten();
        let (x, y) = pin.map_or((0.0, 0.0), |p| p.at.place());
        strokes.extend(lettered((x - 2.0, y + 2.5), figure));
    }
    let bottom = f64::from(tall) * PITCH;
    for x in [-2.0, 2.0] {
        strokes.push(Stroke::Line(vec![(x, -4.0), (x, bottom + 4.0)]));
    }
    let edge = f64::from(REACH) * PITCH;
    Symbol {
        pins: pins.into_iter().map(|p| p.expect("every pin")).collect(),
        body: Rect::new(-edge, -6.0, edge, bottom + 6.0),
        strokes,
    }
}

/// What couples two inductors: an arrow between two points, no pins.
pub fn coupling() -> Symbol {
    let end = f64::from(LONG) * PITCH;
    let y = 10.0;
    Symbol {
        pins: vec![],
        body: Rect::new(0.0, 0.0, end, 20.0),
        strokes: vec![
            Stroke::Line(vec![(8.0, y), (end - 8.0, y)]),
            Stroke::Fill(vec![(4.0, y), (11.0, y - 3.0), (11.0, y + 3.0)]),
            Stroke::Fill(vec![
                (end - 4.0, y),
                (end - 11.0, y - 3.0),
                (end - 11.0, y + 3.0),
            ]),
        ],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drawing::symbols::{MAINS, PUSH_PULL, SINGLE_ENDED, ULTRALINEAR};

    /// A fixed bug: nothing showed at which tap a loudspeaker hangs.
    #[test]
    fn every_output_tap_has_its_ohms() {
        for windings in [&PUSH_PULL, &ULTRALINEAR, &SINGLE_ENDED] {
            let ohms: Vec<&str> = windings.taps.iter().map(|t| t.1).collect();
            assert_eq!(ohms, ["4", "8", "16"]);
            let pins = transformer(windings).pins;
            // The more ohms, the higher up on the sheet.
            let heights: Vec<f64> = windings
                .taps
                .iter()
                .map(|t| pins[t.0].at.place().1)
                .collect();
            assert!(heights[0] > heights[1] && heights[1] > heights[2]);
        }
        assert!(MAINS.taps.is_empty());
        assert!(lettered((0.0, 0.0), "4816").len() >= 4);
    }
}
