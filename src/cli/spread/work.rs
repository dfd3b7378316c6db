//! The runs: on all threads, taken in order, and what they come to.

use super::super::failure::Failure;
use super::super::{in_order, interrupt};
use super::asked::Asked;
use super::board::{Board, Row};
use super::rows::{KeptRows, Writer};
use crate::cli::outcome::Outcome;
use crate::report::progress::Progress;
use crate::tolerance::measure::{Around, Worker};
use crate::tolerance::sample::Sampler;
use crate::tolerance::shares::{Exact, Share, Straight};
use crate::tolerance::statistics::Summary;

/// What is known after the runs.
pub struct Tally {
    /// Rows that are done.
    pub runs: u64,
    /// For each column.
    pub summaries: Vec<Summary>,
    /// For each expectation of a sheet, how many amplifiers meet it.
    pub passed: Vec<u64>,
    /// How many meet all.
    pub passed_all: u64,
    /// How many do not stay at rest, of those measured here, and what the first of them does.
    pub unstable: (u64, Option<(u64, String)>),
    /// For each column, why an amplifier lacks it, and which was the first.
    pub why: Vec<Option<(u64, String)>>,
    straight: Straight,
}

impl Tally {
    /// Nothing yet.
    pub fn new(asked: &Asked<'_>, board: &Board) -> Self {
        let columns = board.columns.len();
        Tally {
            runs: 0,
            summaries: vec![Summary::default(); columns],
            passed: vec![0; board.nominal_passes.len()],
            passed_all: 0,
            unstable: (0, None),
            why: vec![None; columns],
            straight: Straight::new(&asked.plan.variables, asked.plan.shape, columns.min(MOST)),
        }
    }

    /// Takes a row in, with the independent numbers that made it.
    pub fn add(&mut self, run: u64, numbers: &[f64], row: &Row) {
        self.runs += 1;
        for (summary, value) in self.summaries.iter_mut().zip(&row.values) {
            summary.add(run, *value);
        }
        for (count, passes) in self.passed.iter_mut().zip(&row.passes) {
            *count += u64::from(*passes);
        }
        self.passed_all += u64::from(row.passes.iter().all(|p| *p));
        if let Some(what) = &row.unstable {
            self.unstable.0 += 1;
            self.unstable.1.get_or_insert((run, what.clone()));
        }
        if let Some((column, why)) = &row.why {
            self.why[*column].get_or_insert((run, why.clone()));
        }
        let values = &row.values[..row.values.len().min(MOST)];
        self.straight.add(numbers, values);
    }

    /// 3 if a figure exists in no amplifier.
    pub fn outcome(&self) -> Outcome {
        let none = |s: &Summary| s.count == 0 && s.missing > 0;
        if self.summaries.iter().any(none) {
            Outcome::NoSolution
        } else {
            Outcome::Done
        }
    }
}

/// Amplifiers of one job where each takes microseconds.
const BATCH: u64 = 64;
/// Columns whose shares are worked out: of curves and sounds the first ones.
const MOST: usize = 64;

