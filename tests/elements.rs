//! What every element does, against closed forms, through the binary. The laws are those of
//! the SPICE 2G6 and SPICE 3 user's guides (Berkeley; from memory), worked out beside each
//! check.
mod common;

use common::{Gridleak, Netlist, Table, close};
use std::f64::consts::{PI, TAU};

/// Thermal voltage at 27 C: 0.0258649 V (contract), with the digits of CODATA 2018.
const VT: f64 = 8.617333262e-5 * 300.15;

fn op(text: &str, probe: &str) -> f64 {
    let table = Netlist::new(&format!("t\n{text}\n.end\n")).bias(&[], &[probe]);
    let last = table.rows.last().expect("rows");
    assert_eq!(last[0], probe);
    last[2].parse().expect("a number")
}

/// Within a part in 1e8 or 1e-11.
#[track_caller]
fn same(text: &str, probe: &str, expected: f64) {
    close(
        &text.replace('\n', "; "),
        op(text, probe),
        expected,
        1e-8 * expected.abs() + 1e-11,
    );
}

fn waves(text: &str, stop: &str, step: &str, probes: &[&str]) -> Table {
    Netlist::new(&format!("t\n{text}\n.end\n")).scope("0", stop, step, probes)
}

fn column(table: &Table, name: &str) -> Vec<f64> {
    table.column(name).unwrap_or_else(|why| panic!("{why}"))
}

/// Asserts that a column follows a function of time within a part of the function's peak.
#[track_caller]
fn follows(table: &Table, name: &str, part: f64, law: impl Fn(f64) -> f64) {
    let times = column(table, "time_s");
    let expected: Vec<f64> = times.iter().map(|t| law(*t)).collect();
    let peak = expected.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    for ((t, v), e) in times.iter().zip(column(table, name)).zip(&expected) {
        assert!(
            (v - e).abs() <= part * peak,
            "{name} at {t:e}: expected {e}, found {v}, off by {:e} of {peak}",
            (v - e).abs() / peak
        );
    }
}

#[test]
fn linear_controlled_sources() {
    let control = "V1 a 0 2\nR1 a 0 1k\n";
    // The controlling current flows from + through the source to -: -2 mA here.
    same(&format!("{control}E1 x 0 a 0 3\nRx x 0 1k"), "v(x)", 6.0);
    same(&format!("{control}E1 x 0 0 a 3\nRx x 0 1k"), "v(x)", -6.0);
    same(&format!("{control}G1 0 x a 0 5m\nRx x 0 1k"), "v(x)", 10.0);
    same(&format!("{control}F1 0 x V1 2\nRx x 0 1k"), "v(x)", -4.0);
    same(&format!("{control}H1 x 0 V1 500\nRx x 0 1k"), "v(x)", -1.0);
    // Of an element that controls itself: G from x to x is a resistor.
    same("I1 0 x 1m\nG1 x 0 x 0 2m", "v(x)", 0.5);
}

