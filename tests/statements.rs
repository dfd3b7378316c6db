//! What the reader makes of each line: every element and control line of the
//! published syntax.
//!
//! The syntax is that of the SPICE 2G6 user's guide (Vladimirescu, Zhang,
//! Newton, Pederson, Sangiovanni-Vincentelli, UC Berkeley 1981) and the SPICE3
//! user's manual (Johnson, Quarles, Newton, Pederson, Sangiovanni-Vincentelli,
//! UC Berkeley 1992); both from memory.

#[path = "common/texts.rs"]
mod texts;

use gridleak::netlist::Reading;
use gridleak::netlist::expr::Expr;
use gridleak::netlist::statement::{
    Assign, Control, ControlKind, Drive, Element, ElementKind, Name, Output, Probe, Reactive,
    Shape, Value,
};
use texts::{good, reading, shown};

fn element(statement: &str) -> Element {
    only_element(good(statement))
}

/// An element whose starting values are read, and said not to be used.
fn guessed(statement: &str) -> Element {
    only_element(named(statement, "the initial guess of"))
}

fn only_element(mut reading: Reading) -> Element {
    assert_eq!(reading.netlist.body.elements.len(), 1);
    reading.netlist.body.elements.remove(0)
}

/// A netlist below a title of which nothing is said but a warning.
fn named(statements: &str, warning: &str) -> Reading {
    let (reading, sources) = reading(&format!("a title\n{statements}"));
    let is_meant = reading
        .diagnostics
        .iter()
        .all(|d| !d.is_error() && d.message.contains(warning));
    assert!(is_meant, "{}", shown(&reading, &sources));
    reading
}

fn control(statement: &str) -> ControlKind {
    let mut reading = good(statement);
    assert_eq!(reading.netlist.controls.len(), 1, "{statement}");
    reading.netlist.controls.remove(0).kind
}

fn texts(names: &[Name]) -> Vec<&str> {
    names.iter().map(|n| n.text.as_str()).collect()
}

fn numbers(values: &[Value]) -> Vec<f64> {
    values.iter().map(|v| v.number).collect()
}

fn settings(params: &[Assign]) -> Vec<(String, f64)> {
    params
        .iter()
        .map(|p| (p.name.key(), p.value.number))
        .collect()
}

fn drive(statement: &str) -> Drive {
    match element(statement).kind {
        ElementKind::VoltageSource { drive, .. } | ElementKind::CurrentSource { drive, .. } => {
            drive
        }
        other => panic!("{statement}: {other:?}"),
    }
}

#[test]
fn resistors_have_a_value_and_temperature_coefficients() {
    for (statement, value, expected) in [
        ("R1 a b 4k7", 4700.0, vec![]),
        ("rload 1 0 -1.5kohm", -1500.0, vec![]),
        (
            "R1 a,b 1MEG tc=0.01,1e-4",
            1e6,
            vec![("tc1", 0.01), ("tc2", 1e-4)],
        ),
        (
            "R1 a b 10 TC2 = 1u tc1=5m",
            10.0,
            vec![("tc1", 5e-3), ("tc2", 1e-6)],
        ),
        ("R (a b) 330r tc=1", 330.0, vec![("tc1", 1.0)]),
    ] {
        let ElementKind::Resistor {
            value: found,
            params,
            ..
        } = element(statement).kind
        else {
            panic!("{statement}");
        };
        let expected: Vec<_> = expected.iter().map(|(n, v)| (n.to_string(), *v)).collect();
        assert_eq!(
            (found.number, settings(&params)),
            (value, expected),
            "{statement}"
        );
    }
}

#[test]
fn capacitors_and_inductors_may_be_polynomials_and_have_initial_values() {
    let ElementKind::Capacitor { value, ic, .. } = element("C1 a 0 22nF ic=250").kind else {
        panic!();
    };
    assert!(matches!(&value, Reactive::Linear(v) if v.number == 22e-9));
    assert_eq!(ic.map(|v| v.number), Some(250.0));
    let ElementKind::Inductor { nodes, value, ic } = element("LP a 0 poly 10 -0.1 1m IC=5mA").kind
    else {
        panic!();
    };
    assert_eq!(texts(&nodes), ["a", "0"]);
    assert!(matches!(&value, Reactive::Poly(c) if numbers(c) == [10.0, -0.1, 1e-3]));
    assert_eq!(ic.map(|v| v.number), Some(5e-3));
    let ElementKind::Coupling { inductors, k } = element("KT LP LS 0.9995").kind else {
        panic!();
    };
    assert_eq!((texts(&inductors), k.number), (vec!["LP", "LS"], 0.9995));
}

