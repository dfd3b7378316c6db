//! Work spread over the processors, results in the order of the work.

use std::num::NonZero;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// As many threads as there are processors.
pub fn processors() -> usize {
    std::thread::available_parallelism().map_or(1, NonZero::get)
}

/// Does every job, on at most N threads; the results stand in the order of the jobs
/// whatever thread was first.
pub fn map<J: Sync, R: Send>(jobs: &[J], threads: usize, work: impl Fn(&J) -> R + Sync) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let results: Vec<Mutex<Option<R>>> = jobs.iter().map(|_| Mutex::new(None)).collect();
    let worker = || {
        while let Some(k) = Some(next.fetch_add(1, Ordering::Relaxed)).filter(|&k| k < jobs.len()) {
            let result = work(&jobs[k]);
            *results[k].lock().expect("written once") = Some(result);
        }
    };
    std::thread::scope(|scope| {
        for _ in 1..threads.min(jobs.len()) {
            // If the system gives no further thread, those running do its work.
            let another = std::thread::Builder::new().spawn_scoped(scope, worker);
            if another.is_err() {
                break;
            }
        }
        worker();
    });
    let done = |cell: Mutex<Option<R>>| {
        let inner = cell.into_inner().expect("all threads ended well");
        inner.expect("every job was taken")
    };
    results.into_iter().map(done).collect()
}

#[cfg(test)]
mod tests {
    #[test]
    fn results_stand_in_the_order_of_the_jobs() {
        let jobs: Vec<u64> = (0..100).collect();
        for threads in [1, 2, 7, 200] {
            let squares = super::map(&jobs, threads, |j| j * j);
            assert!(
                squares
                    .iter()
                    .enumerate()
                    .all(|(k, &s)| s == (k * k) as u64)
            );
        }
    }
}
