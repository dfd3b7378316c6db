//! What every device has to pass, in a loop over the registry.

use crate::device::trial::{Sample, answer};
use crate::device::{Part, Pin, REGISTRY};

/// Sets beyond the defaults: everything that can be switched on is on.
const BUSY: &[(&str, &[(&str, f64)], &[(&str, f64)])] = &[
    (
        "triode",
        &[
            ("gg", 6.06e-4),
            ("cg", 13.9),
            ("xi", 1.354),
            ("vct", 0.5),
            ("cgp", 1.7e-12),
            ("cgk", 1.6e-12),
            ("cpk", 0.5e-12),
            ("pamax", 1.0),
        ],
        &[],
    ),
    (
        "pentode",
        &[
            ("mu", 12.0),
            ("kvb", 25.0),
            ("gg", 1e-3),
            ("cg", 10.0),
            ("xi", 1.3),
            ("cgp", 1e-12),
        ],
        &[],
    ),
    ("rectifier", &[("perv", 3.5e-4)], &[]),
    (
        "rectifier",
        &[
            ("perv", 2e-3),
            ("ex", 1.4),
            ("cs", 15.0),
            ("pivmax", 1400.0),
        ],
        &[],
    ),
    ("pot", &[("r", 1e6), ("taper", 1.0)], &[("knob", 3.0)]),
    ("toggle", &[], &[("at", 1.0)]),
    (
        "d",
        &[
            ("is", 2.5e-9),
            ("rs", 0.6),
            ("n", 1.75),
            ("tt", 5e-9),
            ("cjo", 4e-12),
            ("vj", 0.7),
            ("m", 0.4),
            ("bv", 12.0),
            ("ibv", 1e-4),
        ],
        &[("area", 2.0)],
    ),
    ("d", &[("is", 1e-20), ("n", 2.0), ("bv", 1000.0)], &[]),
    ("npn", BUSY_BJT, &[("area", 1.5)]),
    ("pnp", BUSY_BJT, &[]),
    (
        "npn",
        &[
            ("rb", 200.0),
            ("rbm", 10.0),
            ("irb", 1e-4),
            ("xtf", 4.0),
            ("tf", 3e-10),
            ("nf", 1.02),
        ],
        &[],
    ),
    (
        "njf",
        &[
            ("vto", -1.5),
            ("beta", 1.3e-3),
            ("lambda", 0.02),
            ("rd", 10.0),
            ("rs", 5.0),
            ("cgs", 3e-12),
            ("cgd", 2e-12),
        ],
        &[("area", 2.0)],
    ),
    ("pjf", &[("lambda", 0.01), ("cgs", 3e-12)], &[]),
    (
        "nmos",
        BUSY_MOS,
        &[
            ("w", 1e-3),
            ("ad", 1e-7),
            ("as", 1e-7),
            ("pd", 1e-3),
            ("ps", 1e-3),
        ],
    ),
    ("pmos", BUSY_MOS, &[("w", 1e-3), ("ad", 1e-7), ("as", 1e-7)]),
    (
        "nmos",
        &[
            ("vto", 3.0),
            ("kp", 1.0),
            ("rd", 0.1),
            ("rs", 0.02),
            ("cbd", 1e-9),
        ],
        &[],
    ),
    (
        "sw",
        &[("ron", 10.0), ("roff", 1e8), ("vt", 2.0), ("vh", 0.5)],
        &[("on", 1.0)],
    ),
    (
        "csw",
        &[("ron", 10.0), ("roff", 1e8), ("it", 1e-3), ("ih", 2e-4)],
        &[("on", 0.0)],
    ),
];

const BUSY_BJT: &[(&str, f64)] = &[
    ("is", 1e-14),
    ("bf", 250.0),
    ("vaf", 74.0),
    ("ikf", 0.3),
    ("ise", 1.4e-14),
    ("ne", 1.3),
    ("br", 6.0),
    ("var", 12.0),
    ("ikr", 0.05),
    ("isc", 1e-13),
    ("nc", 1.8),
    ("rb", 50.0),
    ("rbm", 5.0),
    ("re", 0.2),
    ("rc", 1.0),
    ("cje", 22e-12),
    ("tf", 4e-10),
    ("xtf", 3.0),
    ("vtf", 4.0),
    ("itf", 0.06),
    ("cjc", 8e-12),
    ("xcjc", 0.6),
    ("tr", 5e-8),
    ("cjs", 2e-12),
    ("mjs", 0.4),
    ("xtb", 1.5),
];

const BUSY_MOS: &[(&str, f64)] = &[
    ("kp", 5e-5),
    ("gamma", 0.6),
    ("lambda", 0.03),
    ("rsh", 10.0),
    ("cgso", 3e-10),
    ("cgdo", 3e-10),
    ("cgbo", 2e-10),
    ("cj", 2e-4),
    ("cjsw", 1e-9),
    ("tox", 50e-9),
    ("js", 1e-6),
];

