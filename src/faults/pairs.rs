//! Two faults at once, where no single one explains the readings.
//!
//! What two faults move is first guessed to be the sum of what each moves alone, for all pairs of
//! everything that was tried; the pairs that come nearest are solved.

use super::bench::Bench;
use super::hypothesis::{Cell, Hypothesis};
use super::rank::{self, Meter, Ranking};
use super::readings::Reading;

/// A single fault is good enough below this misfit, in deviations.
const GOOD: f64 = 1.1;
/// Pairs that are solved.
const SOLVED: usize = 160;
/// Single faults whose pairs are guessed, at most.
const GUESSED: usize = 3000;
/// Two faults beside one (common practice, no published source).
const SHARE: f64 = 0.03;
/// How far a sum may be off, a part of what both move.
const CURVED: f64 = 0.15;

/// One fault at one value, and what it moves.
struct Move {
    which: usize,
    cell: usize,
    by: Vec<f64>,
}

/// Whether two faults are worth a try.
pub fn wanted(ranking: &Ranking, readings: &[Reading]) -> bool {
    let best = ranking
        .judged
        .iter()
        .take(20)
        .map(|j| j.fit.misfit)
        .fold(f64::INFINITY, f64::min);
    readings.len() >= 4 && best > GOOD
}

/// Judges pairs beside what was judged.
///
/// # Errors
/// What `poll` answers.
pub fn also<E>(
    bench: &mut Bench,
    readings: &[Reading],
    meter: &Meter,
    ranking: Ranking,
    poll: &mut dyn FnMut(usize, usize) -> Result<(), E>,
) -> Result<Ranking, E> {
    let moves = moves(&ranking);
    let off: Vec<f64> = readings
        .iter()
        .zip(&ranking.sound)
        .map(|(r, v)| r.value - v)
        .collect();
    let own: Vec<f64> = ranking
        .judged
        .iter()
        .find(|j| j.which.is_none())
        .map_or_else(
            || vec![0.05; off.len()],
            |sound| {
                (0..off.len())
                    .map(|k| {
                        let row = rank::row(&sound.seen, k, 0.0, meter);
                        row.iter().map(|x| x * x).sum::<f64>().sqrt() + 0.01
                    })
                    .collect()
            },
        );
    // The best pairs by their sums: (distance, first, second).
    let mut best: Vec<(f64, usize, usize)> = Vec::new();
    let mut worst = f64::INFINITY;
    for (i, a) in moves.iter().enumerate() {
        poll(i, 2 * moves.len())?;
        for (j, b) in moves.iter().enumerate().skip(i + 1) {
            if a.which == b.which {
                continue;
            }
            let mut distance = 0.0;
            for k in 0..off.len() {
                let rest = off[k] - a.by[k] - b.by[k];
                let room = own[k] + CURVED * (a.by[k].abs() + b.by[k].abs());
                distance += (rest / room) * (rest / room);
                if distance > worst {
                    break;
                }
            }
            if distance < worst {
                best.push((distance, i, j));
                if best.len() > 4 * SOLVED {
                    shorten(&mut best);
                    worst = best.last().map_or(worst, |b| b.0);
                }
            }
        }
    }
    shorten(&mut best);
    let pairs: Vec<Hypothesis> = best
        .iter()
        .filter_map(|&(_, i, j)| pair(&ranking, &moves[i], &moves[j]))
        .collect();
    rank::also(bench, readings, meter, ranking, pairs, poll)
}

fn shorten(best: &mut Vec<(f64, usize, usize)>) {
    best.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
    best.truncate(SOLVED);
}

/// Everything that was tried and moves something.
fn moves(ranking: &Ranking) -> Vec<Move> {
    let mut found: Vec<Move> = Vec::new();
    for (which, cell, reads) in &ranking.tried {
        let by: Vec<f64> = reads
            .iter()
            .zip(&ranking.sound)
            .map(|(a, b)| a - b)
            .collect();
        if by.iter().any(|v| v.abs() > 0.02) {
            found.push(Move {
                which: *which,
                cell: *cell,
                by,
            });
        }
    }
    found.truncate(GUESSED);
    found
}

/// Two faults as one hypothesis of one cell.
fn pair(ranking: &Ranking, a: &Move, b: &Move) -> Option<Hypothesis> {
    let (one, two) = (&ranking.hypotheses[a.which], &ranking.hypotheses[b.which]);
    if one.element == two.element {
        return None;
    }
    let (first, second) = (&one.cells[a.cell], &two.cells[b.cell]);
    let mut changes = first.changes.clone();
    changes.extend(second.changes.iter().cloned());
    Some(Hypothesis {
        fault: "two faults",
        element: format!("{} + {}", one.element, two.element),
        lead: format!("{} + {}", one.name(), two.name()),
        weight: SHARE * one.weight * first.part * two.weight * second.part / ranking.weight,
        cells: vec![Cell {
            changes,
            part: 1.0,
            value: None,
            // Of two widths the larger: both are in the slope.
            width: first.width.max(second.width),
            real: (first.real.is_some() || second.real.is_some()).then(|| {
                let real = |c: &Cell| c.real.clone().unwrap_or_else(|| c.changes.clone());
                [real(first), real(second)].concat()
            }),
        }],
        unit: "",
    })
}
