//! What parts must stand while an amplifier plays: against `scope`, whose waves are integrated here
//! by trapezoids, and against figures worked out by hand.
mod common;

use common::{Gridleak, Netlist, close};

/// A single-ended stage on ideal supplies, driven far into clipping.
const STAGE: &str = "Single-ended stage
VB b 0 280
VIN in 0 DC 0 AC 1 SIN(0 12 500)
RGS in g 1k
XV1 p s g k EL84
RS b s 470 ; rated=0.5W
RK k 0 220 ; rated=2W
CK k 0 47u ; rated=25V electrolytic ripple=0.05A
XOT p b 0 t4 t8 t16 OT
RL t8 0 8
.model OT singleended(ra=5.2k power=6 idc=60m)
.end
";

fn figure(netlist: &Netlist, figures: &[&str]) -> Vec<f64> {
    let run = Gridleak::command("vary").path(netlist.path());
    let run = run.option("--vary", "RL=8");
    let run = figures.iter().fold(run, |run, f| run.option("--figure", f));
    let table = run.table().unwrap_or_else(|why| panic!("{why}"));
    table.column("value").unwrap()
}

/// Mean, root mean square, least and greatest of a wave at even times over whole periods.
fn of_wave(wave: &[f64]) -> (f64, f64, f64, f64) {
    let n = (wave.len() - 1) as f64;
    let sum = |f: &dyn Fn(f64) -> f64| {
        let inner: f64 = wave[1..wave.len() - 1].iter().map(|&v| f(v)).sum();
        (inner + 0.5 * (f(wave[0]) + f(wave[wave.len() - 1]))) / n
    };
    let least = wave.iter().copied().fold(f64::MAX, f64::min);
    let most = wave.iter().copied().fold(f64::MIN, f64::max);
    (sum(&|v| v), sum(&|v| v * v).sqrt(), least, most)
}

#[test]
fn driven_stresses_are_those_of_scope_integrated() {
    let netlist = Netlist::new(STAGE);
    let probes = [
        "v(p)", "v(k)", "v(s)", "i(VB)", "i(RK)", "i(CK)", "i(RS)", "v(p,k)", "p(RL)", "i(RGS)",
        "v(g)",
    ];
    let run = netlist.scope("0.196", "0.2", "1u", &probes);
    let wave = |name: &str| run.column(name).unwrap_or_else(|why| panic!("{why}"));
    let product =
        |a: &[f64], b: &[f64]| -> Vec<f64> { a.iter().zip(b).map(|(a, b)| a * b).collect() };
    let minus =
        |a: &[f64], b: &[f64]| -> Vec<f64> { a.iter().zip(b).map(|(a, b)| a - b).collect() };
    // Kirchhoff: what comes from the supply and not through the screen's resistor is the plate's;
    // what goes through RK and CK is all of it.
    let (screen, grid) = (wave("i(RS)"), wave("i(RGS)"));
    let cathode: Vec<f64> = wave("i(RK)")
        .iter()
        .zip(wave("i(CK)"))
        .map(|(a, b)| a + b)
        .collect();
    let plate = minus(&minus(&cathode, &screen), &grid);
    let with = "with level 12, frequency 500";
    let asked = [
        format!("driven plate dissipation of XV1 {with}"),
        format!("driven screen dissipation of XV1 {with}"),
        format!("peak cathode current of XV1 {with}"),
        format!("ripple current of CK {with}"),
        format!("driven dissipation of RK {with}"),
        format!("peak plate voltage of XV1 {with}"),
        format!("power delivered of XOT {with}"),
        format!("peak voltage of RS {with}"),
    ];
    let asked: Vec<&str> = asked.iter().map(String::as_str).collect();
    let found = figure(&netlist, &asked);
    let heat = |volts: &[f64], amperes: &[f64]| of_wave(&product(volts, amperes)).0;
    // The capacitances of the model carry current that heats nothing; they are small here.
    close(
        "plate",
        found[0],
        heat(&wave("v(p,k)"), &plate),
        0.003 * found[0],
    );
    let across = minus(&wave("v(s)"), &wave("v(k)"));
    close("screen", found[1], heat(&across, &screen), 0.003 * found[1]);
    close("crest", found[2], of_wave(&cathode).3, 0.01 * found[2]);
    close(
        "ripple",
        found[3],
        of_wave(&wave("i(CK)")).1,
        0.003 * found[3],
    );
    let rk = of_wave(&wave("i(RK)")).1;
    close("RK", found[4], 220.0 * rk * rk, 0.003 * found[4]);
    close(
        "swing",
        found[5],
        of_wave(&wave("v(p,k)")).3,
        0.003 * found[5],
    );
    close(
        "load",
        found[6],
        of_wave(&wave("p(RL)")).0,
        0.003 * found[6],
    );
    let rs = of_wave(&screen);
    close("RS", found[7], 470.0 * rs.3.max(-rs.2), 0.01 * found[7]);
}

