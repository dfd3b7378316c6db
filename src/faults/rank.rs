//! All hypotheses against the readings.

use super::bench::Bench;
use super::change::Change;
use super::crew;
use super::evidence::{Evidence, Widths, covariance};
use super::hypothesis::{Hypothesis, SOUND};
use super::likelihood::{Factored, Fit, fit, log_sum};
use super::point::Quantity;
use super::seen::Seen;
use crate::math::fun;

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
    /// What the fault's own number is most likely, in the fault's unit.
    pub value: Option<f64>,
    /// How well its best cell explains the readings.
    pub fit: Fit,
    /// What the meter would see with it, at the readings.
    pub seen: Seen,
    /// The same at the most likely value of the fault, V.
    pub expected: Vec<f64>,
    /// Widths of the best cell.
    pub widths: Widths,
    /// Whether a mains cycle was solved with it.
    pub checked: bool,
    /// The ripple of each output of the supply in that cycle, V.
    pub swings: Vec<f64>,
}

/// An answer: hypotheses that these readings cannot tell apart, the most likely first.
#[derive(Debug, Clone)]
pub struct Group {
    /// All members together, 0 to 1.
    pub probability: f64,
    /// Into [`Ranking::judged`].
    pub members: Vec<usize>,
}

/// A fault at one value.
#[derive(Debug, Clone)]
pub struct Tried {
    /// Which of [`Ranking::hypotheses`].
    pub which: usize,
    /// Which of its cells.
    pub cell: usize,
    /// What it shows at the readings, V.
    pub reads: Vec<f64>,
    /// Logarithm of its part of the hypothesis times its density.
    pub log: f64,
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
    /// Their weight.
    pub unsolved_weight: f64,
    /// Hypotheses of which no value has a solution.
    pub silent: Vec<usize>,
    /// V at the readings in the sound circuit; none if that could not be solved for all of them.
    pub sound: Vec<f64>,
    /// The reading for which the sound circuit could not be solved.
    pub unseen: Option<usize>,
    /// Of all hypotheses that the prior is shared among.
    pub weight: f64,
    /// Each fault at each value.
    pub tried: Vec<Tried>,
    /// Volts that a slipped reading may lie in.
    span: f64,
    /// Mains cycles that were solved.
    cycles: usize,
}

/// Squared distance, in deviations, within which two faults read the same.
const SAME: f64 = 1.0;
/// Faults whose best value is sought, and from what probability on.
const REFINED: usize = 24;
const LEAST_REFINED: f64 = 1e-3;
/// Mains cycles that are solved at most, for faults from this probability on, or of the supply itself
/// with no more than this misfit.
const CYCLES: usize = 12;
const LEADS: f64 = 0.02;
const FITS: f64 = 2.5;
/// Beyond this misfit over a first cycle no better value of the fault is sought.
const HOPELESS: f64 = 4.0;
/// What is less likely makes no answer of its own.
const LEAST: f64 = 1e-7;

/// What one cell makes of the readings: its fit, and the most likely shift of its value's
/// logarithm.
fn judge(seen: &Seen, evidence: &Evidence<'_>, widths: Widths, span: f64) -> Option<(Fit, Widths)> {
    let rows = evidence.rows(seen, widths);
    let covariance = Factored::new(covariance(&rows, &evidence.own(seen)), rows.len())?;
    let off = evidence.off(&seen.reads);
    // Ohms and gains slip by factors, volts within what the supply has.
    let spans: Vec<f64> = evidence
        .readings
        .iter()
        .map(|r| match r.point.quantity {
            Quantity::Volts => span,
            Quantity::Ripple | Quantity::RippleRms => 20.0 * r.value.abs().max(0.1),
            Quantity::Ohms => 20.0 * r.value.abs().max(100.0),
            Quantity::Gain => 20.0 * r.value.abs().max(1.0),
        })
        .collect();
    let found = fit(&off, &covariance, &spans);
    let mut shifts = [0.0; 2];
    if widths[0] > 0.0 || widths[1] > 0.0 {
        let mut weighted = off.clone();
        if let Some(k) = found.slipped {
            weighted[k] = 0.0;
        }
        covariance.solve(&mut weighted);
        for ((shift, width), own) in shifts.iter_mut().zip(widths).zip([&seen.own, &seen.second]) {
            let deviation = width / 12f64.sqrt();
            let sum: f64 = own.iter().zip(&weighted).map(|(a, b)| a * b).sum();
            *shift = (deviation * deviation * sum).clamp(-0.5 * width, 0.5 * width);
        }
    }
    found.log_density.is_finite().then_some((found, shifts))
}

