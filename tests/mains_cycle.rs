//! The mains cycle of a supply: what it costs to find, that it is one, and that it is found in the
//! states that a builder meets.
mod common;

use gridleak::analysis::mains;
use gridleak::analysis::periodic::{self, Cycle};
use gridleak::circuit::bind::Timing;
use gridleak::circuit::params::Settings;
use gridleak::circuit::{self, Circuit};
use gridleak::diag::Sources;
use gridleak::netlist::{self, FileLoader};

fn shipped(name: &str) -> Circuit {
    let path = format!("{}/netlists/lapwing/{name}", env!("CARGO_MANIFEST_DIR"));
    let mut sources = Sources::default();
    let reading = netlist::read(&path, &FileLoader::default(), &mut sources);
    let settings = Settings::default();
    circuit::build(&reading.netlist, &settings, Timing::default(), &mut sources)
        .unwrap_or_else(|problems| panic!("{problems:?}"))
        .circuit
}

fn cycle(circuit: &Circuit) -> Cycle {
    let (cycle, _) = periodic::supply(circuit)
        .unwrap_or_else(|no| panic!("{no}"))
        .expect("a supply fed from the mains");
    cycle
}

/// By even steps of TR-BDF2 with a solver of its own it took 27 534 evaluations and 37 416.
#[test]
fn a_cycle_costs_no_more_evaluations_than_this() {
    for (name, most) in [("supply.cir", 5_000), ("amp.cir", 21_000)] {
        let circuit = shipped(name);
        assert!(mains::find(&circuit).is_some());
        let begun = std::time::Instant::now();
        let cycle = cycle(&circuit);
        println!(
            "{name}: {:?}, {} instants, {:?}",
            cycle.effort,
            cycle.instants.len(),
            begun.elapsed()
        );
        let weights: f64 = cycle.instants.iter().map(|i| i.weight).sum();
        assert!((weights - 1.0).abs() < 1e-12);
        assert!(
            cycle.effort.evaluations <= most,
            "{name}: {:?}",
            cycle.effort
        );
    }
}
