//! All hypotheses against the readings.

use super::bench::{Bench, Point, Seen};
use super::hypothesis::{Hypothesis, SOUND};
use super::likelihood::{Factored, Fit, fit, log_sum};
use super::readings::Reading;
use super::state::Quantity;
use crate::math::fun;

/// The meter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Meter {
    /// Its resistance, ohm.
    pub ohms: f64,
    /// Its accuracy, a part of the reading.
    pub accuracy: f64,
}

/// A hypothesis after the readings.
#[derive(Debug, Clone)]
pub struct Judged {
    /// Which of [`Ranking::hypotheses`]; none for the sound circuit.
    pub which: Option<usize>,
    /// Logarithm of its weight.
    pub log: f64,
    /// Of all together, 0 to 1.
    pub probability: f64,
    /// Its best cell.
    pub cell: usize,
    /// What the fault's own number is most likely, in the hypothesis' unit.
    pub value: Option<f64>,
    /// How well its best cell explains the readings.
    pub fit: Fit,
    /// What the meter would see with it, at the readings.
    pub seen: Seen,
    /// The same at the most likely value of the fault, V.
    pub expected: Vec<f64>,
    /// Width of the best cell.
    pub width: f64,
}

/// An answer: hypotheses that these readings cannot tell apart, the most likely first.
#[derive(Debug, Clone)]
pub struct Group {
    /// All members together, 0 to 1.
    pub probability: f64,
    /// Into [`Ranking::judged`].
    pub members: Vec<usize>,
}

/// The outcome.
#[derive(Debug, Default)]
pub struct Ranking {
    /// Everything that was tried.
    pub hypotheses: Vec<Hypothesis>,
    /// The most likely first.
    pub judged: Vec<Judged>,
    /// The answers, the most likely first.
    pub groups: Vec<Group>,
    /// Faults for which no solution was found.
    pub unsolved: usize,
    /// V at the readings in the sound circuit.
    pub sound: Vec<f64>,
    /// Of all hypotheses that the prior is shared among.
    pub weight: f64,
    /// What each fault at each value shows at the readings, V: hypothesis, cell.
    pub tried: Vec<(usize, usize, Vec<f64>)>,
    /// Volts that a slipped reading may lie in.
    span: f64,
}

/// Volts that no drawing accounts for: pickup, leakage of a chassis (common practice).
const FLOOR_V: f64 = 4e-3;
/// What the models of valves and the straight lines leave out, a part of the reading.
const MODEL: f64 = 0.004;
/// Squared distance, in deviations, within which two faults read the same.
const SAME: f64 = 1.0;
/// What is less likely makes no answer of its own.
const LEAST: f64 = 1e-7;

impl Meter {
    /// The deviation of a reading by itself, V, where the volts are those expected.
    fn deviation(&self, volts: f64, digit: f64) -> f64 {
        // Accuracies are limits; half of the square is common to all readings of one meter.
        let accuracy = self.accuracy * volts / 6f64.sqrt();
        let digit = 0.5 * digit;
        let model = MODEL * volts;
        (accuracy * accuracy + digit * digit + model * model + FLOOR_V * FLOOR_V).sqrt()
    }

    /// The part of the deviation that all readings share.
    fn common(&self, volts: f64) -> f64 {
        self.accuracy * volts / 6f64.sqrt()
    }
}

/// All columns of a point: tolerances, the fault's own value, the meter's scale.
pub fn row(seen: &Seen, k: usize, width: f64, meter: &Meter) -> Vec<f64> {
    // No columns where only other kinds of readings were seen.
    let mut row = seen.spread[k].clone();
    row.push(seen.own[k] * width / 12f64.sqrt());
    row.push(meter.common(seen.reads[k]));
    row
}

/// Covariance of readings, `[n * n]`.
pub fn covariance(rows: &[Vec<f64>], own: &[f64]) -> Vec<f64> {
    let n = rows.len();
    let mut all = vec![0.0; n * n];
    for i in 0..n {
        for k in 0..=i {
            let sum: f64 = rows[i].iter().zip(&rows[k]).map(|(a, b)| a * b).sum();
            all[i * n + k] = sum;
            all[k * n + i] = sum;
        }
        all[i * n + i] += own[i] * own[i];
    }
    all
}

