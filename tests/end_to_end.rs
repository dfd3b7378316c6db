//! Every knob of every shipped netlist from end to end, every part of its bias and supply over
//! decades, the loop of every amplifier in both phases. Each ends in time, and an independent
//! check shares its verdict: the powers of all parts add up to nothing, and what is called stable
//! or unstable is so in a run of `scope`'s solver.
//!
//! The test takes a share of them; GRIDLEAK_ALL=1 takes all, and the whole amplifiers with their
//! mains cycle, by the tool with its own audit:
//! `GRIDLEAK_ALL=1 cargo test --release --test end_to_end -- --nocapture`. GRIDLEAK_ALL=lapwing/amp
//! takes all of one netlist.
mod common;

use common::{Gridleak, stability};
use gridleak::analysis::{mains, operating_point};
use gridleak::circuit::Circuit;
use gridleak::system::probe::{Moment, Observable};
use gridleak::workbench::{Netlist, Workbench};
use std::time::{Duration, Instant};

/// All that can be solved by itself: the others are sections of these.
const NETLISTS: [&str; 13] = [
    "lapwing/clean_stage",
    "lapwing/overdrive_cascade",
    "lapwing/tone_stack",
    "lapwing/preamp",
    "lapwing/effects_loop",
    "lapwing/power_amp",
    "textbook/cathode_follower",
    "textbook/common_cathode",
    "textbook/diode_limiter",
    "textbook/long_tailed_pair",
    "textbook/rc_filter",
    "lapwing/supply",
    "lapwing/amp",
];

/// No single case takes longer.
const IN_TIME: Duration = Duration::from_secs(60);

/// Time of this thread's processor where the system tells it, so that other work does not count;
/// or else of the wall.
struct Clock(Instant, Option<u64>);

impl Clock {
    /// Nanoseconds on a processor so far.
    fn busy() -> Option<u64> {
        let text = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
        text.split_whitespace().next()?.parse().ok()
    }

    fn start() -> Clock {
        Clock(Instant::now(), Clock::busy())
    }

    fn took(&self) -> Duration {
        match (self.1, Clock::busy()) {
            (Some(from), Some(to)) => Duration::from_nanos(to - from),
            _ => self.0.elapsed(),
        }
    }
}

fn path(name: &str) -> String {
    format!("netlists/{name}.cir")
}

fn is_whole() -> bool {
    std::env::var_os("GRIDLEAK_ALL").is_some()
}

/// What came of the cases.
#[derive(Debug, Default)]
struct Counts {
    solved: usize,
    refused: usize,
    unsolved: usize,
    stable: usize,
    unstable: usize,
    wrong: Vec<String>,
}

fn names(circuit: &Circuit, kind: &str) -> Vec<String> {
    let own = circuit
        .elements
        .iter()
        .filter(|e| e.kind.is_some_and(|k| k.name == kind));
    own.map(|e| e.name.clone()).collect()
}

/// What can be set, and to what: knobs from end to end, switches both ways, parts over decades.
fn cases(circuit: &Circuit) -> Vec<(String, String)> {
    let mut cases = Vec::new();
    let positions: &[f64] = if is_whole() {
        &[0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0]
    } else {
        &[0.0, 10.0]
    };
    for name in names(circuit, "pot") {
        cases.extend(positions.iter().map(|p| (name.clone(), p.to_string())));
    }
    for name in names(circuit, "toggle") {
        cases.extend(["0", "1"].map(|p| (name.clone(), p.to_string())));
    }
    let factors: &[f64] = if is_whole() {
        &[1e-3, 1e-2, 0.1, 0.5, 2.0, 10.0, 100.0, 1e3]
    } else {
        &[0.1, 10.0]
    };
    for element in circuit.elements.iter().filter(|e| "RCL".contains(e.letter)) {
        let Some(value) = element.value else { continue };
        let values = factors.iter().map(|f| format!("{:e}", value * f));
        cases.extend(values.map(|v| (element.name.clone(), v)));
    }
    cases
}

/// At the operating point the powers of all parts add up to nothing (B. D. H. Tellegen, "A
/// general network theorem", Philips Research Reports 7, 1952).
fn powers_balance(circuit: &Circuit) -> Result<bool, String> {
    let (point, mut assembly) = match operating_point::dc(circuit) {
        Ok(found) => found,
        // What has no solution names the place.
        Err(no) if no.to_string().contains('`') => return Ok(false),
        Err(no) => return Err(no.to_string()),
    };
    let moment = Moment {
        time: None,
        x: &point.x,
        rates: None,
    };
    let powers: Vec<f64> = circuit
        .elements
        .iter()
        .map(|e| Observable::power(e).read(&mut assembly, moment))
        .collect();
    let (sum, all): (f64, f64) = (powers.iter().sum(), powers.iter().map(|p| p.abs()).sum());
    if sum.abs() > 1e-6 * all + 1e-9 {
        return Err(format!("powers of {all:e} W add up to {sum:e} W"));
    }
    Ok(true)
}

/// One case, in the process: what it comes to, or what is wrong.
fn judged(bench: &Workbench, follows: bool, counts: &mut Counts) -> Result<(), String> {
    let circuit = bench.circuit();
    if !powers_balance(circuit)? {
        counts.unsolved += 1;
        return Ok(());
    }
    counts.solved += 1;
    if follows {
        if stability::agrees(circuit)? {
            counts.unstable += 1
        } else {
            counts.stable += 1
        }
    }
    Ok(())
}

