//! The corner search of every figure, both ways.

use super::super::failure::Failure;
use super::super::{in_order, interrupt};
use super::asked::Asked;
use super::board::Board;
use crate::report::progress::Progress;
use crate::tolerance::corners::{self, Extreme};
use crate::tolerance::measure::{Around, Worker};

/// For each column the least and the greatest, if they could be had.
pub type Corners = Vec<[Option<Extreme>; 2]>;

/// Seeks the corners, if they were asked for.
///
/// # Errors
/// If the user breaks off.
pub fn corners(asked: &Asked<'_>, board: &Board) -> Result<Option<Corners>, Failure> {
    if !asked.corners {
        return Ok(None);
    }
    let variables = &asked.plan.variables.all;
    let stopped = || interrupt::check().is_err();
    let around = Around {
        sources: &asked.sources,
        clips: &asked.beside,
        stopped: &stopped,
    };
    let columns = board.columns.len();
    let value = |worker: &mut Worker<'_>, values: &[f64]| -> Result<Vec<Option<f64>>, Failure> {
        let row = board.row(asked, worker.values(values));
        interrupt::check()?;
        Ok(row.values)
    };
    // What each value does by itself, for all figures at once.
    let nominal = asked.plan.variables.nominal();
    let progress = Progress::new(
        "corners",
        (variables.len() + 2 * columns) as f64,
        asked.quiet,
    );
    let mut rises: Vec<Vec<f64>> = vec![vec![0.0; variables.len()]; columns];
    in_order::run(
        0..variables.len() as u64,
        asked.threads,
        || asked.plan.worker(around),
        |worker, k| {
            let k = k as usize;
            let ends = variables[k].ends();
            let mut at = |end: f64| {
                let mut values = nominal.clone();
                values[k] = end;
                value(worker, &values)
            };
            Ok::<_, Failure>([at(ends.0)?, at(ends.1)?])
        },
        |k, found| {
            let [low, high] = found?;
            for (column, rises) in rises.iter_mut().enumerate() {
                let rise = high[column].zip(low[column]).map_or(0.0, |(h, l)| h - l);
                rises[k as usize] = rise;
            }
            progress.at((k + 1) as f64);
            Ok::<_, Failure>(())
        },
    )?;
    let mut all: Corners = vec![[None, None]; columns];
    in_order::run(
        0..2 * columns as u64,
        asked.threads,
        || asked.plan.worker(around),
        |worker, job| {
            let (column, sign) = (job as usize / 2, if job % 2 == 0 { -1.0 } else { 1.0 });
            corners::search(&rises[column], sign, |corner| {
                let ends = variables.iter().zip(corner);
                let values: Vec<f64> = ends
                    .map(|(v, &up)| if up { v.ends().1 } else { v.ends().0 })
                    .collect();
                Ok::<_, Failure>(value(worker, &values)?[column])
            })
        },
        |job, found| {
            all[job as usize / 2][job as usize % 2] = found?;
            progress.at((variables.len() as u64 + job + 1) as f64);
            Ok::<_, Failure>(())
        },
    )?;
    Ok(Some(all))
}
