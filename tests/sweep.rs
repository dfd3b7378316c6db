//! Every knob and switch of every shipped netlist end to end, and the bias and supply parts over
//! decades: each run ends in time with a solution whose currents and powers add up by the audit,
//! which shares no code with the solver, and what a builder would expect to move moves his way.
//! (The phase of loops, right and wrong, is in oscillation.rs, its verdicts shared by `scope`.)
mod common;

use common::Gridleak;
use std::path::PathBuf;

/// Seconds that a run may take, on a machine with other work.
const IN_TIME: &str = "seconds=60";

fn netlists() -> Vec<PathBuf> {
    let mut found = Vec::new();
    for folder in ["lapwing", "textbook"] {
        let folder = format!("{}/netlists/{folder}", env!("CARGO_MANIFEST_DIR"));
        let files = std::fs::read_dir(folder).expect("shipped");
        let files = files.map(|f| f.expect("readable").path());
        found.extend(files.filter(|f| {
            let name = f
                .file_name()
                .unwrap_or_default()
                .to_string_lossy()
                .into_owned();
            // Parts are no circuit; the whole amplifier has a test of its own.
            name.ends_with(".cir") && !name.contains("parts") && name != "amp.cir"
        }));
    }
    found.sort();
    found
}

/// Names of the elements whose line holds `key=`, from the text alone.
fn controls(text: &str, key: &str) -> Vec<String> {
    let lines = text.lines().filter(|l| l.starts_with(['X', 'x']));
    let holds = |l: &&str| {
        let line = l.split(';').next().unwrap_or("");
        line.split_whitespace()
            .any(|w| w.to_lowercase().starts_with(key))
    };
    let name = |l: &str| l.split_whitespace().next().unwrap_or("").to_string();
    lines.filter(holds).map(name).collect()
}

fn solved(path: &str, options: &[(&str, &str)]) -> common::Table {
    let run = Gridleak::command("bias")
        .arg(path)
        .option("--limit", IN_TIME);
    let run = options.iter().fold(run, |run, (o, v)| run.option(o, *v));
    run.table()
        .unwrap_or_else(|why| panic!("{options:?}: {why}"))
}

#[test]
fn every_knob_and_switch_goes_end_to_end() {
    let (mut knobs, mut switches) = (0, 0);
    for path in netlists() {
        let text = std::fs::read_to_string(&path).expect("shipped");
        let path = path.to_str().expect("UTF-8");
        for name in controls(&text, "knob=") {
            for place in ["0", "0.1", "9.9", "10"] {
                solved(path, &[("--knob", &format!("{name}={place}"))]);
                knobs += 1;
            }
        }
        for name in controls(&text, "at=") {
            for place in ["0", "1"] {
                solved(path, &[("--switch", &format!("{name}={place}"))]);
                switches += 1;
            }
        }
    }
    assert!(knobs >= 40 && switches >= 20, "{knobs} {switches}");
}

/// Bias and supply parts a decade and more either way; what is watched rises or falls all the way.
#[test]
fn bias_and_supply_parts_walk_over_decades() {
    // Netlist, part, values, what is watched, its quantity, whether it rises.
    type Case = (
        &'static str,
        &'static str,
        &'static [f64],
        &'static str,
        &'static str,
        bool,
    );
    let cases: [Case; 5] = [
        // More resistance, colder pair: less current.
        (
            "power_amp.cir",
            "RBIAS",
            &[2.4e3, 7.5e3, 24e3, 75e3, 240e3, 2.4e6],
            "XV4",
            "plate current",
            false,
        ),
        (
            "power_amp.cir",
            "RB1",
            &[5.6e3, 18e3, 56e3, 180e3],
            "XV4",
            "plate current",
            true,
        ),
        // A dried-out reservoir gives less voltage.
        (
            "supply.cir",
            "XHT.CR",
            &[0.47e-6, 1e-6, 4.7e-6, 47e-6, 470e-6],
            "v(reservoir)",
            "voltage",
            true,
        ),
        (
            "supply.cir",
            "XHT.RBLEED",
            &[100.0, 1e3, 10e3, 220e3, 2.2e6],
            "v(reservoir)",
            "voltage",
            true,
        ),
        (
            "supply.cir",
            "RPLATES",
            &[840.0, 2.7e3, 8.4e3, 84e3, 1e6],
            "v(plates)",
            "voltage",
            true,
        ),
    ];
    for (file, element, values, subject, quantity, rises) in cases {
        let path = format!("{}/netlists/lapwing/{file}", env!("CARGO_MANIFEST_DIR"));
        let mut last: Option<f64> = None;
        for value in values {
            let table = solved(&path, &[("--set", &format!("{element}={value}"))]);
            let now = table
                .quantity(subject, quantity)
                .unwrap_or_else(|why| panic!("{why}"));
            if let Some(last) = last {
                let moved = if rises { now - last } else { last - now };
                assert!(
                    moved > -1e-6 * last.abs() - 1e-9,
                    "{file} {element}={value}: {subject} {quantity} {now}, before {last}"
                );
            }
            last = Some(now);
        }
    }
}

/// The ends of the knobs of the whole amplifier, on its mains, two at a time.
#[test]
fn the_whole_amplifier_is_solved_at_the_ends_of_its_knobs() {
    let path = format!("{}/netlists/lapwing/amp.cir", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).expect("shipped");
    let knobs = controls(&text, "knob=");
    assert!(knobs.len() >= 6, "{knobs:?}");
    for (k, pair) in knobs.chunks(3).enumerate() {
        let place = if k % 2 == 0 { 0 } else { 10 };
        let settings: Vec<String> = pair.iter().map(|n| format!("{n}={place}")).collect();
        let options: Vec<(&str, &str)> = settings.iter().map(|s| ("--knob", s.as_str())).collect();
        solved(&path, &options);
    }
}