/// Does the runs that are still to be done, and writes them.
///
/// # Errors
/// If the user breaks off, a kept row does not fit, or the table cannot be written.
pub fn all(
    asked: &Asked<'_>,
    board: &Board,
    kept: KeptRows,
    mut csv: Option<&mut Writer>,
    tally: &mut Tally,
) -> Result<(), Failure> {
    let variables = &asked.plan.variables;
    let stopped = || interrupt::check().is_err();
    let around = Around {
        sources: &asked.sources,
        clips: &asked.beside,
        stopped: &stopped,
    };
    let done = kept.feed(asked, board, |run, numbers, row| {
        tally.add(run, numbers, &row);
        csv.as_mut().map_or(Ok(()), |csv| csv.write(run, &row))
    })?;
    let first = asked.range.start + done;
    let progress = Progress::new(
        "spread",
        (asked.range.end - first).max(1) as f64,
        asked.quiet,
    );
    type Tool<'a> = (Worker<'a>, Sampler);
    let make = || (asked.plan.worker(around), asked.sampler(""));
    // Where an amplifier takes microseconds, many are one job.
    let size = if board.is_quick { BATCH } else { 1 };
    let runs = |job: u64| (first + job * size)..asked.range.end.min(first + (job + 1) * size);
    let work = |(worker, sampler): &mut Tool<'_>, job: u64| {
        let numbers: Vec<Vec<f64>> = runs(job)
            .map(|run| {
                let mut numbers = vec![0.0; variables.draws.len()];
                sampler.numbers(run, &mut numbers);
                numbers
            })
            .collect();
        let rows = worker.batch(&numbers).into_iter();
        let rows: Vec<Row> = rows.map(|found| board.row(asked, found)).collect();
        (numbers, rows)
    };
    let take = |job: u64, (numbers, rows): (Vec<Vec<f64>>, Vec<Row>)| -> Result<(), Failure> {
        for ((run, numbers), row) in runs(job).zip(&numbers).zip(&rows) {
            interrupt::check()?;
            if row.stopped {
                return Err(Failure::Interrupted);
            }
            tally.add(run, numbers, row);
            csv.as_mut().map_or(Ok(()), |csv| csv.write(run, row))?;
        }
        progress.counted((runs(job).end - first) as f64, "amplifiers");
        Ok(())
    };
    let jobs = (asked.range.end - first).div_ceil(size);
    in_order::run(0..jobs, asked.threads, make, work, take)?;
    csv.map_or(Ok(()), |csv| csv.flush())
}

/// How much each part has to do with each column.
pub enum Shares {
    /// From the runs: for each column the parts' shares, and what no line explains.
    Straight(Vec<(Vec<Share>, Share)>),
    /// From runs of their own: for each column the parts' first-order and total shares.
    Exact(Vec<Vec<(Share, Share)>>),
    /// Too few runs, or nothing varies.
    None,
}

/// Works the shares out.
///
/// # Errors
/// If the user breaks off.
pub fn shares(asked: &Asked<'_>, board: &Board, tally: &Tally) -> Result<Shares, Failure> {
    let variables = &asked.plan.variables;
    let (draws, parts) = (variables.draws.len(), variables.parts.len());
    if draws == 0 {
        return Ok(Shares::None);
    }
    let Some(rounds) = asked.shares else {
        let found = tally.straight.shares(&variables.part_of_draw, parts);
        return Ok(found.map_or(Shares::None, Shares::Straight));
    };
    let stopped = || interrupt::check().is_err();
    let around = Around {
        sources: &asked.sources,
        clips: &asked.beside,
        stopped: &stopped,
    };
    let columns = board.columns.len().min(MOST);
    let mut exact = Exact::new(parts, columns);
    let sets = Exact::new(parts, 0);
    let progress = Progress::new("shares", rounds as f64, asked.quiet);
    let make = || {
        let samplers = [asked.sampler(" (a)"), asked.sampler(" (b)")];
        (asked.plan.worker(around), samplers)
    };
    let work = |(worker, samplers): &mut (Worker<'_>, [Sampler; 2]), round: u64| {
        let [mut a, mut b] = [vec![0.0; draws], vec![0.0; draws]];
        samplers[0].numbers(round, &mut a);
        samplers[1].numbers(round, &mut b);
        let sets = sets.sets(&a, &b, &variables.part_of_draw);
        let mut rows: Vec<Row> = Vec::new();
        for set in &sets {
            rows.push(board.row(asked, worker.numbers(set)));
            if stopped() {
                break;
            }
        }
        rows
    };
    let take = |round: u64, rows: Vec<Row>| -> Result<(), Failure> {
        interrupt::check()?;
        let found: Vec<Vec<Option<f64>>> = rows
            .into_iter()
            .map(|r| r.values[..columns].to_vec())
            .collect();
        exact.add(&found);
        progress.at((round + 1) as f64);
        Ok(())
    };
    in_order::run(0..rounds, asked.threads, make, work, take)?;
    Ok(Shares::Exact(exact.shares()))
}
