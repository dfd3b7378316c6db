//! Energy: what goes into an amplifier comes out of it, in a full cycle, to 0.1 %.
//!
//! Sums are made by hand from voltages and currents: V I of the supply, i^2 R of every resistor,
//! volts times current of what is left. They hold only if currents balance at every node, every
//! law takes what its terminals take, and what capacitors and cores hold comes back in each
//! cycle.

mod common;
#[path = "common/fidelity.rs"]
mod fidelity;

use common::{Gridleak, close};
use fidelity::driven;
use gridleak::analysis::periodic::{Accuracy, Periodic, Signal, Wave};
use gridleak::circuit::{Circuit, Element};
use gridleak::system::probe::Observable;
use std::collections::BTreeMap;
use std::path::Path;

/// Where the watts went.
#[derive(Debug, Default)]
struct Books {
    supplied: f64,
    load: f64,
    resistors: f64,
    valves: f64,
    /// Transformers, chokes, diodes, switches, loudspeakers.
    others: f64,
    /// The most that a capacitor seems to take.
    stored: f64,
}

impl Books {
    fn balance(&self, what: &str) {
        println!("{what}: {self:.4?}");
        let spent = self.load + self.resistors + self.valves + self.others;
        close(what, spent, self.supplied, 1e-3 * self.supplied);
        assert!(
            self.stored < 1e-4 * self.supplied,
            "{what}: {} W",
            self.stored
        );
    }
}

/// The mean of the product of two waves, over even moments of the period.
fn product(a: &Wave, b: &Wave) -> f64 {
    let moments = 20_000;
    let at = |k: usize| a.period_s() * k as f64 / moments as f64;
    (0..moments).map(|k| a.at(at(k)) * b.at(at(k))).sum::<f64>() / moments as f64
}

/// A circuit in the steady state of a sine at its input.
fn books(circuit: &Circuit, freq_hz: f64, volts: f64) -> Books {
    let mut search = Periodic::new(circuit, driven(circuit), Accuracy::default())
        .unwrap_or_else(|none| panic!("{none}"));
    search
        .solve(&Signal::sine(freq_hz, volts), || Ok::<(), ()>(()))
        .unwrap_or_else(|none| panic!("{none}"))
        .expect("nobody stops it");
    let mut books = Books::default();
    for element in &circuit.elements {
        let ends = |search: &mut Periodic<'_>, element: &Element| {
            let mut volts = Observable::voltage(circuit, element.terminals[0]);
            let a = search.wave(&volts);
            volts = Observable::voltage(circuit, element.terminals[1]);
            (a, search.wave(&volts))
        };
        match element.letter {
            'V' => {
                let (a, b) = ends(&mut search, element);
                let current = search.wave(&Observable::current(element));
                books.supplied -= product(&a, &current) - product(&b, &current);
            }
            'R' => {
                let current = search.wave(&Observable::current(element));
                let ohms = element.value.expect("ohms");
                let watts = ohms * (current.rms().powi(2) + current.mean().powi(2));
                if element.name == "RDUMMY" {
                    books.load += watts
                } else {
                    books.resistors += watts
                }
            }
            'C' => {
                let watts = search.wave(&Observable::power(element)).mean();
                books.stored = books.stored.max(watts.abs());
            }
            _ => {
                let watts = search.wave(&Observable::power(element)).mean();
                let valve = element.kind.is_some_and(|k| {
                    matches!(k.name, "triode" | "pentode" | "output" | "rectifier")
                });
                if valve {
                    books.valves += watts
                } else {
                    books.others += watts
                }
            }
        }
    }
    books
}

/// With the dummy load in place of the loudspeaker, and the master volume up.
fn on_the_bench(path: &str) -> Circuit {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(root.join(path)).expect("in the repository");
    let text = text
        .replace(
            "XSPEAKER tap8 cone toggle at=1",
            "XSPEAKER tap8 cone toggle at=0",
        )
        .replace(
            "XDUMMY tap8 dummy toggle at=0",
            "XDUMMY tap8 dummy toggle at=1",
        )
        .replace(
            "XMASTER level out 0 A250K knob=5",
            "XMASTER level out 0 A250K knob=10",
        );
    fidelity::built(&root.join(path), &text)
}

/// The power amplifier on ideal supplies at rest, at 1 W or so, and clipping.
#[test]
fn the_power_amplifier_keeps_its_books() {
    let circuit = on_the_bench("netlists/lapwing/power_amp.cir");
    for (volts, least) in [(0.8, 0.5), (3.5, 20.0), (6.0, 25.0)] {
        let books = books(&circuit, 400.0, volts);
        assert!(books.load > least, "{books:?}");
        books.balance(&format!("{volts} V in"));
    }
}

