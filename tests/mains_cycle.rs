//! The mains cycle of a supply: what it costs to find, that it is one, and that it is found in the
//! states that a builder meets.
mod common;

use common::{Gridleak, Netlist, close};
use gridleak::analysis::mains;
use gridleak::analysis::periodic::{self, Cycle};
use gridleak::circuit::Circuit;
use gridleak::system::assemble::Assembly;

fn shipped(name: &str) -> Circuit {
    let path = format!("{}/netlists/lapwing/{name}", env!("CARGO_MANIFEST_DIR"));
    Circuit::from_file(path).unwrap_or_else(|refused| panic!("{refused}"))
}

fn cycle(circuit: &Circuit) -> Cycle {
    let (cycle, _) = periodic::supply(circuit)
        .unwrap_or_else(|no| panic!("{no}"))
        .expect("a supply fed from the mains");
    cycle
}

/// By even steps of TR-BDF2 with a solver of its own it took 27 534 evaluations and 37 416; a trial of
/// this solver took as many as are allowed here.
#[test]
fn a_cycle_costs_no_more_evaluations_than_this() {
    // supply.cir took 3931 until it gained silicon diodes behind an open switch, 8638 then and 6418
    // now; amp.cir took 20 106 until steps were taken in passing, then 8761 in nine passes; ten with
    // the screens of the refitted 6V6GT, 9064; 5472 since bias supplies begin charged and kept matrices are
    // exact along the last corrections (supply.cir 4220).
    for (name, most) in [("supply.cir", 4_500), ("amp.cir", 5_900)] {
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

/// A cycle sought beside a neighbour's is the one that is found without.
#[test]
fn a_neighbour_leads_to_the_same_cycle() {
    let circuit = shipped("supply.cir");
    let known = cycle(&circuit);
    let mains = mains::find(&circuit).expect("mains");
    for factor in [1.0, 1.2, 0.7] {
        let mut other = shipped("supply.cir");
        for c in &mut other.capacitances {
            c.farads *= factor;
        }
        let fresh = cycle(&other);
        let (near, _) = periodic::cycle_near(Assembly::new(&other), &mains, &known).unwrap();
        println!("{factor}: {:?} {:?}", fresh.effort, near.effort);
        if factor == 1.0 {
            assert!(2 * near.effort.evaluations < fresh.effort.evaluations);
        }
        let (fresh, near) = (fresh.mean(), near.mean());
        let largest = fresh.iter().fold(0.0f64, |most, v| most.max(v.abs()));
        for (a, b) in fresh.iter().zip(&near) {
            assert!((a - b).abs() < 3e-5 * largest, "{factor}: {a} {b}");
        }
    }
}

fn amp(settings: &[&str]) -> common::Ran {
    let path = format!("{}/netlists/lapwing/amp.cir", env!("CARGO_MANIFEST_DIR"));
    let run = Gridleak::command("bias").arg(path).arg("--quiet");
    let run = settings.iter().fold(run, |run, s| run.option("--set", s));
    run.run()
}

/// States that a builder meets: the coldest bias of a first power-up, a dried-out reservoir, a
/// bleeder of the wrong value. None had a mains cycle once. Every solution is audited.
#[test]
fn ordinary_states_of_the_whole_amplifier_are_found() {
    for state in [
        "RBIAS=150k",
        "RBIAS=1meg",
        "RBIAS=10meg",
        "XHT.CR=1u",
        "XHT.CR=4.7u",
        "XHT.CR=10u",
        "XHT.RBLEED=100",
        "XHT.RBLEED=500",
    ] {
        let ran = amp(&[state]);
        assert_eq!(ran.status, 0, "{state}: {}", ran.stderr);
    }
}

/// The mean of the last cycle of a long run, V. The run gets diodes with a capacitance.
fn long_run(text: &str, node: &str) -> f64 {
    let netlist = Netlist::new(&text.replace("n=1.75", "n=1.75 cjo=20p"));
    let run = netlist.scope("1.98", "2", "20u", &[node]);
    let wave = run.column(node).unwrap();
    wave[1..].iter().sum::<f64>() / (wave.len() - 1) as f64
}

/// A doubler fed through a capacitor read 0 V where hundreds stand; a bridge whose diodes have no
/// capacitance was refused.
#[test]
fn supplies_without_a_direct_path_are_found() {
    let model = ".model DR D(is=2.55n n=1.75)\n.end\n";
    let doubler = format!(
        "Doubler\nVMAINS line 0 SIN(0 325 50)\nRS line a 10\nC1 a b 10u\nD1 0 b DR\nD2 b out DR\n\
         C2 out 0 22u\nRL out 0 10k\n{model}"
    );
    let bridge = format!(
        "Bridge\nVMAINS line 0 SIN(0 325 50)\nRP line pri 5\nL1 pri 0 10\nL2 s1 s2 4\n\
         K1 L1 L2 0.999\nR1 s1 a 10\nD1 a out DR\nD2 0 a DR\nD3 s2 out DR\nD4 0 s2 DR\n\
         C2 out 0 22u\nRL out 0 4.7k\n{model}"
    );
    for (name, text, least) in [("doubler", doubler, 450.0), ("bridge", bridge, 180.0)] {
        let chart = Netlist::new(&text).bias(&[], &[]);
        let found = chart.quantity("v(out)", "voltage").unwrap();
        assert!(found > least, "{name}: {found}");
        // The bridge's common mode leaps where diodes have no capacitance, and rings where they
        // have a little: there the cycles with and without are held against each other.
        let other = if name == "bridge" {
            let slowed = text.replace("n=1.75", "n=1.75 cjo=20p");
            let chart = Netlist::new(&slowed).bias(&[], &[]);
            chart.quantity("v(out)", "voltage").unwrap()
        } else {
            long_run(&text, "v(out)")
        };
        close(name, found, other, 2e-4 * other);
    }
}

/// A fixed panic: a cycle in which nothing is carried from one period to the next. The mean of half a sine is
/// its crest over pi (any textbook), and the diode takes half of its drop off that.
#[test]
fn a_rectifier_without_a_reservoir_is_solved() {
    let text = "No store\nVMAINS line 0 SIN(0 325 50)\nRS line a 10\nD1 a out DR\nR1 out 0 10k\n\
                .model DR D(is=1n n=1.8)\n.end\n";
    let chart = Netlist::new(text).bias(&[], &[]);
    let found = chart.quantity("v(out)", "voltage").unwrap();
    let mean = 325.0 / std::f64::consts::PI * 10e3 / 10.01e3;
    close("mean", found, mean - 0.35, 0.1);
}

/// A sine of the mains' frequency that charges nothing is left at rest, and named.
#[test]
fn a_source_left_at_rest_is_named() {
    let netlist = Netlist::new("Hum\nVHUM a 0 SIN(0 10 50)\nR1 a b 1k\nR2 b 0 1k\n.end\n");
    let ran = Gridleak::command("bias").path(netlist.path()).run();
    assert!(ran.stderr.contains("`VHUM` is at rest"), "{}", ran.stderr);
}

/// The plate of a triode without its resistor: found, with the leak of a socket, and said.
#[test]
fn a_plate_in_the_air_is_solved_and_named() {
    for (missing, words) in [
        (
            "RA",
            "the plate of `X1` is connected to nothing that supplies it",
        ),
        (
            "RK",
            "the cathode of `X1` is connected to nothing that supplies it",
        ),
    ] {
        let parts = [
            "VB b 0 300",
            "VIN g 0 0",
            "RB b 0 100k",
            "RA b p 100k",
            "RK k 0 1.5k",
            "X1 p g k 12AX7",
            "C1 p out 22n",
            "RO out 0 1meg",
            "C2 k 0 25u",
        ];
        let kept = parts.iter().filter(|p| !p.starts_with(missing));
        let text: Vec<&str> = kept.copied().collect();
        let netlist = Netlist::new(&format!("In the air\n{}\n.end\n", text.join("\n")));
        let ran = Gridleak::command("bias").path(netlist.path()).run();
        assert_eq!(ran.status, 0, "{missing}: {}", ran.stderr);
        assert!(ran.stderr.contains(words), "{missing}: {}", ran.stderr);
        let strict = Gridleak::command("bias")
            .path(netlist.path())
            .arg("--strict");
        assert_eq!(strict.run().status, 1, "{missing}");
    }
}

/// A capacitor that charges through 100 k and a switch across it that senses it, on at 6 V and off at
/// 2 V: RC ln 2 from 2 V to 6 V of 10 V, the fall through 100 ohm besides. It used to settle
/// within the switch's band and never fired.
#[test]
fn a_relaxation_oscillator_fires() {
    let netlist = Netlist::new(
        "Relaxation\nVB b 0 10\nR1 b out 100k\nC1 out 0 100n\nS1 out 0 out 0 SW\n\
         .model SW sw(vt=4 vh=2 ron=100 roff=1g)\n.end\n",
    );
    let run = netlist.scope("0", "80m", "20u", &["v(out)"]);
    let (times, wave) = (run.column("time_s").unwrap(), run.column("v(out)").unwrap());
    let falls: Vec<f64> = (1..wave.len())
        .filter(|&k| wave[k] < 4.0 && wave[k - 1] > 4.0)
        .map(|k| times[k])
        .collect();
    assert!(falls.len() >= 9, "{falls:?}");
    let period = (falls[falls.len() - 1] - falls[1]) / (falls.len() - 2) as f64;
    let (rise, fall) = (10e-3 * 2f64.ln(), 10e-6 * 3f64.ln());
    close("period", period, rise + fall, 0.01 * rise);
}

/// tanh, limit, min, max and sgn of B sources by hand; what has no value is refused with its place.
#[test]
fn choices_in_expressions_are_made() {
    let netlist = Netlist::new(
        "Choices\nV1 a 0 1\nV2 n 0 -0.5\nB1 b 0 V=limit(3*v(a),-1,2)\nB2 c 0 V=min(v(a),v(n),4)\n\
         B3 d 0 V=max(v(n),0.25)\nB4 e 0 V=sgn(v(n))+tanh(v(a))\n\
         R1 b 0 1k\nR2 c 0 1k\nR3 d 0 1k\nR4 e 0 1k\n.end\n",
    );
    let chart = netlist.bias(&[], &[]);
    for (node, volts) in [
        ("v(b)", 2.0),
        ("v(c)", -0.5),
        ("v(d)", 0.25),
        ("v(e)", 1f64.tanh() - 1.0),
    ] {
        close(node, chart.quantity(node, "voltage").unwrap(), volts, 1e-12);
    }
    for (expression, status) in [
        ("1/0", 2),
        ("v(a)*(0/0)", 2),
        ("ln(0)", 2),
        ("1/(v(a)-1)", 3),
    ] {
        let netlist = Netlist::new(&format!(
            "None\nV1 a 0 1\nB1 b 0 V={expression}\nR1 b 0 1k\n.end\n"
        ));
        let ran = Gridleak::command("bias").path(netlist.path()).run();
        assert_eq!(ran.status, status, "{expression}: {}", ran.stderr);
        assert!(
            ran.stderr.contains("divides by zero"),
            "{expression}: {}",
            ran.stderr
        );
    }
}

/// A fixed bug: a bridge that has lost a diode leaves its winding to blocked diodes. Without a capacitance its
/// potential leaps from step to step, and no cycle was found. 1N4007 have one: 296.6 V then, 7.88 V of ripple.
#[test]
fn a_winding_between_blocked_diodes_is_solved() {
    let bridge = |model: &str| {
        format!(
            "Three of four\nVMAINS line 0 SIN(0 325.3 50)\nXMAINS line 0 a ct b 0 0 MT\nD1 a res {model}\n\
             D2 b res {model}\nD3 0 a {model}\nCR res 0 100u\nRD res bplus 1k\nCD bplus 0 47u\n\
             RBL res 0 220k\nRLOAD bplus 0 5.6k\n.model MT mains(vpri=230 vht=110 iht=0.2 heater=20 reg=0.08)\n\
             .model RECT D(is=2.55n n=1.75 bv=1000)\n.end\n"
        )
    };
    let of = |model: &str| {
        let circuit =
            Circuit::from_text(&bridge(model)).unwrap_or_else(|refused| panic!("{refused:?}"));
        let cycle = cycle(&circuit);
        let k = circuit.node("res").expect("there").0 - 1;
        let all = cycle.instants.iter().map(|i| i.x[k]);
        let ends = all.fold((f64::INFINITY, 0.0f64), |(low, high), v| {
            (low.min(v), high.max(v))
        });
        (cycle.mean()[k], ends.1 - ends.0)
    };
    let (bare, with) = (of("RECT"), of("1N4007"));
    close("mean", bare.0, with.0, 0.3);
    close("ripple", bare.1, with.1, 0.08);
    close("mean", bare.0, 296.6, 0.3);
}

/// A fixed bug: where a free winding moved by 0.1 V in one iteration of a step, the next one looked small
/// beside it and was taken for the last, while a rectifier's slope still lagged behind. The audit then
/// found the rectifier's current off by 1.2 to 12 times what is accepted.
#[test]
fn a_rectifier_that_begins_to_conduct_beside_a_free_winding_is_settled() {
    let bias = "DB neg bw DBIAS\n.model DBIAS D(is=2.55n n=1.75 bv=1000)\nRB1 bias 0 10k\nRB0 neg bias 1k\nCBIAS 0 neg 22u\nCB2 0 bias 10u\n";
    let output = "XV2 p2 s2 g2 0 6L6GC\nRS2 screens s2 470\nXOT p2 res 0 sec4 sec8 sec16 OT\n\
        .model OT singleended(ra=5k power=12 idc=0.07)\nXSP sec8 0 SPK\n.model SPK speaker(ohms=8)\n";
    // A fuse in the neutral wire, with a choke and a single-ended stage.
    let choke = format!(
        "t\nVMAINS line 0 SIN(0 325.3 50)\nRFUSE 0 neu 0.5\nXMAINS line neu ht1 0 ht2 bw 0 MAINS\n\
         .model MAINS mains(vpri=230 vht=290 iht=0.12 vbias=45 ibias=50m heater=25 reg=0.08)\n\
         XV9 ht1 ht2 res 5Y3GT\nCRES res 0 16u\nXCHOKE res screens CH\n\
         .model CH choke(l=8 idc=0.08 r=250)\nCSCR screens 0 32u\nRBLEED screens 0 220k\n\
         DB neg bw DBIAS\n.model DBIAS D(is=2.55n n=1.75 bv=1000)\nRB0 neg bias 1.5k\n\
         CBIAS 0 neg 47u\nRB1 bias 0 3.3k\nRG2 g2 bias 82k\n{output}"
    );
    // A valve rectifier into a resistor: 60 pA of 390 nA were missed where its plate begins to draw.
    let resistor = format!(
        "t\nVMAINS line 0 SIN(0 325.3 50)\nRFUSE 0 neu 4.623\nXMAINS line neu ht1 0 ht2 bw 0 MAINS\n\
         .model MAINS mains(vpri=230 vht=350 iht=0.1 vbias=50 ibias=0.05 heater=10 reg=0.08)\n\
         XV9 ht1 ht2 rec 5AR4\nCREC rec 0 50u\nRDR rec screens 2200\nCSCR screens 0 32u\n\
         RD screens bplus 10k\nCB bplus 0 10u\nRLOAD screens 0 3.3k\n{bias}"
    );
    // A doubler of silicon diodes.
    let doubler = "t\nVMAINS line 0 SIN(0 325.3 50)\nXMAINS line 0 ht1 0 ht2 bw 0 MAINS\n\
         .model MAINS mains(vpri=230 vht=267 iht=0.12 vbias=50 ibias=0.01 heater=10 reg=0.08)\n\
         .model SI D(is=2.55n n=1.75 bv=1000)\nD1 ht1 rec SI\nD2 gx ht1 SI\nCD1 rec 0 100u\n\
         CD2 0 gx 100u\nRD2 gx 0 220k\nCRES rec 0 47u\nDB neg bw SI\nRB0 neg bias 1.5k\n\
         CBIAS 0 neg 47u\nRB1 bias 0 22k\nCB2 0 bias 22u\nRG2 g2 bias 100k\nXV2 p2 s2 g2 0 EL34\n\
         RS2 rec s2 470\nRLP rec p2 2.5k\n"
        .to_string();
    for text in [choke, resistor, doubler] {
        let netlist = Netlist::new(&text);
        let run = Gridleak::command("bias").path(netlist.path());
        let ran = run.arg("--quiet").run();
        assert_eq!(ran.status, 0, "{}", ran.stderr);
    }
}