/// The deviation of each reading by itself.
pub fn own(seen: &Seen, readings: &[Reading], meter: &Meter) -> Vec<f64> {
    let all = readings.iter().enumerate();
    all.map(|(k, r)| {
        let own = meter.deviation(seen.reads[k], r.digit);
        (own * own + seen.doubt[k] * seen.doubt[k]).sqrt()
    })
    .collect()
}

/// The deviation of a reading still to come.
pub fn coming(volts: f64, meter: &Meter) -> f64 {
    meter.deviation(volts, 0.005 * volts.abs().max(0.1))
}

/// What one cell makes of the readings: its fit, and the most likely shift of its value's
/// logarithm.
fn judge(
    seen: &Seen,
    readings: &[Reading],
    meter: &Meter,
    width: f64,
    span: f64,
) -> Option<(Fit, f64)> {
    let n = readings.len();
    let rows: Vec<Vec<f64>> = (0..n).map(|k| row(seen, k, width, meter)).collect();
    let covariance = Factored::new(covariance(&rows, &own(seen, readings, meter)), n)?;
    let pairs = readings.iter().zip(&seen.reads);
    let off: Vec<f64> = pairs.map(|(r, v)| r.value - v).collect();
    // Ohms and gains slip by factors, volts within what the supply has.
    let spans: Vec<f64> = readings
        .iter()
        .map(|r| match r.point.quantity {
            Quantity::Volts => span,
            Quantity::Ohms => 20.0 * r.value.abs().max(100.0),
            Quantity::Gain => 20.0 * r.value.abs().max(1.0),
        })
        .collect();
    let found = fit(&off, &covariance, &spans);
    let shift = if width > 0.0 {
        let mut weighted = off.clone();
        if let Some(k) = found.slipped {
            weighted[k] = 0.0;
        }
        covariance.solve(&mut weighted);
        let deviation = width / 12f64.sqrt();
        let sum: f64 = seen.own.iter().zip(&weighted).map(|(a, b)| a * b).sum();
        (deviation * deviation * sum).clamp(-0.5 * width, 0.5 * width)
    } else {
        0.0
    };
    found.log_density.is_finite().then_some((found, shift))
}

/// Judges hypotheses. `poll` is asked now and then whether to go on.
///
/// # Errors
/// What `poll` answers.
pub fn rank<E>(
    bench: &mut Bench,
    readings: &[Reading],
    meter: &Meter,
    hypotheses: Vec<Hypothesis>,
    poll: &mut dyn FnMut(usize, usize) -> Result<(), E>,
) -> Result<Ranking, E> {
    let mut ranking = Ranking::default();
    let points: Vec<Point> = readings.iter().map(|r| r.point.clone()).collect();
    ranking.span = span(bench);
    if let Some(seen) = bench.look(&[], &points, None, true)
        && let Some((fit, _)) = judge(&seen, readings, meter, 0.0, ranking.span)
    {
        ranking.sound.clone_from(&seen.reads);
        let log = fun::ln(SOUND) + fit.log_density;
        ranking.judged.push(Judged {
            log,
            ..judged(None, 0, None, fit, seen, 0.0)
        });
    }
    ranking.weight = hypotheses.iter().map(|h| h.weight).sum();
    also(bench, readings, meter, ranking, hypotheses, poll)
}

