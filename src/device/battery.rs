//! What every device has to pass, in a loop over the registry.

use super::kind::{Part, Pin};
use super::law::Law;
use crate::device::REGISTRY;
use crate::device::sets::{BUSY_MOS, Values, samples};
use crate::device::trial::{Bench, Sample, answer};

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
            Pin::Ground => true,
        };
        let mut touched = vec![false; device.inner];
        for part in &device.parts {
            let pins: Vec<Pin> = match part {
                Part::Resistance(a, b, value) | Part::Capacitance(a, b, value) => {
                    assert!(*value > 0.0 && value.is_finite());
                    vec![*a, *b]
                }
                Part::Winding(w) => {
                    assert!(w.ohms + w.henries > 0.0 && w.ohms >= 0.0 && w.henries >= 0.0);
                    assert!(w.ohms.is_finite() && w.henries.is_finite());
                    [Some(w.from), Some(w.to), w.core.map(|(pin, _)| pin)]
                        .into_iter()
                        .flatten()
                        .collect()
                }
                Part::Transfer {
                    sense,
                    sink,
                    siemens,
                } => {
                    assert!(siemens.is_finite());
                    vec![sense.0, sense.1, sink.0, sink.1]
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
                    law.damp(&mut moved, &vec![0.0; u.len()], memory);
                    assert!(moved.iter().all(|x| !x.is_nan()), "{} {u:?}", s.kind.name);
                    let next = law.next_memory(&u, memory);
                    assert!(law.remembers() || next == memory);
                    let memory = next;
                    assert!(memory == 0.0 || memory == 1.0);
                }
            }
        }
    }
}

/// A law that declares no charge has none anywhere; one that does has some somewhere. What is not
/// declared would be left out of every steady state.
#[test]
fn charges_are_declared() {
    let values = [-30.0, -1.0, -0.3, 0.0, 0.45, 0.7, 2.0, 40.0];
    let mut declared = 0;
    for s in samples() {
        for part in s.device().parts {
            let Part::Law { law, .. } = part else {
                continue;
            };
            let some = grid(&values, law.controls()).iter().any(|u| {
                [0.0, 1.0].iter().any(|&memory| {
                    let a = answer(law.as_ref(), u, memory);
                    a.q.iter().chain(&a.c).any(|&x| x != 0.0)
                })
            });
            assert_eq!(law.stores_charge(), some, "{} {law:?}", s.kind.name);
            declared += usize::from(some);
        }
    }
    assert!(declared > 5, "{declared}");
}

/// Nor with a parameter at either end of its range: the model may say so.
#[test]
fn answers_are_finite_at_the_ends_of_every_range() {
    let values = [-1e300, -1e9, -300.0, -1.0, 0.0, 0.7, 300.0, 1e9];
    for base in samples() {
        let with = |model: bool, n: usize, end: f64| {
            let mut s = base.clone();
            let list = if model { &mut s.model } else { &mut s.instance };
            list[n] = end;
            s
        };
        let mut ends = Vec::new();
        for (model, table) in [
            (true, base.kind.model_params),
            (false, base.kind.instance_params),
        ] {
            for (n, p) in table.iter().enumerate() {
                ends.push((p.name, with(model, n, *p.range.start())));
                ends.push((p.name, with(model, n, *p.range.end())));
            }
        }
        for (name, s) in ends {
            for part in s.device().parts {
                match part {
                    Part::Resistance(_, _, x) | Part::Capacitance(_, _, x) => {
                        assert!(x > 0.0 && x.is_finite(), "{} {name}", s.kind.name);
                    }
                    Part::Winding(w) => {
                        let turns = w.core.map_or(0.0, |(_, turns)| turns);
                        let (r, l) = (w.ohms, w.henries);
                        assert!(r >= 0.0 && l >= 0.0, "{} {name}", s.kind.name);
                        assert!((r + l + turns).is_finite(), "{} {name}", s.kind.name);
                    }
                    Part::Transfer { siemens, .. } => assert!(siemens.is_finite()),
                    Part::Law { law, .. } => {
                        for u in grid(&values, law.controls()) {
                            let a = answer(law.as_ref(), &u, 0.0);
                            for x in [&a.i, &a.q, &a.g, &a.c].into_iter().flatten() {
                                assert!(x.is_finite(), "{} {name} {u:?} {a:?}", s.kind.name);
                            }
                        }
                    }
                }
            }
        }
    }
}

/// G and C against central differences on a grid of controls.
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
    let (mut telling, mut wrong) = (0, Vec::new());
    for s in samples() {
        for part in s.device().parts {
            let Part::Law { law, .. } = part else {
                continue;
            };
            let (values, apart): (&[f64], f64) = match s.kind.name {
                "csw" => (&fine, 1e-8),
                _ => (&plain, 3.7e-4),
            };
            for mut u in grid(values, law.controls()) {
                // Off the round numbers, where the pieces of a law meet: there a difference
                // across the joint is no slope. No joint is nearer than the step.
                u.iter_mut()
                    .zip(1..)
                    .for_each(|(v, k)| *v += apart * f64::from(k));
                for memory in [0.0, 1.0] {
                    telling += compare(s.kind.name, law.as_ref(), &u, memory, &mut wrong);
                }
            }
        }
    }
    let first = wrong.iter().take(20).cloned().collect::<Vec<_>>();
    assert!(
        wrong.is_empty(),
        "{} wrong: {}",
        wrong.len(),
        first.join("\n")
    );
    assert!(
        telling > 100_000,
        "only {telling} comparisons could have failed"
    );
}

