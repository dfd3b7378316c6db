//! One battery for every linear solver: ours and the libraries it was chosen over.
//!
//! The matrices need no source: a solution is judged by its own residual. Where a
//! library does not pass, `KNOWN_FAILURES` says so, and a test holds that list to the
//! truth in both directions.

use gridleak_other_solvers::circuits::{Matrix, Random, built, jacobians, preamp};
use gridleak_other_solvers::solvers::{New, SOLVERS, Solver};
use std::panic::{AssertUnwindSafe, catch_unwind};

/// Componentwise backward error allowed where the order of pivots was chosen from the
/// values: Kirchhoff's law is judged at 1e-9 of the currents.
const ALLOWED: f64 = 1e-9;
/// The same where an order is kept while the values change: pivots may shrink to 1e-9 of
/// their row before a new order is chosen (`WORN_OUT` in `math::lu`), which loses as many
/// digits; Newton's method makes up for it with an iteration.
const ALLOWED_IF_KEPT: f64 = f64::EPSILON / 1e-9;

/// Solver and case. A kept order of rlu has no guard against pivots that shrink beside
/// what is below them in their column; it panics where a column is empty and at NaN.
const KNOWN_FAILURES: &[(&str, &str)] = &[
    ("rlu", "a pivot that dies"),
    ("rlu", "an empty column is singular"),
    ("rlu", "no numbers are refused"),
];
/// The same where arithmetic is checked (the dev profile): rsparse's ordering subtracts
/// below zero and relies on nobody looking.
const KNOWN_FAILURES_IF_CHECKED: &[(&str, &str)] = &[("rsparse", "one unknown")];

/// A case passes or says why not.
type Verdict = Result<(), String>;

/// Puts a kind of solver to the test.
type Case = fn(New) -> Verdict;

const CASES: &[(&str, Case)] = &[
    ("one unknown", |new| {
        solves(new, &[Matrix::dense(&[vec![-4.0]])])
    }),
    ("diagonal", |new| solves(new, &[diagonal()])),
    ("permuted rows", |new| solves(new, &[permuted()])),
    ("zero diagonal", |new| solves(new, &zero_diagonals())),
    ("random and sparse", |new| solves(new, &random_sparse())),
    ("random and full", |new| solves(new, &random_full())),
    ("rows of all sizes", |new| solves(new, &badly_scaled())),
    ("nearly singular", |new| solves(new, &nearly_singular())),
    ("Hilbert's", |new| solves(new, &[hilbert(10)])),
    ("a pivot that dies", |new| {
        solves_in_turn(new, &dying_pivot())
    }),
    ("circuits at rest", |new| solves(new, &circuits_at(None))),
    ("circuits at 384 kHz", |new| {
        solves(new, &circuits_at(Some(1.0 / 384e3)))
    }),
    ("circuits step by step", |new| circuits_in_turn(new)),
    ("steps of all lengths", |new| steps_of_all_lengths(new)),
    ("equal rows are singular", |new| refuses(new, &equal_rows())),
    ("an empty column is singular", |new| {
        refuses(new, &empty_column())
    }),
    ("zeros are singular", |new| refuses(new, &zeros())),
    ("a floating node is singular", |new| {
        refuses(new, &floating())
    }),
    ("regular again after singular", |new| recovers(new)),
    ("no numbers are refused", |new| refuses(new, &no_number())),
];

#[test]
fn ours_passes_every_case() {
    let (name, new) = SOLVERS[0];
    assert_eq!(name, "ours");
    let failed: Vec<_> = CASES
        .iter()
        .inspect(|(case, _)| println!("{case}"))
        .filter_map(|(case, run)| run(new).err().map(|why| format!("{case}: {why}")))
        .collect();
    assert!(failed.is_empty(), "{}", failed.join("\n"));
}

#[test]
fn the_others_pass_but_for_what_is_listed() {
    let mut failed = vec![];
    for (name, new) in &SOLVERS[1..] {
        for (case, run) in CASES {
            // A library may panic where it should answer.
            let verdict = catch_unwind(AssertUnwindSafe(|| run(*new)))
                .unwrap_or_else(|_| Err("panicked".to_string()));
            if let Err(why) = verdict {
                println!("{name}, {case}: {why}");
                failed.push((*name, *case));
            }
        }
    }
    let checked = if cfg!(debug_assertions) {
        KNOWN_FAILURES_IF_CHECKED
    } else {
        &[]
    };
    assert_eq!(failed, [checked, KNOWN_FAILURES].concat());
}

