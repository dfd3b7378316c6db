//! The promises of `scope`, word for word (contract: "Commands", "The fine print").
mod common;

use common::{Gridleak, Netlist, Table, close};

fn scope(netlist: &Netlist) -> Gridleak {
    Gridleak::command("scope").path(netlist.path())
}

fn table(run: Gridleak) -> Table {
    run.table().unwrap_or_else(|why| panic!("{why}"))
}

fn column(table: &Table, name: &str) -> Vec<f64> {
    table.column(name).unwrap_or_else(|why| panic!("{why}"))
}

const RC: &str = "\
Step on an RC
V1 in 0 PULSE(0 1 0 1n)
R1 in out 1k
C1 out 0 1u
.end
";

#[test]
fn the_header_is_time_and_each_probe_as_written() {
    let netlist = Netlist::new(RC);
    let run = scope(&netlist)
        .option("--stop", "1m")
        .option("--step", "100u");
    let found = table(run.probes(&["v(OUT)", "v(in,out)", "i(R1)", "p(R1)", "i( C1 )"]));
    assert_eq!(
        found.header,
        ["time_s", "v(OUT)", "v(in,out)", "i(R1)", "p(R1)", "i( C1 )"]
    );
}

#[test]
fn without_probes_every_node_has_a_column() {
    let netlist = Netlist::new(RC);
    let found = table(
        scope(&netlist)
            .option("--stop", "1m")
            .option("--step", "100u"),
    );
    assert_eq!(found.header, ["time_s", "v(in)", "v(out)"]);
}

/// Rows fall exactly at --from, then every --step, to --stop inclusive.
#[test]
fn rows_fall_at_from_and_every_step_to_stop_inclusive() {
    let netlist = Netlist::new(RC);
    let times = |from: &str, step: &str, stop: &str| {
        let run = scope(&netlist)
            .option("--stop", stop)
            .option("--step", step);
        let run = if from.is_empty() {
            run
        } else {
            run.option("--from", from)
        };
        column(&table(run), "time_s")
    };
    for (from, step, stop, start, interval, rows) in [
        ("", "100u", "1m", 0.0, 1e-4, 11),
        ("0", "0.1m", "0.3m", 0.0, 1e-4, 4),
        ("250u", "100u", "1m", 2.5e-4, 1e-4, 8),
        ("0.2m", "0.1m", "0.7m", 2e-4, 1e-4, 6),
        ("1m", "100u", "1m", 1e-3, 1e-4, 1),
        ("0", "3m", "1m", 0.0, 3e-3, 1),
        ("", "1u", "0.9m", 0.0, 1e-6, 901),
    ] {
        let found = times(from, step, stop);
        assert_eq!(found.len(), rows, "{from} {step} {stop}: {found:?}");
        for (k, t) in found.iter().enumerate() {
            let expected = start + k as f64 * interval;
            assert!(
                (t - expected).abs() <= 4e-16 * expected.max(1e-3),
                "row {k} at {t:e}, expected {expected:e}"
            );
        }
    }
}

/// A fixed bug: 0.0003 s was written 0.00030000000000000003.
#[test]
fn times_are_written_as_step_and_start_are() {
    let run = scope(&Netlist::new(RC))
        .option("--stop", "1.0007")
        .option("--step", "0.1")
        .option("--from", "0.0007")
        .option("--csv", "-")
        .arg("--quiet")
        .run();
    let times: Vec<&str> = run
        .stdout
        .lines()
        .skip(1)
        .filter_map(|l| l.split(',').next())
        .collect();
    assert_eq!(
        times,
        [
            "0.0007", "0.1007", "0.2007", "0.3007", "0.4007", "0.5007", "0.6007", "0.7007",
            "0.8007", "0.9007", "1.0007"
        ]
    );
}

