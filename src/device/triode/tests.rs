//! The triode: published figures, circuits that settle, its bank.

use super::ANSWERS;
use crate::device::Banks;
use crate::device::law::Enlisted;
use crate::device::packs::WIDTH;
use crate::device::trial::{Bench, Sample, answer};

/// Koren's printed 12AX7 set, as the defaults give it.
fn twelve_ax7() -> Sample {
    Sample::of("triode")
}

/// Koren 1996 with his 12AX7 set at two data-sheet points: 0.10 mA at 100 V, -1 V and
/// 0.95 mA at 250 V, -2 V (figures worked out from the law outside this project).
#[test]
fn the_printed_12ax7_set_gives_its_known_currents() {
    let law = twelve_ax7().law(0);
    for (vpk, vgk, ma) in [(100.0, -1.0, 0.10), (250.0, -2.0, 0.95)] {
        let a = answer(law.as_ref(), &[vpk, vgk], 0.0);
        assert!((a.i[0] * 1e3 - ma).abs() < 0.005, "{} mA", a.i[0] * 1e3);
    }
}

/// Steck, "Analog and Digital Electronics", ch. "Vacuum Tubes": 330 V, 100 k, 1.5 k.
/// The figures with more digits were computed from the stated law outside this project.
#[test]
fn stecks_stage_has_its_bias_and_its_derivatives() {
    let mut bench = Bench::new(2);
    bench.source(0, 330.0, 100e3);
    bench.resistor(Some(1), None, 1.5e3);
    bench.device(twelve_ax7().device(), &[Some(0), None, Some(1)]);
    let (v, steps) = bench.solve();
    assert!((v[0] - v[1] - 220.97).abs() < 0.01, "{v:?}");
    assert!((v[1] - 1.6113).abs() < 1e-4, "{v:?}");
    assert!((v[1] / 1.5e3 - 1.0742e-3).abs() < 1e-7);
    assert!(steps <= 12, "{steps} steps");
    let a = answer(twelve_ax7().law(0).as_ref(), &[v[0] - v[1], -v[1]], 0.0);
    assert!((a.g[1] - 1877e-6).abs() < 0.5e-6, "gm {}", a.g[1]);
    assert!((1.0 / a.g[0] - 48.995e3).abs() < 5.0, "rp {}", 1.0 / a.g[0]);
}

/// Computed from the law outside this project: B+ 300 V, grid at 150 V, 100 k.
#[test]
fn a_follower_starts_from_nothing_and_settles() {
    let mut bench = Bench::new(3);
    bench.source(0, 300.0, 1e-3);
    bench.source(1, 150.0, 1e-3);
    bench.resistor(Some(2), None, 100e3);
    bench.device(twelve_ax7().device(), &[Some(0), Some(1), Some(2)]);
    let (v, steps) = bench.solve();
    assert!((v[2] - 150.6546).abs() < 1e-3, "{v:?}");
    assert!(steps <= 20, "{steps} steps");
}

/// +50 V through 10 k into the grid: (50 - v)/10k = gg v^xi, by bisection here.
#[test]
fn a_grid_driven_hard_settles() {
    let (mut low, mut high) = (0.0f64, 50.0f64);
    for _ in 0..100 {
        let v = 0.5 * (low + high);
        if 6.06e-4 * v.powf(1.354) < (50.0 - v) / 10e3 {
            low = v
        } else {
            high = v
        }
    }
    let driven = twelve_ax7()
        .model("gg", 6.06e-4)
        .model("cg", 13.9)
        .model("xi", 1.354);
    let mut bench = Bench::new(2);
    bench.source(0, 300.0, 100e3);
    bench.source(1, 50.0, 10e3);
    bench.device(driven.device(), &[Some(0), Some(1), None]);
    let (v, steps) = bench.solve();
    assert!((v[1] - low).abs() < 1e-6, "{v:?} {low}");
    assert!((0.0..30.0).contains(&v[0]), "{v:?}");
    assert!(steps <= 12, "{steps} steps");
}

/// A phase splitter: both grids at 100 V, common 47 k. Each valve then has
/// half of what 100 V, give or take the bias, drive through 47 k.
#[test]
fn a_long_tailed_pair_settles_in_balance() {
    let mut bench = Bench::new(5);
    bench.source(0, 300.0, 100e3);
    bench.source(1, 300.0, 100e3);
    bench.source(2, 100.0, 1e6);
    bench.source(3, 100.0, 1e6);
    bench.resistor(Some(4), None, 47e3);
    for side in 0..2 {
        let valve = twelve_ax7().model("gg", 6e-4).device();
        bench.device(valve, &[Some(side), Some(2 + side), Some(4)]);
    }
    let (v, steps) = bench.solve();
    assert!((v[0] - v[1]).abs() < 1e-6, "{v:?}");
    assert!((98.0..102.5).contains(&v[4]), "{v:?}");
    let through = (300.0 - v[0]) / 100e3 + (100.0 - v[2]) / 1e6;
    assert!((through - v[4] / 94e3).abs() < 1e-9, "{v:?}");
    assert!(steps <= 20, "{steps} steps");
}

#[test]
fn contact_potential_shifts_the_plate_current_but_not_the_grid_current() {
    let plain = twelve_ax7().model("gg", 6e-4);
    let shifted = plain.clone().model("vct", 0.5);
    let a = answer(plain.law(0).as_ref(), &[200.0, -0.5], 0.0);
    let b = answer(shifted.law(0).as_ref(), &[200.0, -1.0], 0.0);
    assert_eq!(a.i[0], b.i[0]);
    assert_eq!(a.g[0], b.g[0]);
    let c = answer(shifted.law(0).as_ref(), &[200.0, -0.5], 0.0);
    assert_eq!(a.i[1], c.i[1]);
    assert!(c.i[0] > a.i[0]);
}

