//! One long strip cut into rows, as a draughtsman goes on in the next line.

use super::geometry::{At, Cells};
use super::items::Strip;
use super::place::Spot;
use crate::math::fun;

/// Free rows of the lattice between two rows of parts, for wires.
const BETWEEN: i32 = 6;
/// How much wider than high a sheet is (A3 and A4 lying).
const ASPECT: f64 = 1.414;

/// The cells an item takes.
fn hull(strip: &Strip, k: usize, spot: Spot) -> Cells {
    strip.items[k].shapes[spot.shape].0.hull.moved(spot.at)
}

/// Moves the strips' items into rows below one another.
pub fn arrange(strips: &[Strip], spots: &mut [Vec<Spot>]) {
    let sizes: Vec<(f64, f64)> = (strips.iter().zip(spots.iter()))
        .map(|(strip, spots)| {
            let all = extent(strip, spots, &(0..strip.items.len()).collect::<Vec<_>>());
            (
                f64::from(all.x1 - all.x0),
                f64::from(all.y1 - all.y0 + BETWEEN),
            )
        })
        .collect();
    // The width at which all rows together have a sheet's shape.
    let widest = sizes.iter().map(|s| s.0).fold(1.0, f64::max);
    let mut best = (f64::INFINITY, widest);
    for rows in 1..=12 {
        let width = widest / f64::from(rows);
        let height: f64 = sizes
            .iter()
            .map(|s| (s.0 / width - 0.15).ceil().max(1.0) * s.1)
            .sum();
        let shape = fun::ln(width / height / ASPECT).abs();
        if shape < best.0 {
            best = (shape, width);
        }
    }
    let width = best.1;
    let mut y = 0;
    for (strip, spots) in strips.iter().zip(spots.iter_mut()) {
        for row in cut(strip, spots, width) {
            let all = extent(strip, spots, &row);
            let by = At::new(-all.x0, y - all.y0);
            for &k in &row {
                spots[k].at = spots[k].at.plus(by);
            }
            y += all.y1 - all.y0 + BETWEEN;
        }
    }
}

fn extent(strip: &Strip, spots: &[Spot], of: &[usize]) -> Cells {
    let mut cells = of.iter().map(|&k| hull(strip, k, spots[k]));
    let first = cells.next().unwrap_or(Cells {
        x0: 0,
        y0: 0,
        x1: 0,
        y1: 0,
    });
    cells.fold(first, Cells::joined)
}

/// A strip's items by rows of about a width, cut where the fewest links go across.
fn cut(strip: &Strip, spots: &[Spot], width: f64) -> Vec<Vec<usize>> {
    let everything: Vec<usize> = (0..strip.items.len()).collect();
    let all = extent(strip, spots, &everything);
    let total = f64::from(all.x1 - all.x0);
    let count = (total / width - 0.15).ceil().max(1.0) as usize;
    if count == 1 {
        return vec![everything];
    }
    let middle = |k: usize| {
        let h = hull(strip, k, spots[k]);
        (h.x0 + h.x1) / 2
    };
    // The span of each link.
    let mut spans: std::collections::BTreeMap<usize, (i32, i32)> = Default::default();
    for &k in &everything {
        for link in strip.items[k].links.iter().flatten() {
            let x = middle(k);
            let span = spans.entry(*link).or_insert((x, x));
            *span = (span.0.min(x), span.1.max(x));
        }
    }
    let mut cuts = vec![all.x0 - 1];
    for n in 1..count {
        let wanted = all.x0 + (total * n as f64 / count as f64) as i32;
        let slack = (width * 0.18) as i32;
        let least = (wanted - slack..=wanted + slack).min_by_key(|&x| {
            let across = spans.values().filter(|(a, b)| *a <= x && x < *b).count() as i32;
            let through = everything
                .iter()
                .filter(|&&k| {
                    let h = hull(strip, k, spots[k]);
                    h.x0 < x && x < h.x1
                })
                .count() as i32;
            (across * 12 + through * 6 + (x - wanted).abs() / 3, x)
        });
        cuts.push(least.unwrap_or(wanted));
    }
    cuts.push(all.x1 + 1);
    (0..count)
        .map(|n| {
            let within = |&&k: &&usize| cuts[n] < middle(k) && middle(k) <= cuts[n + 1];
            everything.iter().filter(within).copied().collect()
        })
        .filter(|row: &Vec<usize>| !row.is_empty())
        .collect()
}