/// POLY as published: f = p0 + p1 x1 + p2 x2 + ... + p11 x1^2 + p12 x1 x2 + ...
#[test]
fn polynomial_sources_take_coefficients_in_the_published_order() {
    let control = "Va a 0 2\nVb b 0 3\nVc c 0 5\nRa a 0 1\nRb b 0 1\nRc c 0 1\nRx x 0 1k\n";
    let e = |poly: &str, expected: f64| same(&format!("{control}E1 x 0 {poly}"), "v(x)", expected);
    e("POLY(1) a 0 7", 14.0); // one coefficient alone means p1 (contract)
    e("POLY(1) a 0 1 10", 21.0);
    e("POLY(1) a 0 1 10 100", 421.0);
    e("POLY(1) a 0 0 0 0 1", 8.0);
    // 1, x1, x2, x1^2, x1 x2, x2^2, x1^3, x1^2 x2, x1 x2^2, x2^3 at (2, 3).
    let two = [1.0, 2.0, 3.0, 4.0, 6.0, 9.0, 8.0, 12.0, 18.0, 27.0];
    for (k, expected) in two.iter().enumerate() {
        e(
            &format!(
                "POLY(2) a 0 b 0 {}1",
                "0 ".repeat(k.max(1)).repeat(usize::from(k > 0))
            ),
            *expected,
        );
    }
    // 1; x1 x2 x3; x1^2, x1 x2, x1 x3, x2^2, x2 x3, x3^2; then x1^3, x1^2 x2, x1^2 x3,
    // x1 x2^2, x1 x2 x3, x1 x3^2, x2^3 ... at (2, 3, 5).
    let three = [
        2.0, 3.0, 5.0, 4.0, 6.0, 10.0, 9.0, 15.0, 25.0, 8.0, 12.0, 20.0, 18.0, 30.0, 50.0, 27.0,
        45.0, 75.0, 125.0,
    ];
    for (k, expected) in three.iter().enumerate() {
        e(
            &format!("POLY(3) a 0 b 0 c 0 {}1", "0 ".repeat(k + 1)),
            *expected,
        );
    }
    // The other three letters, the currents being -2, -3 and -5 A.
    same(
        &format!("{control}G1 0 x POLY(2) a 0 b 0 0 0 0 0 1m"),
        "v(x)",
        6.0,
    );
    same(
        &format!("{control}F1 0 x POLY(2) Va Vb 0 0 0 0 1m"),
        "v(x)",
        6.0,
    );
    same(
        &format!("{control}H1 x 0 POLY(3) Va Vb Vc 1 1 10 100"),
        "v(x)",
        1.0 - 2.0 - 30.0 - 500.0,
    );
    // Brackets and commas are blanks.
    same(
        &format!("{control}E1 x 0 POLY(2) (a,0) (b,0) 0 0 0 0 1"),
        "v(x)",
        6.0,
    );
}

/// C(v) = c0 + c1 v is the incremental capacitance: i = C(v) dv/dt.
#[test]
fn polynomial_capacitor_and_inductor() {
    let found = waves(
        "V1 a 0 PULSE(0 10 0 1m)\nC1 a 0 POLY 1u 0.1u",
        "0.9m",
        "0.1m",
        &["i(C1)"],
    );
    let times = column(&found, "time_s");
    for (t, i) in times.iter().zip(column(&found, "i(C1)")).skip(1) {
        let v = 1e4 * t;
        close("i(C1)", i, (1e-6 + 0.1e-6 * v) * 1e4, 1e-8);
    }
    // v = L(i) di/dt with i a ramp of 1 A/ms.
    let found = waves(
        "I1 0 a PULSE(0 1 0 1m)\nL1 a 0 POLY 1m 2m",
        "0.9m",
        "0.1m",
        &["v(a)"],
    );
    for (t, v) in column(&found, "time_s")
        .iter()
        .zip(column(&found, "v(a)"))
        .skip(1)
    {
        let i = 1e3 * t;
        close("v(a)", v, (1e-3 + 2e-3 * i) * 1e3, 1e-5);
    }
}

#[test]
fn behavioural_sources_know_every_published_function() {
    for (expr, expected) in [
        ("abs(-2)", 2.0),
        ("acos(0.3)", 0.3f64.acos()),
        ("acosh(2)", 2f64.acosh()),
        ("asin(0.3)", 0.3f64.asin()),
        ("asinh(2)", 2f64.asinh()),
        ("atan(2)", 2f64.atan()),
        ("atanh(0.3)", 0.3f64.atanh()),
        ("cos(2)", 2f64.cos()),
        ("cosh(2)", 2f64.cosh()),
        ("exp(2)", 2f64.exp()),
        ("ln(10)", 10f64.ln()),
        ("log(1000)", 3.0),
        ("sin(2)", 2f64.sin()),
        ("sinh(2)", 2f64.sinh()),
        ("sqrt(2)", 2f64.sqrt()),
        ("tan(1)", 1f64.tan()),
        ("u(1)", 1.0),
        ("u(-1)", 0.0),
        ("uramp(3)", 3.0),
        ("uramp(-3)", 0.0),
        ("1+2*3^2/2-4", 6.0),
        ("-2^2", -4.0),
        ("2-3-4", -5.0),
        ("16/4/2", 2.0),
        ("2*-3", -6.0),
        ("(1+2)*3", 9.0),
        ("v(p)*v(q)", 6.0),
        ("v(p,q)", -1.0),
        ("v(p)^v(q)", 8.0),
        ("v(q)/v(p)", 1.5),
        ("i(Vp)*1k", -2.0),
        ("sin(v(p))+cos(v(q))", 2f64.sin() + 3f64.cos()),
        ("1k7+2meg", 2001700.0),
    ] {
        let sources = "Vp p 0 2\nVq q 0 3\nRp p 0 1k\nRq q 0 1k\nRx x 0 1";
        let what = format!("{sources}\nB1 x 0 V={expr}");
        close(expr, op(&what, "v(x)"), expected, 1e-8 * expected.abs());
        close(
            expr,
            op(&format!("{sources}\nB1 0 x I={expr}"), "v(x)"),
            op(&what, "v(x)"),
            1e-7 * expected.abs(),
        );
    }
}

