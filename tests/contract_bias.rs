//! The promises of `bias` and of the options that all commands share, word for word
//! (contract: "Commands", "The fine print").
mod common;

use common::{Gridleak, Netlist, Ran, Table, close};

const STAGE: &str = "\
Stage with a divider
VB supply 0 300
RA supply Plate 100k
RK cathode 0 1.5k
RG grid 0 1meg
VIN grid 0 DC 0 AC 1
XV1A plate grid cathode 12AX7K
XVOL plate wiper 0 A1M knob=5
RL wiper 0 1meg
XBRIGHT plate wiper toggle at=0
I1 0 extra 1m
RX extra 0 1k
.model 12AX7K triode(mu=100 ex=1.4 kg1=1060 kp=600 kvb=300 pamax=0.1)
.model A1M pot(r=1meg taper=audio mid=0.15)
.end
";

fn bias(netlist: &Netlist) -> Gridleak {
    Gridleak::command("bias").path(netlist.path())
}

fn table(run: Gridleak) -> Table {
    run.table().unwrap_or_else(|why| panic!("{why}"))
}

fn value(table: &Table, subject: &str) -> f64 {
    table.value(subject).unwrap_or_else(|why| panic!("{why}"))
}

/// A resistor fed with 1 mA: its volts are its value in kilohms.
fn one_resistor() -> Netlist {
    Netlist::new("One milliampere\nI1 0 a 1m\nR1 a 0 1k\nC1 a 0 1u\nL1 a b 1m\nR2 b 0 1e12\n.end\n")
}

#[test]
fn the_columns_are_those_of_the_contract() {
    let found = table(bias(&Netlist::new(STAGE)));
    assert_eq!(
        found.header,
        ["subject", "quantity", "value", "unit", "limit", "verdict"]
    );
}

#[test]
fn every_node_valve_resistor_and_source_has_its_rows() {
    let netlist = Netlist::new(STAGE);
    let found = table(bias(&netlist).probes(&["v(plate,cathode)", "i(RA)", "p(RA)"]));
    let has = |subject: &str, quantity: &str, unit: &str| {
        let row = found
            .rows
            .iter()
            .find(|r| r[0] == subject && r[1] == quantity)
            .unwrap_or_else(|| panic!("no {subject} {quantity} in {:?}", found.rows));
        assert_eq!(row[3], unit, "{row:?}");
    };
    for node in ["supply", "Plate", "cathode", "grid", "wiper", "extra"] {
        has(&format!("v({node})"), "voltage", "V");
    }
    for quantity in ["plate current", "grid current"] {
        has("XV1A", quantity, "A");
    }
    has("XV1A", "plate dissipation", "W");
    has("XV1A", "vgk", "V");
    has("XV1A", "vpk", "V");
    for resistor in ["RA", "RK", "RG", "RL", "RX"] {
        has(resistor, "dissipation", "W");
    }
    for source in ["VB", "VIN", "I1"] {
        has(source, "current", "A");
    }
    let last: Vec<&str> = found.rows[found.rows.len() - 3..]
        .iter()
        .map(|r| r[0].as_str())
        .collect();
    assert_eq!(last, ["v(plate,cathode)", "i(RA)", "p(RA)"]);
}

#[test]
fn a_pentode_has_rows_for_its_screen() {
    let found = table(bias(&Netlist::new(
        "Pentode\nVP p 0 250\nVS s 0 250\nVG g 0 -12.5\nXV4 p s g 0 6V6GT\n.end\n",
    )));
    let of = |quantity| found.quantity("XV4", quantity).expect(quantity);
    let (plate, screen) = (of("plate current"), of("screen current"));
    assert!(plate > 0.0 && screen > 0.0);
    close("plate", of("plate dissipation"), plate * 250.0, 1e-9);
    close("screen", of("screen dissipation"), screen * 250.0, 1e-9);
    close("vgk", of("vgk"), -12.5, 1e-12);
    close("vpk", of("vpk"), 250.0, 1e-12);
}