/// Defaults and busy sets, at 27 C and, for the busy ones, hot as well.
fn samples() -> Vec<Sample> {
    let mut all = Vec::new();
    for kind in REGISTRY {
        let needs = |p: &&crate::device::Param| p.required;
        if !kind.model_params.iter().any(|p| needs(&p))
            && !kind.instance_params.iter().any(|p| needs(&p))
        {
            all.push(Sample::of(kind.name));
        }
        let before = all.len();
        for &(name, model, instance) in BUSY {
            if name == kind.name {
                let mut s = Sample::of(name);
                for &(p, value) in model {
                    s = s.model(p, value);
                }
                for &(p, value) in instance {
                    s = s.instance(p, value);
                }
                all.push(s.clone());
                all.push(s.celsius(70.0));
            }
        }
        assert!(all.len() > before, "no busy set for `{}`", kind.name);
    }
    all
}

/// All combinations of `values` over `n` places.
fn grid(values: &[f64], n: usize) -> Vec<Vec<f64>> {
    (0..n).fold(vec![vec![]], |points, _| {
        points
            .iter()
            .flat_map(|p| values.iter().map(move |&v| [&p[..], &[v]].concat()))
            .collect()
    })
}

#[test]
fn tables_are_consistent() {
    for kind in REGISTRY {
        let found = crate::device::kind(kind.name).unwrap();
        assert_eq!(found.name, kind.name, "names are unique");
        for table in [kind.model_params, kind.instance_params] {
            for (n, p) in table.iter().enumerate() {
                assert_eq!(p.name, p.name.to_lowercase());
                assert!(!p.meaning.is_empty() && !p.unit.is_empty());
                assert!(
                    p.default.is_nan() || p.range.contains(&p.default),
                    "{}",
                    p.name
                );
                assert!(!p.required || p.default.is_nan(), "{}", p.name);
                assert!(table[..n].iter().all(|q| q.name != p.name), "{}", p.name);
            }
        }
        for &(a, b) in kind.dc_paths {
            assert!(a < kind.terminals.len() && b < kind.terminals.len());
        }
    }
}

#[test]
fn pins_and_readings_point_at_something() {
    for s in samples() {
        let device = s.device();
        let fits = |pin: &Pin| match *pin {
            Pin::T(n) => n < s.kind.terminals.len(),
            Pin::Inner(n) => n < device.inner,
        };
        let mut touched = vec![false; device.inner];
        for part in &device.parts {
            let pins: Vec<Pin> = match part {
                Part::Resistance(a, b, value) | Part::Capacitance(a, b, value) => {
                    assert!(*value > 0.0 && value.is_finite());
                    vec![*a, *b]
                }
                Part::Law {
                    controls,
                    outputs,
                    law,
                } => {
                    assert_eq!(controls.len(), law.controls());
                    assert_eq!(outputs.len(), law.outputs());
                    controls
                        .iter()
                        .chain(outputs)
                        .flat_map(|&(a, b)| [a, b])
                        .collect()
                }
            };
            assert!(pins.iter().all(fits), "{} {part:?}", s.kind.name);
            for pin in pins {
                if let Pin::Inner(n) = pin {
                    touched[n] = true;
                }
            }
        }
        assert!(
            touched.iter().all(|&t| t),
            "{}: a bare inner node",
            s.kind.name
        );
        for r in &device.readings {
            match &device.parts[r.output.0] {
                Part::Law { law, .. } => assert!(r.output.1 < law.outputs()),
                other => panic!("{other:?}"),
            }
        }
    }
}

/// No infinity and no NaN anywhere, also where no circuit ever is.
#[test]
fn answers_are_finite_everywhere() {
    let mut values = vec![0.0];
    for size in [
        1e-300,
        1e-12,
        1e-3,
        0.3,
        0.75,
        1.0,
        6.0,
        1e2,
        1e3,
        1e6,
        1e9,
        1e30,
        1e300,
        f64::MAX,
    ] {
        values.extend([size, -size]);
    }
    for s in samples() {
        for part in s.device().parts {
            let Part::Law { law, .. } = part else {
                continue;
            };
            for u in grid(&values, law.controls()) {
                for memory in [0.0, 1.0] {
                    let a = answer(law.as_ref(), &u, memory);
                    for x in [&a.i, &a.q, &a.g, &a.c].into_iter().flatten() {
                        assert!(x.is_finite(), "{} {u:?} {a:?}", s.kind.name);
                    }
                    let mut moved = u.clone();
                    law.limit(&mut moved, &vec![0.0; u.len()], memory);
                    assert!(moved.iter().all(|x| !x.is_nan()), "{} {u:?}", s.kind.name);
                    let memory = law.next_memory(&u, memory);
                    assert!(memory == 0.0 || memory == 1.0);
                }
            }
        }
    }
}

/// Kinks that belong to a law: (kind, what a point near one looks like).
fn at_a_kink(kind: &str, u: &[f64]) -> bool {
    match kind {
        // Koren's arc tangent begins at vpk = 0 with a slope.
        "pentode" => u[0].abs() < 1e-2,
        _ => false,
    }
}