/// M = k sqrt(L1 L2): dotted ends together, the open secondary shows k sqrt(L2/L1) of the
/// primary's voltage.
#[test]
fn coupled_inductors() {
    let text = "V1 in 0 SIN(0 1 1k)\nR1 in a 1u\nL1 a 0 10m\nL2 b 0 40m\nRb b 0 1g\nK1 L1 L2 0.9";
    let found = waves(text, "2m", "50u", &["v(b)"]);
    follows(&found, "v(b)", 1e-4, |t| 0.9 * 2.0 * (TAU * 1e3 * t).sin());
    // A winding turned round turns the sign.
    let text = text.replace("L2 b 0", "L2 0 b");
    let found = waves(&text, "2m", "50u", &["v(b)"]);
    follows(&found, "v(b)", 1e-4, |t| -1.8 * (TAU * 1e3 * t).sin());
}

/// Three windings on one core, loaded: v = jw M i solved with sympy-free 3 x 3 algebra in
/// phasors here.
#[test]
fn three_coupled_windings() {
    let text = "V1 in 0 SIN(0 1 1k)\nR1 in a 10\nL1 a 0 100m\nL2 b 0 25m\nRb b 0 50\nL3 c 0 4m\nRc c 0 8\n\
                K12 L1 L2 0.98\nK13 L1 L3 0.97\nK23 L2 L3 0.96";
    let w = TAU * 1e3;
    let l = [0.1f64, 0.025, 0.004];
    let r = [10.0, 50.0, 8.0];
    let k = [[1.0, 0.98, 0.97], [0.98, 1.0, 0.96], [0.97, 0.96, 1.0]];
    // (R + jw L) i = e, real and imaginary parts as one system of six.
    let mut m = [[0.0; 7]; 6];
    for i in 0..3 {
        for j in 0..3 {
            let x = w * k[i][j] * (l[i] * l[j]).sqrt();
            m[i][j + 3] = -x;
            m[i + 3][j] = x;
        }
        m[i][i] += r[i];
        m[i + 3][i + 3] += r[i];
    }
    m[0][6] = 1.0;
    for p in 0..6 {
        let best = (p..6)
            .max_by(|&a, &b| m[a][p].abs().total_cmp(&m[b][p].abs()))
            .expect("rows");
        m.swap(p, best);
        let pivot = m[p];
        for (_, row) in m.iter_mut().enumerate().filter(|(q, _)| *q != p) {
            let factor = row[p] / pivot[p];
            for (x, y) in row.iter_mut().zip(&pivot) {
                *x -= factor * y;
            }
        }
    }
    let current = |i: usize| (m[i][6] / m[i][i], m[i + 3][6] / m[i + 3][i + 3]);
    let found = waves(text, "100m", "50u", &["v(b)", "v(c)"]);
    for (name, winding) in [("v(b)", 1), ("v(c)", 2)] {
        // Settled: the last ten periods.
        let (times, wave) = (column(&found, "time_s"), column(&found, name));
        let (mut sine, mut cosine) = (0.0, 0.0);
        for n in wave.len() - 201..wave.len() - 1 {
            sine += wave[n] * (w * times[n]).sin() / 100.0;
            cosine += wave[n] * (w * times[n]).cos() / 100.0;
        }
        // The load's voltage is -R i with i into the dotted end.
        let (re, im) = current(winding);
        close(&format!("{name} in phase"), sine, -r[winding] * re, 2e-5);
        close(
            &format!("{name} in quadrature"),
            cosine,
            -r[winding] * im,
            2e-5,
        );
    }
}

