//! The steady state beside plain simulation: what one level costs in evaluations of the
//! devices and in time, and what accuracy it buys.

mod side_by_side;

use gridleak::analysis::periodic::{Accuracy, Found, Periodic, Signal, Wave};
use gridleak::circuit::bind::Timing;
use gridleak::circuit::params::Settings;
use gridleak::circuit::{self, Circuit, Piece};
use gridleak::diag::{FileId, Sources};
use gridleak::netlist::{self, FileLoader};
use gridleak::system::assemble::Driven;
use gridleak::system::probe::Observable;

fn built(path: &str) -> Circuit {
    let mut sources = Sources::default();
    let reading = netlist::read(path, &FileLoader, &mut sources);
    circuit::build(
        &reading.netlist,
        &Settings::default(),
        Timing::default(),
        &mut sources,
    )
    .unwrap_or_else(|problems| panic!("{problems:?}"))
    .circuit
}

fn driven(circuit: &Circuit, name: &str) -> Driven {
    match circuit.element(name).expect("a source").ports[0].piece {
        Piece::Branch(k) => Driven::Voltage(k),
        Piece::Current(k) => Driven::Current(k),
        _ => panic!("no source"),
    }
}

fn steady(
    circuit: &Circuit,
    source: &str,
    probe: &str,
    hz: f64,
    peak: f64,
    acc: Accuracy,
) -> (Found, Wave) {
    let mut search = Periodic::new(circuit, driven(circuit, source), acc).expect("op");
    let found = search
        .solve(&Signal::sine(hz, peak), || Ok::<(), ()>(()))
        .unwrap_or_else(|t| panic!("{t}"))
        .unwrap();
    let p = netlist::parse_probe(probe, FileId(0)).expect("probe");
    let p = Observable::new(circuit, &p, probe).expect("node");
    let w = search.wave(&p);
    (found, w)
}

fn main() {
    for (path, source, probe, hz, peak) in [
        (
            "netlists/lapwing/overdrive_cascade.cir",
            "VIN",
            "v(out)",
            440.0,
            0.1,
        ),
        (
            "netlists/lapwing/overdrive_cascade.cir",
            "VIN",
            "v(out)",
            440.0,
            0.002,
        ),
        (
            "netlists/lapwing/overdrive_cascade.cir",
            "VIN",
            "v(out)",
            82.4,
            1.0,
        ),
        ("netlists/lapwing/preamp.cir", "VIN", "v(out)", 1000.0, 0.1),
        (
            "netlists/lapwing/clean_stage.cir",
            "VIN",
            "v(out)",
            1000.0,
            0.5,
        ),
        (
            "netlists/textbook/common_cathode.cir",
            "VIN",
            "v(out)",
            1000.0,
            0.1,
        ),
        (
            "netlists/textbook/diode_limiter.cir",
            "VIN",
            "v(out)",
            1000.0,
            4.5,
        ),
        (
            "tests/references/grid_blocking/netlist.cir",
            "VIN",
            "v(grid)",
            1000.0,
            20.0,
        ),
    ] {
        let circuit = built(path);
        if circuit.element(source).is_none() {
            println!("{path}: no {source}");
            continue;
        }
        let t = std::time::Instant::now();
        let mut rows = vec![];
        for rel in [1e-6, 1e-7, 1e-8, 1e-9] {
            let begun = std::time::Instant::now();
            let (found, w) = steady(
                &circuit,
                source,
                probe,
                hz,
                peak,
                Accuracy {
                    relative: rel,
                    volts: rel * 1e-2,
                    amperes: rel * 1e-5,
                },
            );
            println!(
                "{path} {rel:e} {found:?} {:?} {:?}",
                begun.elapsed(),
                t.elapsed()
            );
            rows.push((1..=20).map(|k| w.harmonic(k)).collect::<Vec<_>>());
        }
        let best = rows[3].clone();
        let h1 = best[0].0.hypot(best[0].1);
        for (k, r) in rows.iter().enumerate() {
            let off = r
                .iter()
                .zip(&best)
                .map(|(a, b)| (a.0 - b.0).hypot(a.1 - b.1) / h1)
                .fold(0.0, f64::max);
            println!(
                "  {k}: off {:.1} dB  thd {}",
                20.0 * off.log10(),
                r[1..]
                    .iter()
                    .map(|a| a.0 * a.0 + a.1 * a.1)
                    .sum::<f64>()
                    .sqrt()
                    / h1
                    * 100.0
            );
        }
    }
}