/// One case by the tool, with its audit: what is fed from the mains.
fn audited(name: &str, setting: &(String, String), counts: &mut Counts) -> Result<(), String> {
    let ran = Gridleak::command("bias")
        .arg(path(name))
        .option("--set", format!("{}={}", setting.0, setting.1))
        .option("--limit", "seconds=60")
        .run();
    let held = ran
        .audit
        .as_deref()
        .is_some_and(|a| !a.contains("not hold"));
    match ran.status {
        0 if held => counts.solved += 1,
        2 if !ran.stderr.contains("given up") => counts.refused += 1,
        3 if ran.stderr.contains("hint: ") => counts.unsolved += 1,
        status => return Err(format!("exit {status}: {} {:?}", ran.stderr, ran.audit)),
    }
    Ok(())
}

#[test]
fn every_knob_and_part_ends_in_time_with_a_verdict_that_others_share() {
    let mut counts = Counts::default();
    let mut k = 0;
    let asked = std::env::var_os("GRIDLEAK_ALL");
    for name in NETLISTS {
        if asked.as_ref().is_some_and(|one| one != "1" && one != name) {
            continue;
        }
        let base = Netlist::open(path(name)).unwrap_or_else(|e| panic!("{name}: {e}"));
        let bench = base.build().unwrap_or_else(|e| panic!("{name}: {e}"));
        let has_mains = mains::find(bench.circuit()).is_some();
        if has_mains && !is_whole() {
            continue;
        }
        // So small a signal that what it does is far below what grows.
        let quiet = Some(base.clone().with("VIN.ampl", "1u")).filter(|n| n.build().is_ok());
        for setting in cases(bench.circuit()) {
            k += 1;
            // A share of them, spread over all; following a run costs most.
            let follows = (is_whole() || k % 40 == 0) && quiet.is_some();
            if !is_whole() && name.starts_with("lapwing/p") && k % 3 != 0 {
                continue;
            }
            let begun = Clock::start();
            let outcome = if has_mains {
                audited(name, &setting, &mut counts)
            } else {
                let from = quiet.as_ref().filter(|_| follows).unwrap_or(&base);
                let one = from.clone().with(&setting.0, &setting.1).build();
                match one {
                    Ok(bench) => judged(&bench, follows, &mut counts),
                    Err(_) => {
                        counts.refused += 1;
                        Ok(())
                    }
                }
            };
            let took = begun.took();
            let case = format!("{name} {}={}", setting.0, setting.1);
            if let Err(why) = outcome {
                println!("{case}: {why}");
                counts.wrong.push(format!("{case}: {why}"));
            }
            if took > IN_TIME {
                println!("{case}: {} s", took.as_secs());
                counts.wrong.push(format!("{case}: {} s", took.as_secs()));
            }
        }
        println!("{name}: {k} cases so far, {} wrong", counts.wrong.len());
    }
    println!(
        "{} solved, {} without a solution, {} refused; followed: {} stable, {} unstable",
        counts.solved, counts.unsolved, counts.refused, counts.stable, counts.unstable
    );
    assert!(counts.wrong.is_empty(), "{}", counts.wrong.join("\n"));
    if asked.is_none_or(|one| one == "1") {
        assert!(counts.solved > 200 && counts.stable > 3);
    }
    assert!(
        counts.unsolved * 50 <= counts.solved,
        "{} unsolved",
        counts.unsolved
    );
}

/// The power amplifier with the ends of its primary exchanged, over its feedback resistor.
#[test]
fn the_loop_in_either_phase_is_judged_as_it_runs() {
    let text = std::fs::read_to_string(path("lapwing/power_amp")).expect("it is there");
    let is_primary = |l: &&str| l.starts_with("XOT ");
    let line = text
        .lines()
        .find(is_primary)
        .expect("the transformer's line");
    let words: Vec<&str> = line.split_whitespace().collect();
    let mut turned = words.clone();
    turned.swap(1, 3);
    let folder = tempfile::tempdir().expect("a folder");
    for part in std::fs::read_dir("netlists/lapwing").expect("it is there") {
        let part = part.expect("an entry").path();
        if part.extension().is_some_and(|e| e == "cir") {
            std::fs::copy(&part, folder.path().join(part.file_name().expect("a name")))
                .expect("copied");
        }
    }
    let wrong = folder.path().join("wrong.cir");
    std::fs::write(&wrong, text.replace(line, &turned.join(" "))).expect("written");
    let ohms: &[&str] = if is_whole() {
        &[
            "470", "1k", "2.2k", "4.7k", "10k", "22k", "47k", "100k", "470k", "4.7meg",
        ]
    } else {
        &["1k", "10k"]
    };
    let mut found = [0, 0];
    for file in [path("lapwing/power_amp"), wrong.display().to_string()] {
        for value in ohms {
            let netlist = Netlist::open(&file).expect("it is read");
            let netlist = netlist.with("RNFB", value).with("VIN.ampl", "1u");
            let bench = netlist.build().unwrap_or_else(|e| panic!("{e}"));
            let unstable = stability::agrees(bench.circuit());
            let unstable = unstable.unwrap_or_else(|why| panic!("{file} RNFB={value}: {why}"));
            found[usize::from(unstable)] += 1;
        }
    }
    println!("{} stable, {} unstable", found[0], found[1]);
    assert!(found[0] >= ohms.len() / 2 && found[1] >= 1, "{found:?}");
}