/// An EL84 that idles within its ratings is far beyond them when it is driven: the chart at rest
/// says ok, the driven one does not, and `--strict` heeds it.
#[test]
fn a_screen_that_is_ok_at_rest_is_judged_driven() {
    let netlist = Netlist::new(STAGE);
    let bias = || {
        Gridleak::command("bias")
            .path(netlist.path())
            .arg("--strict")
    };
    assert_eq!(bias().run().status, 0);
    let driven = bias()
        .option("--drive", "12")
        .option("--frequency", "500")
        .run();
    assert_eq!(driven.status, 1, "{}", driven.stderr);
    assert!(
        driven.stderr.contains("driven screen dissipation of `XV1`"),
        "{}",
        driven.stderr
    );
    // The summary on top must not call it well.
    assert!(
        driven
            .stdout
            .contains("OVER: driven screen dissipation of `XV1`")
            && !driven.stdout.contains("are within it"),
        "{}",
        driven.stdout
    );
    assert!(
        driven.stderr.contains("ripple current of `CK`"),
        "{}",
        driven.stderr
    );
    let table = Gridleak::command("bias")
        .path(netlist.path())
        .option("--drive", "full")
        .table()
        .unwrap();
    let of = |quantity: &str| table.quantity("XV1", quantity).unwrap();
    // The rows of rest stay what they were.
    assert!(of("screen dissipation") < 2.0 && of("driven screen dissipation") > 2.0);
}

/// Reservoir and windings of a mains supply, against a long run of `scope`.
#[test]
fn ripple_and_winding_currents_are_those_of_a_long_run() {
    let netlist = Netlist::new(
        "Supply\nVMAINS line 0 SIN(0 325.3 50)\nXM line 0 h1 0 h2 0 0 MT\nD1 h1 res DR\nD2 h2 res DR\n\
         CR res 0 22u ; rated=450V ripple=1A\nRL res 0 5k ; rated=50W\n.model DR D(is=2.55n n=1.75)\n\
         .model MT mains(vpri=230 vht=250 iht=0.1 loss=1)\n.end\n",
    );
    let table = Gridleak::command("bias")
        .path(netlist.path())
        .table()
        .unwrap();
    let run = netlist.scope(
        "2",
        "2.02",
        "5u",
        &["i(CR)", "i(VMAINS)", "i(D1)", "v(line)", "v(h1)"],
    );
    let rms = |name: &str| of_wave(&run.column(name).unwrap()).1;
    let of = |subject: &str, quantity: &str| table.quantity(subject, quantity).unwrap();
    close(
        "mains",
        of("VMAINS", "rms current"),
        rms("i(VMAINS)"),
        0.01 * rms("i(VMAINS)"),
    );
    close(
        "ht1",
        of("XM", "ht1 rms current"),
        rms("i(D1)"),
        0.01 * rms("i(D1)"),
    );
    close(
        "line",
        of("v(line)", "ac voltage"),
        325.3 / 2f64.sqrt(),
        0.05,
    );
    close("winding", of("v(h1)", "ac voltage"), rms("v(h1)"), 0.5);
    assert!(
        table.quantity("v(res)", "ac voltage").is_err(),
        "a reservoir is DC"
    );
    let found = figure(&netlist_with_load(&netlist), &["ripple current of CR"])[0];
    close("ripple", found, rms("i(CR)"), 0.01 * found);
}

