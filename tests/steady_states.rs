//! Steady states against equations written by hand and solved by scipy
//! (`scripts/reference_distortion.py`), published figures, valve tables and our own transient.
mod common;

use common::{Gridleak, Netlist, Table, close, reference_folder};
use std::path::Path;

const TANH: &str = "\
An odd-symmetric clipper
VIN in 0 0
* tanh(v), which is not in the published set of functions
B1 out 0 V=1-2/(exp(2*v(in))+1)
R1 out 0 1k
.end
";

struct State {
    rms: f64,
    thd_percent: f64,
    /// Rms of the harmonics, the fundamental first.
    harmonics: Vec<f64>,
}

fn state(netlist: &Path, probe: &str, freq_hz: &str, level: &str) -> State {
    let table = Gridleak::command("distortion")
        .path(netlist)
        .option("--source", "VIN")
        .option("--frequency", freq_hz)
        .option("--level", level)
        .option("--probe", probe)
        .table()
        .unwrap_or_else(|why| panic!("{why}"));
    let only = |name: &str| table.column(name).unwrap()[0];
    State {
        rms: only("output_rms_v"),
        thd_percent: only("thd_percent"),
        harmonics: (1..=20)
            .map(|k| 10f64.powf(only(&format!("h{k}_db")) / 20.0))
            .collect(),
    }
}

/// Every harmonic lies within -120 dB of the fundamental of scipy's: an odd clipper by
/// quadrature, the diode limiter of DAFx-07 and a triode driven into grid current by
/// integration at 1e-12.
#[test]
fn harmonics_agree_with_scipy_to_120_db() {
    let tanh = Netlist::new(TANH);
    let expected = Table::read(&reference_folder("steady_states.csv")).expect("committed");
    let mut worst = 0.0f64;
    for (row, cells) in expected.rows.iter().enumerate() {
        let of = |name: &str| expected.column(name).unwrap()[row];
        let netlist = match cells[0].as_str() {
            "tanh" => tanh.path().to_path_buf(),
            "limiter" => reference_folder("limiter_sinh_1v").join("netlist.cir"),
            _ => reference_folder("grid_blocking").join("netlist.cir"),
        };
        let found = state(&netlist, &cells[1], &cells[2], &cells[3]);
        let what = format!("{} {} at {} V", cells[0], cells[1], cells[3]);
        let h1 = of("h1");
        for k in 1..=9 {
            let off = (found.harmonics[k - 1] - of(&format!("h{k}"))).abs() / h1;
            worst = worst.max(off);
            assert!(off < 1e-6, "{what}: h{k} is off by {off:.1e} of h1");
        }
        close(&what, found.rms, of("rms"), 1e-6 * of("rms"));
    }
    println!("worst {:.1} dB", 20.0 * worst.log10());
}

/// Figures computed from the paper's equation outside this project: the sixth period from rest,
/// which is nearly the steady state (D. T. Yeh, J. S. Abel and J. O. Smith, DAFx-07; values
/// from memory).
#[test]
fn the_diode_limiter_has_its_known_distortion() {
    let netlist = reference_folder("limiter_sinh_1v").join("netlist.cir");
    // Their total counts all harmonics, not only those up to the 20th.
    let all = |s: &State| {
        let (h1, rms) = (s.harmonics[0], s.rms);
        100.0 * (rms * rms - h1 * h1).sqrt() / h1
    };
    let one = state(&netlist, "v(out)", "1k", "1");
    close("all harmonics at 1 V", all(&one), 18.070, 0.003);
    close("THD at 1 V", one.thd_percent, 18.070, 0.003);
    let loud = state(&netlist, "v(out)", "1k", "4.5");
    close("all harmonics at 4.5 V", all(&loud), 33.622, 0.003);
    let peak = |k: usize| loud.harmonics[k - 1] * 2f64.sqrt();
    close("h1", peak(1), 0.751362, 1e-5);
    close("h3", peak(3), 0.210262, 1e-5);
    close("h5", peak(5), 0.108943, 1e-5);
}

/// Half a second of plain simulation, 500 periods, against the period found directly: a triode
/// whose coupling capacitor is charged by grid current.
#[test]
fn long_simulation_ends_where_the_steady_state_is() {
    let netlist = reference_folder("grid_blocking").join("netlist.cir");
    let direct = state(&netlist, "v(out)", "1k", "20");
    let table = Gridleak::command("scope")
        .path(&netlist)
        .option("--from", "499m")
        .option("--stop", "500m")
        .option("--step", "1u")
        .option("--probe", "v(out)")
        .table()
        .unwrap_or_else(|why| panic!("{why}"));
    let wave = &table.column("v(out)").unwrap()[..1000];
    for k in 1..=9 {
        let turn = |n: usize| std::f64::consts::TAU * ((n * k) % 1000) as f64 / 1000.0;
        let sum = |f: fn(f64) -> f64| {
            let terms = wave.iter().enumerate().map(|(n, v)| v * f(turn(n)));
            terms.sum::<f64>() / 500.0
        };
        let rms = sum(f64::cos).hypot(sum(f64::sin)) / 2f64.sqrt();
        // The simulation's own error, and what is left of settling: e^-13.
        let off = (rms - direct.harmonics[k - 1]).abs() / direct.harmonics[0];
        println!("h{k}: {:.1} dB", 20.0 * off.log10());
        assert!(off < 2e-5, "h{k} is off by {off:.1e} of h1");
    }
}

/// A bypass capacitor a thousand times larger, and the answer is as cheap and stays the same
/// but for what little the smaller one lacked.
#[test]
fn big_capacitors_cost_nothing() {
    let run = |set: &str| {
        let ran = Gridleak::command("distortion")
            .arg("netlists/textbook/common_cathode.cir")
            .option("--set", set)
            .option("--level", "0.5")
            .option("--json", "-")
            .run();
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        let record: serde_json::Value = serde_json::from_str(&ran.stdout).unwrap();
        let level = &record["levels"][0];
        assert_eq!(level["solution"]["method"], "direct");
        let cost = level["solution"]["evaluations"].as_u64().unwrap();
        (level["thd_percent"].as_f64().unwrap(), cost)
    };
    let (small_thd, small_cost) = run("CK=100u");
    let (large_thd, large_cost) = run("CK=100m");
    assert!(
        large_cost * 10 < small_cost * 15,
        "{small_cost} {large_cost}"
    );
    close("THD", large_thd, small_thd, 0.02 * small_thd);
}
