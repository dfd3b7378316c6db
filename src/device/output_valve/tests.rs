//! The output valve: its law written out, its sheet, its manners below the knee.

use crate::device::Banks;
use crate::device::law::Enlisted;
use crate::device::packs::WIDTH;
use crate::device::trial::{Bench, Sample, answer};

fn currents(u: [f64; 3]) -> [f64; 2] {
    let a = answer(Sample::of("output").law(0).as_ref(), &u, 0.0);
    [a.i[0], a.i[1]]
}

/// The head's formulas written out again with plain library calls.
#[test]
fn currents_are_the_written_out_law() {
    let (mu, ex, kg1, kg2, kp): (f64, f64, f64, f64, f64) = (9.8, 1.33, 963.0, 22e3, 34.5);
    let (knee, perv, vrise, alphas): (f64, f64, f64, f64) = (7.0, 5e-3, 1500.0, 8.0);
    let (mup, fade, lams, vct) = (200.0, 4e-3, 6.0, 0.3);
    let law = Sample::of("output").model("mup", mup).model("lams", lams);
    let law = law.model("vct", vct).model("fade", fade);
    let (back, vback, eback): (f64, f64, f64) = (0.4, 60.0, 9.0);
    let law = law.model("back", back).model("vback", vback);
    let shade = 0.03;
    let law = law.model("eback", eback).model("shade", shade).law(0);
    for (vp, v2, vg) in [
        (250.0, 250.0, -14.0),
        (20.0, 300.0, 5.0),
        (400.0, 40.0, 0.5),
        (285.0, 285.0, -19.0),
    ] {
        let (vp, v2, vg): (f64, f64, f64) = (vp, v2, vg);
        let w = (10.0 + v2 * v2).sqrt();
        let pull = vp * vp / (vp + 5.0 + fade * vp * vp);
        let drive = 1.0 / mu + (vg + vct + pull / mup) / w;
        let e1 = v2 / kp * (1.0 + (kp * drive).exp()).ln();
        let j = 2.0 * e1.powf(ex);
        let k = knee.powf(1.5) + j / (kg1 * perv);
        let s = k / (k + vp.powf(1.5));
        let b = back / (1.0 + e1 / eback);
        let x = (vp / vback).powi(4);
        let p = (1.0 - b) * (1.0 - s) + b * x / (1.0 + x);
        let ip = j / kg1 * (1.0 + vp / vrise) * p;
        let h = 1.0 / (1.0 + (shade * w / e1).powi(3));
        let ig2 = j / kg2 * (1.0 + alphas * v2 / (v2 + lams * pull)) * h;
        let found = answer(law.as_ref(), &[vp, v2, vg], 0.0).i;
        assert!((found[0] / ip - 1.0).abs() < 1e-12, "{} {ip}", found[0]);
        assert!((found[1] / ig2 - 1.0).abs() < 1e-12, "{} {ig2}", found[1]);
    }
}

/// Data sheet 6L6GC, RCA/GE (from memory): 250 V, 250 V, -14 V: 72 mA, 5 mA, 6000 uS,
/// 22.5 k. The defaults are near the fitted model.
#[test]
fn the_defaults_are_near_a_6l6gc() {
    let law = Sample::of("output").law(0);
    let a = answer(law.as_ref(), &[250.0, 250.0, -14.0], 0.0);
    assert!((a.i[0] / 72e-3 - 1.0).abs() < 0.1, "{} A", a.i[0]);
    assert!((a.i[1] / 5e-3 - 1.0).abs() < 0.2, "{} A", a.i[1]);
    assert!((a.g[2] / 6e-3 - 1.0).abs() < 0.1, "{} S", a.g[2]);
    assert!((a.g[0] * 22.5e3 - 1.0).abs() < 0.2, "{} S", a.g[0]);
}

/// Far below the knee, where `knee` itself is small, all grids give one line, perv
/// vpk^1.5; and the screen takes what the plate leaves.
#[test]
fn below_the_knee_the_curves_meet_and_the_screen_takes_over() {
    let child = 5e-3 * 2f64.powf(1.5);
    let law = Sample::of("output").model("knee", 1.0).law(0);
    let plate = |vg| answer(law.as_ref(), &[2.0, 400.0, vg], 0.0).i[0];
    let (weak, strong) = (plate(0.0), plate(20.0));
    assert!(weak < strong && strong < child, "{weak} {strong} {child}");
    assert!(weak > 0.9 * child, "{weak} {child}");
    let screen = |vp| currents([vp, 250.0, 0.0])[1];
    assert!((screen(0.0) - screen(-50.0)).abs() == 0.0);
    let fall: Vec<f64> = [0.0, 10.0, 50.0, 100.0, 250.0].map(screen).to_vec();
    assert!(fall.is_sorted_by(|a, b| a > b), "{fall:?}");
    assert!(fall[0] > 4.0 * fall[4], "{fall:?}");
}

