//! The same stages integrated by the `diffsol` crate from hand-written equations.
//!
//! A second solver in another language stands against what `gridleak scope` computes, and against
//! the committed waveforms that scipy made, so that no reference rests on one program.
//! Equations: Koren, Glass Audio 1996 (triode; quoted in secondary sources); Dempwolf
//! and Zoelzer, DAFx-11 (grid current, from memory); Yeh, Abel and Smith, DAFx-07
//! (limiter, from memory). Netlists: `tests/references/<name>/netlist.cir`.
#[path = "../common/tables.rs"]
mod tables;

use gridleak::workbench::Netlist;
use gridleak_other_solvers::by_hand::{
    Problem, Tolerance, grid_blocking, integrate, limiter, limiter_1v, limiter_5v, triode_stage,
};
use tables::{Table, reference_folder, worst_difference};

const TIGHT: Tolerance = Tolerance {
    relative: 1e-9,
    absolute: 1e-10,
};
/// Largest difference from `gridleak scope`, as a part of peak-to-peak.
const SCOPE_TOLERANCE: f64 = 1e-4;
/// Largest difference from scipy's waveform, likewise: what two tight solvers keep.
const SCIPY_TOLERANCE: f64 = 1e-6;

#[test]
fn triode_stage_matches_scope() {
    matches_scope("triode_stage", &triode_stage());
}

#[test]
fn triode_stage_matches_scipy() {
    matches_scipy("triode_stage", &triode_stage());
}

#[test]
fn limiter_at_1_v_matches_scope() {
    matches_scope("limiter_sinh_1v", &limiter(limiter_1v));
}

#[test]
fn limiter_at_1_v_matches_scipy() {
    matches_scipy("limiter_sinh_1v", &limiter(limiter_1v));
}

#[test]
fn limiter_at_5_v_matches_scope() {
    matches_scope("limiter_sinh_5v", &limiter(limiter_5v));
}

#[test]
fn limiter_at_5_v_matches_scipy() {
    matches_scipy("limiter_sinh_5v", &limiter(limiter_5v));
}

#[test]
fn grid_blocking_matches_scope() {
    matches_scope("grid_blocking", &grid_blocking());
}

#[test]
fn grid_blocking_matches_scipy() {
    matches_scipy("grid_blocking", &grid_blocking());
}

fn matches_scope(name: &str, problem: &Problem) {
    let netlist = reference_folder(name).join("netlist.cir");
    let (times, _) = committed(name, problem);
    let last = times[times.len() - 1];
    let figure = format!(
        "waveform of {} with stop {last}, step {}",
        problem.probe, times[1]
    );
    let bench = Netlist::open(netlist).and_then(|n| n.build());
    let curve = bench.and_then(|bench| bench.curve(&figure));
    let curve = curve.unwrap_or_else(|why| panic!("{why}"));
    compare(name, problem, &curve.x, &curve.y, SCOPE_TOLERANCE);
}

fn matches_scipy(name: &str, problem: &Problem) {
    let (times, wave) = committed(name, problem);
    compare(name, problem, &times, &wave, SCIPY_TOLERANCE);
}

/// scipy's times and waveform.
fn committed(name: &str, problem: &Problem) -> (Vec<f64>, Vec<f64>) {
    let path = reference_folder(name).join("waveform.csv");
    let table = Table::read(&path).unwrap_or_else(|why| panic!("{why}"));
    let column = |name| table.column(name).unwrap_or_else(|why| panic!("{why}"));
    (column("time_s"), column(problem.probe))
}

fn compare(name: &str, problem: &Problem, times: &[f64], wave: &[f64], tolerance: f64) {
    let (error, row) = worst_difference(wave, &integrate(problem, times, TIGHT));
    println!(
        "{name}: {} differs by {error:.1e} at {:.4e} s",
        problem.probe, times[row]
    );
    assert!(
        error <= tolerance,
        "{name}: {} differs by {error:.2e} of peak-to-peak at {:.6e} s, allowed {tolerance:.0e}",
        problem.probe,
        times[row]
    );
}
