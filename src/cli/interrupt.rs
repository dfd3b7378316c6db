//! What ends a run early: Ctrl-C and its kin, and the clock of `--limit seconds=N`.
//!
//! A command need do nothing for it. [`watch`], called once for every run, starts a thread that
//! waits for the first such signal and ends the process then and there, whatever the others are
//! doing: solving, or waiting for a pipe that nobody reads or a fifo that nobody opened. The
//! clock ends it in the same way. That is safe at any moment because outputs have no names until
//! all are complete (`report::file`): the only thing waited for is that files which are being
//! put in place all are, and the only thing to clear away are names of files that need one while
//! they are made. Polling inside the work is not needed, and would not reach a blocked write.
//!
//! Where no such thread can be had the first signal is noted, and long work that asks [`check`]
//! ends at its next block; the second ends the process.

use super::failure::Failure;
use super::signals::CAME;
use crate::report::file;
#[cfg(unix)]
use signal_hook::consts::{SIGHUP, SIGXCPU, SIGXFSZ};
use signal_hook::consts::{SIGINT, SIGTERM};
use signal_hook::{flag, low_level};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Once, mpsc};
use std::thread::Builder;
use std::time::{Duration, Instant};

static WATCHING: Once = Once::new();
/// Whether a thread waits for signals.
static IS_WAITED_FOR: AtomicBool = AtomicBool::new(false);
/// Without it: whether a signal came that the next one ends the process after.
static AGAIN: AtomicBool = AtomicBool::new(false);

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

/// Whether the work puts a part of its results in place when it is broken off.
static KEEPS: AtomicBool = AtomicBool::new(false);

/// Whether it has put them there.
static HAS_KEPT: AtomicBool = AtomicBool::new(false);

/// The seconds that were allowed and are used up, for work that has something to keep; 0 before.
static LATE: AtomicU64 = AtomicU64::new(0);

/// How long it may take for that.
const KEEPING: Duration = Duration::from_millis(250);

/// How long the last message may take: nobody may be reading it.
const LAST_WORDS: Duration = Duration::from_millis(350);

/// Ends the process at such a signal from now on. May be called again.
pub fn watch() {
    WATCHING.call_once(|| {
        let wishes = WISHES.into_iter().filter(|&signal| !is_ignored(signal));
        let wishes: Vec<i32> = wishes.collect();
        for &signal in &wishes {
            let _ = flag::register_usize(signal, &CAME, signal as usize);
        }
        #[cfg(unix)]
        if wait_for(&wishes).is_ok() {
            IS_WAITED_FOR.store(true, Ordering::Relaxed);
            return;
        }
        for signal in wishes {
            let again = &AGAIN;
            let _ = flag::register_conditional_shutdown(signal, 128 + signal, again);
            let _ = flag::register(signal, again);
        }
    });
}

/// Stack of the threads that wait: they do nothing but write one message.
const STACK: usize = 256 << 10;

/// What the work itself needs at least once the thread has its stack: where the address space is
/// limited (`ulimit -v`) that stack could take the last of it, and the next small allocation,
/// which nothing can ask for beforehand, would abort the process.
const ROOM: usize = 2 << 20;

/// Looks whether there is room for a thread and for the work beside it.
fn room_for_a_thread() -> std::io::Result<()> {
    let mut room: Vec<u8> = Vec::new();
    Ok(room.try_reserve_exact(STACK + ROOM)?)
}

/// Starts the thread that waits for one of these signals.
#[cfg(unix)]
fn wait_for(signals: &[i32]) -> std::io::Result<()> {
    use std::io::Read;
    let (mut receiver, sender) = std::os::unix::net::UnixStream::pair()?;
    for &signal in signals {
        low_level::pipe::register(signal, sender.try_clone()?)?;
    }
    room_for_a_thread()?;
    Builder::new().stack_size(STACK).spawn(move || {
        while receiver.read_exact(&mut [0]).is_ok() {
            if let Err(failure) = check() {
                wait_for_what_is_kept();
                end(&failure);
            }
        }
    })?;
    Ok(())
}

/// Says that the work asks [`check`] often and puts what it has in place when it fails, or that
/// it has done so: until then the end waits for it, a moment long.
pub fn keeps(kept: bool) {
    KEEPS.store(kept, Ordering::Release);
}

/// Says that a part of the results is in place, whatever the message of the end would say.
pub fn have_kept() {
    HAS_KEPT.store(true, Ordering::Release);
}

fn wait_for_what_is_kept() {
    let begun = Instant::now();
    while KEEPS.load(Ordering::Acquire) && begun.elapsed() < KEEPING {
        std::thread::sleep(Duration::from_millis(2));
    }
}

/// Leaves it to the thread that ends the process to say why, if there is one.
pub fn leave() {
    let is_ended = || {
        let by_signal = CAME.load(Ordering::Relaxed) != 0 && IS_WAITED_FOR.load(Ordering::Relaxed);
        by_signal || LATE.load(Ordering::Relaxed) != 0
    };
    while is_ended() {
        std::thread::park();
    }
}

/// Whether who started the tool has it ignore a closed terminal, as `nohup` does.
#[cfg(target_os = "linux")]
fn is_ignored(signal: i32) -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|l| l.strip_prefix("SigIgn:"));
    let mask = mask.and_then(|m| u64::from_str_radix(m.trim(), 16).ok());
    // A shell's background jobs ignore SIGINT without anybody having asked for that.
    signal == SIGHUP && mask.is_some_and(|mask| mask >> (signal - 1) & 1 == 1)
}

#[cfg(not(target_os = "linux"))]
fn is_ignored(_: i32) -> bool {
    false
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
    match LATE.load(Ordering::Relaxed) {
        0 => {}
        seconds => return Err(Failure::TooSlow { seconds }),
    }
    match CAME.load(Ordering::Relaxed) {
        0 => Ok(()),
        OUT_OF_TIME => Err(Failure::OutOfTime),
        _ => Err(Failure::Interrupted),
    }
}

/// Ends the process when it has run for N seconds.
///
/// # Errors
/// If no clock can be had.
pub fn limit(seconds: u64) -> Result<(), Failure> {
    let clock = room_for_a_thread().and_then(|()| {
        Builder::new().stack_size(STACK).spawn(move || {
            std::thread::sleep(Duration::from_secs(seconds));
            if KEEPS.load(Ordering::Acquire) {
                LATE.store(seconds, Ordering::Relaxed);
                wait_for_what_is_kept();
            }
            end(&Failure::TooSlow { seconds });
        })
    });
    match clock {
        Ok(_) => Ok(()),
        Err(_) => Err(Failure::usage("no clock can be had for `--limit seconds`")
            .hint("the system allows no further thread; leave the option away")),
    }
}

/// Ends the process, from whatever thread, without a file left that is not complete.
fn end(failure: &Failure) -> ! {
    // From here on nothing is put in place any more: the lock is never given back.
    let publishing = file::publishing();
    file::forget_names();
    let mut message = failure.message();
    if HAS_KEPT.load(Ordering::Acquire) {
        message = message.replace("no file was written", "the rows that were done are kept");
    } else if *publishing {
        message = message.replace("no file was written", "the files had been written");
    }
    let (say, said) = mpsc::channel();
    // Standard error may be a full pipe, or locked by a thread that waits for one.
    let speaker = Builder::new().spawn(move || {
        super::tell::tell(&message);
        let _ = say.send(());
    });
    if speaker.is_ok() {
        let _ = said.recv_timeout(LAST_WORDS);
    }
    // At once: an ordinary exit would try to empty the buffer of standard output first.
    low_level::exit(i32::from(failure.outcome().code()))
}