/// 1 k on 1 mA takes 1 mW; the source's own current is the one it drives.
#[test]
fn figures_follow_ohm_and_kirchhoff() {
    let found = table(bias(&one_resistor()).probes(&["v(a)", "i(R1)", "p(R1)", "i(I1)", "p(I1)"]));
    close("v", value(&found, "v(a)"), 1.0, 1e-8);
    close("i", value(&found, "i(R1)"), 1e-3, 1e-11);
    close("p", value(&found, "p(R1)"), 1e-3, 1e-11);
    close("i of I", value(&found, "i(I1)"), 1e-3, 1e-15);
    close("p of I", value(&found, "p(I1)"), -1e-3, 1e-11);
    close(
        "row",
        found.quantity("R1", "dissipation").expect("row"),
        1e-3,
        1e-11,
    );
}

#[test]
fn a_rating_is_judged_and_strict_makes_it_exit_code_1() {
    let netlist = Netlist::new(STAGE);
    let ran = bias(&netlist).option("--csv", "-").run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let found = Table::parse(&ran.stdout).expect("a table");
    let row = found
        .rows
        .iter()
        .find(|r| r[1] == "plate dissipation")
        .expect("a row");
    assert_eq!((row[4].as_str(), row[5].as_str()), ("0.1", "over"));
    assert!(ran.stderr.contains("warning: plate dissipation of `XV1A`"));
    assert_eq!(bias(&netlist).arg("--strict").run().status, 1);
    let eased = bias(&netlist)
        .option("--set", "12AX7K.pamax=1")
        .arg("--strict");
    assert_eq!(eased.run().status, 0);
}

#[test]
fn exit_code_2_is_for_usage_netlist_and_files() {
    let netlist = one_resistor();
    let status = |run: Gridleak| {
        let ran = run.run();
        assert!(!ran.stderr.is_empty(), "silence about {ran:?}");
        assert!(ran.stdout.is_empty(), "{}", ran.stdout);
        ran.status
    };
    assert_eq!(status(Gridleak::command("frobnicate")), 2);
    assert_eq!(status(Gridleak::command("bias")), 2);
    assert_eq!(status(bias(&netlist).arg("--frobnicate")), 2);
    assert_eq!(status(Gridleak::command("bias").arg("/no/such.cir")), 2);
    assert_eq!(status(bias(&netlist).option("--probe", "v(nowhere)")), 2);
    assert_eq!(status(bias(&netlist).option("--csv", "/no/such/x.csv")), 2);
    assert_eq!(
        status(bias(&netlist).option("--csv", "-").option("--json", "-")),
        2
    );
    assert_eq!(status(bias(&Netlist::new("t\nR1 a 0 fish\n"))), 2);
    assert_eq!(status(bias(&Netlist::new("t\nI1 0 a 1\nC1 a 0 1u\n"))), 2);
}

#[test]
fn exit_code_3_names_the_place_that_has_no_solution() {
    // v = v + 1 has none.
    let netlist = Netlist::new("No solution\nB1 a 0 V=v(a)+1\nR1 a 0 1k\n.end\n");
    let ran = bias(&netlist).run();
    assert_eq!(ran.status, 3, "{}", ran.stderr);
    assert!(
        ran.stderr.starts_with("error: no operating point found"),
        "{}",
        ran.stderr
    );
    assert!(
        ran.stderr.contains("`B1`") || ran.stderr.contains("`a`"),
        "{}",
        ran.stderr
    );
    assert!(ran.stderr.contains("\nhint: "), "{}", ran.stderr);
}