fn right_hand_side(n: usize) -> Vec<f64> {
    (0..n).map(|k| 1.0 - 0.3 * (k % 7) as f64).collect()
}

fn attempt(solver: &mut Solver, matrix: &Matrix, allowed: f64) -> Verdict {
    let b = right_hand_side(matrix.n);
    let mut x = b.clone();
    solver
        .factor(&matrix.values)
        .map_err(|s| format!("n = {}: {s:?}", matrix.n))?;
    solver.solve(&mut x);
    let error = matrix.backward_error(&x, &b);
    println!("n = {}: backward error {error:.0e}", matrix.n);
    if error <= allowed {
        Ok(())
    } else {
        Err(format!("n = {}: backward error {error:.1e}", matrix.n))
    }
}

/// Each with a solver of its own.
fn solves(new: New, matrices: &[Matrix]) -> Verdict {
    matrices
        .iter()
        .try_for_each(|m| attempt(&mut new(m), m, ALLOWED))
}

/// All of one pattern, with one solver.
fn solves_in_turn(new: New, matrices: &[Matrix]) -> Verdict {
    let mut solver = new(&matrices[0]);
    matrices
        .iter()
        .try_for_each(|m| attempt(&mut solver, m, ALLOWED_IF_KEPT))
}

fn refuses(new: New, matrix: &Matrix) -> Verdict {
    match new(matrix).factor(&matrix.values) {
        Err(_) => Ok(()),
        Ok(()) => Err("was factored".to_string()),
    }
}

fn recovers(new: New) -> Verdict {
    let singular = equal_rows();
    let mut regular = singular.clone();
    regular.values[0] = 5.0;
    let mut solver = new(&singular);
    if solver.factor(&singular.values).is_ok() {
        return Err("the singular one was factored".to_string());
    }
    attempt(&mut solver, &regular, ALLOWED)
}

fn diagonal() -> Matrix {
    let row = |k: usize| {
        (0..9).map(move |c| {
            if c == k {
                10f64.powi(k as i32 - 6)
            } else {
                0.0
            }
        })
    };
    Matrix::dense(&(0..9).map(|k| row(k).collect()).collect::<Vec<_>>())
}

fn permuted() -> Matrix {
    let row = |k: usize| (0..8).map(move |c| if c == k * 3 % 8 { 2.0 + k as f64 } else { 0.0 });
    Matrix::dense(&(0..8).map(|k| row(k).collect()).collect::<Vec<_>>())
}

/// Nothing on the diagonal: two sources on a chain, then rings.
fn zero_diagonals() -> Vec<Matrix> {
    let small = Matrix::dense(&[
        vec![0.0, 0.0, 1.0, 0.0],
        vec![0.0, 0.0, 0.0, 1.0],
        vec![1.0, -1.0, 0.0, 0.0],
        vec![0.0, 1.0, 0.0, 0.0],
    ]);
    let mut random = Random(3);
    let mut all = vec![small];
    for n in [2, 5, 17, 60] {
        let mut rows = vec![vec![0.0; n]; n];
        for (i, row) in rows.iter_mut().enumerate() {
            row[(i + 1) % n] = 1.0 + random.unit();
            let other = random.below(n);
            if other != i {
                row[other] += 0.4 * random.symmetric();
            }
        }
        all.push(Matrix::dense(&rows));
    }
    all
}

fn random_sparse() -> Vec<Matrix> {
    let mut random = Random(1);
    let mut all = vec![];
    for n in [2, 3, 7, 20, 60, 200] {
        for _ in 0..5 {
            let mut rows = vec![vec![0.0; n]; n];
            for (i, row) in rows.iter_mut().enumerate() {
                // More than the rest of its row together, off the diagonal: it is regular.
                row[(i + 1) % n] += 1.0 + random.unit();
                for _ in 0..3 {
                    row[random.below(n)] += 0.3 * random.symmetric();
                }
            }
            all.push(Matrix::dense(&rows));
        }
    }
    all
}

fn random_full() -> Vec<Matrix> {
    let mut random = Random(2);
    let size = [2, 5, 30];
    let mut row = |n: usize| (0..n).map(|_| random.symmetric()).collect::<Vec<_>>();
    size.iter()
        .map(|&n| Matrix::dense(&(0..n).map(|_| row(n)).collect::<Vec<_>>()))
        .collect()
}

