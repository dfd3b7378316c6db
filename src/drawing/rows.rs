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

/// What stands side by side on one line of the sheet: of which strip, and which of its items.
type Line = Vec<(usize, Vec<usize>)>;

/// Moves the strips' items into rows below one another, as many as make the sheet's shape. A supply
/// of one row stands right of the signal's last where that makes a better sheet.
pub fn arrange(strips: &[Strip], spots: &mut [Vec<Spot>]) {
    let mut best: Option<(f64, Vec<Line>)> = None;
    for count in 1..=MOST_ROWS {
        for beside in [false, true] {
            let Some(lines) = lines(strips, spots, count, beside) else {
                continue;
            };
            let sizes: Vec<(i32, i32)> = (lines.iter())
                .map(|line| size(strips, spots, line))
                .collect();
            let wide = sizes.iter().map(|s| s.0).max().unwrap_or(1);
            let high: i32 = sizes.iter().map(|s| s.1 + BETWEEN).sum();
            // The side of the sheet that holds it: the smaller, the larger it prints.
            let side = (f64::from(wide) / ASPECT).max(f64::from(high));
            // A row more is worth something only where it helps.
            let price = fun::ln(side.max(LEGIBLE)) + 0.04 * count as f64;
            if best.as_ref().is_none_or(|(least, _)| price < *least) {
                best = Some((price, lines));
            }
        }
    }
    let Some((_, chosen)) = best else {
        return;
    };
    let mut y = 0;
    for line in chosen {
        let high = size(strips, spots, &line).1;
        let mut x = 0;
        for (n, row) in line {
            let all = extent(&strips[n], &spots[n], &row);
            // All on one floor.
            let by = At::new(x - all.x0, y + high - all.y1);
            for k in row {
                spots[n][k].at = spots[n][k].at.plus(by);
            }
            x += all.x1 - all.x0 + ASIDE;
        }
        y += high + BETWEEN;
    }
}

/// A sheet of this height, in lattice steps, prints legibly on A4: 1.8 mm of type on 190 mm. It
/// need not be smaller.
const LEGIBLE: f64 = 95.0;

/// Free columns between what stands side by side.
const ASIDE: i32 = 12;

/// Width and height of a line.
fn size(strips: &[Strip], spots: &[Vec<Spot>], line: &Line) -> (i32, i32) {
    let each = line.iter().map(|(n, row)| {
        let all = extent(&strips[*n], &spots[*n], row);
        (all.x1 - all.x0, all.y1 - all.y0)
    });
    each.fold((-ASIDE, 0), |(x, y), (w, h)| (x + w + ASIDE, y.max(h)))
}

/// The signal's strip in N rows and the supply's below them, or right of the last; none where
/// there is no supply that fits there.
fn lines(strips: &[Strip], spots: &[Vec<Spot>], count: usize, beside: bool) -> Option<Vec<Line>> {
    let (signal, own) = strips.first().zip(spots.first())?;
    let whole = |n: usize| (n, (0..strips[n].items.len()).collect::<Vec<usize>>());
    let width = |line: &Line| size(strips, spots, line).0;
    if beside {
        let [_, _] = strips else {
            return None;
        };
        let supply = width(&vec![whole(1)]) + ASIDE;
        let rows = cut(signal, own, count, supply);
        let mut lines: Vec<Line> = rows.into_iter().map(|row| vec![(0, row)]).collect();
        lines.last_mut()?.push(whole(1));
        return Some(lines);
    }
    let rows = cut(signal, own, count, 0);
    let mut lines: Vec<Line> = rows.into_iter().map(|row| vec![(0, row)]).collect();
    // The supply's rows are no wider than the signal's.
    let room = lines.iter().map(width).max().unwrap_or(1);
    for n in 1..strips.len() {
        let count = f64::from(width(&vec![whole(n)])) / f64::from(room.max(1)) - 0.1;
        let count = (count.ceil().max(1.0) as usize).min(MOST_ROWS);
        let rows = cut(&strips[n], &spots[n], count, 0);
        lines.extend(rows.into_iter().map(|row| vec![(n, row)]));
    }
    Some(lines)
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

/// A strip's items in N rows, cut where the fewest links go across; the last row shorter by `more`.
fn cut(strip: &Strip, spots: &[Spot], count: usize, more: i32) -> Vec<Vec<usize>> {
    let everything: Vec<usize> = (0..strip.items.len()).collect();
    if count == 1 {
        return vec![everything];
    }
    let all = extent(strip, spots, &everything);
    let total = f64::from(all.x1 - all.x0 + more);
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