#[test]
fn resistors_with_temperature() {
    let volts = |rest: &str, expected: f64| same(&format!("I1 0 a 1m\n{rest}"), "v(a)", expected);
    volts("R1 a 0 1k tc1=1m tc2=10u\n.temp 77", 1.0 + 0.05 + 0.025);
    volts("R1 a 0 1k tc=1m,10u\n.options temp=77", 1.075);
    volts("R1 a 0 1k tc1=1m\n.temp 27", 1.0);
    volts("R1 a 0 1k tc1=1m", 1.0);
    // A negative resistance in parallel: 1k beside -2k is 2k.
    volts("R1 a 0 1k\nR2 a 0 -2k", 2.0);
}

/// Diode: i = is (e^(v/nVt) - 1); with the junction alone v = n Vt ln(1 + i/is).
#[test]
fn a_diode_follows_shockley() {
    for i in [1e-9, 1e-6, 1e-3, 1.0f64] {
        let found = op(
            &format!("I1 0 a {i}\nD1 a 0 DX\n.model DX d(is=1e-12 n=1.5)"),
            "v(a)",
        );
        // The published 1e-12 S across the junction takes its share.
        let v = |i: f64| 1.5 * VT * (1.0 + i / 1e-12).ln();
        close("v", found, v(i - 1e-12 * v(i)), 2e-6);
    }
    let found = op(
        "I1 0 a 1m\nD1 a 0 DX 4\n.model DX d(is=1e-12 rs=100)",
        "v(a)",
    );
    close(
        "area and rs",
        found,
        VT * (1.0f64 + 1e-3 / 4e-12).ln() + 1e-3 * 25.0,
        2e-6,
    );
    let found = op("V1 a 0 -5\nD1 a 0 DX\n.model DX d(is=1e-9)", "i(D1)");
    close("reverse", found, -1e-9, 1e-11);
}

/// Bipolar, Ebers-Moll without Early: ic = is e^(vbe/Vt), ib = ic / bf.
#[test]
fn a_transistor_follows_ebers_and_moll() {
    for (kind, s) in [("npn", 1.0), ("pnp", -1.0)] {
        let text = format!(
            "Vc c 0 {}\nIb 0 b {}\nQ1 c b 0 QX\n.model QX {kind}(is=1e-15 bf=120)",
            5.0 * s,
            1e-5 * s
        );
        close("ic", op(&text, "i(Q1)"), s * 1.2e-3, 1e-8);
        close(
            "vbe",
            op(&text, "v(b)"),
            s * VT * (1.2e-3f64 / 1e-15).ln(),
            2e-6,
        );
    }
}

/// JFET saturated: id = beta (vgs - vto)^2 (1 + lambda vds); MOSFET level 1:
/// id = kp/2 w/l (vgs - vto)^2 (1 + lambda vds) saturated, kp w/l ((vgs-vto) vds - vds^2/2) below.
#[test]
fn field_effect_transistors_follow_shichman_and_hodges() {
    let j = "Vd d 0 10\nVg g 0 -1\nJ1 d g 0 JX\n.model JX njf(vto=-2 beta=1m lambda=0.01)";
    close("njf", op(j, "i(J1)"), 1e-3 * 1.1, 1e-10);
    let p = "Vd d 0 -10\nVg g 0 1\nJ1 d g 0 JX\n.model JX pjf(vto=-2 beta=1m)";
    close("pjf", op(p, "i(J1)"), -1e-3, 1e-10);
    let m = |vd: f64| {
        op(
            &format!(
                "Vd d 0 {vd}\nVg g 0 3\nM1 d g 0 0 MX w=20u l=2u\n.model MX nmos(vto=1 kp=100u lambda=0)"
            ),
            "i(M1)",
        )
    };
    close("nmos saturated", m(5.0), 0.5 * 1e-3 * 4.0, 1e-10);
    close("nmos triode", m(1.0), 1e-3 * (2.0 - 0.5), 1e-10);
}