#[test]
fn sources_take_their_parts_in_any_order() {
    for statement in [
        "V1 in 0 DC 5 AC 1 90 SIN(0 1 1k)",
        "V1 in 0 5 SIN(0,1,1k) AC 1,90",
        "V1 in 0 ac (1 90) sin 0 1 1k dc=5",
        "V1 in 0 AC 1 90\n+ sin (0 1\n* a comment\n\n+ 1k) ; another )\n+5",
    ] {
        let drive = drive(statement);
        assert_eq!(drive.dc.map(|v| v.number), Some(5.0), "{statement}");
        assert_eq!(drive.ac, Some((1.0, 90.0)), "{statement}");
        let wave = drive.wave.expect(statement);
        assert_eq!(
            (wave.shape, numbers(&wave.args)),
            (Shape::Sin, vec![0.0, 1.0, 1e3]),
            "{statement}"
        );
    }
    assert_eq!(drive("VSENSE a b"), Drive::default());
    assert_eq!(drive("I1 0 out AC").ac, Some((1.0, 0.0)));
    for (statement, shape, args) in [
        ("I1 0 a PULSE(0 1m 2m5 1u 1u 5m 10m)", Shape::Pulse, 7),
        ("V1 a 0 EXP(0 5 1m 2m 3m 4m)", Shape::Exp, 6),
        ("V1 a 0 PWL(0 0, 1m 5, 2m 0)", Shape::Pwl, 6),
        ("V1 a 0 SFFM(0 1 10k 5 1k)", Shape::Sffm, 5),
    ] {
        let wave = drive(statement).wave.expect(statement);
        assert_eq!((wave.shape, wave.args.len()), (shape, args), "{statement}");
    }
    let pulse = drive("V1 a 0 PULSE(0 1 2m5)").wave.expect("a wave");
    assert_eq!(
        pulse.args[2].number, 2.5e-3,
        "an M between digits of a time is milli"
    );
}

#[test]
fn controlled_sources_are_linear_or_polynomial() {
    let control = |statement: &str| match element(statement).kind {
        ElementKind::ControlledVoltage { control, .. }
        | ElementKind::ControlledCurrent { control, .. } => control,
        other => panic!("{statement}: {other:?}"),
    };
    for statement in ["E1 out 0 a b 10", "G1 out 0 (a,b) 10", "e1 out 0 a b 1e1"] {
        let Control::Voltage { nodes, gain } = control(statement) else {
            panic!("{statement}");
        };
        assert_eq!(
            (texts(&nodes), gain.number),
            (vec!["a", "b"], 10.0),
            "{statement}"
        );
    }
    for statement in ["F1 out 0 VS 10", "H1 out 0 VS 10"] {
        let Control::Current { source, gain } = control(statement) else {
            panic!("{statement}");
        };
        assert_eq!(
            (source.text.as_str(), gain.number),
            ("VS", 10.0),
            "{statement}"
        );
    }
    for statement in [
        "E1 3 0 POLY(2) (1,0) (2,0) 0 1 1",
        "G1 3 0 poly (2) 1 0 2 0 0 1 1",
    ] {
        let Control::VoltagePoly {
            pairs,
            coefficients,
        } = control(statement)
        else {
            panic!("{statement}");
        };
        assert_eq!(
            pairs.iter().map(|p| texts(p)).collect::<Vec<_>>(),
            [["1", "0"], ["2", "0"]]
        );
        assert_eq!(numbers(&coefficients), [0.0, 1.0, 1.0], "{statement}");
    }
    let Control::CurrentPoly {
        sources,
        coefficients,
    } = control("H1 3 0 POLY(2) VA VB 0 1 1 0.5")
    else {
        panic!();
    };
    assert_eq!((texts(&sources), coefficients.len()), (vec!["VA", "VB"], 4));
    let Control::VoltagePoly { coefficients, .. } = control("E1 3 0 POLY(1) 1 0 7") else {
        panic!();
    };
    assert_eq!(
        numbers(&coefficients),
        [0.0, 7.0],
        "a single coefficient is p1"
    );
}