/// Five triodes fill one pack and begin another; each answers as it does alone.
#[test]
fn a_bank_gives_the_bits_of_each_triode_alone() {
    let laws: Vec<_> = (0..5)
        .map(|k| {
            twelve_ax7()
                .model("mu", 90.0 + f64::from(k))
                .model("gg", 6e-4)
                .model("alphag", 5.0)
                .law(0)
        })
        .collect();
    let mut banks = Banks::default();
    for law in &laws {
        assert_eq!(banks.enlist(law.as_ref()), Some(Enlisted::Triode));
    }
    let packs = banks.triodes.packs();
    assert_eq!(packs, 2);
    let points = [
        (250.0, -2.0),
        (30.0, 1.5),
        (120.0, -3.3),
        (120.0, -3.1),
        (-5.0, 0.3),
        (400.0, -90.0),
        (0.0, 0.0),
    ];
    for (vpk, vgk) in points {
        let mut out = vec![[[f64::NAN; WIDTH]; ANSWERS]; packs];
        banks
            .triodes
            .answer(&vec![[[vpk; WIDTH], [vgk; WIDTH]]; packs], &mut out);
        for (k, law) in laws.iter().enumerate() {
            let alone = answer(law.as_ref(), &[vpk, vgk], 0.0);
            let expected = [&alone.i[..2], &alone.g[..4]].concat();
            let found = out[k / WIDTH].map(|row| row[k % WIDTH]);
            assert_eq!(
                found.map(f64::to_bits)[..],
                expected.iter().map(|x| x.to_bits()).collect::<Vec<_>>()
            );
        }
        // At two points at once, whichever the other is.
        for (other_vpk, other_vgk) in points {
            let at = |vpk, vgk| vec![[[vpk; WIDTH], [vgk; WIDTH]]; packs];
            let mut twice = [vec![[[f64::NAN; WIDTH]; ANSWERS]; packs], out.clone()];
            let [first, second] = &mut twice;
            banks.triodes.answer_twice(
                [&at(vpk, vgk), &at(other_vpk, other_vgk)],
                [&mut first[..], &mut second[..]],
            );
            assert_eq!(twice[0], out);
        }
    }
}

#[test]
fn cut_off_and_negative_plate_carry_nothing() {
    let law = twelve_ax7().model("gg", 6e-4).law(0);
    for u in [[300.0, -60.0], [-200.0, 0.0], [-200.0, -5.0], [0.0, -3.0]] {
        let a = answer(law.as_ref(), &u, 0.0);
        assert!(a.i[0].abs() < 1e-15, "{u:?} {a:?}");
    }
}

#[test]
fn ratings_are_there_when_given() {
    assert!(twelve_ax7().device().limits.is_empty());
    let device = twelve_ax7().model("pamax", 1.0).device();
    assert_eq!(device.limits.len(), 1);
    assert_eq!(device.limits[0].quantity, "plate dissipation");
    assert_eq!(device.limits[0].max, 1.0);
}

/// By hand: at +10 V the drive is 10 V; with the plate at zero the grid takes 1 + 8 10/(10 + 2) times
/// gg 10^1.3, at 130 V 1 + 8 1310/(1310 + 2 17031) times.
#[test]
fn a_grid_takes_more_the_lower_its_plate_stands() {
    let law = twelve_ax7()
        .model("gg", 1e-3)
        .model("cg", 11.22)
        .model("xi", 1.3)
        .model("alphag", 8.0)
        .model("lamg", 2.0)
        .law(0);
    let alone = 1e-3 * 10f64.powf(1.3);
    for (vpk, more) in [
        (-50.0, 80.0 / 12.0),
        (0.0, 80.0 / 12.0),
        (130.0, 10480.0 / 35372.0),
    ] {
        let a = answer(law.as_ref(), &[vpk, 10.0], 0.0);
        assert!(
            (a.i[1] / (alone * (1.0 + more)) - 1.0).abs() < 1e-12,
            "{a:?}"
        );
        assert!(a.g[2] <= 0.0 && (vpk > 0.0 || a.g[2] == 0.0), "{a:?}");
    }
}

/// Below a grid voltage what is added is lost in rounding, so that a bank may leave it out; above it, it is
/// not. From far below to well above no current steps.
#[test]
fn what_a_low_plate_adds_is_left_out_only_where_it_is_lost() {
    let plain = twelve_ax7().model("gg", 6e-4).model("cg", 11.22);
    for (alphag, lamg) in [(8.0, 1.98), (1.8, 0.032), (1e6, 1e-6), (1e-6, 1e6)] {
        let seeing = plain.clone().model("alphag", alphag).model("lamg", lamg);
        let from = super::sees_from(11.22, alphag, lamg);
        for vpk in [0.0, 1.0, 150.0] {
            let a = answer(plain.law(0).as_ref(), &[vpk, from], 0.0);
            let b = answer(seeing.law(0).as_ref(), &[vpk, from], 0.0);
            assert_eq!(
                (a.i[1], a.g[2], a.g[3]),
                (b.i[1], b.g[2], b.g[3]),
                "{from} V"
            );
            let b = answer(seeing.law(0).as_ref(), &[vpk, from + 1e-9], 0.0);
            assert!(b.g[2].abs() <= 1e-15 * b.g[3], "{from} V: {b:?}");
        }
        let b = answer(seeing.law(0).as_ref(), &[1.0, from + 2.0], 0.0);
        assert!(b.g[2] < 0.0, "{b:?}");
    }
    assert_eq!(super::sees_from(11.22, 0.0, 1.0), f64::INFINITY);
}
