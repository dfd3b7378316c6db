//! Two faults at once, where no single one explains the readings.
//!
//! What two faults move is first guessed to be the sum of what each moves alone, for all pairs of
//! everything that was tried; the pairs that come nearest are solved, those that lead also at other
//! values of both. Beside the single faults that lead all others are solved as they are: where one
//! leaves a stage without its supply, what another does there is no sum.

use super::bench::Bench;
use super::change::Change;
use super::crew;
use super::evidence::{Evidence, covariance};
use super::fault::Fault;
use super::hypothesis::{Both, Cell, Hypothesis};
use super::likelihood::Factored;
use super::rank::{self, Ranking, Tried};
use crate::math::fun;

/// A single fault is good enough below this misfit, in deviations.
const GOOD: f64 = 1.1;
/// Pairs that are solved, each at the values whose sum comes nearest.
const SOLVED: usize = 240;
/// Of these the pairs that are solved at their other values too.
const LEADING: usize = 12;
/// Values of single faults whose pairs are guessed, at most.
const GUESSED: usize = 6000;
/// Single faults that everything else is solved beside, and how many of these pairs are judged.
const LEADERS: usize = 3;
const BESIDE: usize = 30;
/// How far a reading may be off for want of the values between the cells, a part of what is moved.
const BETWEEN: f64 = 0.1;
/// Two faults beside one (common practice, no published source).
const SHARE: f64 = 0.03;
/// How far a sum may be off, a part of what both move.
const CURVED: f64 = 0.15;

/// Two faults, each with its hypothesis and cell, in order.
type Two = [(usize, usize); 2];

/// One fault at one value, and what it moves.
struct Move {
    which: usize,
    cell: usize,
    by: Vec<f64>,
    /// Minus twice the logarithm of its weight.
    rare: f64,
}

impl Move {
    fn place(&self) -> (usize, usize) {
        (self.which, self.cell)
    }
}

/// Whether two faults are worth a try.
pub fn wanted(ranking: &Ranking, evidence: &Evidence<'_>) -> bool {
    let best = ranking
        .judged
        .iter()
        .take(20)
        .map(|j| j.fit.misfit)
        .fold(f64::INFINITY, f64::min);
    evidence.readings.len() >= 4 && best > GOOD
}

/// Judges pairs beside what was judged.
///
/// # Errors
/// What `poll` answers.
pub fn also<E>(
    bench: &mut Bench,
    evidence: &Evidence<'_>,
    ranking: Ranking,
    poll: &mut dyn FnMut(usize, usize) -> Result<(), E>,
) -> Result<Ranking, E> {
    let moves = moves(&ranking);
    let off = evidence.off(&ranking.sound);
    let own: Vec<f64> = ranking
        .judged
        .iter()
        .find(|j| j.which.is_none())
        .map_or_else(
            || vec![0.05; off.len()],
            |sound| {
                let rows = evidence.rows(&sound.seen, [0.0; 2]);
                rows.iter()
                    .map(|row| row.iter().map(|x| x * x).sum::<f64>().sqrt() + 0.01)
                    .collect()
            },
        );
    // The best pairs by their sums: (score, first, second).
    let mut best: Vec<(f64, usize, usize)> = Vec::new();
    let mut worst = f64::INFINITY;
    let groups: Vec<&[Move]> = moves.chunk_by(|a, b| a.which == b.which).collect();
    let starts: Vec<usize> = groups
        .iter()
        .scan(0, |at, g| Some(std::mem::replace(at, *at + g.len())))
        .collect();
    for (n, ones) in groups.iter().enumerate() {
        poll(n, 2 * groups.len())?;
        for (m, twos) in groups.iter().enumerate().skip(n + 1) {
            if same_part(&ranking, ones[0].which, twos[0].which) {
                continue;
            }
            let mut nearest: Option<(f64, usize, usize)> = None;
            let mut least = worst;
            for (i, a) in ones.iter().enumerate() {
                for (j, b) in twos.iter().enumerate() {
                    let mut score = a.rare + b.rare;
                    for k in 0..off.len() {
                        let rest = off[k] - a.by[k] - b.by[k];
                        let room = own[k] + CURVED * (a.by[k].abs() + b.by[k].abs());
                        score += (rest / room) * (rest / room);
                        if score > least {
                            break;
                        }
                    }
                    if score < least {
                        least = score;
                        nearest = Some((score, starts[n] + i, starts[m] + j));
                    }
                }
            }
            best.extend(nearest);
            if best.len() > 4 * SOLVED {
                shorten(&mut best);
                worst = best.last().map_or(worst, |b| b.0);
            }
        }
    }
    shorten(&mut best);
    let mut best: Vec<Two> = best
        .iter()
        .map(|&(_, i, j)| [moves[i].place(), moves[j].place()])
        .collect();
    for two in beside_leaders(bench, evidence, &ranking, poll)? {
        let known = |other: &Two| other.map(|o| o.0) == two.map(|t| t.0);
        if !best.iter().any(known) {
            best.push(two);
        }
    }
    let before = ranking.hypotheses.len();
    let pairs = best
        .iter()
        .map(|&[(a, i), (b, j)]| pair(&ranking, a, b, &[(i, j)]));
    let pairs = pairs.collect();
    let mut ranking = rank::also(bench, evidence, ranking, pairs, poll)?;
    let leading: Vec<usize> = ranking
        .judged
        .iter()
        .filter_map(|j| j.which.filter(|w| *w >= before))
        .take(LEADING)
        .collect();
    let (mut fuller, mut replaced) = (Vec::new(), Vec::new());
    for which in leading {
        let [(one, i), (two, j)] = best[which - before];
        let count = |which: usize| ranking.hypotheses[which].cells.len();
        let cells = around(i, count(one), j, count(two));
        if cells.len() > 1 {
            fuller.push(pair(&ranking, one, two, &cells));
            replaced.push(which);
        }
    }
    ranking
        .judged
        .retain(|j| j.which.is_none_or(|w| !replaced.contains(&w)));
    rank::also(bench, evidence, ranking, fuller, poll)
}