#[test]
fn behavioural_sources_hold_an_expression() {
    let ElementKind::Behavioural { output, expr, .. } =
        element("B1 out 0 V = v(in)\n+ + 2*i(VS)").kind
    else {
        panic!();
    };
    assert_eq!(output, Output::Voltage);
    assert!(matches!(expr, Expr::Binary(..)), "{expr:?}");
    let ElementKind::Behavioural { output, .. } = element("b1 out 0 i=uramp(-v(a,b))^1.5").kind
    else {
        panic!();
    };
    assert_eq!(output, Output::Current);
}

#[test]
fn semiconductors_take_area_off_and_initial_values_in_any_order() {
    type Row = (
        &'static str,
        Vec<&'static str>,
        &'static str,
        Option<f64>,
        bool,
        Vec<f64>,
    );
    let rows: Vec<Row> = vec![
        (
            "D1 a k 1N4007",
            vec!["a", "k"],
            "1N4007",
            None,
            false,
            vec![],
        ),
        (
            "D1 a k mod 2 off ic=0.6",
            vec!["a", "k"],
            "mod",
            Some(2.0),
            true,
            vec![0.6],
        ),
        (
            "Q1 c b e mod",
            vec!["c", "b", "e"],
            "mod",
            None,
            false,
            vec![],
        ),
        (
            "Q1 c b e 0 2N3904",
            vec!["c", "b", "e", "0"],
            "2N3904",
            None,
            false,
            vec![],
        ),
        (
            "Q1 c b e 2N3904 1.5",
            vec!["c", "b", "e"],
            "2N3904",
            Some(1.5),
            false,
            vec![],
        ),
        (
            "Q1 c b e s mod 2 OFF",
            vec!["c", "b", "e", "s"],
            "mod",
            Some(2.0),
            true,
            vec![],
        ),
        (
            "Q1 c b e mod off IC=0.6,5",
            vec!["c", "b", "e"],
            "mod",
            None,
            true,
            vec![0.6, 5.0],
        ),
        (
            "J1 d g s mod area=3",
            vec!["d", "g", "s"],
            "mod",
            Some(3.0),
            false,
            vec![],
        ),
        (
            "M1 d g s b mod off",
            vec!["d", "g", "s", "b"],
            "mod",
            None,
            true,
            vec![],
        ),
    ];
    for (statement, expected, kind, a, is_off, initial) in rows {
        let ElementKind::Semiconductor {
            nodes,
            model,
            area,
            off,
            ic,
            ..
        } = guessed(statement).kind
        else {
            panic!("{statement}");
        };
        assert_eq!(
            (texts(&nodes), model.text.as_str()),
            (expected, kind),
            "{statement}"
        );
        assert_eq!(
            (area.map(|v| v.number), off, numbers(&ic)),
            (a, is_off, initial),
            "{statement}"
        );
    }
    let ElementKind::Semiconductor { params, ic, .. } =
        guessed("M1 1 2 3 4 mod W=10u l=2u ic=1,2,3 AS=5p").kind
    else {
        panic!();
    };
    let expected = [
        ("w".to_string(), 1e-5),
        ("l".to_string(), 2e-6),
        ("as".to_string(), 5e-12),
    ];
    assert_eq!(settings(&params), expected);
    assert_eq!(ic.len(), 3);
}

#[test]
fn switches_and_calls_are_read() {
    let ElementKind::VoltageSwitch { control, on, .. } = element("S1 a b c 0 sw ON").kind else {
        panic!();
    };
    assert_eq!((texts(&control), on), (vec!["c", "0"], Some(true)));
    let ElementKind::CurrentSwitch { control, on, .. } = element("W1 a b VS sw off").kind else {
        panic!();
    };
    assert_eq!((control.text.as_str(), on), ("VS", Some(false)));
    let ElementKind::Call {
        nodes,
        target,
        params,
    } = element("XVOL t w b A1M knob = 6").kind
    else {
        panic!();
    };
    assert_eq!(
        (texts(&nodes), target.text.as_str()),
        (vec!["t", "w", "b"], "A1M")
    );
    assert_eq!(settings(&params), [("knob".to_string(), 6.0)]);
}