#[test]
fn csv_and_json_agree_with_the_row_values() {
    let netlist = Netlist::new(STAGE);
    let folder = tempfile::tempdir().expect("a folder");
    let json = folder.path().join("b.json");
    let csv = folder.path().join("b.csv");
    let ran = bias(&netlist)
        .option("--csv", csv.to_str().expect("UTF-8"))
        .option("--json", json.to_str().expect("UTF-8"))
        .arg("--quiet")
        .run();
    assert_eq!(
        (ran.status, ran.stdout.as_str(), ran.stderr.as_str()),
        (0, "", "")
    );
    let text = std::fs::read_to_string(json).expect("JSON is there");
    let record: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let table = Table::read(&csv).expect("a table");
    let rows = record["rows"].as_array().expect("rows");
    assert_eq!(rows.len(), table.rows.len());
    for (json, csv) in rows.iter().zip(&table.rows) {
        assert_eq!(json["subject"], csv[0].as_str());
        assert_eq!(json["quantity"], csv[1].as_str());
        let (a, b): (f64, f64) = (
            json["value"].as_f64().expect("a number"),
            csv[2].parse().expect("a number"),
        );
        // The reader of JSON that this test uses may be off in the last place.
        assert!((a - b).abs() <= 2.0 * f64::EPSILON * b.abs(), "{a} {b}");
        assert_eq!(json["unit"], csv[3].as_str());
    }
    let ran = bias(&netlist).option("--json", "-").run();
    serde_json::from_str::<serde_json::Value>(&ran.stdout).expect("JSON alone on stdout");
}

#[test]
fn quiet_still_prints_errors() {
    let ran = bias(&Netlist::new("t\nR1 a 0 0\nV1 a 0 1\n"))
        .arg("--quiet")
        .run();
    assert_eq!(ran.status, 2);
    assert!(ran.stderr.contains("zero resistance"), "{}", ran.stderr);
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    let netlist = Netlist::new(STAGE);
    let once = bias(&netlist).option("--json", "-").run().stdout;
    assert_eq!(bias(&netlist).option("--json", "-").run().stdout, once);
}

#[test]
fn set_reaches_values_and_sources() {
    let netlist = one_resistor();
    let volts = |setting: &str| value(&table(bias(&netlist).option("--set", setting)), "v(a)");
    close("R1=4k7", volts("R1=4k7"), 4.7, 1e-7);
    close("r1 = 330r", volts("r1 = 330r"), 0.33, 1e-8);
    close("R1=0k33", volts("R1=0k33"), 0.33, 1e-8);
    close("R1.value=2k", volts("R1.value=2k"), 2.0, 1e-8);
    close("I1=2m", volts("I1=2m"), 2.0, 1e-7);
    close("i1.dc=3m", volts("i1.dc=3m"), 3.0, 1e-7);
    // The last of several wins.
    let both = bias(&netlist)
        .option("--set", "R1=2k")
        .option("--set", "R1=3k");
    close("twice", value(&table(both), "v(a)"), 3.0, 1e-7);
    // The contract's own example. A source with a waveform keeps it: tests/mains_setting.rs.
    let supply = Netlist::new("t\nVB b 0 5\nR1 b 0 1k\n");
    let found = table(bias(&supply).option("--set", "VB=250"));
    close("VB", value(&found, "v(b)"), 250.0, 1e-9);
}

/// IEC 60062 (from memory): the letter stands for the decimal mark. Contract: `2m2` on a
/// resistor is 2.2 meg with a warning, on a capacitor milli.
#[test]
fn bug_set_did_not_know_whether_2m2_was_a_resistor() {
    let netlist = one_resistor();
    let run = |setting: &str| -> (f64, Ran) {
        let ran = bias(&netlist)
            .option("--set", setting)
            .option("--csv", "-")
            .run();
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        let found = Table::parse(&ran.stdout).expect("a table");
        (value(&found, "v(a)"), ran)
    };
    let (volts, ran) = run("R1=2m2");
    // 2.2 meg beside 1e12.
    close("v", volts, 1e-3 * 2.2e6 / (1.0 + 2.2e-6), 1e-3);
    assert!(
        ran.stderr.contains("warning: `2m2` is read as megohms"),
        "{}",
        ran.stderr
    );
    let (volts, _) = run("I1=2m2");
    close("v", volts, 2.2, 1e-7);
    // The capacitor's value shows in its time constant.
    let rc = Netlist::new("t\nV1 a 0 PULSE(0 1 0 1n)\nR1 a b 1k\nC1 b 0 1u\n");
    let scope = |setting: &str| {
        Gridleak::command("scope")
            .path(rc.path())
            .option("--stop", "1")
            .option("--step", "0.1")
            .option("--probe", "v(b)")
            .option("--set", setting)
            .table()
            .unwrap_or_else(|why| panic!("{why}"))
            .column("v(b)")
            .expect("a column")
    };
    // R C = 2.2 s.
    close(
        "C1=2m2",
        scope("C1=2m2")[10],
        1.0 - (-1.0f64 / 2.2).exp(),
        1e-6,
    );
    close("C1=p47", scope("C1=p47")[1], 1.0, 1e-6);
}