/// In one proportion of all volts the screen has one share, the smaller the more negative the grid.
#[test]
fn the_grid_shades_the_screen() {
    let law = Sample::of("output").model("shade", 0.03).law(0);
    let share = |vp, v2, vg| {
        let i = answer(law.as_ref(), &[vp, v2, vg], 0.0).i;
        i[1] / i[0]
    };
    let class_a = share(250.0, 250.0, -12.5);
    assert!(share(250.0, 250.0, -19.0) < 0.8 * class_a);
    assert!(share(250.0, 250.0, 0.0) < 1.3 * class_a);
    let bare = currents([250.0, 250.0, 0.0]);
    assert!(share(250.0, 250.0, 0.0) > 0.9 * bare[1] / bare[0]);
    let whole = answer(law.as_ref(), &[300.0, 250.0, -250.0], 0.0);
    assert!(whole.i.iter().chain(&whole.g).all(|x| x.is_finite()));
}

/// More grid, screen or plate is never less plate current.
#[test]
fn plate_current_rises_with_every_electrode() {
    let law = Sample::of("output").model("ex", 1.6).law(0);
    for vp in [0.0, 1.0, 10.0, 40.0, 200.0, 800.0] {
        for v2 in [0.0, 1.0, 50.0, 250.0, 500.0] {
            for vg in [-80.0, -20.0, -5.0, 0.0, 10.0, 60.0] {
                let g = answer(law.as_ref(), &[vp, v2, vg], 0.0).g;
                assert!(g[..3].iter().all(|&x| x >= 0.0), "{vp} {v2} {vg} {g:?}");
            }
        }
    }
}

#[test]
fn nothing_flows_without_screen_or_at_cut_off_and_no_plate_current_without_plate() {
    for u in [
        [300.0, -5.0, 20.0],
        [300.0, 0.0, 20.0],
        [300.0, 250.0, -200.0],
    ] {
        assert!(currents(u).iter().all(|i| *i < 1e-9), "{u:?}");
    }
    assert_eq!(currents([-1.0, 250.0, 0.0])[0], 0.0);
}

#[test]
fn a_cathode_biased_output_stage_starts_from_nothing() {
    let mut bench = Bench::new(3);
    bench.source(0, 260.0, 200.0);
    bench.source(1, 250.0, 100.0);
    bench.resistor(Some(2), None, 170.0);
    bench.device(
        Sample::of("output").model("gg", 1e-3).device(),
        &[Some(0), Some(1), None, Some(2)],
    );
    let (v, steps) = bench.solve();
    assert!((8.0..20.0).contains(&v[2]), "{v:?}");
    assert!(steps <= 12, "{steps} steps");
}

#[test]
fn valves_in_a_bank_answer_to_the_last_bit_as_alone() {
    let mut banks = Banks::default();
    let laws: Vec<_> = (0..6)
        .map(|k| Sample::of("output").model("mu", 8.0 + f64::from(k)).law(0))
        .collect();
    for law in &laws {
        assert_eq!(banks.enlist(law.as_ref()), Some(Enlisted::OutputValve));
    }
    assert_eq!(banks.output_valves.packs(), 2);
    for u in [
        [250.0, 250.0, -14.0],
        [20.0, 300.0, 5.0],
        [-3.0, 400.0, -90.0],
        [300.0, -5.0, 2.0],
        [0.0, 0.0, 0.0],
    ] {
        for (k, law) in laws.iter().enumerate() {
            let alone = answer(law.as_ref(), &u, 0.0);
            let expected = [&alone.i[..], &alone.g[..6], &alone.g[8..]].concat();
            let found = banks
                .output_valves
                .answer(k / WIDTH, &u.map(|v| [v; WIDTH]));
            let other = [[7.0; WIDTH], [200.0; WIDTH], [-9.0; WIDTH]];
            let both = [u.map(|v| [v; WIDTH]), other];
            let twice = banks.output_valves.answer_twice(k / WIDTH, &both);
            assert_eq!(twice[0], found);
            assert_eq!(twice[1], banks.output_valves.answer(k / WIDTH, &other));
            let found = found.map(|row| row[k % WIDTH].to_bits());
            let expected: Vec<u64> = expected.iter().map(|v| v.to_bits()).collect();
            assert_eq!(found[..], expected[..]);
        }
    }
}

/// 0 V at the grid and 100 k at the plate: far below the knee, as in `pentode`.
#[test]
fn a_plate_below_the_knee_is_found() {
    let mut bench = Bench::new(2);
    bench.source(0, 300.0, 100e3);
    bench.source(1, 250.0, 1e3);
    bench.device(
        Sample::of("output").device(),
        &[Some(0), Some(1), None, None],
    );
    let (v, steps) = bench.solve();
    assert!((0.05..5.0).contains(&v[0]), "{v:?}");
    assert!(steps <= 15, "{steps} steps");
}