#[test]
fn models_take_parameters_with_and_without_parentheses() {
    for statement in [
        ".model A1M pot(r=1meg taper=audio mid=0.15)",
        ".MODEL A1M pot (r = 1meg, taper = audio, mid=0.15)",
        ".model A1M pot r=1meg\n+ taper=audio\n+ mid=0.15",
    ] {
        let reading = good(statement);
        let model = &reading.netlist.body.models[0];
        assert_eq!(
            (model.name.text.as_str(), model.kind.text.as_str()),
            ("A1M", "pot"),
            "{statement}"
        );
        let taper = &model.params[1].value;
        assert!(
            taper.number.is_nan() && taper.text == "audio",
            "words have no number"
        );
        assert_eq!(
            (model.params[0].value.number, model.params[2].value.number),
            (1e6, 0.15)
        );
    }
}

#[test]
fn control_statements_are_read() {
    assert_eq!(control(".op"), ControlKind::Op);
    let ControlKind::Tran {
        step,
        stop,
        start,
        max_step,
        uic,
    } = control(".TRAN 1u 20m 0 10u UIC")
    else {
        panic!();
    };
    assert_eq!((step.number, stop.number, uic), (1e-6, 20e-3, true));
    assert_eq!(
        (start.map(|v| v.number), max_step.map(|v| v.number)),
        (Some(0.0), Some(10e-6))
    );
    let ControlKind::Tran { start, uic, .. } = control(".tran 1u 20m uic") else {
        panic!();
    };
    assert_eq!((start, uic), (None, true));
    let ControlKind::Ac {
        spacing,
        points,
        from,
        to,
    } = control(".ac DEC 10 20 20k")
    else {
        panic!();
    };
    assert_eq!((spacing.key().as_str(), points.number), ("dec", 10.0));
    assert_eq!((from.number, to.number), (20.0, 20e3));
    let ControlKind::Dc { sweeps } = control(".dc VP 0 300 10 VG -4 0 1") else {
        panic!();
    };
    assert_eq!(sweeps.len(), 2);
    assert_eq!(
        (sweeps[1].0.text.as_str(), sweeps[1].1.number),
        ("VG", -4.0)
    );
    let ControlKind::Four { freq, probes } = control(".four 1k v(out) v(a,b) i(VS)") else {
        panic!();
    };
    assert_eq!((freq.number, probes.len()), (1e3, 3));
    let ControlKind::Tf { output, source } = control(".tf v(out,0) VIN") else {
        panic!();
    };
    assert_eq!(
        (output.1.text.as_str(), source.text.as_str()),
        ("v(out,0)", "VIN")
    );
    let ControlKind::Noise { source, rest, .. } = control(".noise v(out) VIN dec 10 20 20k") else {
        panic!();
    };
    assert_eq!(
        (source.text.as_str(), texts(&rest)),
        ("VIN", vec!["dec", "10", "20", "20k"])
    );
    let ControlKind::Print(print) = control(".print ac vdb(out) VP(out) i(R1) p(R1)") else {
        panic!();
    };
    assert_eq!(print.analysis.text, "ac");
    let words: Vec<&str> = print
        .probes
        .iter()
        .map(|(_, words)| words.text.as_str())
        .collect();
    assert_eq!(words, ["vdb(out)", "VP(out)", "i(R1)", "p(R1)"]);
    assert!(matches!(print.probes[3].0, Probe::Power(_)));
    let ControlKind::Nodeset(values) = control(".nodeset v(a)=1 V( b ) = -2, v(c) 3") else {
        panic!();
    };
    let values: Vec<_> = values
        .iter()
        .map(|(n, v)| (n.text.as_str(), v.number))
        .collect();
    assert_eq!(values, [("a", 1.0), ("b", -2.0), ("c", 3.0)]);
    assert!(matches!(control(".ic v(a)=1"), ControlKind::Ic(values) if values.len() == 1));
    let ControlKind::Options(options) = control(".options reltol=1e-4 acct method=gear") else {
        panic!();
    };
    assert_eq!(options.len(), 3);
    assert_eq!(options[0].1.as_ref().map(|v| v.number), Some(1e-4));
    assert!(options[1].1.is_none());
    let temp = named(".temp 27 50", "only the temperature `27`")
        .netlist
        .controls;
    assert!(matches!(&temp[0].kind, ControlKind::Temp(t) if numbers(t) == [27.0, 50.0]));
}