/// `vary` steps RL in all tests here.
fn netlist_with_load(netlist: &Netlist) -> Netlist {
    let text = std::fs::read_to_string(netlist.path()).unwrap();
    Netlist::new(&text.replace("RL res 0 5k", "RL a 0 8\nRA a 0 8\nRLOAD res 0 5k"))
}

/// Worked out by hand: with cold valves the plate and its coupling capacitor rise to the supply,
/// and mains 10 % high raise all of it by a tenth.
#[test]
fn states_are_cold_and_high_and_in_standby() {
    let netlist = Netlist::new(
        "States\nVMAINS line 0 SIN(0 325.3 50)\nXM line 0 h1 0 h2 0 0 MT\nD1 h1 res DR\nD2 h2 res DR\n\
         CR res 0 47u ; rated=450V\nXSTANDBY res b toggle at=1\nCB b 0 10u ; rated=450V\nRP b p 100k\nCC p out 22n ; rated=400V\nRO out 0 1meg\n\
         VIN in 0 DC 0 AC 1\nRG in g 1k\nRK k 0 1.5k\nXV1 p g k 12AX7\n.model DR D(is=2.55n n=1.75)\n\
         .model MT mains(vpri=230 vht=250 iht=0.1 loss=1)\n.end\n",
    );
    let path = netlist.path().with_extension("json");
    let run = Gridleak::command("bias")
        .path(netlist.path())
        .option("--drive", "0.1")
        .option("--json", path.to_str().unwrap())
        .arg("--quiet")
        .run();
    assert_eq!(run.status, 0, "{}", run.stderr);
    let record: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(&path).unwrap()).unwrap();
    let states: Vec<&str> = record["states"]
        .as_array()
        .unwrap()
        .iter()
        .map(|s| s.as_str().unwrap())
        .collect();
    let names = [
        "at rest",
        "mains -10 %",
        "mains +10 %",
        "warming up",
        "standby",
        "driven",
        "half driven",
        "driven, mains +10 %",
        "half driven, mains +10 %",
    ];
    assert_eq!(states, names);
    let values = |subject: &str| -> Vec<f64> {
        let all = record["stresses"].as_array().unwrap().iter();
        let mut own = all.filter(|s| s["subject"] == subject && s["quantity"] == "peak voltage");
        let values = own.next().unwrap()["values"].as_array().unwrap().clone();
        values.iter().map(|v| v.as_f64().unwrap()).collect()
    };
    let (reservoir, coupling) = (values("CR"), values("CC"));
    close("low", reservoir[1], 0.9 * reservoir[0], 0.5);
    close("high", reservoir[2], 1.1 * reservoir[0], 0.5);
    assert!(
        coupling[3] > 0.99 * reservoir[3],
        "cold: {coupling:?} {reservoir:?}"
    );
    assert!(coupling[4] < 1.0, "in standby: {coupling:?}");
    let crest = 1.1 * 250.0 * 2f64.sqrt();
    assert!(
        reservoir[4] > crest,
        "standby is unloaded: {} V over {crest} V",
        reservoir[4]
    );
}

