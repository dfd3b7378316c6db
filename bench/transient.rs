//! `scope` beside the `diffsol` crate (BDF of variable order) on the same circuits: what
//! a waveform of some accuracy costs. diffsol gets the equations written by hand, with
//! two to five states, and no netlist; ours the netlist, operating point included.
//!
//! The error is that against the committed waveform, which scipy made at 1e-10.

mod side_by_side;
#[path = "../tests/common/tables.rs"]
mod tables;

use gridleak::analysis::transient::{self, Effort, Run};
use gridleak::circuit::Circuit;
use gridleak::diag::FileId;
use gridleak::netlist::{self};
use gridleak::system::probe::Observable;
use gridleak_other_solvers::by_hand::{
    Problem, Tolerance, grid_blocking, integrate, limiter, limiter_5v, triode_stage,
};
use side_by_side::{Ratio, compare, quick};
use std::hint::black_box;
use tables::{Table, reference_folder, worst_difference};

/// Relative tolerances that both are asked for.
const ASKED: [f64; 4] = [1e-4, 1e-5, 1e-6, 1e-7];

fn main() {
    println!("time over ours as it comes; error as a part of peak-to-peak");
    println!("circuit          solver      asked   steps     error          time");
    for (name, problem) in [
        ("triode_stage", triode_stage()),
        ("grid_blocking", grid_blocking()),
        ("limiter_sinh_5v", limiter(limiter_5v)),
    ] {
        circuit_rows(name, &problem);
    }
}

fn built(name: &str) -> Circuit {
    let path = reference_folder(name).join("netlist.cir");
    Circuit::from_file(path).unwrap()
}

fn circuit_rows(name: &str, problem: &Problem) {
    let circuit = built(name);
    let probe = netlist::parse_probe(problem.probe, FileId(0)).expect("a probe");
    let probe = [Observable::new(&circuit, &probe, problem.probe).expect("a node")];
    let table = Table::read(&reference_folder(name).join("waveform.csv")).expect("committed");
    let expected = table.column(problem.probe).expect("its column");
    let times = table.column("time_s").expect("times");
    let run = Run::new(0.0, times[1], times[times.len() - 1]);
    let ours = |relative: Option<f64>| {
        let mut run = run;
        if let Some(relative) = relative {
            // The default's proportions.
            let scale = relative / run.accuracy.relative;
            run.accuracy.relative *= scale;
            run.accuracy.volts *= scale;
            run.accuracy.amperes *= scale;
        }
        scope(&circuit, &run, &probe)
    };
    let theirs = |relative: f64| {
        let tolerance = Tolerance {
            relative,
            absolute: relative * 0.1,
        };
        integrate(problem, &times, tolerance)
    };
    let mut lines = vec![];
    let (effort, wave) = ours(None);
    lines.push(("ours", "default".to_string(), Some(effort), wave));
    for asked in ASKED {
        let (effort, wave) = ours(Some(asked));
        lines.push(("ours", format!("{asked:.0e}"), Some(effort), wave));
    }
    for asked in ASKED {
        lines.push(("diffsol", format!("{asked:.0e}"), None, theirs(asked)));
    }
    let mut ways: Vec<Box<dyn FnMut() + '_>> = vec![Box::new(|| {
        black_box(ours(None));
    })];
    for asked in ASKED {
        let ours = &ours;
        ways.push(Box::new(move || {
            black_box(ours(Some(asked)));
        }));
    }
    for asked in ASKED {
        let theirs = &theirs;
        ways.push(Box::new(move || {
            black_box(theirs(asked));
        }));
    }
    let mut ways: Vec<&mut dyn FnMut()> = ways.iter_mut().map(|w| &mut **w as _).collect();
    let (_, ratios): (f64, Vec<Ratio>) = compare(if quick() { 1 } else { 21 }, &mut ways);
    for ((solver, asked, effort, wave), ratio) in lines.iter().zip(ratios) {
        let (error, _) = worst_difference(wave, &expected);
        let steps = effort.map_or("-".to_string(), |e| e.steps.to_string());
        println!("{name:<16} {solver:<8}{asked:>9}{steps:>8}{error:>10.0e}  {ratio}");
    }
}

fn scope(circuit: &Circuit, run: &Run, probe: &[Observable]) -> (Effort, Vec<f64>) {
    let mut wave = vec![];
    let row = |_: f64, values: &[f64]| -> Result<(), ()> {
        wave.push(values[0]);
        Ok(())
    };
    let done = transient::run(circuit, run, probe, row, |_| Ok(()));
    let effort = done.expect("a solution").expect("rows are taken");
    (effort, wave)
}
