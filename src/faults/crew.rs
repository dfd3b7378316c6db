//! Many looks at one circuit, on all processors.

use super::bench::Bench;
use crate::math::parallel;
use std::sync::Mutex;

/// Jobs between two questions whether to go on.
const BATCH: usize = 64;

/// Does every job on a bench like this one, as many at a time as there are processors; results in the
/// order of the jobs. A job leaves its bench as it was, so that none depends on another. `poll` is
/// asked now and then whether to go on.
///
/// # Errors
/// What `poll` answers.
pub(super) fn each<J: Sync, R: Send, E>(
    bench: &mut Bench,
    jobs: &[J],
    poll: &mut dyn FnMut(usize, usize) -> Result<(), E>,
    work: impl Fn(&mut Bench, &J) -> R + Sync,
) -> Result<Vec<R>, E> {
    let idle: Mutex<Vec<Bench>> = Mutex::new(Vec::new());
    let free = || idle.lock().expect("nothing fails while it is held");
    let mut results = Vec::with_capacity(jobs.len());
    for batch in jobs.chunks(BATCH) {
        poll(results.len(), jobs.len())?;
        let like: &Bench = bench;
        results.extend(parallel::map(batch, parallel::processors(), |job| {
            let known = free().pop();
            let mut own = known.unwrap_or_else(|| like.clone());
            let result = work(&mut own, job);
            free().push(own);
            result
        }));
    }
    let before = bench.solutions;
    let theirs = free();
    bench.solutions += theirs.iter().map(|b| b.solutions - before).sum::<usize>();
    Ok(results)
}