/// Judges hypotheses. `poll` is asked now and then whether to go on.
///
/// # Errors
/// What `poll` answers.
pub fn rank<E>(
    bench: &mut Bench,
    evidence: &Evidence<'_>,
    hypotheses: Vec<Hypothesis>,
    poll: &mut dyn FnMut(usize, usize) -> Result<(), E>,
) -> Result<Ranking, E> {
    let mut ranking = Ranking::default();
    let points = &evidence.points;
    ranking.span = span(bench);
    if let Some(seen) = bench.look(&[], points, None, true)
        && let Some((fit, _)) = judge(&seen, evidence, [0.0; 2], ranking.span)
    {
        ranking.sound.clone_from(&seen.reads);
        let log = fun::ln(SOUND) + fit.log_density;
        ranking.judged.push(Judged {
            log,
            ..judged(None, 0, None, fit, seen, [0.0; 2])
        });
    } else {
        let alone = |p| {
            bench
                .look(&[], std::slice::from_ref(p), None, true)
                .is_none()
        };
        ranking.unseen = points.iter().position(alone);
        return Ok(ranking);
    }
    ranking.weight = hypotheses.iter().map(|h| h.weight).sum();
    also(bench, evidence, ranking, hypotheses, poll)
}

/// Judges more hypotheses beside those that were.
///
/// # Errors
/// What `poll` answers.
pub fn also<E>(
    bench: &mut Bench,
    evidence: &Evidence<'_>,
    mut ranking: Ranking,
    hypotheses: Vec<Hypothesis>,
    poll: &mut dyn FnMut(usize, usize) -> Result<(), E>,
) -> Result<Ranking, E> {
    let first = ranking.hypotheses.len();
    let numbered: Vec<(usize, &Hypothesis)> = (first..).zip(&hypotheses).collect();
    let span = ranking.span;
    let answers = crew::each(bench, &numbered, poll, |bench, &(which, hypothesis)| {
        each_cell(bench, evidence, span, which, hypothesis)
    })?;
    for ((which, hypothesis), answer) in numbered.into_iter().zip(answers) {
        ranking.unsolved += answer.unsolved;
        ranking.unsolved_weight += hypothesis.weight * answer.unsolved_part;
        ranking.tried.extend(answer.tried);
        match answer.best {
            Some(best) => {
                let prior = fun::ln((1.0 - SOUND) * hypothesis.weight / ranking.weight);
                ranking.judged.push(Judged {
                    log: prior + log_sum(&answer.terms),
                    ..best
                });
            }
            None => ranking.silent.push(which),
        }
    }
    ranking.hypotheses.extend(hypotheses);
    ordered(&mut ranking);
    over_cycles(bench, evidence, &mut ranking, poll)?;
    let leading: Vec<usize> = (0..ranking.judged.len().min(REFINED)).collect();
    let better = crew::each(bench, &leading, poll, |bench, &k| {
        refined(bench, evidence, &ranking, &ranking.judged[k])
    })?;
    for (judged, better) in ranking.judged.iter_mut().zip(better) {
        if let Some((value, expected)) = better {
            (judged.value, judged.expected) = (Some(value), expected);
        }
    }
    together(&mut ranking, evidence);
    Ok(ranking)
}