/// A switch with hysteresis over a triangle: on where the control rises through vt + vh,
/// off where it falls through vt - vh (SPICE 3).
#[test]
fn switches_have_hysteresis() {
    let drive = "V1 c 0 PULSE(-5 5 0 1m 1m 1n 2.000001m)\nVs s 0 1\nRs o 0 1k\n";
    let check = |text: &str, up: f64, down: f64| {
        let found = waves(text, "4m", "2u", &["v(o)", "v(c)"]);
        let (o, c) = (column(&found, "v(o)"), column(&found, "v(c)"));
        let mut edges = Vec::new();
        for k in 1..o.len() {
            if (o[k - 1] < 0.5) != (o[k] < 0.5) {
                edges.push((o[k] > 0.5, 0.5 * (c[k - 1] + c[k])));
            }
        }
        assert_eq!(edges.len(), 4, "{edges:?}");
        for (on, at) in edges {
            // Where the ends of the smooth band are: 1 % of vt or 10 mV, and a row is 20 mV.
            close(
                if on { "on" } else { "off" },
                at,
                if on { up } else { down },
                0.05,
            );
        }
    };
    check(
        &format!("{drive}S1 s o c 0 SX\n.model SX sw(vt=1 vh=2 ron=1 roff=1meg)"),
        3.0,
        -1.0,
    );
    check(
        &format!("{drive}S1 s o c 0 SX\n.model SX sw(vt=1 vh=0 ron=1 roff=1meg)"),
        1.0,
        1.0,
    );
    // 1 k makes milliamperes of the volts; the sensed current flows into + of Vc.
    check(
        &format!(
            "{drive}Rc c cc 1k\nVc cc 0 0\nW1 s o Vc WX\n.model WX csw(it=1m ih=2m ron=1 roff=1meg)"
        ),
        3.0,
        -1.0,
    );
}

/// Every wave against its published formula, on a resistor.
#[test]
fn waves_follow_their_formulas() {
    let run = |wave: &str| {
        waves(
            &format!("V1 a 0 {wave}\nR1 a 0 1k"),
            "10m",
            "10u",
            &["v(a)"],
        )
    };
    follows(&run("SIN(1 2 300 1m 200)"), "v(a)", 1e-4, |t| {
        let since = (t - 1e-3).max(0.0);
        1.0 + 2.0 * (TAU * 300.0 * since).sin() * (-200.0 * since).exp()
    });
    follows(&run("SIN(0 1 1k)"), "v(a)", 1e-4, |t| (TAU * 1e3 * t).sin());
    follows(&run("EXP(1 5 1m 0.5m 6m 1m)"), "v(a)", 1e-4, |t| {
        let rise = 4.0 * (1.0 - (-(t - 1e-3).max(0.0) / 0.5e-3).exp());
        let fall = -4.0 * (1.0 - (-(t - 6e-3).max(0.0) / 1e-3).exp());
        1.0 + rise + fall
    });
    follows(&run("SFFM(0.5 1 1k 3 200)"), "v(a)", 1e-4, |t| {
        0.5 + (TAU * 1e3 * t + 3.0 * (TAU * 200.0 * t).sin()).sin()
    });
    follows(
        &run("PWL(0 0 1m 1 2m -1 5m -1 5.5m 3)"),
        "v(a)",
        1e-4,
        |t| {
            let points = [
                (0.0, 0.0),
                (1e-3, 1.0),
                (2e-3, -1.0),
                (5e-3, -1.0),
                (5.5e-3, 3.0),
                (1.0, 3.0),
            ];
            let k = points
                .iter()
                .rposition(|p| p.0 <= t + 1e-15)
                .expect("after 0")
                .min(4);
            let ((t0, v0), (t1, v1)) = (points[k], points[k + 1]);
            v0 + (v1 - v0) * (t - t0) / (t1 - t0)
        },
    );
    follows(
        &run("PULSE(-1 2 0.5m 0.2m 0.3m 0.7m 2m)"),
        "v(a)",
        1e-4,
        |t| {
            if t < 0.5e-3 {
                return -1.0;
            }
            let into = (t - 0.5e-3 + 1e-12) % 2e-3;
            match into {
                x if x < 0.2e-3 => -1.0 + 3.0 * x / 0.2e-3,
                x if x < 0.9e-3 => 2.0,
                x if x < 1.2e-3 => 2.0 - 3.0 * (x - 0.9e-3) / 0.3e-3,
                _ => -1.0,
            }
        },
    );
    // As a current too, and with a capacitor that has to follow the corners: the charge
    // of a ramp of 1 us and a flat top of 1 ms over 1 uF.
    let found = waves(
        "I1 0 a PULSE(0 1m 1m 1u 1u 1m 4m)\nC1 a 0 1u\nR1 a 0 1g",
        "4m",
        "0.5m",
        &["v(a)"],
    );
    follows(&found, "v(a)", 1e-4, |t| match t - 1e-3 {
        since if since <= 0.0 => 0.0,
        since if since <= 1e-3 => 1e3 * (since - 0.5e-6),
        _ => 1e3 * 1.001e-3,
    });
}

