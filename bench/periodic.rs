//! The steady state found directly beside plain simulation: what one level costs in
//! evaluations of the devices and in time, and how far its harmonics lie from those of a
//! solution a thousand times finer.

mod side_by_side;

use gridleak::analysis::periodic::{Accuracy, Effort, Periodic, Signal};
use gridleak::analysis::transient::{self, Run};
use gridleak::circuit::{Circuit, Piece};
use gridleak::system::assemble::Driven;
use gridleak::system::probe::Observable;
use side_by_side::{compare, quick};
use std::hint::black_box;

/// Netlist, frequency in Hz and peak: those of its own sine.
const CASES: &[(&str, f64, f64)] = &[
    ("lapwing/overdrive_cascade", 440.0, 0.1),
    ("lapwing/preamp", 440.0, 0.1),
    ("lapwing/clean_stage", 440.0, 0.1),
    ("textbook/common_cathode", 1e3, 0.1),
    ("textbook/diode_limiter", 1e3, 4.5),
];
/// Periods simulated beside it.
const PERIODS: f64 = 10.0;

fn main() {
    println!("one level; time over that of {PERIODS} periods simulated;");
    println!("evaluations of those are Newton iterations, their checks not counted");
    println!("netlist                     level  passes  evaluations  simulated    error  time");
    for &(name, hz, level) in CASES {
        let circuit = built(&format!("netlists/{name}.cir"));
        let (effort, harmonics) = steady(&circuit, (hz, level), 1e-6);
        let (_, fine) = steady(&circuit, (hz, level), 1e-9);
        let off = harmonics
            .iter()
            .zip(&fine)
            .map(|(a, b)| (a.0 - b.0).hypot(a.1 - b.1))
            .fold(0.0, f64::max);
        let error = 20.0 * (off / fine[0].0.hypot(fine[0].1)).log10();
        let simulated = simulate(&circuit, hz);
        let mut ways: [&mut dyn FnMut(); 2] = [
            &mut || {
                black_box(simulate(&circuit, hz));
            },
            &mut || {
                black_box(steady(&circuit, (hz, level), 1e-6));
            },
        ];
        let (_, ratios) = compare(if quick() { 1 } else { 5 }, &mut ways);
        println!(
            "{name:<26}{level:>7}{:>8}{:>13}{simulated:>11}{error:>6.0} dB  {}",
            effort.passes, effort.evaluations, ratios[1]
        );
    }
}

fn built(path: &str) -> Circuit {
    Circuit::from_file(path).unwrap()
}

fn probe(circuit: &Circuit) -> Observable {
    Observable::voltage(circuit, circuit.node("out").expect("an output"))
}

/// The effort, and the first twenty harmonics.
fn steady(circuit: &Circuit, (hz, peak): (f64, f64), relative: f64) -> (Effort, Vec<(f64, f64)>) {
    let driven = match circuit.element("VIN").expect("a source").ports[0].piece {
        Piece::Branch(k) => Driven::Voltage(k),
        _ => panic!("no voltage source"),
    };
    let accuracy = Accuracy {
        relative,
        volts: 1e-3 * relative,
        amperes: 1e-6 * relative,
    };
    let mut search = Periodic::new(circuit, driven, accuracy).expect("an operating point");
    let signal = Signal::sine(hz, peak);
    let found = search.solve(&signal, || Ok::<(), ()>(()));
    let found = found.expect("a steady state").expect("nobody stops it");
    let wave = search.wave(&probe(circuit));
    (found.effort, (1..=20).map(|k| wave.harmonic(k)).collect())
}

/// Newton iterations of N periods of the netlist's own sine.
fn simulate(circuit: &Circuit, hz: f64) -> usize {
    let run = Run::new(0.0, 20e-6, PERIODS / hz);
    let probes = [probe(circuit)];
    let done = transient::run(circuit, &run, &probes, |_, _| Ok::<(), ()>(()), |_| Ok(()));
    done.expect("a solution")
        .expect("rows are taken")
        .iterations
}