#[test]
fn set_reaches_parameters_of_models_and_instances() {
    let diode = Netlist::new("t\nI1 0 a 1m\nD1 a 0 DX\nR1 a 0 1e12\n.model DX d(is=1e-14 n=1)\n");
    let volts = |settings: &[&str]| {
        let run = settings
            .iter()
            .fold(bias(&diode), |run, s| run.option("--set", s));
        value(&table(run), "v(a)")
    };
    // v = n Vt ln(i/is + 1), Vt = kT/q = 0.0258649 V (contract), with CODATA's digits.
    let law = |n: f64, is: f64| n * 8.617333262e-5 * 300.15 * (1e-3 / is + 1.0f64).ln();
    close("statement", volts(&[]), law(1.0, 1e-14), 1e-6);
    close("n", volts(&["DX.n=2"]), law(2.0, 1e-14), 1e-6);
    close("is", volts(&["dx.IS=1p"]), law(1.0, 1e-12), 1e-6);
    close("area", volts(&["D1.area=10"]), law(1.0, 1e-13), 1e-6);
    close(
        "both",
        volts(&["DX.n=2", "DX.is=1f"]),
        law(2.0, 1e-15),
        2e-6,
    );
    // A built-in valve's parameter.
    let valve = Netlist::new("t\nVP p 0 200\nXV1 p 0 k 12AX7\nRK k 0 1k\n");
    let of = |s: &str| {
        table(bias(&valve).option("--set", s))
            .quantity("XV1", "plate current")
            .expect("a row")
    };
    assert!(of("12AX7.mu=50") > 1.2 * of("12AX7.mu=100"));
}

/// tc1, tc2 and ic are parameters as well.
#[test]
fn bug_temperature_coefficients_could_not_be_set() {
    let netlist = Netlist::new("t\nI1 0 a 1m\nR1 a 0 1k tc1=1m\n.temp 37\n");
    let volts = |s: &[&str]| {
        let run = s
            .iter()
            .fold(bias(&netlist), |run, s| run.option("--set", s));
        value(&table(run), "v(a)")
    };
    close("statement", volts(&[]), 1.01, 1e-9);
    close("tc1", volts(&["R1.tc1=2m"]), 1.02, 1e-9);
    close("tc2", volts(&["R1.tc2=1m"]), 1.11, 1e-9);
}

#[test]
fn set_reaches_into_subcircuits() {
    let netlist = Netlist::new(
        "t\nV1 a 0 10\nX1 a m half\nXs2 a n outer\nRl m 0 1e12\nRm n 0 1e12\n\
         .subckt half in out\nR5 in out 1k\nR6 out 0 1k\n.ends\n\
         .subckt outer in out\nXs2 in out half\n.ends\n.end\n",
    );
    let run = |s: &str| table(bias(&netlist).option("--set", s));
    close("X1.R5", value(&run("X1.R5=3k"), "v(m)"), 2.5, 1e-7);
    close("x1.r6", value(&run("x1.r6=3k"), "v(m)"), 7.5, 1e-7);
    close("others stay", value(&run("X1.R5=3k"), "v(n)"), 5.0, 1e-7);
    close("nested", value(&run("xS2.XS2.R5=3k"), "v(n)"), 2.5, 1e-7);
}