/// The interval between rows must not change the waveform.
#[test]
fn rows_are_samples_of_one_waveform_whatever_the_step() {
    let netlist = Netlist::new("t\nV1 a 0 SIN(0 1 1k)\nR1 a b 1k\nC1 b 0 100n\n");
    let run = |from: &str, step: &str| {
        let run = scope(&netlist)
            .option("--stop", "2m")
            .option("--step", step);
        table(run.option("--from", from).option("--probe", "v(b)"))
    };
    let coarse = column(&run("0", "0.5m"), "v(b)");
    let fine = column(&run("0", "5u"), "v(b)");
    let late = column(&run("1m", "0.5m"), "v(b)");
    for (k, v) in coarse.iter().enumerate() {
        close("coarse beside fine", *v, fine[100 * k], 1e-6);
    }
    for (k, v) in late.iter().enumerate() {
        close("from", *v, coarse[2 + k], 1e-6);
    }
}

/// v = 1 - e^(-t/RC) after the edge.
#[test]
fn the_first_row_is_the_operating_point_at_t_0() {
    let netlist = Netlist::new("t\nV1 a 0 DC 99 SIN(5 1 1k)\nR1 a b 1k\nC1 b 0 1u\nR2 b 0 1k\n");
    let found = table(
        scope(&netlist)
            .option("--stop", "1m")
            .option("--step", "1m"),
    );
    // The wave's value at 0, and not the DC value, which is for bias.
    close("v(a)", column(&found, "v(a)")[0], 5.0, 1e-9);
    close("v(b)", column(&found, "v(b)")[0], 2.5, 1e-7);
    let rc = table(
        scope(&Netlist::new(RC))
            .option("--stop", "3m")
            .option("--step", "1m"),
    );
    for (k, v) in column(&rc, "v(out)").iter().enumerate() {
        close("v(out)", *v, 1.0 - (-(k as f64)).exp(), 2e-6);
    }
}

/// `.ic` holds during the solution and lets go: v = 5 + (2 - 5) e^(-t / (R/2 C)).
#[test]
fn ic_holds_and_lets_go() {
    let netlist =
        Netlist::new("t\nV1 a 0 10\nR1 a b 1k\nR2 b 0 1k\nC1 b 0 1u\n.ic v(B)=2\n.tran 0.5m 2m\n");
    let found = table(scope(&netlist).option("--probe", "v(b)"));
    for (k, v) in column(&found, "v(b)").iter().enumerate() {
        let t = k as f64 * 0.5e-3;
        close("v(b)", *v, 5.0 - 3.0 * (-t / 0.5e-3).exp(), 2e-5);
    }
}

/// A fixed bug: the row at 0 was the state a nanosecond after, and every later one that much late.
#[test]
fn the_row_at_0_is_what_ic_holds_however_fast_the_circuit_is() {
    for farads in [10e-12, 1e-9, 1e-6] {
        let tau = 1e3 * farads;
        let netlist = Netlist::new(&format!(
            "t\nV1 a 0 5\nR1 a d 1k\nC1 d 0 {farads:e}\n.ic v(d)=2\n"
        ));
        let found = table(
            scope(&netlist)
                .option("--stop", format!("{:e}", 5.0 * tau))
                .option("--step", format!("{:e}", 0.5 * tau))
                .option("--probe", "v(d)"),
        );
        let wave = column(&found, "v(d)");
        close("held", wave[0], 2.0, 1e-12);
        for (k, v) in wave.iter().enumerate() {
            close("v(d)", *v, 5.0 - 3.0 * (-0.5 * k as f64).exp(), 1e-5);
        }
    }
    // From `IC=` as well.
    let netlist = Netlist::new("t\nV1 a 0 5\nR1 a d 1k\nC1 d 0 10p IC=2\n.tran 5n 50n UIC\n");
    let found = table(scope(&netlist).option("--probe", "v(d)"));
    for (k, v) in column(&found, "v(d)").iter().enumerate() {
        close("v(d)", *v, 5.0 - 3.0 * (-0.5 * k as f64).exp(), 1e-5);
    }
}

