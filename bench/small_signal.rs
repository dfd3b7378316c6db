//! What a response costs: 200 frequencies of the whole Lapwing preamp, the operating point
//! found already, and what the same would cost with the pivot order sought anew each time or
//! with a probe's group delay as well.

mod side_by_side;

use gridleak::analysis::operating_point;
use gridleak::analysis::small_signal::{SmallSignal, driven};
use gridleak::circuit::Circuit;
use gridleak::measure::gain::{self, Wanted};
use gridleak::measure::noise::{self, Listener};
use gridleak::system::probe::Observable;
use side_by_side::{compare, quick};
use std::hint::black_box;
use std::path::Path;

/// Frequencies of a response.
const POINTS: usize = 200;

fn main() {
    println!("{POINTS} frequencies; times over the plain response (quartiles of the rounds)");
    println!(
        "circuit             unknowns  response, ms  per point, us   +delay, noise, new order"
    );
    for name in ["clean_stage", "overdrive_cascade", "preamp"] {
        row(name);
    }
}

fn built(name: &str) -> Circuit {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("netlists/lapwing");
    let path = folder.join(format!("{name}.cir"));
    Circuit::from_file(path).unwrap()
}

fn row(name: &str) {
    let circuit = built(name);
    let (point, mut assembly) = operating_point::dc(&circuit).expect("it has one");
    let out = Observable::voltage(&circuit, circuit.node("out").expect("a node"));
    let pickup = out.pickup(&mut assembly, &point.x).expect("a voltage");
    let source = circuit.element("VIN").expect("a source");
    let source = driven(&circuit, source).expect("a source");
    let wanted = |delay| Wanted {
        driven: source,
        pickups: vec![pickup.clone()],
        delay,
        seen: Vec::new(),
    };
    let (plain, delayed) = (wanted(false), wanted(true));
    let at = |k: usize| 20.0 * 1000f64.powf(k as f64 / (POINTS - 1) as f64);
    let frequencies: Vec<f64> = (0..POINTS).map(at).collect();
    let origins = noise::origins(&mut assembly, &point.x);
    let fresh = SmallSignal::new(&mut assembly, &point.x);
    let mut one = fresh.clone();
    let mut two = fresh.clone();
    let mut three = fresh.clone();
    let rounds = if quick() { 1 } else { 40 };
    let (first, ratios) = compare(
        rounds,
        &mut [
            // The order is sought once in every round, as a command does.
            &mut || {
                one = fresh.clone();
                black_box(
                    gain::sweep(&mut one, &plain, &frequencies, &mut || ()).expect("regular"),
                );
            },
            &mut || {
                two = fresh.clone();
                black_box(
                    gain::sweep(&mut two, &delayed, &frequencies, &mut || ()).expect("regular"),
                );
            },
            &mut || {
                three = fresh.clone();
                let mut listener = Listener::new(&mut three, &pickup, &origins, Some(source));
                for &f in &frequencies {
                    black_box(listener.density(f).expect("regular"));
                }
            },
            &mut || {
                for f in frequencies.chunks(1) {
                    let mut small = fresh.clone();
                    black_box(gain::sweep(&mut small, &plain, f, &mut || ()).expect("regular"));
                }
            },
        ],
    );
    println!(
        "{name:18} {:9} {:13.3} {:14.2}   {}  {}  {}",
        circuit.unknowns(),
        first * 1e3,
        first * 1e6 / POINTS as f64,
        ratios[1],
        ratios[2],
        ratios[3]
    );
}
