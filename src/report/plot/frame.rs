//! One panel: grid, curves, marked places and legend.

use super::axis::Axis;
use super::labels::{Labels, NEAR, Room};
use super::sheet::{Anchor, Sheet};
use super::style::{
    COLOURS, FINE_GRID, FRAME, GRID, INK, Ink, LETTERS, LONGEST_NAME, RATING, SAMPLE, ZERO, cut,
    dashes, shown, wide,
};
use super::trace::{Mark, Side, Trace, of_name};
use crate::num;

/// Where a panel's curves are drawn, px from the upper left.
#[derive(Debug, Clone, Copy)]
pub struct Frame {
    pub left: f64,
    pub right: f64,
    pub top: f64,
    pub bottom: f64,
}

/// From one line of the legend to the next, px; closer than the least they would touch.
const PITCH: f64 = 1.6 * LETTERS;
pub const LEAST_PITCH: f64 = 1.25 * LETTERS;
/// A legend has no more lines than this, the last of which counts the rest.
pub const LEGEND: usize = 60;

impl Frame {
    pub fn x(&self, across: &Axis, value: f64) -> f64 {
        self.left + across.part(value) * (self.right - self.left)
    }

    pub fn y(&self, axis: &Axis, value: f64) -> f64 {
        self.bottom - axis.part(value).clamp(0.0, 1.0) * (self.bottom - self.top)
    }

    /// Grid, frame and lettering; the common axis is lettered under the last panel only. A
    /// number that would touch the one before is left out.
    pub fn grid(&self, sheet: &mut Sheet, across: &Axis, axis: &Axis, last: bool) {
        for &value in &across.fine {
            let x = self.x(across, value);
            sheet.line((x, self.top), (x, self.bottom), 1.0, FINE_GRID);
        }
        for &value in &axis.fine {
            let y = self.y(axis, value);
            sheet.line((self.left, y), (self.right, y), 1.0, FINE_GRID);
        }
        let mut end = f64::NEG_INFINITY;
        for (value, label) in &across.ticks {
            let x = self.x(across, *value);
            sheet.line((x, self.top), (x, self.bottom), 1.0, GRID);
            let half = 0.5 * wide(label.chars().count());
            if last && x - half > end {
                sheet.text((x, self.bottom + 7.0), LETTERS, label, INK, Anchor::Under);
                end = x + half + 4.0;
            }
        }
        let mut end = f64::INFINITY;
        for (value, label) in &axis.ticks {
            let y = self.y(axis, *value);
            let ink = if *value == 0.0 { ZERO } else { GRID };
            sheet.line((self.left, y), (self.right, y), 1.0, ink);
            if y + 0.5 * LETTERS < end {
                sheet.text((self.left - 7.0, y), LETTERS, label, INK, Anchor::Left);
                end = y - 0.5 * LETTERS;
            }
        }
        self.outline(sheet);
        let middle = 0.5 * (self.top + self.bottom);
        sheet.text((14.0, middle), LETTERS, &axis.title, INK, Anchor::Upright);
        if last {
            let under = (0.5 * (self.left + self.right), self.bottom + 28.0);
            sheet.text(under, LETTERS, &across.title, INK, Anchor::Under);
        }
    }

    fn inside(&self) -> Room {
        let Frame {
            left,
            right,
            top,
            bottom,
        } = *self;
        Room {
            left,
            top,
            right,
            bottom,
        }
    }

    pub fn outline(&self, sheet: &mut Sheet) {
        let corners = [
            (self.left, self.top),
            (self.right, self.top),
            (self.right, self.bottom),
            (self.left, self.bottom),
            (self.left, self.top),
        ];
        sheet.path(&corners, 1.0, FRAME);
    }

    /// Curves, their ratings and marked places, in this order, words last.
    pub fn contents(
        &self,
        sheet: &mut Sheet,
        (across, axis): (&Axis, &Axis),
        points: &[f64],
        (traces, curves): (&[Trace], &[(usize, &Trace)]),
        marks: &[Mark],
    ) {
        let mut labels = Labels::default();
        for &(which, trace) in curves {
            let ink = of_name(traces, which);
            self.curve(sheet, (across, axis), points, ink, trace, &mut labels);
        }
        let own = marks
            .iter()
            .filter(|m| curves.iter().any(|c| c.0 == m.trace))
            .filter(|m| {
                let (along, up) = (across.part(m.at), axis.part(m.value));
                (0.0..=1.0).contains(&along) && (0.0..=1.0).contains(&up)
            })
            .map(|m| ((self.x(across, m.at), self.y(axis, m.value)), m));
        let own: Vec<((f64, f64), &Mark)> = own.collect();
        for (at, mark) in &own {
            sheet.dot(*at, 3.0, colour(of_name(traces, mark.trace)));
            labels.reserve(*at);
        }
        self.ratings(sheet, axis, traces, curves, &mut labels);
        for (at, mark) in own {
            let size = (wide(mark.label.chars().count()) + 4.0, LETTERS + 3.0);
            let Some(room) = labels.place(self.inside(), at, size, mark.side) else {
                continue;
            };
            let nearest = room.nearest(at);
            let (right, down) = (nearest.0 - at.0, nearest.1 - at.1);
            if (right * right + down * down).sqrt() > NEAR {
                sheet.line(at, nearest, 1.0, FRAME);
            }
            let beside = (room.left + 2.0, 0.5 * (room.top + room.bottom));
            sheet.text(beside, LETTERS, &mark.label, INK, Anchor::Right);
        }
    }