/// A fixed bug: a node that a source holds could not be held at the source's own volts.
#[test]
fn ic_may_repeat_what_a_source_says() {
    let lines = "t\nVIN in 0 SIN(0 0.1 1k)\nVB b 0 300\nVF c b 5\nE1 e 0 b 0 0.5\nR1 in d 1k\n\
                 C1 d 0 1u\nR2 b 0 1k\nR3 c 0 1k\nR4 e 0 1k\n";
    let start = |ic: &str| {
        let netlist = Netlist::new(&format!("{lines}{ic}\n.tran 0.1m 0.2m\n"));
        scope(&netlist).option("--probe", "v(d)").run()
    };
    for agreed in [
        ".ic v(in)=0 v(d)=2",
        ".ic v(b)=300 v(d)=2",
        ".ic v(c)=305 v(b)=300 v(d)=2",
        ".ic v(e)=150 v(d)=2",
    ] {
        let ran = start(agreed);
        assert_eq!(ran.status, 0, "{agreed}: {}", ran.stderr);
    }
    for (wrong, status, words) in [
        (
            ".ic v(in)=1",
            2,
            "`.ic` puts node `in` at 1 V, but voltage sources hold it at 0 V",
        ),
        (".ic v(c)=300", 2, "hold it at 305 V at t = 0"),
        (
            ".ic v(e)=100",
            3,
            "`.ic` puts node `e` at 100 V, but voltage sources hold it at 150 V",
        ),
    ] {
        let ran = start(wrong);
        assert_eq!(ran.status, status, "{wrong}: {}", ran.stderr);
        assert!(ran.stderr.contains(words), "{wrong}: {}", ran.stderr);
        assert!(status == 3 || ran.stderr.contains(wrong), "{}", ran.stderr);
    }
    // Whoever looks at the rest alone is not bothered.
    let netlist = Netlist::new(&format!("{lines}.ic v(in)=1\n"));
    let ran = Gridleak::command("bias").path(netlist.path()).run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
}

/// A fixed bug: a tank could not be set going. Its coil starts without current:
/// Both ends of a choke may be held: its resistance takes what is between them, 10 V through 90 ohm.
#[test]
fn a_choke_between_held_nodes_yields() {
    let netlist = Netlist::new(
        "t\nC1 a 0 47u\nR1 a 0 220k\nXCH a b CH\nC2 b 0 47u\nR2 b 0 220k\n\
         .model CH choke(l=5 idc=0.15 r=90)\n.ic v(a)=490 v(b)=480\n",
    );
    let run = netlist.scope("0", "1u", "1u", &["v(a)", "v(b)"]);
    close("a", run.column("v(a)").unwrap()[0], 490.0, 1e-6);
    close("b", run.column("v(b)").unwrap()[0], 480.0, 1e-6);
}

/// v = cos(t / sqrt(LC)), but for the little that 1 megohm takes.
#[test]
fn ic_sets_a_tank_going() {
    let netlist = Netlist::new("t\nL1 a 0 1u\nC1 a 0 1n\nR1 a 0 1meg\n.ic v(a)=1\n");
    let found = table(
        scope(&netlist)
            .option("--stop", "1u")
            .option("--step", "10n")
            .option("--probe", "v(a)")
            .option("--probe", "i(L1)"),
    );
    let omega = 1.0 / (1e-6f64 * 1e-9).sqrt();
    for (k, v) in column(&found, "v(a)").iter().enumerate() {
        close("v(a)", *v, (omega * k as f64 * 10e-9).cos(), 6e-4);
    }
    close("i(L1)", column(&found, "i(L1)")[0], 0.0, 1e-15);
}

#[test]
fn ic_of_an_undefined_node_is_an_error() {
    let netlist = Netlist::new("t\nV1 a 0 10\nR1 a b 1k\nR2 b 0 1k\n.ic v(bb)=2\n.tran 1m 1m\n");
    let ran = scope(&netlist).run();
    assert_eq!(ran.status, 2);
    assert!(ran.stderr.contains("no node `bb`"), "{}", ran.stderr);
}