#[test]
fn knobs_and_switches_take_names_with_or_without_x() {
    let netlist = Netlist::new(
        "t\nV1 a 0 10\nXVOL a w 0 LIN knob=5\nXSW a s toggle at=0\nRS s 0 1k\nX1 a n tone\nRn n 0 1g\n\
         .subckt tone in out\nXMID in out 0 LIN knob=5\nXCUT out 0 toggle at=0\n.ends\n\
         .model LIN pot(r=1meg taper=linear)\n.end\n",
    );
    let volts = |option: &str, setting: &str, subject: &str| {
        value(&table(bias(&netlist).option(option, setting)), subject)
    };
    for name in ["VOL", "XVOL", "xvol", "vol"] {
        close(
            name,
            volts("--knob", &format!("{name}=2.5"), "v(w)"),
            2.5,
            1e-6,
        );
    }
    for name in ["X1.MID", "x1.xmid"] {
        // 0.25 meg beside 1 G.
        let loaded = 10.0 * 250e3 / (250e3 + 750e3 * (1.0 + 250e3 / 1e9));
        close(
            name,
            volts("--knob", &format!("{name}=2.5"), "v(n)"),
            loaded,
            1e-6,
        );
    }
    for name in ["SW", "XSW", "xsw"] {
        close(
            name,
            volts("--switch", &format!("{name}=1"), "v(s)"),
            10.0,
            1e-3,
        );
        close(
            name,
            volts("--switch", &format!("{name}=0"), "v(s)"),
            0.0,
            1e-6,
        );
    }
    close("nested", volts("--switch", "X1.CUT=1", "v(n)"), 0.0, 1e-6);
    close("by set", volts("--set", "XVOL.knob=7.5", "v(w)"), 7.5, 1e-6);
}

/// Contract: bottom to wiper r f, wiper to top r (1-f), each at least 1 ohm; linear f = x;
/// audio f = (b^x - 1)/(b - 1) with f(0.5) = mid, so b = (1/mid - 1)^2; reverse 1 - f(1-x).
#[test]
fn pots_follow_their_tapers() {
    for (taper, mid) in [
        ("linear", 0.15),
        ("audio", 0.15),
        ("audio", 0.1),
        ("reverse", 0.15),
    ] {
        let netlist = Netlist::new(&format!(
            "t\nV1 a 0 1\nXVOL a w 0 P knob=5\n.model P pot(r=1meg taper={taper} mid={mid})\n.end\n"
        ));
        for knob in [0.0, 1.0, 2.5, 5.0, 7.5, 9.0, 10.0] {
            let x: f64 = knob / 10.0;
            let b: f64 = (1.0 / mid - 1.0f64).powi(2);
            let audio = |x: f64| (b.powf(x) - 1.0) / (b - 1.0);
            let f = match taper {
                "audio" => audio(x),
                "reverse" => 1.0 - audio(1.0 - x),
                _ => x,
            };
            let (low, high) = ((1e6 * f).max(1.0), (1e6 * (1.0 - f)).max(1.0));
            let found = table(bias(&netlist).option("--knob", format!("VOL={knob}")));
            close(
                &format!("{taper} {mid} at {knob}"),
                value(&found, "v(w)"),
                low / (low + high),
                2e-9,
            );
        }
    }
}