/// UIC starts from IC= alone: v = v0 e^(-t/RC), i = i0 e^(-tR/L).
#[test]
fn uic_starts_from_the_initial_values() {
    let found = waves(
        "C1 a 0 1u IC=5\nR1 a 0 1k\n.tran 0.1m 1m UIC",
        "1m",
        "0.1m",
        &["v(a)"],
    );
    follows(&found, "v(a)", 1e-5, |t| 5.0 * (-t / 1e-3).exp());
    let found = waves(
        "L1 a 0 1 IC=2m\nR1 a 0 1k\n.tran 0.1m 1m UIC",
        "1m",
        "0.1m",
        &["v(a)"],
    );
    follows(&found, "v(a)", 1e-5, |t| -2.0 * (-t / 1e-3).exp());
    // A supply that is switched on: the capacitor charges from nothing.
    let found = waves(
        "V1 in 0 10\nR1 in a 1k\nC1 a 0 1u\n.tran 0.1m 3m UIC",
        "3m",
        "0.1m",
        &["v(a)"],
    );
    follows(&found, "v(a)", 1e-5, |t| 10.0 * (1.0 - (-t / 1e-3).exp()));
    // `.ic` counts as well.
    let found = waves(
        "C1 a 0 1u\nR1 a 0 1k\n.ic v(a)=3\n.tran 0.1m 1m UIC",
        "1m",
        "0.1m",
        &["v(a)"],
    );
    follows(&found, "v(a)", 1e-5, |t| 3.0 * (-t / 1e-3).exp());
    // An LC tank rings for ever: v = v0 cos(wt).
    let w = 1.0 / (1e-3f64 * 1e-6).sqrt();
    let found = waves(
        "C1 a 0 1u IC=1\nL1 a 0 1m\n.tran 5u 1m UIC",
        "1m",
        "5u",
        &["v(a)"],
    );
    // Nothing but the tolerance of some 2600 steps damps it.
    follows(&found, "v(a)", 2e-4, |t| (w * t).cos());
}

/// A bistable goes to the state that `.nodeset` names.
#[test]
fn nodeset_picks_the_state_of_a_bistable() {
    let transistors = "Vcc v 0 5\nR1 v a 1k\nR2 v b 1k\nR3 a bb 10k\nR4 b ba 10k\n\
                       Q1 a ba 0 QX\nQ2 b bb 0 QX\n.model QX npn(is=1e-15 bf=100)\n";
    for (a, b) in [("5", "0.1"), ("0.1", "5")] {
        let text = format!("{transistors}.nodeset v(a)={a} v(b)={b}");
        let (va, vb) = (op(&text, "v(a)"), op(&text, "v(b)"));
        assert_eq!(va > vb, a == "5", "a {va}, b {vb}");
        assert!((va - vb).abs() > 3.0, "a {va}, b {vb}");
    }
    let valves = "VB v 0 250\nVC c 0 -60\nR1 v a 47k\nR2 v b 47k\nR3 a gb 220k\nR4 gb c 220k\nR5 b ga 220k\nR6 ga c 220k\n\
                  XV1 a ga 0 12AU7\nXV2 b gb 0 12AU7\n";
    for (a, b) in [("200", "60"), ("60", "200")] {
        let text = format!("{valves}.nodeset v(a)={a} v(b)={b}");
        let (va, vb) = (op(&text, "v(a)"), op(&text, "v(b)"));
        assert_eq!(va > vb, a == "200", "a {va}, b {vb}");
        assert!((va - vb).abs() > 50.0, "a {va}, b {vb}");
    }
}

