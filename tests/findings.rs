//! An `ok` that is not is the worst bug of all: what does not work is said in words.
mod common;

use common::{Gridleak, Netlist};

/// Exit code with `--strict`, and what is said about the parts.
fn said(netlist: &str) -> (i32, String) {
    let netlist = Netlist::new(netlist);
    let run = Gridleak::command("bias")
        .path(netlist.path())
        .arg("--strict")
        .run();
    (run.status, run.stderr)
}

#[track_caller]
fn fails_with(netlist: &str, words: &str) {
    let (status, text) = said(netlist);
    assert_eq!(status, 1, "{text}");
    assert!(text.contains(words), "{words}: {text}");
    // The verdict stands in the result file too.
    let table = Gridleak::command("bias")
        .path(Netlist::new(netlist).path())
        .table()
        .unwrap();
    let verdicts: Vec<&String> = table.rows.iter().map(|row| &row[5]).collect();
    assert!(
        verdicts.iter().any(|v| v.contains(words)),
        "{words}: {verdicts:?}"
    );
}

#[track_caller]
fn content(netlist: &str) {
    let (status, text) = said(netlist);
    assert_eq!((status, text.contains("warning: `X")), (0, false), "{text}");
}

fn triode(line: &str, grid: &str) -> String {
    format!("Stage\nVB b 0 300\nRP b p 100k\n{grid}\nRK k 0 1.5k\n{line}\n.end\n")
}

#[test]
fn electrodes_that_are_exchanged_are_asked_about() {
    content(&triode("XV1 p g k 12AX7", "RG g 0 1meg"));
    fails_with(
        &triode("XV1 g p k 12AX7", "RG g 0 1meg"),
        "are plate and grid exchanged?",
    );
    fails_with(
        &triode("XV1 p k g 12AX7", "RG g 0 1meg"),
        "are grid and cathode exchanged?",
    );
    let power = |line: &str| {
        format!(
            "Power\nVB b 0 280\nVN n 0 -33\nRP b p 100\nRS b s 33k\nRG g n 100k\nRK k 0 1\n{line}\n.end\n"
        )
    };
    content(&power("XV1 p s g k 6V6GT"));
    fails_with(
        &power("XV1 p s k g 6V6GT"),
        "are grid and cathode exchanged?",
    );
}

#[test]
fn grid_current_cut_off_and_bottoming_are_said() {
    // A coupling capacitor that leaks lifts the grid.
    let leak = "RG g 0 1meg\nRL b g 3meg";
    fails_with(&triode("XV1 p g k 12AX7", leak), "grid current at rest");
    fails_with(
        &triode("XV1 p g k 12AX7", "VN n 0 -20\nRG g n 1meg"),
        "cut off: ",
    );
    // A cathode tied to a negative supply: all of the supply falls across the plate's resistor.
    let low = "Low\nVB b 0 300\nRP b p 1meg\nRG g 0 1meg\nRK k 0 10\nXV1 p g k 12AX7\n.end\n";
    fails_with(low, "bottomed: ");
    let screen = "Screen\nVB b 0 300\nRP b p 5k\nRS s 0 100k\nRG g 0 100k\nRK k 0 270\nXV1 p s g k 6V6GT\n.end\n";
    fails_with(screen, "the screen has no volts");
    let none = "None\nVB b 0 300\nRX b 0 100k\nRP p 0 100k\nRG g 0 1meg\nRK k 0 1.5k\nXV1 p g k 12AX7\n.end\n";
    fails_with(none, "connected to nothing that supplies it");
    // A fixed bug: said of a plate that a low supply feeds.
    fails_with(
        &none.replace("p 0 100k", "b p 100k").replace("300", "2"),
        "what feeds the plate has 2.00 V",
    );
    // A misspelt supply is a warning beside it.
    let misspelt = none
        .replace("RX b 0", "RX bb 0")
        .replace("RP p 0", "RP bb p");
    fails_with(&misspelt, "connected to nothing that supplies it");
}