/// A range of mains without a signal: the chart judges all of it.
#[test]
fn a_range_of_mains_is_gone_through() {
    let supply = "Range\nVMAINS line 0 SIN(0 325.3 50)\nRW line a 50\nD1 a res DR\nCR res 0 47u ; rated=315V\n\
                  RL res 0 10k\n.model DR D(is=2.55n n=1.75)\n.end\n";
    let netlist = Netlist::new(supply);
    let run = |options: &[&str]| {
        let run = Gridleak::command("bias").path(netlist.path());
        options.iter().fold(run, |run, o| run.arg(o)).run()
    };
    assert_eq!(run(&["--strict"]).status, 0);
    let range = run(&["--strict", "--mains", "90..110"]);
    assert_eq!(range.status, 1, "{}", range.stderr);
    assert!(range.stdout.contains("mains +10 %"), "{}", range.stdout);
    assert_eq!(run(&["--mains", "110..90"]).status, 2);
}

/// By hand, 10 V across a 10 k pot whose wiper is at a quarter (2.5 k below it) and loaded with
/// 1 k: below the wiper 714.3 ohm in parallel, so 1.2069 mA come in through 7.5 k, 0.3448 mA go
/// through the lower half. Heat 7500 i1^2 + 2500 i2^2 = 11.2 mW; the whole track at i1 14.6 mW.
#[test]
fn a_pot_is_judged_by_the_current_in_its_busier_half() {
    let netlist = Netlist::new(
        "Pot\nV1 a 0 10\nXP a w 0 P knob=2.5 ; rated=0.0142W\nR1 w 0 1k\n.model P pot(r=10k)\n\
         VIN in 0 AC 1 SIN(0 1 1k)\nRL in 0 8\n.end\n",
    );
    let found = figure(
        &netlist,
        &[
            "driven dissipation of XP with level 1",
            "track dissipation of XP with level 1",
            "peak voltage of XP with level 1",
        ],
    );
    let (i1, i2) = (
        10.0 / (7500.0 + 2500.0 / 3.5),
        10.0 / (7500.0 + 2500.0 / 3.5) / 3.5,
    );
    close("heat", found[0], 7500.0 * i1 * i1 + 2500.0 * i2 * i2, 1e-9);
    close("track", found[1], 10e3 * i1 * i1, 1e-9);
    close("volts", found[2], 10.0, 1e-9);
    let run = Gridleak::command("bias")
        .path(netlist.path())
        .option("--drive", "1")
        .arg("--strict")
        .run();
    assert_eq!(run.status, 1);
    assert!(
        run.stderr.contains("track dissipation of `XP`"),
        "{}",
        run.stderr
    );
}

/// A choke of 100 ohm that feeds 1 k from 55 V carries 50 mA: a quarter of a watt in its copper.
/// The heaters: four 6V6GT (6.3 V, 0.45 A each; RCA Receiving Tube Manual RC-30) take 11.3 W.
#[test]
fn copper_and_heater_windings_are_judged() {
    let text = |heater: &str| {
        format!(
            "Iron\nVMAINS line 0 SIN(0 325.3 50)\nXM line 0 h1 0 h2 0 0 MT\nD1 h1 res DR\nD2 h2 res DR\n\
             CR res 0 47u ; rated=450V\nRB res 0 10k ; rated=50W\n\
             VB b 0 55\nXL b o CH\nRO o 0 1k\nX1 res res 0 k 6V6GT\nX2 res res 0 k 6V6GT\nX3 res res 0 k 6V6GT\n\
             X4 res res 0 k 6V6GT\nRK k 0 1k ; rated=50W\nVIN in 0 AC 1 SIN(0 1 400)\nRL in 0 8\n\
             .model CH choke(l=5 idc=0.1 r=100)\n.model DR D(is=2.55n n=1.75)\n\
             .model MT mains(vpri=230 vht=250 iht=0.3 {heater})\n.end\n"
        )
    };
    let netlist = Netlist::new(&text("heater=12"));
    let found = figure(
        &netlist,
        &[
            "driven dissipation of XL with level 1, frequency 400",
            "driven dissipation of XM with level 1, frequency 400",
            "primary rms current of XM",
            "ht1 rms current of XM",
            "ht2 rms current of XM",
        ],
    );
    close("choke", found[0], 0.25, 1e-4);
    assert!(found[1] > 0.5, "{found:?}");
    let chart = |netlist: &Netlist| {
        Gridleak::command("bias")
            .path(netlist.path())
            .arg("--strict")
            .run()
    };
    let enough = chart(&netlist);
    assert!(!enough.stderr.contains("heaters take"), "{}", enough.stderr);
    let little = chart(&Netlist::new(&text("heater=11")));
    assert_eq!(little.status, 1, "{}", little.stderr);
    assert!(
        little
            .stderr
            .contains("the heaters take 11.3 W of the 11.0 W"),
        "{}",
        little.stderr
    );
}

