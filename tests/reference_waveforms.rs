//! Operating points and waveforms against hand-written equations solved by scipy.
//!
//! Each folder of `tests/references/` with a `netlist.cir` holds one circuit, what it
//! must give, and in `source.txt` where that comes from. They are written by
//! `scripts/reference_waveforms.py`, which shares no code with this project.
mod common;

use common::{Gridleak, Table, reference_folder, scope_like_reference, worst_difference};

/// Largest relative error of an operating point.
const BIAS_TOLERANCE: f64 = 1e-6;
/// Largest error of a waveform, as a part of its peak-to-peak.
const WAVEFORM_TOLERANCE: f64 = 1e-4;

macro_rules! references {
    ($($name:ident),* $(,)?) => {
        $(
            #[test]
            fn $name() {
                meets_reference(stringify!($name));
            }
        )*

        const NAMES: &[&str] = &[$(stringify!($name)),*];
    };
}

references![
    bipolar_active,
    bipolar_saturated,
    cathode_follower,
    grid_blocking,
    grid_recovery,
    half_wave_rectifier,
    jfet_stages,
    limiter_diodes_1v,
    limiter_diodes_5v,
    limiter_sinh_1v,
    limiter_sinh_4v5,
    limiter_sinh_5v,
    limiter_static,
    long_tailed_pair,
    mosfet_stages,
    pot_bridge,
    rc_let_go,
    rc_step,
    rlc_ring,
    transformer,
    triode_miller,
    triode_stage,
];

#[test]
fn every_reference_has_a_test() {
    let mut folders: Vec<String> = std::fs::read_dir(reference_folder("."))
        .expect("the folder of references")
        .map(|entry| entry.expect("a readable entry"))
        .filter(|entry| entry.path().join("netlist.cir").exists())
        // Those with a table of spreads are for `spread.rs`.
        .filter(|entry| !entry.path().join("spread.csv").exists())
        .map(|entry| entry.file_name().to_string_lossy().into_owned())
        .collect();
    folders.sort();
    assert_eq!(folders, NAMES);
}

fn meets_reference(name: &str) {
    let mut failures = Vec::new();
    let mut checked = 0;
    for compare in [compare_bias, compare_waveforms] {
        match compare(name) {
            Ok(results) => {
                checked += results.len();
                failures.extend(results.into_iter().filter_map(Result::err));
            }
            Err(why) => failures.push(why),
        }
    }
    assert!(failures.is_empty(), "{name}:\n{}", failures.join("\n"));
    assert!(checked > 0, "{name} has nothing to compare");
}

/// One result a row of operating_point.csv.
type Results = Vec<Result<(), String>>;

fn compare_bias(name: &str) -> Result<Results, String> {
    let folder = reference_folder(name);
    let expected = Table::read(&folder.join("operating_point.csv"))?;
    if expected.rows.is_empty() {
        return Ok(Vec::new());
    }
    let probes: Vec<&String> = expected.rows.iter().map(|row| &row[0]).collect();
    let found = Gridleak::command("bias")
        .path(&folder.join("netlist.cir"))
        .probes(&probes)
        .table()?;
    let mut results = Vec::new();
    for (row, value) in expected.rows.iter().zip(expected.column("value")?) {
        let (subject, unit) = (&row[0], &row[2]);
        let got = found.value(subject)?;
        // Below this a value is judged as an absolute one: 1 nV, 1 pA, 1 pW.
        let least = if unit == "V" { 1e-3 } else { 1e-6 };
        let error = (got - value).abs() / value.abs().max(least);
        println!("{name}: {subject} {got:.9e} {unit}, error {error:.1e}");
        results.push(verdict(error, BIAS_TOLERANCE, || {
            format!("{subject}: expected {value} {unit}, found {got}, error {error:.2e}")
        }));
    }
    Ok(results)
}

fn compare_waveforms(name: &str) -> Result<Results, String> {
    if !reference_folder(name).join("waveform.csv").exists() {
        return Ok(Vec::new());
    }
    let (found, expected) = scope_like_reference(name)?;
    if found.rows.len() != expected.rows.len() {
        let (f, e) = (found.rows.len(), expected.rows.len());
        return Err(format!("expected {e} rows, found {f}"));
    }
    let times = expected.column("time_s")?;
    let mut results = Vec::new();
    for header in &expected.header {
        let (error, row) = worst_difference(&found.column(header)?, &expected.column(header)?);
        let at = times[row];
        println!("{name}: {header} error {error:.1e} of peak-to-peak at {at:.4e} s");
        let is_time = header == "time_s";
        let tolerance = if is_time { 1e-9 } else { WAVEFORM_TOLERANCE };
        results.push(verdict(error, tolerance, || {
            format!("{header}: error {error:.2e} of peak-to-peak at {at:.6e} s")
        }));
    }
    Ok(results)
}

/// `Err` where the error is above the tolerance or no number.
fn verdict(error: f64, tolerance: f64, say: impl Fn() -> String) -> Result<(), String> {
    if error <= tolerance {
        Ok(())
    } else {
        Err(say())
    }
}