/// What is common practice is left alone: a follower straight at a plate, grid-leak bias, a long
/// tail with a grid at ground, a phase splitter.
#[test]
fn common_practice_is_no_finding() {
    content(
        "Follower\nVB b 0 300\nRP b p 220k\nRG g 0 1meg\nRK k 0 2.7k\nXV1A p g k 12AX7\n\
         XV1B b p k2 12AU7\nRK2 k2 0 68k\n.end\n",
    );
    content(
        "Long tail\nVB b 0 300\nVN n 0 -250\nRP1 b p 100k\nRP2 b q 100k\nRT t n 150k\nRG g 0 1meg\n\
         XV1A p g t 12AX7\nXV1B q 0 t 12AX7\n.end\n",
    );
    content(
        "Splitter\nVB b 0 300\nRP b p 56k\nRT t 0 56k\nRK k t 1.5k\nRG g t 1meg\nXV1 p g k 12AX7\n.end\n",
    );
    content("Grid leak\nVB b 0 250\nRP b p 270k\nRG g 0 1meg\nXV1 p g 0 12AX7\n.end\n");
}

/// A pair that a switch takes out is said to be off, and is no fault.
#[test]
fn what_is_switched_off_is_no_fault() {
    let pair = "Pair\nVB b 0 300\nRP b p 100k\nRG g 0 1meg\nRK k kk 1.5k\nXOFF kk 0 toggle at=0\n\
                XV1 p g k 12AX7\n.end\n";
    let (status, text) = said(pair);
    assert_eq!(status, 0, "{text}");
    assert!(text.contains("switched off"), "{text}");
    // In standby the grid of a follower is connected to nothing but the open switch: no fault of its leak.
    let standby = "Standby\nVB raw 0 300\nXSTANDBY raw b toggle at=0\nRP b p 220k\nRG g 0 1meg\nRK k 0 2.7k\n\
                   XV1A p g k 12AX7\nXV1B b p k2 12AU7\nRK2 k2 0 68k\n.end\n";
    let (status, text) = said(standby);
    assert_eq!(status, 0, "{text}");
    assert!(!text.contains("grid circuit resistance"), "{text}");
}

#[test]
fn electrolytics_and_transformers_are_looked_at() {
    fails_with(
        "Bias\nVN n 0 -40\nRN n bias 10k\nC1 bias 0 47u ; rated=63V electrolytic\nRB bias 0 100k\n.end\n",
        "reversed by 36.4 V: its plus is at `bias`",
    );
    content(
        "Bias\nVN n 0 -40\nRN n bias 10k\nC1 0 bias 47u ; rated=63V electrolytic\nRB bias 0 100k\n.end\n",
    );
    let output = |taps: &str, load: &str| {
        format!(
            "Output\nVB b 0 250\nRK k 0 470\nRG g 0 470k\nRS b s 10k\nXV1 p s g k 6V6GT\nXOT p b 0 {taps} OT\n{load}\n\
             .model OT singleended(ra=5k power=5 idc=50m)\n.end\n"
        )
    };
    content(&output("t4 t8 t16", "RL t8 0 8"));
    fails_with(&output("0 t8 t16", "RL t8 0 8"), "tied to ground");
    let (status, text) = said(&output("t4 t8 t16", "RFB t8 0 4.7k"));
    assert_eq!(status, 0, "{text}");
    assert!(text.contains("no load on its taps"), "{text}");
    // More standing current than the gap is made for.
    let (status, text) = said(&output("t4 t8 t16", "RL t8 0 8").replace("idc=50m", "idc=10m"));
    assert_eq!(status, 1);
    assert!(text.contains("standing current of `XOT`"), "{text}");
}

/// Data sheets: a 5Y3GT allows 20 uF and asks for 50 ohm before each plate (RCA, from memory).
#[test]
fn rectifier_valves_are_not_asked_for_too_much() {
    let supply = |farads: &str, ohms: &str| {
        format!(
            "Supply\nV1 a1 0 SIN(0 400 50)\nV2 a2 0 SIN(0 -400 50)\nR1 a1 p1 {ohms}\nR2 a2 p2 {ohms}\n\
             XV1 p1 p2 res 5Y3GT\nCR res 0 {farads}\nRL res 0 5k\n.end\n"
        )
    };
    content(&supply("16u", "100"));
    fails_with(
        &supply("47u", "100"),
        "larger than the 20.0 µF that it allows",
    );
    fails_with(
        &supply("16u", "10"),
        "each plate sees 10.0 Ω of winding, it needs 50.0 Ω",
    );
}

