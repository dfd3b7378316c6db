//! Circuits as equations written by hand, and the `diffsol` crate that integrates them:
//! for the tests and for `bench/transient.rs`.

use diffsol::{
    DenseMatrix, MatrixCommon, NalgebraLU, NalgebraMat, OdeBuilder, OdeSolverMethod,
    OdeSolverStopReason,
};
use std::f64::consts::TAU;

/// How accurate `diffsol` is asked to be.
#[derive(Debug, Clone, Copy)]
pub struct Tolerance {
    /// As a part of each state.
    pub relative: f64,
    /// In any case.
    pub absolute: f64,
}

/// A circuit as differential and algebraic equations, written by hand.
/// `mass` is 0 for an algebraic row; `rhs(x, t, out)` its residual or the derivative.
pub struct Problem {
    /// Of each row.
    pub mass: Vec<f64>,
    /// The right-hand side.
    pub rhs: fn(&[f64], f64, &mut [f64]),
    /// The state at t = 0.
    pub start: Vec<f64>,
    /// A probe ...
    pub probe: &'static str,
    /// ... and its value from the state.
    pub observe: fn(&[f64]) -> f64,
}

/// The observed quantity at `times`, the first of which is the start.
pub fn integrate(problem: &Problem, times: &[f64], tolerance: Tolerance) -> Vec<f64> {
    let rhs = problem.rhs;
    let size = problem.start.len();
    let mut built = OdeBuilder::<NalgebraMat<f64>>::new()
        .rtol(tolerance.relative)
        .atol(vec![tolerance.absolute; size])
        .h0(1e-15)
        .rhs_implicit(
            move |x, _p, t, y| rhs(x, t, y),
            move |x, _p, t, v, y| along(rhs, x, t, v, y),
        )
        .mass(|v, _p, _t, beta, y| {
            for ((y, v), m) in y.iter_mut().zip(v).zip(&problem.mass) {
                *y = m * v + beta * *y;
            }
        })
        .init(|_p, _t, y| y.copy_from_slice(&problem.start), size)
        .build()
        .expect("a well-formed problem");
    // diffsol takes an algebraic unknown's first slope as zero, and the first step has
    // to be short enough for that to pass (20 V of 1 kHz move at 126 kV/s).
    built.ode_options.min_timestep = 1e-18;
    // The count is over the whole run, where each passage into or out of grid current
    // may cost a few.
    built.ode_options.max_nonlinear_solver_failures = 10_000;
    let mut solver = built.bdf::<NalgebraLU<f64>>().expect("a consistent start");
    let (states, reason): (_, OdeSolverStopReason<f64>) =
        solver.solve_dense(&times[1..]).expect("diffsol integrates");
    assert!(matches!(reason, OdeSolverStopReason::TstopReached));
    let mut wave = vec![(problem.observe)(&problem.start)];
    for column in 0..states.ncols() {
        let state: Vec<f64> = (0..size).map(|row| states.get_index(row, column)).collect();
        wave.push((problem.observe)(&state));
    }
    wave
}

/// The Jacobian times `v` by a central difference: it steers Newton's iterations and
/// has no part in the answer.
fn along(rhs: fn(&[f64], f64, &mut [f64]), x: &[f64], t: f64, v: &[f64], y: &mut [f64]) {
    let longest = v.iter().fold(0.0_f64, |most, part| most.max(part.abs()));
    if longest == 0.0 {
        y.fill(0.0);
        return;
    }
    let nudge = 1e-5 / longest;
    let moved = |sign: f64| -> Vec<f64> {
        let at: Vec<f64> = x.iter().zip(v).map(|(x, v)| x + sign * nudge * v).collect();
        let mut out = vec![0.0; x.len()];
        rhs(&at, t, &mut out);
        out
    };
    let (up, down) = (moved(1.0), moved(-1.0));
    for (y, (up, down)) in y.iter_mut().zip(up.iter().zip(&down)) {
        *y = (up - down) / (2.0 * nudge);
    }
}

fn softplus(x: f64) -> f64 {
    if x > 40.0 { x } else { x.exp().ln_1p() }
}

/// 12AX7: mu 100, ex 1.4, kg1 1060, kp 600, kvb 300.
fn plate_current(vpk: f64, vgk: f64) -> f64 {
    let e1 = vpk / 600.0 * softplus(600.0 * (0.01 + vgk / (300.0 + vpk * vpk).sqrt()));
    if e1 > 0.0 {
        2.0 * e1.powf(1.4) / 1060.0
    } else {
        0.0
    }
}

/// gg 6.177e-4, cg 9.901, xi 1.314.
fn grid_current(vgk: f64) -> f64 {
    6.177e-4 * (softplus(9.901 * vgk) / 9.901).powf(1.314)
}

