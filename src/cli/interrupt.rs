//! Ctrl-C and its kin in long work: noted, and the work ends at its next block as at any other
//! failure. And the clock of `--limit seconds=N`.

use super::failure::Failure;
#[cfg(unix)]
use signal_hook::consts::{SIGHUP, SIGXCPU, SIGXFSZ};
use signal_hook::consts::{SIGINT, SIGTERM};
use signal_hook::{SigId, flag, low_level};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, Once};
use std::time::Duration;

/// The signal that came, 0 if none did.
static CAME: AtomicUsize = AtomicUsize::new(0);
/// Whether one came: the next one ends the process at once.
static AGAIN: AtomicBool = AtomicBool::new(false);
static WATCHING: Once = Once::new();
/// What ends the process at a second signal.
static AT_ONCE: Mutex<Vec<SigId>> = Mutex::new(Vec::new());
/// Held while files are put in place: whoever wants to end the process waits for that.
static COMMITTING: Mutex<()> = Mutex::new(());

/// A wish to end, a closed terminal, the processor time of `ulimit -t`.
#[cfg(unix)]
const WISHES: [i32; 4] = [SIGINT, SIGTERM, SIGHUP, SIGXCPU];
#[cfg(not(unix))]
const WISHES: [i32; 2] = [SIGINT, SIGTERM];

/// The signal of processor time that is used up.
#[cfg(unix)]
const OUT_OF_TIME: usize = SIGXCPU as usize;
#[cfg(not(unix))]
const OUT_OF_TIME: usize = usize::MAX;

/// Notes such signals from now on, in place of ending at once: to be called only before work
/// that asks [`check`] again and again. The second of them ends the process all the same.
pub fn watch() {
    WATCHING.call_once(|| {
        // Where no handler can be had, the signal ends the process as it always did.
        for signal in WISHES {
            if let Ok(id) = flag::register_conditional_shutdown(signal, 128 + signal, &AGAIN) {
                at_once().push(id);
            }
            let _ = flag::register_usize(signal, &CAME, signal as usize);
            let _ = flag::register(signal, &AGAIN);
        }
    });
}

fn at_once() -> std::sync::MutexGuard<'static, Vec<SigId>> {
    AT_ONCE.lock().expect("nothing fails while it is held")
}

/// Turns the signal that a file became larger than `ulimit -f` allows, which would end the
/// process, into a failure of that write.
pub fn spare_large_files() {
    #[cfg(unix)]
    {
        static SEEN: AtomicBool = AtomicBool::new(false);
        let _ = flag::register(SIGXFSZ, &SEEN);
    }
}

/// The failure that a signal amounts to, if one came.
pub fn check() -> Result<(), Failure> {
    match CAME.load(Ordering::Relaxed) {
        0 => Ok(()),
        OUT_OF_TIME => Err(Failure::OutOfTime),
        _ => Err(Failure::Interrupted),
    }
}

/// The number of the signal that came.
pub fn signal() -> u8 {
    match CAME.load(Ordering::Relaxed) {
        0 => SIGINT as u8,
        signal => signal as u8,
    }
}

/// Does what must not be broken off halfway, unless the wish to end came before.
pub fn whole(work: impl FnOnce() -> Result<(), Failure>) -> Result<(), Failure> {
    watch();
    for id in at_once().drain(..) {
        low_level::unregister(id);
    }
    let _committing = COMMITTING.lock().expect("nothing fails while it is held");
    check()?;
    work()
}

/// Ends the process when it has run so long; files that are being put in place are waited for.
///
/// # Errors
/// If no clock can be had.
pub fn limit(seconds: u64) -> Result<(), Failure> {
    let clock = std::thread::Builder::new().spawn(move || {
        std::thread::sleep(Duration::from_secs(seconds));
        let _committing = COMMITTING.lock();
        let failure = Failure::TooSlow { seconds };
        super::common::tell(&failure.message());
        std::process::exit(i32::from(failure.outcome().code()));
    });
    match clock {
        Ok(_) => Ok(()),
        Err(_) => Err(Failure::usage("no clock can be had for `--limit seconds`")
            .hint("the system allows no further thread; leave the option away")),
    }
}