    fn curve(
        &self,
        sheet: &mut Sheet,
        (across, axis): (&Axis, &Axis),
        points: &[f64],
        which: usize,
        trace: &Trace,
        labels: &mut Labels,
    ) {
        let mut stretch: Vec<(f64, f64)> = Vec::new();
        let mut put = |stretch: &mut Vec<(f64, f64)>| {
            match stretch[..] {
                [] => {}
                [(x, y)] => sheet.dot((x, y), 2.5, colour(which)),
                _ => {
                    let thinned = thinned(stretch);
                    pen(sheet, &thinned, 1.6, which);
                    labels.avoid(&thinned);
                }
            }
            if trace.is_dotted && stretch.len() > 1 {
                for &at in stretch.iter() {
                    sheet.dot(at, 3.0, colour(which));
                }
            }
            stretch.clear();
        };
        for (&point, &value) in points.iter().zip(&trace.values) {
            if axis.part(value).is_finite() && across.part(point).is_finite() {
                stretch.push((self.x(across, point), self.y(axis, value)));
            } else {
                put(&mut stretch);
            }
        }
        put(&mut stretch);
    }

    /// A dashed line at each rating that the axis reaches, with a word.
    fn ratings(
        &self,
        sheet: &mut Sheet,
        axis: &Axis,
        traces: &[Trace],
        curves: &[(usize, &Trace)],
        labels: &mut Labels,
    ) {
        let mut drawn: Vec<f64> = Vec::new();
        for &(which, trace) in curves {
            let Some(rating) = trace.rating.filter(|r| !drawn.contains(r)) else {
                continue;
            };
            let part = axis.part(rating);
            if !(0.0..=1.0).contains(&part) {
                continue;
            }
            drawn.push(rating);
            let y = self.y(axis, rating);
            let ends = [(self.left, y), (self.right, y)];
            sheet.dashed(&ends, 1.6, RATING, "5 5");
            labels.avoid(&ends);
            // Curves that share a panel need not share their ratings.
            let same = |c: &&(usize, &Trace)| c.1.rating == Some(rating);
            let several = curves.iter().filter(|c| !same(c)).count() > 0;
            let of = if several {
                format!(" of {}", cut(&traces[which].name, LONGEST_NAME))
            } else {
                String::new()
            };
            let text = format!("limit{of} {}", num::engineering(rating, &trace.unit, 3));
            let width = wide(text.chars().count()) + 4.0;
            let at = (self.right - 0.5 * width - 8.0, y);
            let size = (width, LETTERS + 3.0);
            if let Some(room) = labels.place(self.inside(), at, size, Side::Above) {
                let beside = (room.left + 2.0, 0.5 * (room.top + room.bottom));
                sheet.text(beside, LETTERS, &text, RATING, Anchor::Right);
            }
        }
    }

    pub fn legend(&self, sheet: &mut Sheet, traces: &[Trace], curves: &[(usize, &Trace)]) {
        let named = if curves.len() > LEGEND {
            LEGEND - 1
        } else {
            curves.len()
        };
        let of_names = curves[..named].iter().map(|(_, t)| shown(&t.name).len());
        let lines = of_names.sum::<usize>() + usize::from(named < curves.len());
        let pitch = PITCH.min((self.bottom - self.top - LETTERS) / lines.max(1) as f64);
        let (x, mut y) = (self.right + 12.0, self.top + 10.0);
        for &(which, trace) in &curves[..named] {
            pen(
                sheet,
                &[(x, y), (x + SAMPLE, y)],
                2.2,
                of_name(traces, which),
            );
            for line in shown(&trace.name) {
                let beside = (x + SAMPLE + 7.0, y);
                sheet.text(beside, LETTERS, &line, INK, Anchor::Right);
                y += pitch;
            }
        }
        if named < curves.len() {
            let more = format!("and {} more", curves.len() - named);
            sheet.text((x + SAMPLE + 7.0, y), LETTERS, &more, INK, Anchor::Right);
        }
    }
}

pub fn colour(which: usize) -> Ink {
    COLOURS[which % COLOURS.len()]
}

/// Draws a curve in its colour and its dashes.
fn pen(sheet: &mut Sheet, points: &[(f64, f64)], width: f64, which: usize) {
    sheet.dashed(points, width, colour(which), dashes(which));
}

/// The same line with, in each column of a quarter pixel, no more than the first, the
/// lowest, the highest and the last point: a million points look no better.
pub fn thinned(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let column = |p: &(f64, f64)| (p.0 * 4.0).floor();
    let mut kept = Vec::new();
    for group in points.chunk_by(|a, b| column(a) == column(b)) {
        let by_height = |a: &usize, b: &usize| group[*a].1.total_cmp(&group[*b].1);
        let all = || 0..group.len();
        let low = all().min_by(by_height).unwrap_or(0);
        let high = all().max_by(by_height).unwrap_or(0);
        let mut which = [0, low, high, group.len() - 1];
        which.sort_unstable();
        for (n, &i) in which.iter().enumerate() {
            if n == 0 || which[n - 1] != i {
                kept.push(group[i]);
            }
        }
    }
    kept
}