/// Compares at one point; counts the slopes that rounding does not hide.
///
/// What is allowed: 1e-5 of the slope; the rounding of the values; a twentieth where the
/// curve bends within the step (a switch changes by 4 % there). A missing term, a wrong sign
/// or a kink is larger than that.
fn compare(kind: &str, law: &dyn Law, u: &[f64], memory: f64, wrong: &mut Vec<String>) -> usize {
    let n = u.len();
    let here = answer(law, u, memory);
    let mut telling = 0;
    let widest = |values: &[f64]| values.iter().fold(0.0f64, |m, x| m.max(x.abs()));
    for k in 0..n {
        let least = if kind == "csw" { 1e-9 } else { 1e-7 };
        let h = (1e-5 * u[k].abs().min(1.0)).max(least);
        let at = |steps: f64| {
            let mut moved = u.to_vec();
            moved[k] += steps * h;
            answer(law, &moved, memory)
        };
        let (low, high) = (at(-1.0), at(1.0));
        let width = (u[k] + h) - (u[k] - h);
        for o in 0..law.outputs() {
            // The floors are a femtosiemens and a yoctofarad: below, nothing depends on them.
            for (what, all, slope, low, high, floor) in [
                ("g", &here.i, here.g[o * n + k], &low.i, &high.i, 1e-15),
                ("c", &here.q, here.c[o * n + k], &low.q, &high.q, 1e-24),
            ] {
                let difference = (high[o] - low[o]) / width;
                let rounding = 1e-13 * widest(all) / h + floor;
                let bend = (high[o] - 2.0 * all[o] + low[o]).abs() / h;
                let size = slope.abs().max(difference.abs());
                let allowed = 1e-5 * size + rounding + bend.min(0.05 * size);
                if (difference - slope).abs() > allowed {
                    wrong.push(format!(
                        "{kind} d{what}{o}/du{k} at {u:?}, memory {memory}: \
                         {slope:e} against {difference:e}"
                    ));
                }
                if rounding < 0.1 * slope.abs() {
                    telling += 1;
                }
            }
        }
    }
    telling
}

