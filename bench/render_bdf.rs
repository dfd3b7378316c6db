//! A render beside the `diffsol` crate (BDF of variable order) on the very same equations: C and
//! f of the overdrive cascade, nothing left out, no law written twice. diffsol is asked for
//! the tolerance that gives an error of -90 dB at the clip's rate; the render is 48 kHz times 8.

#[path = "../tests/common/fidelity.rs"]
mod fidelity;
mod side_by_side;

use diffsol::{NalgebraLU, NalgebraMat, OdeBuilder, OdeSolverMethod, OdeSolverStopReason, Vector};
use fidelity::{Burst, RATE_HZ, circuit, down, driven, error_db, render};
use gridleak::analysis::operating_point;
use gridleak::audio::clip::Clip;
use gridleak::audio::phrase::phrase;
use gridleak::circuit::Circuit;
use gridleak::math::resample::Interpolator;
use gridleak::system::assemble::SourceState;
use side_by_side::{compare, quick};
use std::cell::RefCell;
use std::f64::consts::PI;
use std::hint::black_box;

const CASCADE: &str = "netlists/lapwing/overdrive_cascade.cir";
/// Peak volts of a clip at digital full scale.
const VOLTS: f64 = 0.3;
/// The fine rate that the wave is taken at before it is brought down to the clip's.
const FINE: usize = 16;
/// The error that counts as the same, dB.
const GOAL_DB: f64 = -90.0;

fn main() {
    let seconds = if quick() { 0.002 } else { 0.03 };
    let burst = Burst {
        volts: VOLTS,
        freq_hz: 1e3,
        seconds,
    };
    let whole = phrase(RATE_HZ);
    let length = (seconds * f64::from(RATE_HZ)) as usize;
    // Where the strings are ringing, faded in and out like the burst.
    let faded = |k: usize| (PI * k as f64 / length as f64).sin().powi(2);
    let plucked = Clip {
        samples: (0..length)
            .map(|k| whole.samples[48_000 + k] * faded(k))
            .collect(),
        ..whole
    };
    println!("the overdrive cascade at {} V, {seconds} s", burst.volts);
    row("1 kHz, faded in and out", &burst.clip());
    row("the phrase, faded in and out", &plucked);
}

/// Both ways on a clip, against diffsol asked for much more.
fn row(name: &str, clip: &Clip) {
    let circuit = circuit(CASCADE, None);
    let expected = bdf(&circuit, clip, 1e-7);
    let ours = |oversample| render(&circuit, clip, VOLTS, oversample).0;
    println!("{name}");
    for oversample in [4, 8] {
        let error = error_db(&ours(oversample), &expected);
        println!("  render x {oversample}                {error:8.1} dB");
    }
    let mut relative = 1e-5;
    loop {
        let error = error_db(&bdf(&circuit, clip, relative), &expected);
        println!("  diffsol, asked {relative:.0e}    {error:8.1} dB");
        if error <= GOAL_DB || relative < 1e-6 || quick() {
            break;
        }
        relative *= 0.1f64.sqrt();
    }
    let (_, ratios) = compare(
        if quick() { 1 } else { 5 },
        &mut [
            &mut || {
                black_box(ours(8));
            },
            &mut || {
                black_box(ours(4));
            },
            &mut || {
                black_box(bdf(&circuit, clip, relative));
            },
        ],
    );
    println!("  time over the render x 8: render x 4 {}", ratios[1]);
    println!("                            diffsol {}", ratios[2]);
}

/// The clip between its samples: brought to 16 times its rate by the filter that renders
/// use, and a cubic through the four samples around.
fn between(clip: &Clip) -> impl Fn(f64) -> f64 {
    let mut up = Interpolator::new(FINE);
    let mut fine = vec![0.0; 2];
    up.push(&clip.samples, &mut fine);
    up.finish(&mut fine);
    fine.extend([0.0; 4]);
    let step_s = 1.0 / (f64::from(RATE_HZ) * FINE as f64);
    move |t| {
        let place = (t / step_s).max(0.0);
        let k = (place.floor() as usize).min(fine.len() - 5);
        let s = place - k as f64;
        let p = &fine[k + 1..k + 5];
        let w = [
            -s * (s - 1.0) * (s - 2.0) / 6.0,
            (s + 1.0) * (s - 1.0) * (s - 2.0) / 2.0,
            -(s + 1.0) * s * (s - 2.0) / 2.0,
            (s + 1.0) * s * (s - 1.0) / 6.0,
        ];
        w.iter().zip(p).map(|(w, p)| w * p).sum()
    }
}

