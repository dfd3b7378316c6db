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

/// Moves the strips' items into rows below one another, as many as make the sheet's shape.
pub fn arrange(strips: &[Strip], spots: &mut [Vec<Spot>]) {
    let mut best: Option<(f64, Vec<Vec<Vec<usize>>>)> = None;
    for count in 1..=MOST_ROWS {
        let first = (strips.first().zip(spots.first())).map(|(s, p)| cut(s, p, count));
        let Some(first) = first else {
            return;
        };
        let width = |rows: &[Vec<usize>], n: usize| {
            let of = |row: &Vec<usize>| {
                let all = extent(&strips[n], &spots[n], row);
                all.x1 - all.x0
            };
            rows.iter().map(of).max().unwrap_or(1)
        };
        // The supply's rows are no wider than the signal's.
        let mut rows = vec![first];
        for n in 1..strips.len() {
            let everything: Vec<usize> = (0..strips[n].items.len()).collect();
            let (own, room) = (width(&[everything], n), width(&rows[0], 0));
            let count = (f64::from(own) / f64::from(room) - 0.1).ceil().max(1.0) as usize;
            rows.push(cut(&strips[n], &spots[n], count.min(MOST_ROWS)));
        }
        let mut size = (1, 1);
        for (n, rows) in rows.iter().enumerate() {
            size.0 = size.0.max(width(rows, n));
            for row in rows {
                let all = extent(&strips[n], &spots[n], row);
                size.1 += all.y1 - all.y0 + BETWEEN;
            }
        }
        let shape = fun::ln(f64::from(size.0) / f64::from(size.1) / ASPECT).abs();
        // A row more is worth something only where it helps.
        let price = shape + 0.05 * count as f64;
        if best.as_ref().is_none_or(|(least, _)| price < *least) {
            best = Some((price, rows));
        }
    }
    let Some((_, chosen)) = best else {
        return;
    };
    let mut y = 0;
    for ((strip, spots), rows) in strips.iter().zip(spots.iter_mut()).zip(chosen) {
        for row in rows {
            let all = extent(strip, spots, &row);
            let by = At::new(-all.x0, y - all.y0);
            for &k in &row {
                spots[k].at = spots[k].at.plus(by);
            }
            y += all.y1 - all.y0 + BETWEEN;
        }
    }
}

/// More rows of one strip are not tried.
const MOST_ROWS: usize = 10;

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

/// A strip's items in N rows, cut where the fewest links go across.
fn cut(strip: &Strip, spots: &[Spot], count: usize) -> Vec<Vec<usize>> {
    let everything: Vec<usize> = (0..strip.items.len()).collect();
    if count == 1 {
        return vec![everything];
    }
    let all = extent(strip, spots, &everything);
    let total = f64::from(all.x1 - all.x0);
    let width = total / count as f64;
    // What keeps together stays in one row.
    let mut middles = vec![0; everything.len()];
    for unit in &strip.units {
        let all = extent(strip, spots, &unit.members);
        for &k in &unit.members {
            middles[k] = (all.x0 + all.x1) / 2;
        }
    }
    let middle = |k: usize| middles[k];
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