#[test]
fn tran_and_print_statements_are_the_defaults_and_options_win() {
    let netlist = Netlist::new(
        "t\nV1 a 0 SIN(0 1 1k)\nR1 a b 1k\nR2 b 0 1k\n.tran 0.1m 1m 0.5m\n.print TRAN v(b) i(R1)\n.print op v(a)\n",
    );
    let found = table(scope(&netlist));
    assert_eq!(found.header, ["time_s", "v(b)", "i(R1)"]);
    let times = column(&found, "time_s");
    assert_eq!(times.len(), 6);
    close("first", times[0], 0.5e-3, 1e-18);
    let found = table(
        scope(&netlist)
            .option("--step", "0.25m")
            .option("--probe", "v(a)"),
    );
    assert_eq!(found.header, ["time_s", "v(a)"]);
    assert_eq!(column(&found, "time_s").len(), 3);
    let found = table(scope(&netlist).option("--stop", "2m").option("--from", "0"));
    assert_eq!(column(&found, "time_s").len(), 21);
}

#[test]
fn times_must_make_sense() {
    let netlist = Netlist::new(RC);
    for (options, said) in [
        (&[][..], "no `--stop` is given"),
        (&["--stop", "1m"][..], "no `--step` is given"),
        (
            &["--stop", "0", "--step", "1u"],
            "`--stop` is 0, expected more than zero",
        ),
        (
            &["--stop", "1m", "--step", "-1u"],
            "`--step` is -1e-6, expected",
        ),
        (
            &["--stop", "1m", "--step", "1u", "--from", "2m"],
            "`--from` is 0.002 s, expected 0 to",
        ),
        (
            &["--stop", "1m", "--step", "1u", "--from", "-1m"],
            "`--from` is",
        ),
        (
            &["--stop", "soon", "--step", "1u"],
            "`--stop soon` is not a number",
        ),
        (&["--stop", "1", "--step", "1f"], "figures are asked for"),
    ] {
        let ran = options
            .iter()
            .fold(scope(&netlist), |run, o| run.arg(o))
            .run();
        assert_eq!(ran.status, 2, "{options:?}: {}", ran.stderr);
        assert!(ran.stderr.contains(said), "{options:?}: {}", ran.stderr);
        assert!(!ran.stderr.contains("panicked"), "{}", ran.stderr);
    }
}

/// An M between the digits of a time is milli.
#[test]
fn bug_2m5_of_time_was_read_as_mega() {
    let found = table(
        scope(&Netlist::new(RC))
            .option("--stop", "2m5")
            .option("--step", "0m5"),
    );
    close("last", column(&found, "time_s")[5], 2.5e-3, 1e-18);
}