#[test]
fn unknown_names_are_errors_with_a_suggestion() {
    let netlist = Netlist::new(STAGE);
    let said = |option: &str, text: &str| {
        let ran = bias(&netlist).option(option, text).run();
        assert_eq!(ran.status, 2, "{option} {text}: {}", ran.stderr);
        ran.stderr
    };
    for (option, text, error, hint) in [
        (
            "--set",
            "RZ=1k",
            "no element `RZ` to set",
            "did you mean `R",
        ),
        (
            "--set",
            "RA.walue=1k",
            "`RA` has no parameter `walue` to set",
            "it knows value",
        ),
        (
            "--set",
            "12AX7K.my=1",
            "`12AX7K` has no parameter `my` to set",
            "it knows mu",
        ),
        ("--set", "XV1A=5", "unknown valve or subcircuit `5`", "hint"),
        ("--set", "RA", "`RA` is not a setting", "for example"),
        ("--set", "RA=", "`RA=` is not a setting", "for example"),
        (
            "--set",
            "RA=fish",
            "setting of `RA` is `fish`, expected a number",
            "",
        ),
        (
            "--set",
            "RA=1e999",
            "setting of `RA` is `1e999`, expected a number",
            "",
        ),
        ("--set", "RA=0", "zero resistance of `RA`", "small value"),
        ("--knob", "VOLL=5", "no pot `VOLL`", "did you mean `VOL`?"),
        ("--knob", "RA=5", "no pot `RA`", ""),
        (
            "--knob",
            "VOL=11",
            "pot `XVOL` cannot be at 11: expected 0 to 10",
            "",
        ),
        ("--knob", "VOL=nan", "pot `XVOL` cannot be at nan", ""),
        (
            "--switch",
            "BRIGTH=1",
            "no toggle `BRIGTH`",
            "did you mean `BRIGHT`?",
        ),
        (
            "--switch",
            "BRIGHT=0.5",
            "toggle `XBRIGHT` cannot be at 0.5: expected 0 or 1",
            "",
        ),
        (
            "--probe",
            "v(palte)",
            "no node `palte`",
            "did you mean `Plate`?",
        ),
        (
            "--probe",
            "i(RAA)",
            "no element `RAA`",
            "did you mean `RA`?",
        ),
        ("--probe", "w(plate)", "unknown probe `w", ""),
    ] {
        let said = said(option, text);
        assert!(said.contains(error), "{option} {text}:\n{said}");
        assert!(said.contains(hint), "{option} {text}:\n{said}");
    }
}

#[test]
fn settings_that_are_wrong_are_shown_in_their_place() {
    let ran = bias(&one_resistor()).option("--set", "R1=0").run();
    assert!(
        ran.stderr.contains("--> command line:1:10"),
        "{}",
        ran.stderr
    );
    let ran = bias(&one_resistor()).option("--set", "C1=-1u").run();
    assert!(
        ran.stderr.contains("--> command line:1:10"),
        "{}",
        ran.stderr
    );
}

#[test]
fn names_compare_without_regard_to_case() {
    let netlist = Netlist::new("t\nv1 IN 0 10\nR1 in Out 1K\nr2 oUT GND 1k\n");
    let found = table(bias(&netlist).probes(&["V(OUT)", "I(R1)", "v(in,out)"]));
    close("v", value(&found, "V(OUT)"), 5.0, 1e-9);
    close("i", value(&found, "I(R1)"), 5e-3, 1e-12);
    let ran = bias(&Netlist::new("t\nV1 a 0 1\nR1 a 0 1\nr1 a 0 1\n")).run();
    assert_eq!(
        ran.status, 2,
        "a duplicate name in another case is one: {}",
        ran.stderr
    );
}

#[test]
fn print_op_statements_stand_in_for_probes() {
    let found = table(bias(&Netlist::new(
        "t\nV1 a 0 10\nR1 a 0 1k\n.print op i(R1)\n.print tran v(a)\n",
    )));
    let last = found.rows.last().expect("rows");
    assert_eq!(last[0], "i(R1)");
}

/// A fixed bug: only V and I had a row.
#[test]
fn every_source_has_its_current() {
    let netlist = Netlist::new(
        "t\nE1 e 0 a 0 2\nV1 a 0 2\nR1 a 0 1k\nR2 e 0 1k\nB1 c 0 V=3\nR3 c 0 1k\nG1 0 g a 0 1m\n\
         R4 g 0 1k\nF1 0 f V1 0.5\nR5 f 0 1k\nH1 h 0 V1 1k\nR6 h 0 1k\nI1 0 i 1m\nR7 i 0 1k\n\
         B2 0 j I=2m\nR8 j 0 1k\n",
    );
    let found = table(bias(&netlist));
    for (source, amperes) in [
        ("E1", -4e-3),
        ("V1", -2e-3),
        ("B1", -3e-3),
        ("G1", 2e-3),
        ("F1", -1e-3),
        ("H1", 2e-3),
        ("I1", 1e-3),
        ("B2", 2e-3),
    ] {
        let row = found.rows.iter().find(|r| r[0] == source).expect(source);
        assert_eq!(row[1], "current");
        close(source, row[2].parse().expect("a number"), amperes, 1e-11);
    }
    let printed = bias(&netlist).arg("--all").run().stdout;
    for source in ["E1", "G1", "B2"] {
        assert!(printed.contains(&format!("\n  {source} ")), "{printed}");
    }
}