/// Transistors, chokes and inductors have rows of their own.
#[test]
fn every_active_part_has_its_rows() {
    let netlist = Netlist::new(
        "Parts\nVB b 0 9\nRD b d 4.7k\nRS s 0 1k\nRG g 0 1meg\nJ1 d g s JF\n.model JF njf(vto=-1.5 beta=1m)\n\
         RC b c 10k\nRB b bb 1meg\nQ1 c bb 0 QN\n.model QN npn(bf=200)\nXL b l1 CH\nRL1 l1 0 1k\n\
         .model CH choke(l=5 idc=5m)\n.end\n",
    );
    let table = Gridleak::command("bias")
        .path(netlist.path())
        .table()
        .unwrap();
    let of = |subject: &str, quantity: &str| table.quantity(subject, quantity).unwrap();
    let drain = of("J1", "drain current");
    assert!(
        (9.0 - 5.7e3 * drain - of("J1", "vds")).abs() < 1e-6,
        "{drain}"
    );
    assert!((of("J1", "vgs") + 1e3 * drain).abs() < 1e-6);
    assert!((9.0 - 1e4 * of("Q1", "collector current") - of("Q1", "vce")).abs() < 1e-6);
    assert!(of("Q1", "dissipation") > 0.0);
    // 9 V over 1 k and the choke's 100 ohm: beyond its 5 mA.
    assert!((of("XL", "direct current") - 9.0 / 1.1e3).abs() < 1e-6);
    let row = table.rows.iter().find(|r| r[0] == "XL").unwrap();
    assert_eq!(row[5], "over");
}

/// A supply of two silicon diodes: on the average of a cycle they are off, and yet they feed.
fn on_its_mains(lines: &str) -> String {
    format!(
        "Fed\nVMAINS line 0 SIN(0 325 50)\nXPT line 0 hta 0 htb 0 0 PT\n\
         .model PT mains(vpri=230 vht=250 iht=0.1)\n\
         D1 hta b0 1N4007\nD2 htb b0 1N4007\nC1 b0 0 47u\nRF b0 b1 1k ; rated=10\n\
         C2 b1 0 47u\n{lines}\n.end\n"
    )
}

#[test]
fn a_valve_on_a_supply_of_its_own_is_supplied() {
    content(&on_its_mains(
        "RP b1 p 100k\nRG g 0 1meg\nRK k 0 1.5k\nXV1 p g k 12AX7",
    ));
    content(&on_its_mains(
        "XOT p b1 0 t4 sp t16 OT\n.model OT singleended(ra=5.2k power=6 idc=50m)\nRL sp 0 8 ; rated=20\n\
         RS b1 s 1k ; rated=1\nRG g 0 470k\nRK k 0 270 ; rated=2\nXV1 p s g k EL84",
    ));
}

#[test]
fn an_amplifier_that_howls_on_its_mains_is_refused_in_time() {
    // Two stages and an output stage fed back from the wrong end of the transformer.
    let lines = |end: &str| {
        format!(
            "VIN in 0 0\nRI in g1 10k\nXVA p1 g1 k1 12AX7\nRP1 b1 p1 100k\nRK1 k1 kf 1.5k\n\
             RKF kf 0 100\nRF2 out kf 1k\nCC p1 g2 100n\nRG2 g2 0 470k\nXV2 p b1 g2 k2 EL84\n\
             RK2 k2 0 270\nCK2 k2 0 100u\nXOT {end} 0 t4 out t16 OT\n\
             .model OT singleended(ra=5.2k power=6 idc=50m)\nRL out 0 8"
        )
    };
    content(&on_its_mains(&lines("p b1")));
    let netlist = Netlist::new(&on_its_mains(&lines("b1 p")));
    let run = Gridleak::command("bias").path(netlist.path()).run();
    assert_eq!((run.status, run.stdout.as_str()), (3, ""), "{}", run.stderr);
    let named = run.stderr.contains("oscillates at") || run.stderr.contains("runs away");
    assert!(named, "{}", run.stderr);
}

/// 335-0-335 V into silicon: 474 V on the reservoir and as many from the winding.
fn silicon(volts: &str, lines: &str) -> String {
    format!(
        "Silicon\nVMAINS line 0 SIN(0 325.3 50)\nXM line 0 h1 0 h2 0 0 MT\n\
         .model MT mains(vpri=230 vht={volts} iht=0.15 heater=20)\nCR bp 0 47u ; rated=500V electrolytic\n\
         RL bp 0 10k ; rated=100W\n{lines}\n.end\n"
    )
}

