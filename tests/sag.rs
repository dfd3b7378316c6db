//! A sine beside the mains: sag, hum and power of supplies that are no batteries.
mod common;

use common::{Gridleak, Netlist, Table, close};
use std::f64::consts::TAU;
use std::path::{Path, PathBuf};

fn lapwing(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("netlists/lapwing")
        .join(name)
}

fn column(table: &Table, name: &str) -> Vec<f64> {
    table.column(name).unwrap_or_else(|why| panic!("{why}"))
}

/// Peak of what repeats `turns` times in the table; its last row begins the next period.
fn part(table: &Table, name: &str, turns: f64) -> f64 {
    let wave = column(table, name);
    let rows = wave.len() - 1;
    let sum = |f: fn(f64) -> f64| -> f64 {
        let of = |k: usize| f(TAU * turns * k as f64 / rows as f64);
        (0..rows).map(|k| wave[k] * of(k)).sum()
    };
    2.0 / rows as f64 * sum(f64::sin).hypot(sum(f64::cos))
}

/// A stage on a half-wave supply that its sine loads.
const STAGE: &str = "Stage on the mains\nVMAINS m 0 SIN(0 325 50)\nRS m a 100\nD1 a b DR\n\
    C1 b 0 10u\nRL b 0 10k\nVIN in 0 DC 2 AC 1 SIN(2 1 400)\nB1 b out I=1m*v(in)*v(in)\n\
    RO out 0 1k\n.model DR D(is=2.55n n=1.75)\n.end\n";

fn json(run: &Gridleak) -> serde_json::Value {
    let ran = run.run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    serde_json::from_str(&ran.stdout).expect("JSON")
}

/// The steady state of both is what a long simulation comes to: time constant 0.1 s, so that after 2 s
/// nothing is left of the start.
#[test]
fn a_sine_beside_the_mains_is_that_of_a_long_run() {
    let netlist = Netlist::new(STAGE);
    let found = json(
        &Gridleak::command("distortion")
            .path(netlist.path())
            .option("--frequency", "400")
            .option("--level", "1")
            .option("--probe", "v(b)")
            .option("--json", "-"),
    );
    let reading = &found["levels"][0];
    let number = |key: &str| reading[key].as_f64().expect("a number");
    let run = netlist.scope("2", "2.02", "10u", &["v(b)"]);
    let wave = column(&run, "v(b)");
    let rows = wave.len() - 1;
    let mean = wave[..rows].iter().sum::<f64>() / rows as f64;
    close("mean", number("output_mean"), mean, 2e-5 * mean);
    let squares = wave[..rows].iter().map(|v| (v - mean).powi(2));
    let rms = (squares.sum::<f64>() / rows as f64).sqrt();
    close("ripple and sine", number("output_rms"), rms, 1e-3 * rms);
    // The eighth of the mains is the sine.
    let h1 = part(&run, "v(b)", 8.0) / 2f64.sqrt();
    let db = reading["harmonics_db"][0].as_f64().expect("a number");
    close("sine", 10f64.powf(db / 20.0), h1, 2e-3 * h1);
}

/// 997.3 Hz and 50 Hz have no period of 64 cycles in common.
#[test]
fn what_has_no_period_in_common_is_refused_with_a_hint() {
    let netlist = Netlist::new(STAGE);
    let ran = Gridleak::command("distortion")
        .path(netlist.path())
        .option("--frequency", "997.3")
        .option("--probe", "v(out)")
        .run();
    assert_eq!(ran.status, 3, "{}", ran.stderr);
    assert!(ran.stderr.contains("`VMAINS`"), "{}", ran.stderr);
    assert!(ran.stderr.contains("400 Hz or 1 kHz"), "{}", ran.stderr);
}

/// The Lapwing near full power on its own supply. That 6V6GT amplifiers of this size give about
/// 22 W and lose some tens of volts of their high tension is common practice, no published source.
#[test]
fn the_high_tension_sags_at_full_power() {
    let path = lapwing("amp.cir");
    let rest = Gridleak::command("bias").path(&path).table();
    let rest = rest.unwrap_or_else(|why| panic!("{why}"));
    let idle = rest
        .value("v(plates)")
        .unwrap_or_else(|why| panic!("{why}"));
    let found = json(
        &Gridleak::command("distortion")
            .path(&path)
            .option("--frequency", "400")
            .option("--level", "0.2")
            .option("--probe", "v(plates)")
            .option("--load", "RDUMMY")
            .option("--switch", "SPEAKER=0")
            .option("--switch", "DUMMY=1")
            .option("--knob", "MASTER=10")
            .option("--json", "-"),
    );
    let reading = &found["levels"][0];
    let watts = reading["load_w"].as_f64().expect("watts");
    let sag = idle - reading["output_mean"].as_f64().expect("volts");
    println!("{watts} W, {sag} V of sag");
    close("watts", watts, 22.0, 3.3);
    assert!((20.0..50.0).contains(&sag), "{sag} V");
}

/// A stage's supply ripple comes out divided by plate load and plate resistance, where the cathode
/// is bypassed (any textbook). Notes: this stage has rp 48.995 k beside Ra 100 k at 330 V, so
/// 0.32884 of it. The supply is a ripple of its own, with a reservoir large enough for a
/// plain wave; 100 Hz is what two rectifiers leave.
#[test]
fn hum_at_a_plate_is_ripple_through_its_resistance() {
    let netlist = Netlist::new(
        "Hum of a stage\nVA a 0 SIN(0 345.5 50)\nVB b 0 SIN(0 -345.5 50)\nRA a c 100\nRB b d 100\n\
         D1 c r DR\nD2 d r DR\nCR r 0 22u\nRR r 0 20k\nXV1 p 0 k TR\nRA1 r p 100k\nRK k 0 1.5k\n\
         CK k 0 10m\n.model DR D(is=2.55n n=1.75)\n\
         .model TR triode(mu=100 ex=1.4 kg1=1060 kp=600 kvb=300)\n.end\n",
    );
    let run = Gridleak::command("scope")
        .path(netlist.path())
        .arg("--warm");
    let run = run.option("--stop", "20m").option("--step", "20u");
    let run = run.probes(&["v(r)", "v(p)"]).table();
    let run = run.unwrap_or_else(|why| panic!("{why}"));
    let supply = column(&run, "v(r)");
    let mean = supply.iter().sum::<f64>() / supply.len() as f64;
    close("the notes' supply", mean, 330.0, 3.0);
    let ratio = part(&run, "v(p)", 2.0) / part(&run, "v(r)", 2.0);
    close("hum", ratio, 48.995 / 148.995, 0.004);
}

/// Hum of a push-pull stage is what its two halves do not cancel: nothing with equal valves, and with
/// one a fifth weaker much more (any textbook).
#[test]
fn a_pair_cancels_its_hum() {
    let ran = Gridleak::command("vary")
        .path(&lapwing("amp.cir"))
        .option("--vary", "XV5=6V6GT,6V6WEAK")
        .option("--figure", "ripple of v(tap8)")
        .option("--csv", "-")
        .arg("--quiet")
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let hum: Vec<f64> = (ran.stdout.lines().skip(1))
        .map(|line| {
            let value = line.rsplit(',').nth(1).expect("a value");
            value.parse().unwrap_or_else(|_| panic!("{line}"))
        })
        .collect();
    let (equal, unequal) = (hum[0], hum[1]);
    println!("{equal:e} V, {unequal:e} V");
    assert!(equal < 0.1e-3, "{equal} V");
    assert!(unequal > 20.0 * equal, "{unequal} V");
}