/// i() of every kind of element, against what Kirchhoff's law makes of it.
#[test]
fn every_element_has_a_current_and_a_power() {
    let netlist = Netlist::new(
        "Every letter
V1 in 0 SIN(0 1 1k)
R1 in a 1k
C1 a 0 100n
L1 a b 10m
Rb b 0 1k
E1 e 0 a 0 2
Re e 0 1k
F1 0 f V1 2
Rf f 0 1k
G1 0 g a 0 1m
Rg g 0 1k
H1 h 0 V1 1k
Rh h 0 1k
B1 k 0 V=v(a)*2
Rk k 0 1k
B2 0 m I=v(a)/1k
Rm m 0 1k
I1 0 n SIN(1.1m 1m 1k)
D1 n 0 DX
Q1 c q 0 QX
Rc vcc c 1k
Rq vcc q 1meg
Vcc vcc 0 5
J1 vcc 0 s JX
Rs s 0 1k
M1 vcc gm sm sm MX
Rgm gm 0 1meg
Rgv vcc gm 1meg
Rsm sm 0 1k
S1 vcc t a 0 SX
Rt t 0 1k
W1 vcc w V1 WX
Rw w 0 1k
XV1 p in 0 12AX7
Rp hv p 100k
Vhv hv 0 200
XVOL in wip 0 LIN knob=5
Rwip wip 0 1meg
XT in tog toggle at=1
Rtog tog 0 1k
X1 in sub deep
Rsub sub 0 1k
.subckt deep i o
Xs2 i o deeper
.ends
.subckt deeper i o
R1 i p 1k
R2 p o 1k
.ends
.model DX d
.model QX npn
.model JX njf
.model MX nmos
.model SX sw(vt=0.2)
.model WX csw(it=0.1m)
.model LIN pot(r=100k)
.tran 50u 2m
.end
",
    );
    // Each current beside another that must equal it (or its negative).
    let pairs = [
        ("i(E1)", "i(Re)", -1.0),
        ("i(F1)", "i(Rf)", 1.0),
        ("i(G1)", "i(Rg)", 1.0),
        ("i(H1)", "i(Rh)", -1.0),
        ("i(B1)", "i(Rk)", -1.0),
        ("i(B2)", "i(Rm)", 1.0),
        ("i(I1)", "i(D1)", 1.0),
        ("i(Q1)", "i(Rc)", 1.0),
        ("i(J1)", "i(Rs)", 1.0),
        ("i(M1)", "i(Rsm)", 1.0),
        ("i(S1)", "i(Rt)", 1.0),
        ("i(W1)", "i(Rw)", 1.0),
        ("i(XV1)", "i(Rp)", 1.0),
        ("i(L1)", "i(Rb)", 1.0),
        ("i(Vhv)", "i(Rp)", -1.0),
        ("i(XT)", "i(Rtog)", 1.0),
        ("i(x1.xs2.r1)", "i(Rsub)", 1.0),
        ("v(x1.xs2.p,sub)", "v(in,X1.Xs2.p)", 1.0),
    ];
    let probes: Vec<&str> = pairs.iter().flat_map(|p| [p.0, p.1]).collect();
    let found = table(scope(&netlist).probes(&probes));
    for (a, b, sign) in pairs {
        let (a_values, b_values) = (column(&found, a), column(&found, b));
        let size = b_values.iter().fold(0.0f64, |m, v| m.max(v.abs()));
        assert!(size > 1e-7, "{b} is dead: {size}");
        for (x, y) in a_values.iter().zip(&b_values) {
            // J and M leak a little through their gates.
            close(&format!("{a} {b}"), *x, sign * y, 2e-4 * size + 2e-11);
        }
    }
    // Kirchhoff at a: R1's current goes into C1, L1 and the valve's grid (none).
    let found = table(scope(&netlist).probes(&[
        "i(R1)",
        "i(C1)",
        "i(L1)",
        "p(R1)",
        "v(in,a)",
        "i(XVOL)",
        "v(in,wip)",
    ]));
    let col = |name: &str| column(&found, name);
    for k in 0..col("i(R1)").len() {
        close(
            "KCL",
            col("i(R1)")[k],
            col("i(C1)")[k] + col("i(L1)")[k],
            3e-7,
        );
        close(
            "p",
            col("p(R1)")[k],
            col("v(in,a)")[k] * col("i(R1)")[k],
            1e-7,
        );
        close("pot", col("i(XVOL)")[k], col("v(in,wip)")[k] / 50e3, 1e-9);
    }
}

#[test]
fn a_subcircuit_itself_has_no_current() {
    let netlist = Netlist::new("t\nV1 a 0 1\nX1 a s\n.subckt s a\nR1 a 0 1k\n.ends\n.tran 1m 1m\n");
    let ran = scope(&netlist).option("--probe", "i(X1)").run();
    assert_eq!(ran.status, 2);
    assert!(
        ran.stderr.contains("`X1` is a subcircuit"),
        "{}",
        ran.stderr
    );
    assert!(ran.stderr.contains("`X1.R1`"), "{}", ran.stderr);
}