/// Conductances from 1e-12 S to 100 S, as a circuit with closed and open switches has them.
fn badly_scaled() -> Vec<Matrix> {
    let mut random = Random(5);
    let mut all = vec![];
    for n in [3, 10, 40] {
        let mut rows = vec![vec![0.0; n]; n];
        for k in 0..n {
            let mut join = |a: usize, b: Option<usize>, siemens: f64| {
                rows[a][a] += siemens;
                if let Some(b) = b.filter(|&b| b != a) {
                    rows[b][b] += siemens;
                    rows[a][b] -= siemens;
                    rows[b][a] -= siemens;
                }
            };
            join(k, None, 10f64.powf(-12.0 + 6.0 * random.unit()));
            for _ in 0..2 {
                let to = random.below(n);
                join(k, Some(to), 10f64.powf(-12.0 + 14.0 * random.unit()));
            }
        }
        all.push(Matrix::dense(&rows));
    }
    all
}

fn nearly_singular() -> Vec<Matrix> {
    [1e-6, 1e-10, 1e-13]
        .map(|e| Matrix::dense(&[vec![1.0, 1.0], vec![1.0, 1.0 + e]]))
        .to_vec()
}

fn hilbert(n: usize) -> Matrix {
    let row = |i: usize| (0..n).map(move |j| 1.0 / (i + j + 1) as f64).collect();
    Matrix::dense(&(0..n).map(row).collect::<Vec<_>>())
}

/// The first pivot of a kept order shrinks to nothing and comes back.
fn dying_pivot() -> Vec<Matrix> {
    let with = |v: f64| Matrix {
        n: 3,
        indptr: vec![0, 2, 5, 7],
        indices: vec![0, 1, 0, 1, 2, 1, 2],
        values: vec![v, 1.0, 1.0, v, 1.0, 1.0, v - 3.0],
    };
    [2.0, 1e-3, 1e-8, 1e-13, 0.0, -1e-10, 4.0]
        .map(with)
        .to_vec()
}

fn circuits_at(step_s: Option<f64>) -> Vec<Matrix> {
    [1, 3, 11, 39, 199]
        .iter()
        .flat_map(|&stages| jacobians(&built(&preamp(stages)), step_s, 1))
        .collect()
}

fn circuits_in_turn(new: New) -> Verdict {
    [1, 4, 20].iter().try_for_each(|&stages| {
        let sets = jacobians(&built(&preamp(stages)), Some(1.0 / 384e3), 40);
        solves_in_turn(new, &sets)
    })
}

/// From a second to a nanosecond and back, as at the start of a transient.
fn steps_of_all_lengths(new: New) -> Verdict {
    let circuit = built(&preamp(3));
    let down = (0..=18).map(|k| 10f64.powf(-0.5 * k as f64));
    let lengths: Vec<f64> = down.clone().chain(down.rev()).collect();
    let sets: Vec<Matrix> = lengths
        .iter()
        .flat_map(|&h| jacobians(&circuit, Some(h), 0))
        .collect();
    solves_in_turn(new, &sets)
}

fn equal_rows() -> Matrix {
    Matrix::dense(&[
        vec![1.0, 2.0, 0.5],
        vec![1.0, 2.0, 0.5],
        vec![0.25, 0.0, 3.0],
    ])
}

fn empty_column() -> Matrix {
    Matrix {
        n: 3,
        indptr: vec![0, 2, 4, 6],
        indices: vec![0, 2, 0, 2, 0, 2],
        values: vec![1.0, 2.0, 3.0, 4.0, 5.0, 7.0],
    }
}

fn zeros() -> Matrix {
    Matrix {
        n: 2,
        indptr: vec![0, 2, 4],
        indices: vec![0, 1, 0, 1],
        values: vec![0.0; 4],
    }
}

/// Two nodes joined by a resistor and nothing else; the values are exact in binary.
fn floating() -> Matrix {
    Matrix::dense(&[
        vec![1.0, 0.0, 0.0],
        vec![0.0, 0.125, -0.125],
        vec![0.0, -0.125, 0.125],
    ])
}

fn no_number() -> Matrix {
    let mut matrix = equal_rows();
    matrix.values[0] = f64::NAN;
    matrix
}
