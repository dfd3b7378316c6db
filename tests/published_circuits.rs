//! Whole published circuits through the tool: two stages in cascade, an amplifier with a
//! cathodyne. Figures: tests/references/circuits.toml, all from sheets that were seen.
//!
//! Only makers whose own single stages agree with the fit are held to it (RESIDUALS.md, "Makers
//! disagree"): Philips and Brimar for the 12AU7. Brimar's 12AX7 circuits have 25 to 40 % less
//! gain than anybody else's stages give in cascade; they are another valve. Not used of the
//! 12AU7: Brimar's paraphase, whose divider as printed (220 k over 33 k) would give the second
//! half 1.8 times the first one's output, and the cathode- and anode-coupled inverter, of which
//! the list of parts leaves open what goes where.
//!
//! Asked for: gain within 6 % a stage, response within 0.5 dB, output at the printed distortion
//! within 20 %. All are reached but one, with its figure at its test: the cathodyne's band.

mod common;

use common::{Gridleak, Netlist};

/// Gains at some frequencies, as a ratio; probes in rows of their own.
fn gains(netlist: &Netlist, vbb: f64, from: &str, probe: &str) -> Vec<f64> {
    let run = Gridleak::command("response")
        .path(netlist.path())
        .option("--set", format!("VB={vbb}"))
        .option("--from", from)
        .option("--to", "30k")
        .option("--points-per-decade", "1")
        .probes(&[probe]);
    let table = run.table().expect("a response");
    let decibels = table.column(&format!("{probe}.db")).expect("gains");
    decibels.iter().map(|db| 10f64.powf(db / 20.0)).collect()
}

/// The output at which the distortion at 1 kHz is `percent`, V rms, between levels given in order.
fn output_at(netlist: &Netlist, vbb: f64, probe: &str, percent: f64, levels: &str) -> f64 {
    let run = Gridleak::command("distortion")
        .path(netlist.path())
        .option("--set", format!("VB={vbb}"))
        .option("--source", "VIN")
        .option("--frequency", "1k")
        .option("--level", levels)
        .probes(&[probe]);
    let table = run.table().expect("a table of distortion");
    let column = |name: &str| table.column(name).expect(name);
    let (volts, thd) = (column("output_rms_v"), column("thd_percent"));
    let k = (1..thd.len())
        .find(|&k| thd[k - 1] < percent && percent <= thd[k])
        .unwrap_or_else(|| panic!("{percent} % is outside of {thd:?}"));
    let part = (percent - thd[k - 1]) / (thd[k] - thd[k - 1]);
    volts[k - 1] + part * (volts[k] - volts[k - 1])
}

fn current_ma(netlist: &Netlist, vbb: f64, valve: &str) -> f64 {
    let table = netlist.bias(&[("VB", vbb)], &[]);
    1e3 * table.quantity(valve, "plate current").expect("a current")
}

fn near(what: &str, found: f64, printed: f64, part: f64) {
    let error = found / printed - 1.0;
    println!(
        "{what}: {found:.4}, printed {printed} ({:+.1} %)",
        100.0 * error
    );
    assert!(error.abs() <= part, "{what}: {found}, printed {printed}");
}

/// Philips Electronic Tube Handbook, ECC82, page 3: both sections on one cathode resistor.
#[test]
fn two_12au7_sections_in_cascade_have_their_gain_and_current() {
    let netlist = Netlist::new(
        "cascade\nVB b 0 250\nVIN in 0 AC 1\nRG1 in 0 680k\nRA1 b p1 220k\nRA2 b p2 220k\n\
         RK k 0 1.8k\nCK k 0 50u\nXV1A p1 in k 12AU7\nCC1 p1 g2 0.01u\nRG2 g2 0 680k\n\
         XV1B p2 g2 k 12AU7\nCC2 p2 out 0.01u\nRG3 out 0 680k\n",
    );
    for (vbb, total, at_two_percent) in [(250.0, 1.66, 15.0), (350.0, 2.33, 25.0)] {
        let both = current_ma(&netlist, vbb, "XV1A") + current_ma(&netlist, vbb, "XV1B");
        near("current of both, mA", both, total, 0.05);
        let gain = gains(&netlist, vbb, "1k", "v(out)")[0];
        // 6 % a stage.
        near("gain", gain, 178.0, 0.1236);
        let output = output_at(&netlist, vbb, "v(out)", 2.0, "0.1,0.13,0.16,0.2");
        near("output at 2 %, V", output, at_two_percent, 0.2);
    }
}