/// What the readings say of one hypothesis.
#[derive(Debug, Default)]
struct Answer {
    /// Each of its values.
    tried: Vec<Tried>,
    /// The best of them; its weight is still to come.
    best: Option<Judged>,
    /// Logarithms of what they add up to.
    terms: Vec<f64>,
    /// Values without a solution, and their part of the hypothesis.
    unsolved: usize,
    unsolved_part: f64,
}

/// Judges every value of a hypothesis, each from the solution before.
fn each_cell(
    bench: &mut Bench,
    evidence: &Evidence<'_>,
    span: f64,
    which: usize,
    hypothesis: &Hypothesis,
) -> Answer {
    let mut answer = Answer::default();
    let mut most = f64::NEG_INFINITY;
    let mut last: Option<Seen> = None;
    for (cell, it) in hypothesis.cells.iter().enumerate() {
        let Some(mut seen) = bench.look(&it.changes, &evidence.points, last.as_ref(), true) else {
            answer.unsolved += 1;
            answer.unsolved_part += it.part;
            continue;
        };
        if it.real.is_some() {
            seen.blur_ripples(evidence.readings);
        }
        let judgement = judge(&seen, evidence, it.widths(), span);
        let log = judgement.as_ref().map_or(f64::NEG_INFINITY, |(fit, _)| {
            fun::ln(it.part) + fit.log_density
        });
        answer.tried.push(Tried {
            which,
            cell,
            reads: seen.reads.clone(),
            log,
        });
        let Some((fit, shifts)) = judgement else {
            answer.unsolved += 1;
            answer.unsolved_part += it.part;
            continue;
        };
        if answer.best.is_none() || log > most {
            let value = it.value.map(|v| v * fun::exp(shifts[0]));
            let mut found = judged(Some(which), cell, value, fit, seen.clone(), it.widths());
            for (own, shift) in [&seen.own, &seen.second].into_iter().zip(shifts) {
                let pairs = found.expected.iter_mut().zip(own);
                pairs.for_each(|(v, own)| *v += own * shift);
            }
            (most, answer.best) = (log, Some(found));
        }
        answer.terms.push(log);
        last = Some(seen);
    }
    answer
}

/// Solves a mains cycle with each fault that leads, and judges it by what that shows.
fn over_cycles<E>(
    bench: &mut Bench,
    evidence: &Evidence<'_>,
    ranking: &mut Ranking,
    poll: &mut dyn FnMut(usize, usize) -> Result<(), E>,
) -> Result<(), E> {
    if bench.supply.is_none() {
        return Ok(());
    }
    while ranking.cycles < CYCLES {
        let real = |j: &Judged| {
            let cell = j.which.map(|w| &ranking.hypotheses[w].cells[j.cell]);
            cell.and_then(|c| c.real.as_ref())
        };
        let leads = ranking.judged.iter().position(|j| {
            let has_cycle = j.which.is_some() && real(j).is_none_or(|r| !r.is_empty());
            let likely = j.probability > LEADS || real(j).is_some() && j.fit.misfit < FITS;
            has_cycle && !j.checked && likely
        });
        let Some(k) = leads else { break };
        poll(ranking.cycles, CYCLES)?;
        over_cycle(bench, evidence, ranking, k);
        ranking.judged[k].checked = true;
        ordered(ranking);
    }
    Ok(())
}