/// The whole amplifier, from the wall to the load, ripple and all: 50 Hz go in, 400 Hz come out.
#[test]
fn the_whole_amplifier_keeps_its_books() {
    let circuit = on_the_bench("netlists/lapwing/amp.cir");
    let books = books(&circuit, 400.0, 0.2);
    assert!(books.load > 20.0, "{books:?}");
    books.balance("the whole amplifier");
}

/// The supply by itself, through the tool: a mains cycle of `scope --warm`, and the transformer's
/// copper and iron by hand from its line.
#[test]
fn the_supply_keeps_its_books() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("netlists/lapwing/supply.cir");
    let nodes = [
        "line",
        "ht1",
        "ht2",
        "winding",
        "reservoir",
        "plates",
        "screens",
        "bplus",
        "XBIAS.raw",
        "bias",
    ];
    let currents = ["VMAINS", "XV9", "XBIAS.DB", "XCHOKE"];
    let probes: Vec<String> = (nodes.iter().map(|n| format!("v({n})")))
        .chain(currents.iter().map(|e| format!("i({e})")))
        .collect();
    let run = Gridleak::command("scope").path(&path).arg("--warm");
    let run = run
        .option("--stop", "20m")
        .option("--step", "5u")
        .probes(&probes);
    let table = run.table().unwrap_or_else(|why| panic!("{why}"));
    let columns: BTreeMap<&str, Vec<f64>> = (probes.iter())
        .map(|p| {
            (
                p.as_str(),
                table.column(p).unwrap_or_else(|why| panic!("{why}")),
            )
        })
        .collect();
    let rows = columns["v(line)"].len() - 1;
    let (v, i) = (
        |node: &str, k: usize| {
            if node == "0" {
                0.0
            } else {
                columns[format!("v({node})").as_str()][k % rows]
            }
        },
        |part: &str, k: usize| columns[format!("i({part})").as_str()][k % rows],
    );
    let mean = |f: &dyn Fn(usize) -> f64| (0..rows).map(f).sum::<f64>() / rows as f64;

    let supplied = -mean(&|k| v("line", k) * i("VMAINS", k));
    let resistors: f64 = [
        ("plates", "0", 8.4e3),
        ("screens", "0", 134e3),
        ("bplus", "0", 30.2e3),
        ("reservoir", "0", 220e3),
        ("screens", "0", 220e3),
        ("screens", "bplus", 4.7e3),
        ("XBIAS.raw", "bias", 18e3),
        ("bias", "0", 24e3),
        ("reservoir", "plates", 10e-3),
    ]
    .iter()
    .map(|&(a, b, ohms)| mean(&|k| (v(a, k) - v(b, k)).powi(2) / ohms))
    .sum();
    // The second plate conducts half a cycle after the first.
    let plate2 = |k: usize| i("XV9", k + rows / 2);
    let rectifiers = mean(&|k| (v("ht1", k) - v("reservoir", k)) * i("XV9", k))
        + mean(&|k| (v("ht2", k) - v("reservoir", k)) * plate2(k))
        + mean(&|k| (v("XBIAS.raw", k) - v("winding", k)) * i("XBIAS.DB", k));
    let choke = mean(&|k| (v("plates", k) - v("screens", k)) * i("XCHOKE", k));

    // The line: 230 V, 300-0-300 V at 0.2 A, 47 V at 50 mA, 36 W, 7.5 %, and the head of
    // src/device/mains.rs.
    let (heater, half) = (36.0, 0.5 * 0.075);
    let rated = 2.0 * 300.0 * 0.2 + 47.0 * 0.05 + heater;
    let rpri = half * 230.0 * 230.0 / rated;
    let (rht, rbias) = (half * 300.0 / 0.2, half * 47.0 / 0.05);
    let iron = 0.03 * rated;
    let taken = rated + 2.0 * rht * 0.04 + rbias * 0.0025 + iron;
    let mut inner = 230.0;
    for _ in 0..100 {
        inner = 230.0 - rpri * taken / inner;
    }
    let core = |k: usize| v("line", k) + rpri * i("VMAINS", k);
    let transformer = mean(&|k| rpri * i("VMAINS", k).powi(2))
        + mean(&|k| rht * (i("XV9", k).powi(2) + plate2(k).powi(2)))
        + mean(&|k| rbias * i("XBIAS.DB", k).powi(2))
        + mean(&|k| core(k).powi(2)) * (heater + iron) / (inner * inner);
    println!(
        "supplied {supplied:.4} W: resistors {resistors:.4}, rectifiers {rectifiers:.4}, \
         choke {choke:.4}, transformer with heaters {transformer:.4}"
    );
    let spent = resistors + rectifiers + choke + transformer;
    close("balance", spent, supplied, 1e-3 * supplied);
}