/// The same handbook, page 4: an amplifier and a cathodyne; the gain is printed as 11, whole
/// numbers, so half a unit is added to the 6 % of the stage.
#[test]
fn a_12au7_amplifier_and_cathodyne_have_their_gains_and_currents() {
    let netlist = Netlist::new(
        "cathodyne\nVB b 0 250\nVIN in 0 AC 1\nRG1 in 0 680k\nRA1 b p1 220k\nRK1 k1 0 3.9k\n\
         CK1 k1 0 50u\nXV1A p1 in k1 12AU7\nCC1 p1 g2 0.01u\nRG2 g2 j 680k\nRA2 b p2 15k\n\
         RKB k2 j 1k\nRKL j 0 14k\nXV1B p2 g2 k2 12AU7\nCC2 p2 o1 0.01u\nRO1 o1 0 680k\n\
         CC3 k2 o2 0.01u\nRO2 o2 0 680k\n",
    );
    for (vbb, first, second, output) in [(250.0, 0.82, 4.5, 13.0), (350.0, 1.16, 6.3, 20.0)] {
        near("first, mA", current_ma(&netlist, vbb, "XV1A"), first, 0.05);
        near(
            "second, mA",
            current_ma(&netlist, vbb, "XV1B"),
            second,
            0.055,
        );
        for side in ["v(o1)", "v(o2)"] {
            let gain = gains(&netlist, vbb, "1k", side)[0];
            near(side, gain, 11.0, 0.06 + 0.5 / 11.0);
        }
        let found = output_at(&netlist, vbb, "v(o1)", 1.5, "1.4,1.6,1.8,2,2.2,2.4,2.6");
        near("each side at 1.5 %, V", found, output, 0.2);
    }
}

/// Brimar application report 12AU7, VAD/313.60, condition 1: gain 174 at 1 kHz, 0.35 dB less at
/// 50 Hz and at 30 kHz (interstage capacitor read as 0.02 uF).
#[test]
fn brimars_12au7_cascade_has_its_gain_and_its_band() {
    let netlist = Netlist::new(
        "cascade\nVB b 0 300\nVIN in 0 AC 1\nRG1 in 0 470k\nRD b d 22k\nCD d 0 2u\n\
         RA1 d p1 100k\nRA2 b p2 100k\nRK1 k1 0 2.2k\nCK1 k1 0 50u\nRK2 k2 0 2.2k\nCK2 k2 0 50u\n\
         XV1A p1 in k1 12AU7\nCC1 p1 g2 0.02u\nRG2 g2 0 470k\nXV1B p2 g2 k2 12AU7\n\
         CC2 p2 out 0.1u\nRG3 out 0 470k\n",
    );
    let middle = gains(&netlist, 300.0, "1k", "v(out)")[0];
    near("gain", middle, 174.0, 0.1236);
    for (from, printed_db) in [("50", -0.35), ("30k", -0.35)] {
        let away = 20.0 * (gains(&netlist, 300.0, from, "v(out)")[0] / middle).log10();
        println!("{from} Hz: {away:.2} dB, printed {printed_db}");
        assert!((away - printed_db).abs() <= 0.5, "{from}: {away} dB");
    }
    let output = output_at(&netlist, 300.0, "v(out)", 5.0, "0.3,0.34,0.38,0.42");
    near("output at 5 %, V", output, 40.0, 0.2);
}

/// The same report, VAD/313.62, condition 1 (which part is which was read from the drawing): gain
/// 12.1 to one side, 80 V from side to side at 5 %; 0.7 dB less at 50 Hz and 0.85 at 30 kHz.
#[test]
fn brimars_12au7_cathodyne_has_its_gain_and_its_output() {
    let netlist = Netlist::new(
        "cathodyne\nVB b 0 300\nVIN in 0 AC 1\nRG1 in 0 470k\nRA1 b p1 100k\nRK1 k1 0 2.2k\n\
         CK1 k1 0 50u\nXV1A p1 in k1 12AU7\nCC1 p1 g2 0.1u\nRG2 g2 j 470k\nRA2 b p2 47k\n\
         RKB k2 j 2.2k\nRKL j 0 47k\nXV1B p2 g2 k2 12AU7\nCC2 p2 o1 0.1u\nRO1 o1 0 220k\n\
         CC3 k2 o2 0.1u\nRO2 o2 0 220k\n",
    );
    for side in ["v(o1)", "v(o2)"] {
        let middle = gains(&netlist, 300.0, "1k", side)[0];
        // One stage and a follower.
        near(side, middle, 12.1, 0.06);
        // Not reached: 0.7 and 0.85 dB are printed. The coupling capacitors lose 0.1 dB at 50 Hz
        // and the valves nothing at 30 kHz; what else the maker's set-up had is not printed.
        for (from, model_db) in [("50", -0.09), ("30k", 0.0)] {
            let away = 20.0 * (gains(&netlist, 300.0, from, side)[0] / middle).log10();
            println!("{side}, {from} Hz: {away:.2} dB");
            assert!((away - model_db).abs() <= 0.05, "{from}: {away} dB");
        }
    }
    let output = output_at(&netlist, 300.0, "v(o1,o2)", 5.0, "5,5.5,6,6.5");
    near("output at 5 %, V", output, 80.0, 0.2);
}