/// A fixed bug: a source that feeds nothing was an error, a controlled one was not.
#[test]
fn a_source_that_feeds_nothing_is_a_warning() {
    let netlist = Netlist::new("t\nV1 a 0 DC 2 SIN(0 1 1k)\nVB b 0 6\nR1 b 0 1k\n");
    let ran = bias(&netlist).option("--csv", "-").run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert!(
        ran.stderr.contains("warning: `V1` stands alone"),
        "{}",
        ran.stderr
    );
    assert!(ran.stdout.contains("v(a),voltage,2,V"), "{}", ran.stdout);
}

/// `.ic` is for scope; a chart is of the circuit left alone.
#[test]
fn ic_does_not_hold_nodes_in_bias() {
    let found = table(bias(&Netlist::new(
        "t\nV1 a 0 10\nR1 a b 1k\nR2 b 0 1k\nC1 b 0 1u\n.ic v(b)=1\n",
    )));
    close("v(b)", value(&found, "v(b)"), 5.0, 1e-8);
}

#[test]
fn a_zero_conductance_to_ground_leaves_a_gigaohm_divider_alone() {
    // A hidden 1e-12 S would pull 5 V down to 4.975 V here.
    let found = table(bias(&Netlist::new(
        "t\nV1 a 0 10\nR1 a b 10g\nR2 b 0 10g\n",
    )));
    close("v(b)", value(&found, "v(b)"), 5.0, 1e-3);
}

#[test]
fn help_is_an_answer_and_lists_the_commands() {
    let ran = Gridleak::command("--help").run();
    assert_eq!(ran.status, 0);
    for command in ["bias", "scope", "render"] {
        assert!(ran.stdout.contains(command), "{}", ran.stdout);
    }
    for command in ["bias", "scope", "render"] {
        let ran = Gridleak::command(command).arg("--help").run();
        assert_eq!(ran.status, 0);
        for option in [
            "--set", "--knob", "--switch", "--probe", "--csv", "--json", "--quiet",
        ] {
            assert!(ran.stdout.contains(option), "{command} {option}");
        }
    }
}

/// What a meter shows at a rectifier's plates is the winding's rms volts, not their average of
/// next to nothing; and an alternating voltage has no ripple of its own.
#[test]
fn plates_of_a_rectifier_show_their_ac() {
    let netlist = Netlist::new(
        "Supply\nVMAINS line 0 SIN(0 325.27 50)\nXPT line 0 hta 0 htb 0 0 PT\nXV1 hta htb res 5Y3GT\n\
         C1 res 0 22u\nRL res 0 5k\n.model PT mains(vpri=230 vht=275 iht=0.08 rpri=25 rht=180)\n.end\n",
    );
    let ran = bias(&netlist).run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let under = |title: &str, name: &str| -> String {
        let lines = ran.stdout.lines().skip_while(|l| !l.starts_with(title));
        let row = lines.into_iter().find(|l| l.trim_start().starts_with(name));
        row.unwrap_or_else(|| panic!("no {name} under {title}: {}", ran.stdout))
            .to_string()
    };
    let rectifier = under("Rectifiers", "XV1");
    assert_eq!(rectifier.matches(" V AC").count(), 2, "{rectifier}");
    let table = table(bias(&netlist));
    let rms = table
        .rows
        .iter()
        .find(|r| r[0] == "v(hta)" && r[1] == "ac voltage");
    let rms: f64 = rms.expect("a row")[2].parse().unwrap();
    let shown: Vec<&str> = rectifier.split_whitespace().collect();
    let plate: f64 = shown[2].parse().unwrap();
    assert!((plate / rms - 1.0).abs() < 1e-3, "{rectifier}: {rms} V rms");
    // The reservoir ripples, the windings do not.
    assert!(under("Voltages", "v(hta)").trim_end().ends_with("AC"));
    assert_eq!(under("Voltages", "v(res)").matches(" V").count(), 2);
}
