//! Netlists as other people write them mean here what the SPICE 2G6 and SPICE3F5 user's guides
//! (Berkeley; from memory) say, or it is said that they do not.
mod common;

use common::{Gridleak, Netlist, close};

/// The figures of a netlist at rest, by their probes.
#[track_caller]
fn at_rest(text: &str, probes: &[&str]) -> Vec<f64> {
    let table = Netlist::new(&format!("t\n{text}\n.end\n")).bias(&[], probes);
    let rows = &table.rows[table.rows.len() - probes.len()..];
    let read = |(row, probe): (&Vec<String>, &&str)| {
        assert_eq!(row[0], **probe);
        row[2].parse().expect("a number")
    };
    rows.iter().zip(probes).map(read).collect()
}

/// What is said of a netlist at rest.
#[track_caller]
fn said(text: &str, command: &str) -> String {
    let netlist = Netlist::new(&format!("t\n{text}\n.end\n"));
    let run = Gridleak::command(command).path(netlist.path()).run();
    assert_eq!(run.status, 0, "{}", run.stderr);
    run.stderr
}

/// Square law above pinch-off: kp/2 w/l (vgs - vto)^2.
#[test]
fn options_size_the_transistors_that_do_not_say_their_own() {
    let amperes = |width: &str, options: &str, expected: f64| {
        let text = format!(
            "VG g 0 3\nVD d 0 5\nM1 d g 0 0 MX {width}\n\
             .model MX nmos(vto=1 kp=20u)\n{options}"
        );
        let found = at_rest(&text, &["i(VD)"])[0];
        close(&text, -found, expected, 1e-6 * expected);
    };
    amperes("", "", 40e-6);
    amperes("", ".options defl=10u defw=50u", 200e-6);
    amperes("w=20u", ".options defl=10u defw=50u", 80e-6);
    amperes("l=5u w=20u", ".options defl=10u defw=50u", 160e-6);
    amperes("", ".options defl=10u defw=50u\n.options defl=20u", 100e-6);
}

/// Models of another temperature matter to junctions and to resistors with a coefficient.
#[test]
fn a_nominal_temperature_is_named_where_it_matters() {
    let valve = "VB b 0 300\nRP b p 100k\nXV1 p 0 k 12AX7\nRK k 0 1.5k\n.options tnom=25";
    assert_eq!(said(valve, "bias"), "");
    let warm = "V1 a 0 5\nR1 a 0 1k tc1=1m\n";
    assert_eq!(said(&format!("{warm}.options tnom=27"), "bias"), "");
    let told = said(&format!("{warm}.options tnom=25"), "bias");
    assert!(told.contains("`tnom=25` is not read"), "{told}");
}

/// `IC=` belongs to `UIC`, as published.
#[test]
fn initial_values_that_do_not_count_are_named() {
    let text = "V1 a 0 5\nR1 a b 1k\nR2 b 0 1k\nC1 b 0 1u ic=4\nC2 b 0 1u\n.tran 1m 1m";
    let told = said(text, "scope");
    assert!(told.contains("`IC=` of `C1` is not read"), "{told}");
    assert_eq!(said(&format!("{text} uic"), "scope"), "");
    assert_eq!(said(text, "bias"), "");
}