/// Where two pieces of a law meet: the values on both sides agree, and so do the slopes
/// except where the head of the file says that they do not.
#[test]
fn the_pieces_of_a_law_meet() {
    type Joint = (&'static str, Values, &'static [f64], usize, bool);
    let joints: &[Joint] = &[
        // Plate through zero; screen through zero and one volt; screen bracket through
        // zero. Slopes that grow like a power below one are not asked to agree so soon.
        ("triode", &[], &[0.0, 0.5], 0, true),
        ("pentode", &[], &[0.0, 250.0, -5.0], 0, false),
        ("pentode", &[], &[200.0, 0.0, 3.0], 1, false),
        ("pentode", &[], &[200.0, 1.0, 3.0], 1, true),
        ("pentode", &[("mu", 10.0)], &[200.0, 250.0, -25.0], 2, false),
        // Plate and screen through zero, above cut-off and with the grid positive.
        ("output", &[], &[0.0, 250.0, -5.0], 0, true),
        ("output", &[], &[0.0, 400.0, 20.0], 0, true),
        ("output", &[], &[200.0, 0.0, -3.0], 1, true),
        // The tangent of the exponential; the straight line of the depletion capacitance.
        ("d", &[("is", 1e-60)], &[200.0 * 0.025_864_9], 0, true),
        (
            "d",
            &[("cjo", 1e-11), ("vj", 0.8), ("is", 1e-60)],
            &[0.4],
            0,
            true,
        ),
        // Both ends of the bracket of q1: 1 - vbc/vaf = 0.05.
        (
            "npn",
            &[("vaf", 0.5), ("is", 1e-30)],
            &[0.6, 0.475],
            1,
            true,
        ),
        // No injection; crowding begins.
        (
            "npn",
            &[("xtf", 4.0), ("tf", 1e-9), ("itf", 1e-17)],
            &[0.0, -1.0],
            0,
            true,
        ),
        (
            "npn",
            &[("rb", 100.0), ("rbm", 1.0), ("irb", 1e-17)],
            &[0.0, 0.0, 1e-3],
            0,
            true,
        ),
        // Threshold, saturation, exchange of drain and source.
        (
            "njf",
            &[("lambda", 0.1), ("beta", 1e-2)],
            &[-2.0, -9.0],
            0,
            true,
        ),
        (
            "njf",
            &[("lambda", 0.1), ("beta", 1e-2)],
            &[-1.0, -2.0],
            1,
            true,
        ),
        (
            "njf",
            &[("lambda", 0.1), ("beta", 1e-2)],
            &[-1.0, -1.0],
            1,
            true,
        ),
        ("nmos", BUSY_MOS, &[0.0, 5.0, 0.0], 0, true),
        (
            "nmos",
            &[("vto", 1.0), ("kp", 1e-2)],
            &[3.0, 2.0, -1.0],
            1,
            true,
        ),
        ("nmos", BUSY_MOS, &[3.0, 0.0, -1.0], 1, true),
        ("nmos", BUSY_MOS, &[3.0, 2.0, 0.0], 2, true),
        // Both edges of the band.
        ("sw", &[("vt", 2.0), ("roff", 1e6)], &[1.0, 1.99], 1, true),
        ("sw", &[("vt", 2.0), ("roff", 1e6)], &[1.0, 2.01], 1, true),
        // The end of reach.
        ("triode", &[], &[1e9, 0.0], 0, false),
        ("njf", &[], &[-1.0, -1e9], 1, false),
    ];
    for &(kind, model, u, k, slopes) in joints {
        let sample = model
            .iter()
            .fold(Sample::of(kind), |s, &(p, v)| s.model(p, v));
        let law = sample.law(0);
        let beside = |step: f64| {
            let mut moved = u.to_vec();
            moved[k] += step * u[k].abs().max(1.0);
            answer(law.as_ref(), &moved, 0.0)
        };
        let (a, b) = (beside(-1e-10), beside(1e-10));
        let near = |x: &[f64], y: &[f64], tiny: f64| {
            let size = x.iter().chain(y).fold(0.0f64, |m, v| m.max(v.abs()));
            let most = 1e-4 * size + tiny;
            x.iter().zip(y).all(|(x, y)| (x - y).abs() <= most)
        };
        assert!(near(&a.i, &b.i, 1e-9), "{kind} {u:?}: {:?} {:?}", a.i, b.i);
        assert!(near(&a.q, &b.q, 1e-20), "{kind} {u:?}: {:?} {:?}", a.q, b.q);
        if slopes {
            assert!(near(&a.g, &b.g, 1e-8), "{kind} {u:?}: {:?} {:?}", a.g, b.g);
            assert!(near(&a.c, &b.c, 1e-20), "{kind} {u:?}: {:?} {:?}", a.c, b.c);
        }
    }
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

/// Plain Newton, without a rescue, finds the rest of valve stages from nothing, over more
/// loads and drives than an amplifier has. It is the effort that is asserted.
#[test]
fn plain_newton_settles_valve_stages() {
    // Koren's 12AX7, 12AU7, 6L6GC and EL34 sets (the last three from memory), and
    // output valves like them; the grid drawing current or not.
    let valves: &[(&str, Values)] = &[
        ("triode", &[]),
        ("triode", &[("gg", 6e-4)]),
        (
            "triode",
            &[
                ("mu", 21.5),
                ("ex", 1.3),
                ("kg1", 1180.0),
                ("kp", 84.0),
                ("gg", 1e-3),
            ],
        ),
        ("pentode", &[]),
        ("pentode", &[("gg", 1e-3)]),
        (
            "pentode",
            &[
                ("mu", 11.0),
                ("kg1", 650.0),
                ("kg2", 4200.0),
                ("kp", 60.0),
                ("kvb", 24.0),
            ],
        ),
        ("output", &[]),
        ("output", &[("gg", 1e-3)]),
        (
            "output",
            &[
                ("mu", 11.0),
                ("kg1", 520.0),
                ("kg2", 3800.0),
                ("kp", 60.0),
                ("knee", 10.0),
                ("perv", 2.6e-3),
                ("alphas", 2.5),
            ],
        ),
    ];
    let (mut most, mut total, mut count) = (0, 0, 0);
    for load in [1e3, 10e3, 100e3, 470e3] {
        for tail in [1.0, 820.0, 10e3, 100e3] {
            for drive in [-60.0, -10.0, 0.0, 3.0, 20.0, 150.0, 290.0] {
                for through in [1.0, 68e3, 1e6] {
                    for &(kind, model) in valves {
                        let mut bench = Bench::new(4);
                        bench.source(0, 300.0, load);
                        bench.source(1, drive, through);
                        bench.resistor(Some(2), None, tail);
                        bench.source(3, 280.0, 1e3);
                        let sample = Sample::of(kind);
                        let valve = model
                            .iter()
                            .fold(sample, |s, &(p, v)| s.model(p, v))
                            .device();
                        let pins: &[_] = match kind {
                            "triode" => &[Some(0), Some(1), Some(2)],
                            _ => &[Some(0), Some(3), Some(1), Some(2)],
                        };
                        bench.device(valve, pins);
                        let (_, steps) = bench.solve();
                        most = most.max(steps);
                        total += steps;
                        count += 1;
                    }
                }
            }
        }
    }
    let mean = total as f64 / f64::from(count);
    assert!(
        most <= 25 && mean <= 10.0,
        "at most {most}, {mean} on average"
    );
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