/// Pairs of the single faults that lead with everything else, solved with both: where one fault
/// leaves little of the rest, what it moves is no sum.
fn beside_leaders<E>(
    bench: &mut Bench,
    evidence: &Evidence<'_>,
    ranking: &Ranking,
    poll: &mut dyn FnMut(usize, usize) -> Result<(), E>,
) -> Result<Vec<Two>, E> {
    let mut found = Vec::new();
    let leaders = ranking
        .groups
        .iter()
        .map(|g| &ranking.judged[g.members[0]])
        .filter(|j| j.which.is_some())
        .take(LEADERS);
    for leader in leaders {
        let Some(which) = leader.which else { continue };
        let first = &ranking.hypotheses[which].cells[leader.cell];
        let rows = evidence.rows(&leader.seen, leader.widths);
        let own = evidence.own(&leader.seen);
        let mut best: Vec<(f64, Two)> = Vec::new();
        let others = ranking.tried.iter();
        let others: Vec<&Tried> = others
            .filter(|tried| !same_part(ranking, which, tried.which))
            .collect();
        let scores = crew::each(bench, &others, poll, |bench, tried| {
            let hypothesis = &ranking.hypotheses[tried.which];
            let second = &hypothesis.cells[tried.cell];
            let changes = [&first.changes[..], &[Change::Besides], &second.changes].concat();
            let seen = bench.look(&changes, &evidence.points, Some(&leader.seen), false)?;
            let moved = seen.reads.iter().zip(&leader.seen.reads);
            let wider: Vec<f64> = moved
                .zip(&own)
                .map(|((a, b), own)| fun::hypot(*own, BETWEEN * (a - b)))
                .collect();
            let covariance = Factored::new(covariance(&rows, &wider), rows.len())?;
            let off = evidence.off(&seen.reads);
            let mut weighted = off.clone();
            covariance.solve(&mut weighted);
            let distance: f64 = off.iter().zip(&weighted).map(|(a, b)| a * b).sum();
            Some(distance - 2.0 * fun::ln(hypothesis.weight * second.part))
        })?;
        for (tried, score) in others.iter().zip(scores) {
            let Some(score) = score else { continue };
            let mut two = [(which, leader.cell), (tried.which, tried.cell)];
            two.sort_unstable();
            match best
                .iter_mut()
                .find(|b| b.1.map(|t| t.0) == two.map(|t| t.0))
            {
                Some(known) if known.0 > score => *known = (score, two),
                Some(_) => {}
                None => best.push((score, two)),
            }
        }
        best.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        found.extend(best.into_iter().take(BESIDE).map(|b| b.1));
    }
    Ok(found)
}

/// Cells of two faults about one of each: all values of either beside that of the other, and all
/// neighbours.
fn around(i: usize, ones: usize, j: usize, twos: usize) -> Vec<(usize, usize)> {
    let all = (0..ones).flat_map(|a| (0..twos).map(move |b| (a, b)));
    all.filter(|&(a, b)| a == i || b == j || a.abs_diff(i) < 2 && b.abs_diff(j) < 2)
        .collect()
}

fn shorten(best: &mut Vec<(f64, usize, usize)>) {
    best.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
    best.truncate(SOLVED);
}

/// Everything that was tried and moves something.
fn moves(ranking: &Ranking) -> Vec<Move> {
    let mut found: Vec<Move> = Vec::new();
    for tried in &ranking.tried {
        let by: Vec<f64> = tried
            .reads
            .iter()
            .zip(&ranking.sound)
            .map(|(a, b)| a - b)
            .collect();
        if by.iter().any(|v| v.abs() > 0.02) {
            let hypothesis = &ranking.hypotheses[tried.which];
            found.push(Move {
                which: tried.which,
                cell: tried.cell,
                by,
                rare: -2.0 * fun::ln(hypothesis.weight * hypothesis.cells[tried.cell].part),
            });
        }
    }
    found.truncate(GUESSED);
    found
}

/// Whether two faults are of one part.
fn same_part(ranking: &Ranking, a: usize, b: usize) -> bool {
    ranking.hypotheses[a].element == ranking.hypotheses[b].element
}

/// Two faults as one hypothesis, at some of their values.
fn pair(ranking: &Ranking, a: usize, b: usize, cells: &[(usize, usize)]) -> Hypothesis {
    let (one, two) = (&ranking.hypotheses[a], &ranking.hypotheses[b]);
    let both = Both {
        of: [a, b],
        cells: cells.to_vec(),
    };
    let cells = cells.iter().map(|&(i, j)| {
        let (first, second) = (&one.cells[i], &two.cells[j]);
        let join = |a: &[Change], b: &[Change]| [a, &[Change::Besides], b].concat();
        let real = |c: &Cell| c.real.clone().unwrap_or_else(|| c.changes.clone());
        Cell {
            changes: join(&first.changes, &second.changes),
            part: first.part * second.part,
            value: None,
            width: first.width,
            second: second.width,
            real: (first.real.is_some() || second.real.is_some())
                .then(|| join(&real(first), &real(second))),
        }
    });
    Hypothesis {
        fault: Fault::TwoFaults,
        element: format!("{} + {}", one.element, two.element),
        lead: format!("{} + {}", one.name(), two.name()),
        weight: SHARE * one.weight * two.weight / ranking.weight,
        cells: cells.collect(),
        sound: None,
        both: Some(both),
    }
}
