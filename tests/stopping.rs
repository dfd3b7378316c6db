//! Every run ends within half a second of the first signal and of its `--limit seconds`,
//! whatever it is doing (found by attack: `vary` and `check` went on for minutes, and nothing
//! stopped a run that waited for a reader of its output).
#![cfg(unix)]
mod common;

use std::fs;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// What a run may take to end; the machine of the tests is busy.
const SOON: Duration = Duration::from_millis(if cfg!(debug_assertions) { 3000 } else { 1500 });

/// A ladder of valves that takes seconds for one operating point.
fn heavy(folder: &Path) {
    let mut text = String::from("Heavy\nVB b 0 250\nVIN n0 0 DC 0 AC 1 SIN(0 1 1k)\n");
    for k in 0..2500 {
        text += &format!(
            "RP{k} b p{k} {}k\nRK{k} k{k} 0 {}\nXV{k} p{k} n{k} k{k} 12AX7\nCC{k} p{k} n{} 22n\n\
             RG{k} n{} 0 1meg\n",
            90 + k % 20,
            1400 + k,
            k + 1,
            k + 1
        );
    }

    fs::write(folder.join("heavy.cir"), text).unwrap();
    fs::write(
        folder.join("heavy.sheet.toml"),
        "netlist = \"heavy.cir\"\n[[vary]]\nRP0 = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12]\n\
         [[expect]]\nfigure = \"v(p0)\"\nat-least = \"-1e9 V\"\norigin = \"none\"\n",
    )
    .unwrap();
}

fn start(folder: &Path, words: &str) -> Child {
    Command::new(env!("CARGO_BIN_EXE_gridleak"))
        .args(words.split_whitespace())
        .current_dir(folder)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

fn kill(child: &Child, signal: &str) {
    let id = child.id().to_string();
    let sent = Command::new("kill").args([signal, &id]).status().unwrap();
    assert!(sent.success());
}

/// How long a run goes on from now.
fn rest(child: &mut Child, words: &str) -> Duration {
    let begun = Instant::now();
    while child.try_wait().unwrap().is_none() {
        if begun.elapsed() > Duration::from_secs(20) {
            kill(child, "-KILL");
            panic!("{words} does not stop");
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    begun.elapsed()
}

#[test]
fn bug_long_work_ignored_the_first_signal() {
    let place = tempfile::tempdir().unwrap();
    heavy(place.path());
    let common = "heavy.cir --csv out.csv";
    let figures = "--figure v(p0) --figure v(p9)";
    let mut signals = ["-INT", "-TERM"].into_iter().cycle();
    let mut stopped = 0;
    for words in [
        format!("vary {common} --vary RP0=1,2,3,4,5,6,7,8,9,10,11,12 {figures}"),
        "check heavy.sheet.toml --csv out.csv".to_string(),
        format!("distortion {common} --probe v(p2) --level 1,2,3 --limit stores=100000"),
        format!("feedback {common} --element RK0 --values 1k,2k,3k,4k --probe v(p2)"),
        format!("bias {common} --seek v(p0)=100 --by RP0"),
        format!("scope {common} --stop 1 --step 10u --probe v(p2)"),
        format!("response {common} --probe v(p2) --points-per-decade 100000"),
    ] {
        let mut child = start(place.path(), &words);
        std::thread::sleep(Duration::from_millis(400));
        if let Some(status) = child.try_wait().unwrap() {
            // Too quick: nothing to stop.
            assert!(status.success(), "{words}: {status}");
            println!("{words}: ended by itself");
            let _ = fs::remove_file(place.path().join("out.csv"));
            continue;
        }
        stopped += 1;
        kill(&child, signals.next().unwrap());
        let took = rest(&mut child, &words);
        println!("{words}: {took:?}");
        assert!(took < SOON, "{words}: {took:?}");
        let output = child.wait_with_output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(matches!(output.status.code(), Some(130 | 143)), "{said}");
        assert!(
            said.ends_with("error: interrupted: no file was written\n"),
            "{said}"
        );
        let left: Vec<_> = fs::read_dir(place.path()).unwrap().collect();
        assert_eq!(left.len(), 2, "{words} left {left:?}");
    }
    assert!(stopped > 0, "all ended before the signal");
}

const QUICK: &str = "Quick\nV1 a 0 1\nR1 a b 1k\nR2 b 0 1k\n.end\n";

#[test]
fn bug_a_run_that_waited_for_a_reader_could_not_be_stopped() {
    let place = tempfile::tempdir().unwrap();
    fs::write(place.path().join("quick.cir"), QUICK).unwrap();
    let made = Command::new("mkfifo")
        .arg(place.path().join("pipe"))
        .status();
    assert!(made.unwrap().success());
    // More than a pipe holds, and nobody reads.
    let full = "scope quick.cir --stop 1 --step 10u --probe v(a) --probe v(b)";
    for (words, signal) in [
        ("bias quick.cir --csv pipe", Some("-INT")),
        ("bias quick.cir --json pipe", Some("-TERM")),
        ("bias quick.cir --csv pipe --limit seconds=1", None),
        (&*format!("{full} --csv -"), Some("-TERM")),
        (&*format!("{full} --csv - --limit seconds=1"), None),
        (
            &*format!("{full} --csv - --quiet --json out.json"),
            Some("-INT"),
        ),
    ] {
        let mut child = start(place.path(), words);
        let begun = Instant::now();
        std::thread::sleep(Duration::from_millis(600));
        match signal {
            Some(signal) => kill(&child, signal),
            None => std::thread::sleep(Duration::from_millis(400)),
        }
        let took = rest(&mut child, words);
        println!("{words}: {took:?} after {:?}", begun.elapsed());
        assert!(took < SOON, "{words}: {took:?}");
        let code = child.wait().unwrap().code();
        let expected = match signal {
            Some("-INT") => 130,
            Some(_) => 143,
            None => 2,
        };
        assert_eq!(code, Some(expected), "{words}");
        let left = fs::read_dir(place.path()).unwrap().count();
        assert_eq!(left, 2, "{words} left a file");
    }
}

#[test]
fn bug_a_stopped_run_left_a_file_that_needed_a_name() {
    // Where /proc is not there, files cannot be made without a name.
    let place = tempfile::tempdir().unwrap();
    fs::write(place.path().join("quick.cir"), QUICK).unwrap();
    let script = "mount -t tmpfs none /proc && exec \"$@\"";
    let tool = env!("CARGO_BIN_EXE_gridleak");
    for (last, signal) in [("seconds=1", None), ("seconds=60", Some("-TERM"))] {
        let words = "scope quick.cir --stop 1000 --step 1m --probe v(a) --csv out.csv --limit";
        let mut child = Command::new("unshare")
            .args(["-rm", "sh", "-c", script, "sh", tool])
            .args(words.split_whitespace())
            .args([last, "--limit", "figures=1e12"])
            .current_dir(place.path())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        std::thread::sleep(Duration::from_millis(500));
        if let (Some(signal), None) = (signal, child.try_wait().unwrap()) {
            kill(&child, signal);
        }
        let output = child.wait_with_output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        println!("{said}");
        if said.contains("unshare") || said.contains("mount") {
            println!("skipped: this system lets nobody mount");
            return;
        }
        let left: Vec<_> = fs::read_dir(place.path()).unwrap().collect();
        assert_eq!(left.len(), 1, "{left:?} {said}");
    }
}