/// Judges a fault by a mains cycle, and again at the value that the first one leads to.
fn over_cycle(bench: &mut Bench, evidence: &Evidence<'_>, ranking: &mut Ranking, k: usize) {
    let judged = &ranking.judged[k];
    let Some(which) = judged.which else { return };
    let cell = &ranking.hypotheses[which].cells[judged.cell];
    let mut value = judged.value;
    let mut found = None;
    for _ in 0..4 {
        ranking.cycles += 1;
        let factor = match (value, cell.value) {
            (Some(value), Some(middle)) => value / middle,
            _ => 1.0,
        };
        let changes = Change::all_scaled(&cell.changes, factor);
        let real = cell.real.as_ref().unwrap_or(&cell.changes);
        let real = Change::all_scaled(real, factor);
        let seen = bench.look(&changes, &evidence.points, Some(&judged.seen), true);
        let seen = seen.and_then(|seen| {
            let guessed = cell.real.is_some() && cell.value.is_none();
            bench.over_cycle(&real, &evidence.points, &seen, guessed)
        });
        let Some((seen, swings)) = seen else {
            break;
        };
        let judge = |wider: f64| {
            let widths = judged.widths.map(|w| w * wider);
            judge(&seen, evidence, widths, ranking.span)
        };
        // Sought beyond the cell's ends.
        let (Some((fit, _)), Some((_, [shift, _]))) = (judge(1.0), judge(3.0)) else {
            break;
        };
        let pairs = seen.reads.iter().zip(&seen.own);
        let expected: Vec<f64> = pairs.map(|(v, own)| v + own * shift).collect();
        let reached = value.map(|v| v * fun::exp(shift));
        let misfit = fit.misfit;
        found = Some((fit, seen, expected, reached, swings));
        if cell.value.is_none() || shift.abs() < 0.05 || misfit > HOPELESS {
            break;
        }
        value = reached;
    }
    if let Some((fit, seen, expected, value, swings)) = found {
        let judged = &mut ranking.judged[k];
        judged.log += fit.log_density - judged.fit.log_density;
        (judged.fit, judged.seen, judged.expected, judged.value) = (fit, seen, expected, value);
        judged.swings = swings;
    }
}

/// The best value of a fault, sought from that of its best cell on, and what it reads, V; none where the
/// fault has no value, or hardly counts.
fn refined(
    bench: &mut Bench,
    evidence: &Evidence<'_>,
    ranking: &Ranking,
    judged: &Judged,
) -> Option<(f64, Vec<f64>)> {
    let cell = &ranking.hypotheses[judged.which?].cells[judged.cell];
    let (middle, mut value) = (cell.value?, judged.value?);
    if judged.checked || judged.widths[0] == 0.0 || judged.probability < LEAST_REFINED {
        return None;
    }
    let mut expected = judged.expected.clone();
    let mut last = judged.seen.clone();
    for _ in 0..2 {
        let factor = value / middle;
        let changes = Change::all_scaled(&cell.changes, factor);
        let Some(seen) = bench.look(&changes, &evidence.points, Some(&last), true) else {
            break;
        };
        let judgement = judge(&seen, evidence, judged.widths, ranking.span);
        let Some((_, [shift, _])) = judgement else {
            break;
        };
        // No further than into the next cell.
        let most = judged.widths[0];
        let shift = (fun::ln(factor) + shift).clamp(-most, most) - fun::ln(factor);
        value *= fun::exp(shift);
        let pairs = seen.reads.iter().zip(&seen.own);
        expected = pairs.map(|(v, own)| v + own * shift).collect();
        last = seen;
    }
    Some((value, expected))
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
    widths: Widths,
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
        widths,
        checked: false,
        swings: Vec::new(),
    }
}

/// Puts them in order.
fn ordered(ranking: &mut Ranking) {
    let logs: Vec<f64> = ranking.judged.iter().map(|j| j.log).collect();
    let whole = log_sum(&logs);
    for judged in &mut ranking.judged {
        judged.probability = fun::exp(judged.log - whole);
    }
    // Of equals the first in the netlist is named.
    ranking
        .judged
        .sort_by(|a, b| b.probability.total_cmp(&a.probability));
}

/// Puts together what reads the same.
fn together(ranking: &mut Ranking, evidence: &Evidence<'_>) {
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
        let rows = evidence.rows(&leader.seen, leader.widths);
        let own = evidence.own(&leader.seen);
        if let Some(near) = Factored::new(covariance(&rows, &own), rows.len()) {
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
