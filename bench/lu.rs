//! Our static elimination beside the libraries that were candidates, on the matrices of
//! circuits of growing size: what a Newton iteration costs, values changing each time.

mod side_by_side;

use gridleak_other_solvers::circuits::{Matrix, built, jacobians, preamp};
use gridleak_other_solvers::solvers::SOLVERS;
use side_by_side::{compare, quick};
use std::hint::black_box;

/// A sample at eight times 48 kHz.
const STEP_S: f64 = 1.0 / 384_000.0;
/// Sets of values that take turns.
const SETS: usize = 16;
/// Above this a dense elimination is not waited for.
const DENSE_UPTO: usize = 300;

fn main() {
    println!("factor and solve, time over ours (quartiles of the rounds); backward error below");
    let names: Vec<_> = SOLVERS.iter().map(|s| format!("{:>25}", s.0)).collect();
    println!("    n  nonzeros  ours, us{}", names[1..].concat());
    for stages in [1, 3, 11, 39, 199] {
        let circuit = built(&preamp(stages));
        let sets = jacobians(&circuit, Some(STEP_S), SETS - 1);
        row(&sets);
    }
}

fn row(sets: &[Matrix]) {
    let first = &sets[0];
    let used: Vec<_> = SOLVERS
        .iter()
        .filter(|s| s.0 != "dense" || first.n <= DENSE_UPTO)
        .collect();
    // About as much work in every row: long enough for the clock, short enough to fall
    // between what else a machine does.
    let repeats = (if quick() { 400 } else { 4_000 } / first.n).max(1);
    let b: Vec<f64> = (0..first.n).map(|k| 1.0 - 0.3 * (k % 7) as f64).collect();
    let mut errors = vec![];
    let mut ways: Vec<Box<dyn FnMut()>> = vec![];
    for (_, new) in &used {
        let mut solver = new(first);
        let mut worst = 0.0f64;
        for set in sets {
            let mut x = b.clone();
            solver.factor(&set.values).expect("a regular circuit");
            solver.solve(&mut x);
            worst = worst.max(set.backward_error(&x, &b));
        }
        errors.push(worst);
        let (b, mut x) = (&b, b.clone());
        ways.push(Box::new(move || {
            for set in sets.iter().cycle().take(repeats) {
                x.copy_from_slice(b);
                solver
                    .factor(black_box(&set.values))
                    .expect("a regular circuit");
                solver.solve(&mut x);
                black_box(&x);
            }
        }));
    }
    let mut ways: Vec<&mut dyn FnMut()> = ways.iter_mut().map(|w| &mut **w as _).collect();
    let (seconds, ratios) = compare(if quick() { 3 } else { 201 }, &mut ways);
    let ratios: Vec<_> = ratios[1..].iter().map(|r| format!("{r:>25}")).collect();
    println!(
        "{:>5}{:>10}{:>10.2}{}",
        first.n,
        first.values.len(),
        1e6 * seconds / repeats as f64,
        ratios.concat()
    );
    let (ours, others) = errors.split_first().expect("ours");
    let others: Vec<_> = others.iter().map(|e| format!("{e:>22.0e}")).collect();
    println!("{:>15}{:>10.0e}{}", "", ours, others.concat());
}