#[test]
fn json_holds_what_the_csv_holds() {
    let netlist = Netlist::new(RC);
    let run = || {
        scope(&netlist)
            .option("--stop", "1m")
            .option("--step", "0.1m")
            .option("--probe", "v(out)")
    };
    let ran = run().option("--json", "-").run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let json: serde_json::Value = serde_json::from_str(&ran.stdout).expect("JSON");
    let csv = table(run());
    let same = |json: &serde_json::Value, name: &str| {
        let values: Vec<f64> = json
            .as_array()
            .expect("an array")
            .iter()
            .filter_map(|v| v.as_f64())
            .collect();
        assert_eq!(values, column(&csv, name));
    };
    same(&json["time_s"], "time_s");
    same(&json["probes"][0]["values"], "v(out)");
    assert_eq!(
        run().option("--json", "-").run().stdout,
        ran.stdout,
        "the same bytes"
    );
}

/// Nothing is made or changed on failure.
#[test]
fn failures_leave_files_as_they_were() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| {
        folder
            .path()
            .join(name)
            .to_str()
            .expect("UTF-8")
            .to_string()
    };
    std::fs::write(at("old.csv"), "old").expect("written");
    std::fs::write(at("ok.cir"), RC).expect("written");
    std::fs::write(
        at("stuck.cir"),
        // v = a e^v has solutions for a up to 1/e only, and a rises to 1.
        "t\nV1 in 0 PULSE(0 1 0 1m)\nB1 0 x I=exp(v(x))*v(in)\nR1 x 0 1\nR2 in 0 1k\n",
    )
    .expect("written");
    let run = |netlist: &str, extra: &[&str]| {
        let run = Gridleak::command("scope").arg(at(netlist));
        let run = run.option("--stop", "1m").option("--step", "0.1m");
        let run = run
            .option("--csv", at("old.csv"))
            .option("--json", at("new.json"));
        extra.iter().fold(run, |run, o| run.arg(o)).run()
    };
    let untouched = |status: i32, expected: i32, said: &str| {
        assert_eq!(status, expected, "{said}");
        assert_eq!(
            std::fs::read_to_string(at("old.csv")).expect("there"),
            "old"
        );
        let mut names: Vec<String> = std::fs::read_dir(folder.path())
            .expect("a folder")
            .map(|e| {
                e.expect("an entry")
                    .file_name()
                    .into_string()
                    .expect("UTF-8")
            })
            .collect();
        names.sort();
        assert_eq!(names, ["ok.cir", "old.csv", "stuck.cir"]);
    };
    let ran = run("ok.cir", &["--probe", "v(nowhere)"]);
    untouched(ran.status, 2, &ran.stderr);
    let ran = run("ok.cir", &["--plot", "/no/such/folder/x.svg"]);
    untouched(ran.status, 2, &ran.stderr);
    let ran = run("stuck.cir", &[]);
    untouched(ran.status, 3, &ran.stderr);
}

#[test]
fn bug_an_absurd_number_of_rows_was_a_panic() {
    let netlist = Netlist::new(RC);
    for (stop, step) in [("1e300", "1e-300"), ("1e30", "1"), ("1", "1e-320")] {
        let ran = scope(&netlist)
            .option("--stop", stop)
            .option("--step", step)
            .run();
        assert_eq!(ran.status, 2, "{}", ran.stderr);
        assert!(
            ran.stderr.contains("figures are asked for"),
            "{}",
            ran.stderr
        );
    }
}

/// A fixed bug: a sine of 1 kHz with a row every millisecond was a flat line, without a word.
#[test]
fn rows_that_pass_over_a_sine_are_a_note() {
    let netlist = Netlist::new("Sine\nVIN out 0 SIN(0 1 1k)\nR1 out 0 1k\n.end\n");
    for (step, is_told) in [("1m", true), ("0.1m", false)] {
        let run = scope(&netlist)
            .option("--stop", "5m")
            .option("--step", step);
        let ran = run.run();
        let told = ran.stderr.contains("rows a cycle of `VIN` (1.00 kHz)");
        assert_eq!((ran.status, told), (0, is_told), "{}", ran.stderr);
    }
}