/// G and C against central differences. The step is small against any curvature here (the
/// sharpest is an exponential of 13 mV); what its truncation and the rounding of the value
/// may amount to is allowed for, and no more.
#[test]
fn derivatives_are_those_of_the_currents_and_charges() {
    let plain = [
        -320.0, -40.3, -12.05, -3.1, -1.52, -0.77, -0.31, -0.052, -0.003, 0.0, 0.0021, 0.043, 0.27,
        0.52, 0.66, 0.81, 1.31, 1.9985, 2.004, 2.5035, 5.7, 31.0, 250.0,
    ];
    // Around the thresholds of the current switch.
    let fine = [
        0.0, 0.2, -1.0, 0.7995e-3, 0.8021e-3, 1.1975e-3, 1.2013e-3, 1e-6, -3e-6, 30.0,
    ];
    let mut checked = 0;
    for s in samples() {
        for part in s.device().parts {
            let Part::Law { law, .. } = part else {
                continue;
            };
            let n = law.controls();
            let values: &[f64] = if s.kind.name == "csw" { &fine } else { &plain };
            for u in grid(values, n) {
                if at_a_kink(s.kind.name, &u) {
                    continue;
                }
                for memory in [0.0, 1.0] {
                    checked += compare(s.kind.name, law.as_ref(), &u, memory);
                }
            }
        }
    }
    assert!(checked > 100_000, "{checked}");
}

fn compare(kind: &str, law: &dyn crate::device::Law, u: &[f64], memory: f64) -> usize {
    let n = u.len();
    let here = answer(law, u, memory);
    let mut checked = 0;
    for k in 0..n {
        let h = (1e-5 * u[k].abs().min(1.0)).max(if kind == "csw" { 1e-9 } else { 1e-7 });
        let at = |steps: f64| {
            let mut moved = u.to_vec();
            moved[k] += steps * h;
            answer(law, &moved, memory)
        };
        let (low, high) = (at(-1.0), at(1.0));
        let width = (u[k] + h) - (u[k] - h);
        for o in 0..law.outputs() {
            for (what, value, slope, a, b) in [
                ("g", here.i[o], here.g[o * n + k], &low.i, &high.i),
                ("c", here.q[o], here.c[o * n + k], &low.q, &high.q),
            ] {
                let difference = (b[o] - a[o]) / width;
                // A sum of large terms may leave a small value: rounding is that of the largest.
                let largest = here.i.iter().chain(&here.q).fold(value.abs(), |m, x| {
                    if what == "g" && here.i.contains(x) || what == "c" && here.q.contains(x) {
                        m.max(x.abs())
                    } else {
                        m
                    }
                });
                let rounding = 1e-13 * largest / h + 1e-300;
                // One-sided slopes differ by h times the curvature, also across a joint.
                let left = (value - a[o]) / h;
                let right = (b[o] - value) / h;
                let truncation = (right - left)
                    .abs()
                    .min(0.05 * slope.abs().max(difference.abs()));
                let allowed = 1e-5 * slope.abs() + rounding + truncation;
                assert!(
                    (difference - slope).abs() <= allowed,
                    "{kind} d{what}{o}/du{k} at {u:?}, memory {memory}: {slope} against {difference}"
                );
                // The allowance itself must stay small, or the check could not fail.
                if rounding + truncation < 1e-2 * slope.abs() {
                    checked += 1;
                }
            }
        }
    }
    checked
}

/// Nothing delivers power at rest or backward: valves in cut-off, transistors at 0 V.
#[test]
fn nothing_flows_at_rest() {
    for s in samples() {
        for part in s.device().parts {
            let Part::Law { law, .. } = part else {
                continue;
            };
            let a = answer(law.as_ref(), &vec![0.0; law.controls()], 0.0);
            // A valve's electrons leave without being asked: a few microamperes at 0 V.
            let most = if s.kind.letter == 'X' { 50e-6 } else { 0.0 };
            assert!(a.i.iter().all(|i| i.abs() <= most), "{} {a:?}", s.kind.name);
        }
    }
}

/// The power a law takes, sum of i u over ports that are their own controls, is not negative.
#[test]
fn two_terminal_laws_take_power() {
    let values = [-1e3, -100.0, -12.5, -0.7, -1e-3, 0.0, 1e-3, 0.5, 0.8, 30.0];
    for s in samples() {
        for part in s.device().parts {
            let Part::Law {
                law,
                controls,
                outputs,
            } = part
            else {
                continue;
            };
            if controls.len() != 1 || outputs != controls {
                continue;
            }
            for v in values {
                let power = answer(law.as_ref(), &[v], 0.0).i[0] * v;
                // The rectifier's emission at a slightly negative plate is the exception.
                assert!(power >= -1e-6, "{} {v} {power}", s.kind.name);
            }
        }
    }
}

/// Every start is one from which the law can be evaluated and Newton can move.
#[test]
fn starts_are_finite() {
    for s in samples() {
        for part in s.device().parts {
            let Part::Law { law, .. } = part else {
                continue;
            };
            let mut u = vec![0.0; law.controls()];
            law.start(&mut u);
            let a = answer(law.as_ref(), &u, 0.0);
            assert!(
                a.g.iter().all(|g| g.abs() < 1e3),
                "{} {u:?} {a:?}",
                s.kind.name
            );
        }
    }
}
