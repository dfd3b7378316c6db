//! Rectifier valves and capacitor-input filters against published curves.

mod common;

use common::{Netlist, Table, close};

/// Mains of the curves below, Hz.
const MAINS: f64 = 50.0;

/// Mean and peak-to-peak of a column, and its largest value.
fn figures(table: &Table, column: &str) -> (f64, f64, f64) {
    let v = table.column(column).expect(column);
    // The last row repeats the phase of the first.
    let v = &v[..v.len() - 1];
    let mean = v.iter().sum::<f64>() / v.len() as f64;
    let top = v.iter().copied().fold(f64::MIN, f64::max);
    let bottom = v.iter().copied().fold(f64::MAX, f64::min);
    (mean, top - bottom, top)
}

/// A full-wave supply from `rms` volts a side through `ohms` a plate into `farads`, loaded
/// with a constant current; mean volts out.
fn supply(valve: &str, rms: f64, ohms: f64, farads: f64, amperes: f64) -> f64 {
    let peak = rms * std::f64::consts::SQRT_2;
    let netlist = Netlist::new(&format!(
        "Supply\nVA a 0 SIN(0 {peak} {MAINS})\nVB b 0 SIN(0 {} {MAINS})\n\
         RA a p {ohms}\nRB b q {ohms}\nXR p q k {valve}\nC1 k 0 {farads}\n\
         IL k 0 {amperes}\n.ic v(k)={}\n.end\n",
        -peak,
        1.1 * rms
    ));
    let out = netlist.scope("300m", "400m", "100u", &["v(k)"]);
    figures(&out, "v(k)").0
}

/// Regulation with capacitor input, mean volts out: 5Y3GT, RCA RC-30 "typical operation" (350 V
/// a side, 10 uF, 50 ohm); 5AR4, Philips/Mullard GZ34 (60 uF, the least plate resistance of
/// tests/references/valves.toml). All from memory.
#[test]
fn output_volts_follow_the_regulation_charts() {
    let rows = [
        ("5Y3GT", 350.0, 50.0, 10e-6, 0.0625, 390.0),
        ("5Y3GT", 350.0, 50.0, 10e-6, 0.125, 350.0),
        ("5AR4", 300.0, 75.0, 60e-6, 0.25, 330.0),
        ("5AR4", 350.0, 100.0, 60e-6, 0.25, 380.0),
        ("5AR4", 400.0, 125.0, 60e-6, 0.25, 430.0),
        ("5AR4", 450.0, 150.0, 60e-6, 0.25, 480.0),
        ("5AR4", 500.0, 175.0, 60e-6, 0.2, 560.0),
        ("5AR4", 550.0, 200.0, 60e-6, 0.16, 640.0),
    ];
    for (valve, rms, ohms, farads, amperes, printed) in rows {
        let found = supply(valve, rms, ohms, farads, amperes);
        close(
            &format!("{valve} {rms} V, {} mA", 1e3 * amperes),
            found,
            printed,
            0.05 * printed,
        );
    }
}

/// A full-wave rectifier without drop, 1000 V peak, 1 k load: mean over peak volts, peak over
/// mean current of one plate, rms ripple over the mean.
fn ideal(source_part: f64, omega_c_r: f64) -> (f64, f64, f64) {
    let load = 1e3;
    let farads = omega_c_r / (2.0 * std::f64::consts::PI * MAINS * load);
    let rs = source_part * load;
    let netlist = Netlist::new(&format!(
        "Ideal\nVA a 0 SIN(0 1000 {MAINS})\nVB b 0 SIN(0 -1000 {MAINS})\n\
         RA a p {rs}\nRB b q {rs}\nDA p k FINE\nDB q k FINE\n.model FINE d(is=1e-6 n=0.01)\n\
         C1 k 0 {farads:e}\nRL k 0 {load}\n.ic v(k)={}\n.end\n",
        800.0 - 700.0 * source_part
    ));
    // The reservoir has settled within the second; one period is looked at.
    let out = netlist.scope("980m", "1000m", "20u", &["v(k)", "i(RA)"]);
    let (mean, ..) = figures(&out, "v(k)");
    let v = out.column("v(k)").expect("volts");
    let ripple = v.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / v.len() as f64;
    let (plate, _, peak) = figures(&out, "i(RA)");
    (mean / 1e3, peak / plate, ripple.sqrt() / mean)
}

/// With a large reservoir the charge that flows in while the source is above it must be what
/// the load takes: tan t - t = (pi/2) Rs/RL, mean/peak = cos t, with t half the angle of
/// conduction. O. H. Schade, "Analysis of rectifier operation", Proc. IRE 31, 1943, draws the
/// same curves; his full-wave chart reads about 94, 83 and 75 % (from memory).
#[test]
fn volts_and_peak_current_follow_schades_curves() {
    for (part, read) in [(0.01, 0.94), (0.05, 0.83), (0.10, 0.75)] {
        let (mut low, mut high): (f64, f64) = (0.0, 1.5);
        for _ in 0..60 {
            let t = 0.5 * (low + high);
            if t.tan() - t < 0.5 * std::f64::consts::PI * part {
                low = t
            } else {
                high = t
            }
        }
        let volts = low.cos();
        let peak = 2.0 * (1.0 - volts) / (volts * part);
        let (found, ratio, _) = ideal(part, 200.0);
        close(&format!("mean/peak, Rs/RL {part}"), found, volts, 0.004);
        close(&format!("mean/peak as read, {part}"), found, read, 0.02);
        close(
            &format!("peak/mean current, {part}"),
            ratio,
            peak,
            0.03 * peak,
        );
    }
}

/// Ripple of the same filter with Rs/RL of 5 %: Schade's chart reads about 6 % at wCR = 10 and
/// 0.6 % at 100 (from memory, hence the width); it must fall as 1/wCR.
#[test]
fn ripple_follows_schades_curves() {
    let coarse = ideal(0.05, 10.0).2;
    let fine = ideal(0.05, 100.0).2;
    close("ripple at wCR 10", coarse, 0.06, 0.012);
    close("ripple at wCR 100", fine, 0.006, 0.0012);
    close("their ratio", coarse / fine, 10.0, 1.0);
}