#[test]
fn subcircuits_nest_with_local_models() {
    // The innermost definition of a name wins; what is not defined inside is looked up outside.
    let text = "I1 0 a 1m\nX1 a one\nI2 0 b 1m\nD2 b 0 DX\n.model DX d(is=1e-12)\n\
        .subckt one p\nX2 p two\n\
        .subckt two p\n.model DX d(is=1e-14)\nX3 p three\n\
        .subckt three p\nD1 p gnd DX\n.ends\n\
        .ends\n.ends\n";
    let law = |is: f64| VT * (1e-3f64 / is).ln();
    close("inner", op(text, "v(a)"), law(1e-14), 1e-6);
    close("outer", op(text, "v(b)"), law(1e-12), 1e-6);
    close("probe", op(text, "i(x1.x2.x3.d1)"), 1e-3, 1e-9);
}

#[test]
fn ports_shadow_outer_nodes_and_ground_is_ground() {
    let text = "V1 a 0 10\nV2 b 0 4\nR9 b x 1k\nX1 b a s\nRx x 0 1k\n\
        .subckt s a b\nR1 a x 1k\nR2 x GND 1k\nR3 b 0 1k\n.ends\n";
    // Inside, a is the outer b and x is the subcircuit's own.
    same(text, "v(x1.x)", 2.0);
    same(text, "v(x)", 2.0);
    same(text, "i(X1.R3)", 10e-3);
    // A port may be called like a node elsewhere and be tied to ground.
    same(
        "V1 a 0 10\nX1 a 0 s\n.subckt s in com\nR1 in m 1k\nR2 m com 1k\n.ends",
        "v(x1.m)",
        5.0,
    );
}

#[test]
fn a_subcircuit_wins_over_a_valve_of_its_name() {
    same(
        "V1 a 0 10\nX1 a g 0 12AX7\nRg g 0 1k\n.subckt 12AX7 p g k\nR1 p k 1k\nR2 g k 1k\n.ends",
        "i(X1.R1)",
        10e-3,
    );
}

#[test]
fn includes_are_found_beside_the_file_that_names_them() {
    let folder = tempfile::tempdir().expect("a folder");
    let write = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::create_dir_all(path.parent().expect("a folder")).expect("made");
        std::fs::write(path, text).expect("written");
    };
    write(
        "main.cir",
        "t\nI1 0 a 1m\nX1 a cell\n.include parts/cell.inc\n.end\n",
    );
    // An included file has no title line.
    write(
        "parts/cell.inc",
        ".subckt cell p\nD1 p 0 DX\n.ends\n.include \"models/d.inc\"\n",
    );
    write("parts/models/d.inc", ".model DX d(is=1e-14)\n");
    let found = Gridleak::command("bias")
        .path(&folder.path().join("main.cir"))
        .table()
        .unwrap_or_else(|why| panic!("{why}"));
    close(
        "v(a)",
        found.value("v(a)").expect("a row"),
        VT * (1e11f64).ln(),
        1e-6,
    );
}