/// An unrated 1N4007 clamped the reservoir at 495 of 500 V with the mains 10 % high, and all was `ok`;
/// with a diode that does not break down it is 523 V.
#[test]
fn a_rectifier_that_conducts_backward_is_grave() {
    let strict = |netlist: &str, mains: &str| {
        let netlist = Netlist::new(netlist);
        let run = Gridleak::command("bias").path(netlist.path());
        let run = run.option("--mains", mains);
        let rows = run.table().expect("a chart").rows;
        (run.arg("--strict").run(), rows)
    };
    let plain = silicon("335", "D1 h1 bp 1N4007\nD2 h2 bp 1N4007");
    // At nominal mains they block 977 V.
    assert_eq!(said(&plain).0, 0);
    let (run, rows) = strict(&plain, "90..110");
    assert_eq!(run.status, 1, "{}", run.stderr);
    let words = "`D1`: conducts backward (mains +10 %)";
    assert!(run.stderr.contains(words), "{}", run.stderr);
    assert!(!run.stdout.contains("are within it"), "{}", run.stdout);
    let of = |subject: &str, quantity: &str| {
        let own = |r: &&Vec<String>| r[0] == subject && r[1] == quantity;
        rows.iter().find(own).expect("a row")
    };
    // The model's volts are the limit, and nothing that they clamp is `ok`.
    assert_eq!(of("D1", "peak inverse voltage")[4], "1000");
    let clamped = &of("CR", "peak voltage")[5];
    assert_eq!(clamped, "not known: a diode conducts backward");
    // A rating above the model's hides nothing; one below it is the limit.
    let hidden = plain.replace("1N4007", "1N4007 ; rated=1600V");
    assert_eq!(strict(&hidden, "90..110").0.status, 1);
    let low = plain.replace("1N4007", "1N4007 ; rated=600V");
    let (status, text) = said(&low);
    assert!(status == 1 && text.contains("its rating 600 V"), "{text}");
    // At rest, and with its model's own `bv`; two in series do.
    let high = silicon(
        "400",
        "D1 h1 bp DX\nD2 h2 bp DX\n.model DX d(is=4u n=2.9 bv=1000)",
    );
    fails_with(&high, "conducts backward (at rest)");
    let series = silicon(
        "335",
        "D1 h1 a 1N4007\nD3 a bp 1N4007\nD2 h2 b 1N4007\nD4 b bp 1N4007\n\
         RA h1 a 470k\nRB a bp 470k\nRC h2 b 470k\nRD b bp 470k",
    );
    let (run, _) = strict(&series, "90..110");
    assert!(!run.stderr.contains("backward"), "{}", run.stderr);
}

/// Without mains too; and what is made for its breakdown is left alone: by its type, by a test current
/// in its model, or by its few volts.
#[test]
fn a_zener_may_conduct_backward() {
    let held = |volts: &str, diode: &str, model: &str| {
        format!("Held\nVB b 0 {volts}\nR1 b k 100k\nD1 0 k {diode}\n{model}\n.end\n")
    };
    fails_with(
        &held("1200", "1N4007", ""),
        "conducts backward (at rest): 1.00 kV",
    );
    fails_with(&held("300", "1N4148", ""), "conducts backward");
    fails_with(
        &held("300", "DX", ".model DX d(bv=200 ibv=10u)"),
        "conducts backward",
    );
    for (diode, model) in [
        ("ZENER12", ""),
        ("DX", ".model DX d(bv=200 ibv=5m)"),
        ("DX", ".model DX d(bv=33)"),
        ("BZX85C100", ".model BZX85C100 d(bv=100)"),
        ("MYZENER", ".model MYZENER d(bv=150 ibv=100u)"),
    ] {
        let (status, text) = said(&held("300", diode, model));
        assert_eq!(status, 0, "{diode} {model}: {text}");
    }
    // Its `rated=` are watts: 288 V across 100 k leave it 12 V times 2.88 mA.
    let rated = |watts: &str| held("300", &format!("ZENER12 ; rated={watts}"), "");
    assert_eq!(said(&rated("0.5W")).0, 0);
    let (status, text) = said(&rated("0.01W"));
    assert!(
        status == 1 && text.contains("dissipation of `D1` is 34"),
        "{text}"
    );
}