/// The ratings of issue's list that a comment or a model gives, each just beyond and just within.
#[test]
fn each_rating_is_judged_at_rest() {
    let supply = |reservoir: &str, ohms: &str| {
        format!(
            "Ratings\nVMAINS line 0 SIN(0 325.3 50)\nXM line 0 h1 0 h2 0 0 MT\nXR h1 h2 res 5Y3GT\n\
             CR res 0 {reservoir} ; rated=500V electrolytic\nRB res 0 10k ; rated=50W\n\
             .model MT mains(vpri=230 vht=250 iht=0.1 rht={ohms} rpri=0.1)\n.end\n"
        )
    };
    let said = |text: &str| {
        let netlist = Netlist::new(text);
        let run = Gridleak::command("bias")
            .path(netlist.path())
            .arg("--strict")
            .run();
        (run.status, run.stderr)
    };
    // 5Y3GT: 20 uF at most and 50 ohm a plate at least (RCA Receiving Tube Manual RC-30; from memory).
    let (sound, text) = said(&supply("20u", "150"));
    assert_eq!(sound, 0, "{text}");
    let (status, text) = said(&supply("47u", "150"));
    assert!(
        status == 1 && text.contains("the reservoir of 47.0 µF is larger"),
        "{text}"
    );
    let (status, text) = said(&supply("20u", "5"));
    assert!(status == 1 && text.contains("each plate sees"), "{text}");
    let reversed =
        "Polarity\nV1 a 0 -20\nR1 a b 1k\nC1 b 0 22u ; electrolytic rated=50V\nRL b 0 1meg\n.end\n";
    let (status, text) = said(reversed);
    assert!(status == 1 && text.contains("reversed by 20.0 V"), "{text}");
    // 400 V across half a watt's body of 350 V, though it turns 0.16 W into heat.
    let body =
        "Body\nV1 a 0 400\nR1 a 0 1meg ; rated=0.5W\nVIN in 0 AC 1 SIN(0 1 1k)\nRL in 0 8\n.end\n";
    let netlist = Netlist::new(body);
    let run = Gridleak::command("bias")
        .path(netlist.path())
        .option("--drive", "1")
        .arg("--strict")
        .run();
    assert!(
        run.status == 1 && run.stderr.contains("peak voltage of `R1`"),
        "{}",
        run.stderr
    );
    // Without a load an output transformer is a note at rest and a fault with a signal.
    let open = STAGE.replace("RL t8 0 8\n", "");
    let netlist = Netlist::new(&open);
    let bias = || {
        Gridleak::command("bias")
            .path(netlist.path())
            .arg("--strict")
    };
    let rest = bias().run();
    assert!(
        rest.status == 0 && rest.stderr.contains("no load on its taps"),
        "{}",
        rest.stderr
    );
    let driven = bias()
        .option("--drive", "0.5")
        .option("--frequency", "500")
        .run();
    assert!(
        driven.status == 1
            && driven.stderr.contains("warning")
            && driven.stderr.contains("no load on its taps"),
        "{}",
        driven.stderr
    );
}