/// Plate and cathode with the grid at 0 V, by bisection: the valve's current falls
/// as its drop in the resistors rises.
fn at_rest() -> (f64, f64) {
    rest(0.0, 0.0)
}

/// Plate, cathode and grid with grid current; each round brings 6 digits more.
fn at_rest_with_grid() -> (f64, f64, f64) {
    let mut g = 0.0;
    for _ in 0..10 {
        let (_, k) = rest(g, grid_current(g - rest(g, 0.0).1));
        g = -1.068e6 * grid_current(g - k);
    }
    let (p, k) = rest(g, -g / 1.068e6);
    (p, k, g)
}

fn rest(g: f64, ig: f64) -> (f64, f64) {
    let at = |i: f64| (330.0 - 100e3 * i, 1.5e3 * (i + ig));
    let (mut low, mut high) = (0.0, 330.0 / 101.5e3);
    for _ in 0..200 {
        let i: f64 = 0.5 * (low + high);
        let (p, k) = at(i);
        if plate_current(p - k, g - k) > i {
            low = i;
        } else {
            high = i;
        }
    }
    at(low)
}

/// States: v across CIN, cathode, v across COUT; then, with no mass, the plate.
pub fn triode_stage() -> Problem {
    fn rhs(x: &[f64], t: f64, out: &mut [f64]) {
        let [uin, k, uout, p] = [x[0], x[1], x[2], x[3]];
        let g = 0.5 * (TAU * 1e3 * t).sin() - uin;
        let ip = plate_current(p - k, g - k);
        let load = (p - uout) / 1e6;
        out[0] = g / 1e6 / 22e-9;
        out[1] = (ip - k / 1.5e3) / 25e-6;
        out[2] = load / 22e-9;
        // Scaled to volts, so that Newton weighs it like the other rows.
        out[3] = 330.0 - p - 100e3 * (ip + load);
    }
    let (p, k) = at_rest();
    Problem {
        mass: vec![1.0, 1.0, 1.0, 0.0],
        rhs,
        start: vec![0.0, k, p, p],
        probe: "v(out)",
        observe: |x| x[3] - x[2],
    }
}

/// As `triode_stage` with 20 V, a 68 k stopper and grid current: the grid has no mass either.
pub fn grid_blocking() -> Problem {
    fn rhs(x: &[f64], t: f64, out: &mut [f64]) {
        let [uin, k, uout, p, g] = [x[0], x[1], x[2], x[3], x[4]];
        let a = 20.0 * (TAU * 1e3 * t).sin() - uin;
        let (ip, ig) = (plate_current(p - k, g - k), grid_current(g - k));
        let load = (p - uout) / 1e6;
        out[0] = (a / 1e6 + ig) / 22e-9;
        out[1] = (ip + ig - k / 1.5e3) / 25e-6;
        out[2] = load / 22e-9;
        out[3] = 330.0 - p - 100e3 * (ip + load);
        out[4] = a - g - 68e3 * ig;
    }
    // At rest the grid passes 1e-14 A, which puts some 10 nV on it through leak and
    // stopper; a start that ignores this is no solution, and diffsol stops there.
    let (p, k, g) = at_rest_with_grid();
    let a = g + 68e3 * grid_current(g - k);
    Problem {
        mass: vec![1.0, 1.0, 1.0, 0.0, 0.0],
        rhs,
        start: vec![-a, k, p, p, g],
        probe: "v(out)",
        observe: |x| x[3] - x[2],
    }
}

/// The diode limiter, driven as `rhs` says.
pub fn limiter(rhs: fn(&[f64], f64, &mut [f64])) -> Problem {
    Problem {
        mass: vec![1.0],
        rhs,
        start: vec![0.0],
        probe: "v(out)",
        observe: |x| x[0],
    }
}

/// Its slope with 1 V, 1 kHz in.
pub fn limiter_1v(x: &[f64], t: f64, out: &mut [f64]) {
    out[0] = limiter_slope(x[0], (TAU * 1e3 * t).sin());
}

/// Its slope with 5 V, 1 kHz in.
pub fn limiter_5v(x: &[f64], t: f64, out: &mut [f64]) {
    out[0] = limiter_slope(x[0], 5.0 * (TAU * 1e3 * t).sin());
}

/// dv/dt = (vin - v)/(R C) - (2 Is/C) sinh(v/Vt): R 2.2 k, C 10 nF, Is 2.52 nA, Vt 45.3 mV.
fn limiter_slope(v: f64, vin: f64) -> f64 {
    (vin - v) / (2.2e3 * 10e-9) - 2.0 * 2.52e-9 / 10e-9 * (v / 0.0453).sinh()
}