/// v(out) at the clip's rate by diffsol. It wants a diagonal mass matrix, so the independent
/// charges come first among the states, each over a capacitance and so in volts; the
/// circuit's unknowns follow, with what they make of the charges and the rows without charge as
/// algebraic equations.
fn bdf(circuit: &Circuit, clip: &Clip, relative: f64) -> Vec<f64> {
    let clip_at = between(clip);
    let driven = driven(circuit);
    let (point, assembly) = operating_point::dc(circuit).unwrap_or_else(|none| panic!("{none}"));
    let n = point.x.len();
    let (indptr, indices) = assembly.pattern();
    let (indptr, indices) = (indptr.to_vec(), indices.to_vec());
    let c = assembly.linear_values().1.to_vec();
    let out = assembly
        .unknowns
        .node(circuit.node("out").expect("a node"))
        .expect("not ground");
    let row = |values: &[f64], row: usize, v: &[f64]| -> f64 {
        let range = indptr[row]..indptr[row + 1];
        let places = indices[range.clone()].iter().zip(&values[range]);
        places.map(|(&k, a)| a * v[k]).sum()
    };
    let split = Split::new(n, |r| {
        let mut dense = vec![0.0; n];
        for e in indptr[r]..indptr[r + 1] {
            dense[indices[e]] += c[e];
        }
        dense
    });
    let m = split.charged.len();
    let start: Vec<f64> = split
        .charged
        .iter()
        .map(|(_, charge)| dot(charge, &point.x))
        .chain(point.x.iter().copied())
        .collect();
    let assembly = RefCell::new(assembly);
    // y from what the equations give, row by row, and from states or their directions.
    let laid_out = |rows: &[f64], states: &[f64], y: &mut [f64]| {
        for (k, (weights, charge)) in split.charged.iter().enumerate() {
            y[k] = -dot(weights, rows);
            y[m + k] = states[k] - dot(charge, &states[m..]);
        }
        for (k, weights) in split.plain.iter().enumerate() {
            y[2 * m + k] = -dot(weights, rows);
        }
    };
    let mut built = OdeBuilder::<NalgebraMat<f64>>::new()
        .rtol(relative)
        .atol(vec![relative * 0.1; m + n])
        .h0(1e-12)
        .rhs_implicit(
            |x, _p, t, y| {
                let mut assembly = assembly.borrow_mut();
                assembly.external = Some((driven, VOLTS * clip_at(t)));
                assembly.evaluate(&x[m..], SourceState::at(t), 0.0, false);
                laid_out(&assembly.f, x, y);
            },
            |x, _p, t, v, y| {
                let mut assembly = assembly.borrow_mut();
                assembly.external = Some((driven, VOLTS * clip_at(t)));
                assembly.evaluate(&x[m..], SourceState::at(t), 0.0, false);
                let rows: Vec<f64> = (0..n)
                    .map(|r| row(&assembly.jacobian, r, &v[m..]))
                    .collect();
                laid_out(&rows, v, y);
            },
        )
        .mass(|v, _p, _t, beta, y| {
            for (k, (y, v)) in y.iter_mut().zip(v).enumerate() {
                *y = beta * *y + if k < m { *v } else { 0.0 };
            }
        })
        .init(|_p, _t, y| y.copy_from_slice(&start), m + n)
        .build()
        .expect("a well-formed problem");
    built.ode_options.min_timestep = 1e-18;
    built.ode_options.max_nonlinear_solver_failures = 100_000;
    built.ode_options.max_error_test_failures = 100_000;
    let step_s = 1.0 / (f64::from(RATE_HZ) * FINE as f64);
    let count = clip.samples.len() * FINE;
    let mut solver = built.bdf::<NalgebraLU<f64>>().expect("a consistent start");
    let rest = point.x[out];
    let mut wave = vec![0.0];
    // Its steps grow without bound while nothing moves: short legs until the sound is there.
    let end_s = (count - 1) as f64 * step_s;
    let legs = (1..=20).map(|k| f64::from(k) * 1e-4);
    for leg in legs.filter(|&t| t < end_s).chain([end_s]) {
        solver.set_stop_time(leg).expect("ahead");
        loop {
            let reason = solver.step().expect("diffsol integrates");
            while wave.len() < count && wave.len() as f64 * step_s <= solver.state().t {
                let x = solver
                    .interpolate(wave.len() as f64 * step_s)
                    .expect("within");
                wave.push(x.get_index(m + out) - rest);
            }
            if matches!(reason, OdeSolverStopReason::TstopReached) {
                break;
            }
        }
    }
    down(FINE, wave)
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// The equations d/dt C x + f = 0 combined so that no charge depends on others.
struct Split {
    /// Weights of the rows of f, and the combination of unknowns whose rate they give.
    charged: Vec<(Vec<f64>, Vec<f64>)>,
    /// Weights of the rows of f in combinations without charge.
    plain: Vec<Vec<f64>>,
}

impl Split {
    /// By elimination with complete pivoting of C's rows, each over its largest entry.
    fn new(n: usize, c: impl Fn(usize) -> Vec<f64>) -> Split {
        // Rows without charge count in mA, so that all are of like size.
        const PLAIN: f64 = 1e3;
        let mut open: Vec<(Vec<f64>, Vec<f64>)> = (0..n)
            .map(|r| {
                let charge = c(r);
                let most = charge.iter().fold(0.0f64, |m, c| m.max(c.abs()));
                let per = if most > 0.0 { 1.0 / most } else { PLAIN };
                let mut weights = vec![0.0; n];
                weights[r] = per;
                (weights, charge.iter().map(|c| c * per).collect())
            })
            .collect();
        let mut charged = vec![];
        loop {
            let sizes = open.iter().enumerate().flat_map(|(r, (_, charge))| {
                let entries = charge.iter().enumerate();
                entries.map(move |(k, c)| (c.abs(), r, k))
            });
            let Some((size, r, k)) = sizes.max_by(|a, b| a.0.total_cmp(&b.0)) else {
                break;
            };
            if size < 1e-9 {
                break;
            }
            let (weights, charge) = open.swap_remove(r);
            for (others, other) in &mut open {
                let factor = other[k] / charge[k];
                for (a, b) in others.iter_mut().zip(&weights) {
                    *a -= factor * b;
                }
                for (a, b) in other.iter_mut().zip(&charge) {
                    *a -= factor * b;
                }
                other[k] = 0.0;
            }
            charged.push((weights, charge));
        }
        let plain = open.into_iter().map(|(weights, _)| {
            let most = weights.iter().fold(0.0f64, |m, w| m.max(w.abs()));
            weights.iter().map(|w| w * PLAIN / most).collect()
        });
        Split {
            charged,
            plain: plain.collect(),
        }
    }
}