/// Huge and tiny values side by side: a divider of 1e12 and 1e-3 ohms.
#[test]
fn values_far_apart_are_solved() {
    same("V1 a 0 1\nR1 a b 1e12\nR2 b 0 1e12", "v(b)", 0.5);
    close(
        "tiny",
        op("V1 a 0 1\nR1 a b 1g\nR2 b 0 1m", "v(b)"),
        1e-12,
        1e-18,
    );
    close(
        "huge",
        op("V1 a 0 1e6\nR1 a b 1m\nR2 b 0 1", "v(b)"),
        1e6 / 1.001,
        1e-3,
    );
    let w = 1.0 / (1e-12f64 * 1e3).sqrt();
    assert!(w > PI);
}

/// A resistor's own temperature does not enter a diode's: kT/q does.
#[test]
fn junctions_follow_the_temperature() {
    let at = |celsius: f64| {
        op(
            &format!("V1 a 0 0.5\nD1 a 0 DX\n.model DX d(is=1e-14 xti=0 eg=0.1)\n.temp {celsius}"),
            "i(D1)",
        )
    };
    // is(T) = is exp((T/Tn - 1) eg/(n Vt)) with xti = 0.
    let vt = |c: f64| 8.617333262e-5 * (c + 273.15);
    let expected = |c: f64| {
        let ratio = (c + 273.15) / 300.15;
        1e-14 * ((ratio - 1.0) * 0.1 / vt(c)).exp() * ((0.5 / vt(c)).exp() - 1.0)
    };
    for c in [27.0, 60.0, -20.0] {
        close(&format!("{c} C"), at(c) / expected(c), 1.0, 2e-5);
    }
}

/// At zero volts the slope of a quotient or a root is infinite, and Newton starts there.
#[test]
fn bug_quotients_and_roots_had_no_operating_point() {
    let sources = "Vp p 0 2\nVq q 0 3\nRp p 0 1k\nRq q 0 1k\nRx x 0 1\n";
    same(&format!("{sources}B1 x 0 V=v(q)/v(p)"), "v(x)", 1.5);
    same(
        &format!("{sources}B1 0 x I=sqrt(v(p))"),
        "v(x)",
        2f64.sqrt(),
    );
    same(
        &format!("{sources}B1 x 0 V=ln(v(p))/(v(p)-v(q))"),
        "v(x)",
        -(2f64.ln()),
    );
    same(
        "V1 a 0 0\nR1 a 0 1k\nB1 x 0 V=sqrt(v(a))\nR2 x 0 1k",
        "v(x)",
        0.0,
    );
    let found = waves(
        "V1 a 0 SIN(0 1 1k)\nR1 a 0 1k\nB1 x 0 V=sqrt(v(a))\nR2 x 0 1k",
        "0.4m",
        "0.1m",
        &["v(x)"],
    );
    let v = column(&found, "v(x)")[2];
    close("a root over time", v, (TAU * 0.2).sin().sqrt(), 1e-6);
}

/// A controlled current that depends on its own voltage is a conductance and a DC path.
#[test]
fn bug_a_source_that_controls_itself_was_no_path_for_direct_current() {
    same("I1 0 x 1m\nG1 x 0 x 0 2m", "v(x)", 0.5);
    same("I1 0 x 1m\nB1 x 0 I=v(x)/1k", "v(x)", 1.0);
    same("I1 0 x 1m\nC1 x 0 1u\nG1 x 0 POLY(1) x 0 0 1m", "v(x)", 1.0);
}

/// Two resistors meet at a wiper, and an output may be there to be probed only.
#[test]
fn bug_open_wipers_and_controlled_outputs_were_refused() {
    same(
        "V1 a 0 10\nX1 a w 0 P knob=5\n.model P pot(r=1meg)",
        "v(w)",
        5.0,
    );
    same("V1 a 0 10\nR1 a 0 1k\nE1 x 0 a 0 2", "v(x)", 20.0);
    same(
        "V1 a 0 10\nR1 a 0 1k\nE1 x 0 a 0 2\nB1 y 0 V=v(x)/2",
        "v(y)",
        10.0,
    );
    let ran = Gridleak::command("bias")
        .path(Netlist::new("t\nV1 a 0 10\nR1 a 0 1k\nB1 y 0 V=v(a)\n").path())
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert!(
        ran.stderr
            .contains("warning: `B1` stands alone on node `y`"),
        "{}",
        ran.stderr
    );
}