/// Judges more hypotheses beside those that were.
///
/// # Errors
/// What `poll` answers.
pub fn also<E>(
    bench: &mut Bench,
    readings: &[Reading],
    meter: &Meter,
    mut ranking: Ranking,
    hypotheses: Vec<Hypothesis>,
    poll: &mut dyn FnMut(usize, usize) -> Result<(), E>,
) -> Result<Ranking, E> {
    let points: Vec<Point> = readings.iter().map(|r| r.point.clone()).collect();
    let count = hypotheses.len();
    for (number, hypothesis) in hypotheses.into_iter().enumerate() {
        poll(number, count)?;
        let which = ranking.hypotheses.len();
        let prior = fun::ln((1.0 - SOUND) * hypothesis.weight / ranking.weight);
        let mut terms = Vec::new();
        let mut best: Option<(f64, Judged)> = None;
        let mut last: Option<Seen> = None;
        for (cell, it) in hypothesis.cells.iter().enumerate() {
            let Some(seen) = bench.look(&it.changes, &points, last.as_ref(), true) else {
                ranking.unsolved += 1;
                continue;
            };
            ranking.tried.push((which, cell, seen.reads.clone()));
            let Some((fit, shift)) = judge(&seen, readings, meter, it.width, ranking.span) else {
                continue;
            };
            let log = fun::ln(it.part) + fit.log_density;
            if best.as_ref().is_none_or(|b| log > b.0) {
                let value = it.value.map(|v| v * fun::exp(shift));
                let mut found = judged(Some(which), cell, value, fit, seen.clone(), it.width);
                let own = found.expected.iter_mut().zip(&seen.own);
                own.for_each(|(v, own)| *v += own * shift);
                best = Some((log, found));
            }
            terms.push(log);
            last = Some(seen);
        }
        if let Some((_, best)) = best {
            ranking.judged.push(Judged {
                log: prior + log_sum(&terms),
                ..best
            });
        }
        ranking.hypotheses.push(hypothesis);
    }
    ordered(&mut ranking, readings, meter);
    Ok(ranking)
}

/// The volts that a slipped reading may lie in.
fn span(bench: &Bench) -> f64 {
    let nodes = bench.circuit.nodes.len() - 1;
    let most = bench.sound[..nodes]
        .iter()
        .fold(1.0f64, |m, v| m.max(v.abs()));
    2.0 * most.min(2000.0)
}

fn judged(
    which: Option<usize>,
    cell: usize,
    value: Option<f64>,
    fit: Fit,
    seen: Seen,
    width: f64,
) -> Judged {
    Judged {
        which,
        log: f64::NEG_INFINITY,
        probability: 0.0,
        cell,
        value,
        fit,
        expected: seen.reads.clone(),
        seen,
        width,
    }
}

/// Puts them in order, and together what reads the same.
fn ordered(ranking: &mut Ranking, readings: &[Reading], meter: &Meter) {
    let logs: Vec<f64> = ranking.judged.iter().map(|j| j.log).collect();
    let whole = log_sum(&logs);
    for judged in &mut ranking.judged {
        judged.probability = fun::exp(judged.log - whole);
    }
    // Of equals the first in the netlist is named.
    ranking
        .judged
        .sort_by(|a, b| b.probability.total_cmp(&a.probability));
    let judged = &ranking.judged;
    let mut taken = vec![false; judged.len()];
    let mut groups = Vec::new();
    for k in 0..judged.len() {
        if taken[k] || (k > 2 && judged[k].probability < LEAST) {
            continue;
        }
        taken[k] = true;
        let leader = &judged[k];
        let mut members = vec![k];
        let n = readings.len();
        let rows: Vec<Vec<f64>> = (0..n)
            .map(|i| row(&leader.seen, i, leader.width, meter))
            .collect();
        let own = own(&leader.seen, readings, meter);
        if let Some(near) = Factored::new(covariance(&rows, &own), n) {
            for (j, other) in judged.iter().enumerate() {
                if taken[j] || other.which.is_none() {
                    continue;
                }
                let pairs = other.expected.iter().zip(&leader.expected);
                let apart: Vec<f64> = pairs.map(|(a, b)| a - b).collect();
                let mut weighted = apart.clone();
                near.solve(&mut weighted);
                let distance: f64 = apart.iter().zip(&weighted).map(|(a, b)| a * b).sum();
                if distance < SAME {
                    taken[j] = true;
                    members.push(j);
                }
            }
        }
        groups.push(Group {
            probability: members.iter().map(|&m| judged[m].probability).sum(),
            members,
        });
    }
    groups.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    ranking.groups = groups;
}
