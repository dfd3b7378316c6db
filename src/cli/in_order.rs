//! Work spread over the processors whose results are taken in order while it goes on, with no more
//! of them waiting than a few for each thread.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::{Condvar, Mutex};

/// Jobs that may be done ahead of the one that is taken next, for each thread.
const AHEAD: u64 = 8;

struct State<R> {
    next: u64,
    taken: u64,
    done: BTreeMap<u64, R>,
    /// Nothing more is wanted.
    over: bool,
    /// Threads still at work.
    workers: usize,
}

/// Notes that a thread ends, in whatever way, or whoever waits for its work would wait for ever.
struct Leaving<'a, R>(&'a Mutex<State<R>>, &'a Condvar);

impl<R> Drop for Leaving<'_, R> {
    fn drop(&mut self) {
        if let Ok(mut now) = self.0.lock() {
            now.workers -= 1;
        }
        self.1.notify_one();
    }
}

/// Does the jobs of a range on N threads. Each thread makes itself what it works with;
/// `take` gets the results in the order of the jobs, on the calling thread.
///
/// # Errors
/// The first of `take`, after which no further job is begun.
pub fn run<W, R: Send, E>(
    jobs: Range<u64>,
    threads: usize,
    make: impl Fn() -> W + Sync,
    work: impl Fn(&mut W, u64) -> R + Sync,
    mut take: impl FnMut(u64, R) -> Result<(), E>,
) -> Result<(), E> {
    let count = jobs.end.saturating_sub(jobs.start);
    let threads = threads.min(usize::try_from(count).unwrap_or(usize::MAX));
    if threads <= 1 {
        let mut worker = make();
        for job in jobs {
            take(job, work(&mut worker, job))?;
        }
        return Ok(());
    }
    let state = Mutex::new(State {
        next: jobs.start,
        taken: jobs.start,
        done: BTreeMap::new(),
        over: false,
        workers: 0,
    });
    let (turned, ready) = (Condvar::new(), Condvar::new());
    let ahead = AHEAD * threads as u64;
    let lock = || state.lock().expect("nothing fails while it is held");
    let worker = || {
        let _leaving = Leaving(&state, &ready);
        let mut tool = make();
        loop {
            let job = {
                let mut now = lock();
                while !now.over && now.next < jobs.end && now.next >= now.taken + ahead {
                    now = turned.wait(now).expect("nothing fails while it is held");
                }
                if now.over || now.next >= jobs.end {
                    break;
                }
                now.next += 1;
                now.next - 1
            };
            let result = work(&mut tool, job);
            lock().done.insert(job, result);
            ready.notify_one();
        }
    };
    std::thread::scope(|scope| {
        let mut started = 0;
        for _ in 0..threads {
            lock().workers += 1;
            // Where there is no room for another thread, those there are do its work.
            match std::thread::Builder::new().spawn_scoped(scope, worker) {
                Ok(_) => started += 1,
                Err(_) => {
                    lock().workers -= 1;
                    break;
                }
            }
        }
        let mut alone = (started == 0).then(&make);
        for job in jobs.clone() {
            let result = match &mut alone {
                Some(tool) => work(tool, job),
                None => {
                    let mut now = lock();
                    loop {
                        if let Some(result) = now.done.remove(&job) {
                            now.taken = job + 1;
                            break result;
                        }
                        assert!(now.workers > 0, "a thread ended before its work");
                        now = ready.wait(now).expect("nothing fails while it is held");
                    }
                }
            };
            turned.notify_all();
            if let Err(e) = take(job, result) {
                lock().over = true;
                turned.notify_all();
                return Err(e);
            }
        }
        Ok(())
    })
}

#[cfg(test)]
mod tests {
    #[test]
    fn results_come_in_order_on_any_number_of_threads() {
        for threads in [1, 2, 5] {
            let mut seen = Vec::new();
            let take = |job, square| {
                seen.push((job, square));
                Ok::<(), ()>(())
            };
            super::run(3..400, threads, || (), |(), j| j * j, take).expect("no errors");
            assert!(seen.iter().zip(3..).all(|(s, j)| *s == (j, j * j)));
            assert_eq!(seen.len(), 397);
        }
    }

    #[test]
    fn an_error_ends_the_work() {
        let take = |job, ()| if job == 20 { Err(job) } else { Ok(()) };
        assert_eq!(
            super::run(0..1_000_000, 3, || (), |(), _| (), take),
            Err(20)
        );
    }
}
