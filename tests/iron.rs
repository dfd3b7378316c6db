//! Transformers, chokes and loudspeakers against the formulas of textbooks and papers.
//!
//! "Notes" are the project's collected outside facts; a paper named "from memory" was not seen.
mod common;

use common::{Netlist, Table, close};
use std::f64::consts::TAU;

/// In phase and quadrature with sin(2 pi f t), over whole periods; the last row begins the next.
fn phasor(table: &Table, name: &str, freq_hz: f64) -> (f64, f64) {
    let column = |name: &str| table.column(name).unwrap_or_else(|why| panic!("{why}"));
    let (times, wave) = (column("time_s"), column(name));
    let rows = times.len() - 1;
    let (mut sine, mut cosine) = (0.0, 0.0);
    for (t, v) in times.iter().zip(&wave).take(rows) {
        let (s, c) = (TAU * freq_hz * t).sin_cos();
        sine += v * s;
        cosine += v * c;
    }
    let scale = 2.0 / rows as f64;
    (sine * scale, cosine * scale)
}

/// a/b of two phasors: size, and real and imaginary part.
fn ratio(a: (f64, f64), b: (f64, f64)) -> (f64, f64, f64) {
    let size = b.0 * b.0 + b.1 * b.1;
    let re = (a.0 * b.0 + a.1 * b.1) / size;
    let im = (a.1 * b.0 - a.0 * b.1) / size;
    (re.hypot(im), re, im)
}

/// Two periods of a netlist driven at `freq_hz`, after `settled` of them.
fn scope(netlist: &Netlist, freq_hz: f64, settled: f64, probes: &[&str]) -> Table {
    let time = |periods: f64| format!("{:e}", periods / freq_hz);
    netlist.scope(
        &time(settled),
        &time(settled + 2.0),
        &time(1.0 / 400.0),
        probes,
    )
}

fn mean(table: &Table, name: &str) -> f64 {
    let values = table.column(name).unwrap_or_else(|why| panic!("{why}"));
    let rows = values.len() - 1;
    values[..rows].iter().sum::<f64>() / rows as f64
}

/// A part without losses, so that nothing but the turns is left.
const IDEAL: &str = ".model OT pushpull(raa=8k power=22 lp=1meg leak=0 dcr=1u dcrs=1u loss=1e12)\n";

/// Impedance that a driven winding shows with a load on a tap. The driving wires are `d` and 0.
fn reflected(wires: &str, load: &str) -> f64 {
    let netlist = Netlist::new(&format!(
        "Reflected impedance\nI1 0 d SIN(0 10m 1k)\nXOT {wires} 0 t4 t8 t16 OT\n{load}\n{IDEAL}.end\n"
    ));
    let table = scope(&netlist, 1e3, 2.0, &["v(d)", "i(I1)"]);
    ratio(phasor(&table, "v(d)", 1e3), phasor(&table, "i(I1)", 1e3)).0
}

/// Notes: Zp = n^2 Zs; half the primary of a push-pull stage shows Raa/4.
#[test]
fn loads_are_reflected_by_the_square_of_the_turns() {
    for (tap, ohms) in [("t4", 4.0), ("t8", 8.0), ("t16", 16.0)] {
        let whole = reflected("d c 0", &format!("RL {tap} 0 {ohms}"));
        close(tap, whole, 8000.0, 1.0);
        let half = reflected("d 0 e", &format!("RL {tap} 0 {ohms}"));
        close("half the primary", half, 2000.0, 0.5);
    }
    close("16 ohm on 8", reflected("d c 0", "RL t8 0 16"), 16e3, 3.0);
}

/// Notes: k = sqrt(1 - 1/Q), Q shunt over leakage inductance. Here k is worked out from the
/// voltages that open windings give both ways, and 1/Q from the primary's inductance with the
/// tap shorted and open.
#[test]
fn coupling_follows_from_the_leakage() {
    let part = |extra: &str| {
        Netlist::new(&format!(
            "Coupling\n{extra}\nXOT d c 0 0 t4 t8 t16 OT\nRC c 0 1g\n\
             .model OT pushpull(raa=8k power=1k lp=20 leak=1 dcr=1u dcrs=1u loss=1e12)\n.end\n"
        ))
    };
    let inductance = |load: &str| {
        let netlist = part(&format!("I1 0 d SIN(0 1m 1k)\nRX d 0 1meg\n{load}"));
        let table = scope(&netlist, 1e3, 10.0, &["v(d)", "i(RX)"]);
        let (v, shunted) = (phasor(&table, "v(d)", 1e3), phasor(&table, "i(RX)", 1e3));
        let (_, _, x) = ratio(v, (1e-3 - shunted.0, -shunted.1));
        x / (TAU * 1e3)
    };
    let (open, shorted) = (inductance("RL t16 0 1g"), inductance("RL t16 0 1u"));
    close("leakage", shorted, 1.0, 0.02);
    let forward = part("I1 0 d SIN(0 1m 1k)\nRX d 0 1meg\nRL t16 0 1g");
    let table = scope(&forward, 1e3, 10.0, &["v(d)", "v(t16)"]);
    let there = ratio(phasor(&table, "v(t16)", 1e3), phasor(&table, "v(d)", 1e3)).0;
    let back = part("I1 0 t16 SIN(0 1m 1k)\nRX t16 0 2k\nRL d 0 1g");
    let table = scope(&back, 1e3, 10.0, &["v(d)", "v(t16)"]);
    let and_back = ratio(phasor(&table, "v(d)", 1e3), phasor(&table, "v(t16)", 1e3)).0;
    let k = (there * and_back).sqrt();
    close("k", k, (1.0 - shorted / open).sqrt(), 1e-4);
}

/// The corner of L and R: a current source into raa has lost 3.01 dB where 2 pi f lp = raa,
/// by the rule of the line at fmin/2.
#[test]
fn the_low_end_is_that_of_the_primary_inductance() {
    let at = |freq_hz: f64| {
        let netlist = Netlist::new(&format!(
            "Low end\nI1 0 d SIN(0 1m {freq_hz})\nXOT d c 0 0 t4 t8 t16 OT\nRL t8 0 8\nRC c 0 1g\n\
             .model OT pushpull(raa=8k power=22 fmin=60 leak=0 dcr=1u dcrs=1u loss=1e12)\n.end\n"
        ));
        let table = scope(&netlist, freq_hz, 20.0, &["v(t8)"]);
        let (sine, cosine) = phasor(&table, "v(t8)", freq_hz);
        sine.hypot(cosine)
    };
    let lost = 20.0 * (at(30.0) / at(1e3)).log10();
    close("dB at fmin/2", lost, -3.0103, 0.02);
}

/// Flux is the integral of the volts per turn: at full power and fmin it peaks at
/// V/(2 pi f), and there the curve is at bmax. Brauer's equation (1975, from memory) by hand:
/// H(1.5 T) is 1346 A/m where the slope at low level gives 600, so that the current is 2.2433
/// times F/lp.
#[test]
fn full_power_at_the_lowest_frequency_reaches_the_knee() {
    // 22 W in 8 k are 593.3 V peak.
    let flux = (2.0 * 22.0 * 8e3f64).sqrt() / (TAU * 60.0);
    let current = 2.2433 * flux / (8e3 / (TAU * 30.0));
    let peak_flux = |amperes: f64| {
        let netlist = Netlist::new(&format!(
            "Knee\nI1 0 p SIN(0 {amperes} 60)\nXOT p c 0 0 t4 t8 t16 OT\n\
             .model OT pushpull(raa=8k power=22 fmin=60 leak=0 dcr=1u dcrs=1u loss=1e12)\n.end\n"
        ));
        let table = scope(&netlist, 60.0, 1.0, &["v(p)"]);
        let wave = table.column("v(p)").unwrap_or_else(|why| panic!("{why}"));
        // Two periods: the flux goes up and down by twice its peak four times.
        let area: f64 = wave[1..].iter().map(|v| v.abs()).sum();
        area / 60.0 / 400.0 / 8.0
    };
    close("peak flux", peak_flux(current), flux, 0.002 * flux);
    // The iron holds no more than 2 T or so, whatever the current.
    let most = peak_flux(10.0 * current) / flux;
    assert!((1.1..1.45).contains(&most), "{most}");
}

/// What the supply gives in a full cycle is what load, valves, resistors, copper and iron take.
#[test]
fn a_full_cycle_balances_its_energy() {
    let netlist = Netlist::new(
        "Energy of a push-pull stage\nVB ct 0 400\nVS s 0 300\nVG1 g1 0 SIN(-28 25 200)\n\
         VG2 g2 0 SIN(-28 -25 200)\nRG1 s s1 470\nRG2 s s2 470\n\
         XV1 p1 s1 g1 0 6V6GT\nXV2 p2 s2 g2 0 6V6GT\n\
         XOT p1 ct p2 0 t4 t8 t16 OT\nRL t8 0 8\n\
         .model OT pushpull(raa=8k power=22 leak=0 dcr=240 dcrs=0.4 loss=200k)\n.end\n",
    );
    let probes = [
        "p(VB)", "p(VS)", "p(VG1)", "p(VG2)", "p(RL)", "p(XV1)", "p(XV2)", "p(RG1)", "p(RG2)",
        "p(XOT)", "i(XOT)", "i(VB)", "i(RL)", "v(p1,p2)",
    ];
    let table = scope(&netlist, 200.0, 20.0, &probes);
    let taken = |names: &[&str]| names.iter().map(|n| mean(&table, n)).sum::<f64>();
    let supplied = -taken(&["p(VB)", "p(VS)", "p(VG1)", "p(VG2)"]);
    let load = taken(&["p(RL)"]);
    let used = load + taken(&["p(XV1)", "p(XV2)", "p(RG1)", "p(RG2)"]);
    // Copper and iron by hand: i^2 R of each winding (its wire shared out by turns) and v^2/R
    // of the volts behind the copper.
    let column = |name: &str| table.column(name).unwrap_or_else(|why| panic!("{why}"));
    let (first, both, out, volts) = (
        column("i(XOT)"),
        column("i(VB)"),
        column("i(RL)"),
        column("v(p1,p2)"),
    );
    let rows = first.len() - 1;
    let wound: f64 = (0..rows)
        .map(|k| {
            // The second half's current, from centre to plate 2: what VB gives less the first's.
            let second = first[k] - both[k];
            let core = volts[k] - 120.0 * (first[k] + second);
            let copper = 120.0 * (first[k].powi(2) + second.powi(2));
            copper + 0.4 * 0.5f64.sqrt() * out[k].powi(2) + core * core / 200e3
        })
        .sum::<f64>()
        / rows as f64;
    println!("supply {supplied:.3} W, load {load:.3} W, transformer {wound:.3} W");
    assert!(load > 10.0, "{load} W");
    close("balance", used + wound, supplied, 1e-3 * supplied);
    close(
        "transformer",
        mean(&table, "p(XOT)"),
        wound,
        1e-3 * supplied,
    );
}

/// The impedance of a loudspeaker at a frequency.
fn speaker(statement: &str, freq_hz: f64) -> (f64, f64, f64) {
    let netlist = Netlist::new(&format!(
        "Loudspeaker\nI1 0 a SIN(0 1 {freq_hz})\nXS a 0 S\nRX a 0 1g\n.model S speaker({statement})\n.end\n"
    ));
    let table = scope(&netlist, freq_hz, 40.0, &["v(a)", "i(I1)"]);
    ratio(
        phasor(&table, "v(a)", freq_hz),
        phasor(&table, "i(I1)", freq_hz),
    )
}

/// Small, J. Audio Eng. Soc. 20(5), 1972 (from memory): the peak re (1 + qms/qes) lies at fs
/// and is real; at f1, f2 with f1 f2 = fs^2 the impedance is re sqrt(r0) with r0 = peak/re,
/// and qms = fs sqrt(r0)/(f2 - f1). A closed box moves the peak to fs sqrt(1 + vas/vb).
#[test]
fn the_impedance_peak_is_smalls() {
    let statement = "re=6.5 fs=80 qes=0.8 qms=8 le=0 vb=1e9";
    let (peak, real, imaginary) = speaker(statement, 80.0);
    close("peak", peak, 71.5, 0.05);
    assert!(imaginary.abs() < 0.01 * real);
    let root = 11f64.sqrt();
    let half = 80.0 * root / 8.0 / 2.0;
    let f1 = (half * half + 6400.0).sqrt() - half;
    for f in [f1, 6400.0 / f1] {
        close("skirt", speaker(statement, f).0, 6.5 * root, 0.05);
    }
    let boxed = "re=6.5 fs=80 qes=0.8 qms=8 le=0 vas=60 vb=60";
    let (peak, real, imaginary) = speaker(boxed, 80.0 * 2f64.sqrt());
    close("peak in the box", peak, 71.5, 0.05);
    assert!(imaginary.abs() < 0.01 * real);
}

/// Leach, J. Audio Eng. Soc. 50(6), 2002 (from memory): |Z| of the lossy inductance grows by
/// 2^n an octave, and its phase is n 90 degrees: between 2 and 4 kHz, less re and what is left
/// of the moving parts' capacitance.
#[test]
fn the_lossy_inductance_is_leachs() {
    let part = |f: f64| {
        let (_, re, im) = speaker("re=6.5 fs=80 qes=0.8 qms=8 le=1m n=0.6", f);
        // C = qes/(ws re) of the moving parts, far above resonance: -1/(w C), re/r0-ish small.
        let x = 6.5 * 80.0 / (0.8 * f);
        (re - 6.5, im + x)
    };
    let (low, high) = (part(2e3), part(4e3));
    let grown = low.0.hypot(low.1) / high.0.hypot(high.1);
    close("an octave", 1.0 / grown, 2f64.powf(0.6), 0.1);
    close("angle", high.1.atan2(high.0).to_degrees(), 54.0, 3.0);
}

/// The choke of a supply: its inductance at low level, and less of it with twice its current.
#[test]
fn a_choke_loses_inductance_to_direct_current() {
    let at = |amperes: f64| {
        let netlist = Netlist::new(&format!(
            "Choke\nI1 0 a SIN({amperes} 1m 100)\nXL a 0 L\n.model L choke(l=10 idc=0.1 r=150)\n.end\n"
        ));
        let table = scope(&netlist, 100.0, 10.0, &["v(a)", "i(I1)"]);
        let z = ratio(
            phasor(&table, "v(a)", 100.0),
            phasor(&table, "i(I1)", 100.0),
        );
        z.2 / (TAU * 100.0)
    };
    close("at rest", at(0.0), 10.0, 0.1);
    // By hand from Brauer's equation: see the device's head.
    close("at its current", at(0.1), 10.0 / 1.155, 0.25);
    assert!(at(0.3) < 2.0, "{}", at(0.3));
}

/// A mains transformer gives what its line says, measured as a catalogue measures it: every winding
/// loaded with a resistance that takes the rated current. Without load the volts are higher by the
/// regulation, and the primary takes the magnetising current and the iron's loss. The figures of
/// the line are the check: nothing else is used.
#[test]
fn a_mains_transformer_gives_what_its_statement_says() {
    for (vpri, hz, reg) in [(230.0, 50.0, 0.08), (120.0, 60.0, 0.15)] {
        let part = |load: &str, heater: f64| {
            Netlist::new(&format!(
                "Mains transformer\nVM l 0 SIN(0 {} {hz})\nXM l 0 a 0 b c 0 MT\n{load}\n\
                 .model MT mains(vpri={vpri} hz={hz} vht=300 iht=0.2 vbias=50 ibias=50m \
                 heater={heater} reg={reg} imag=30m loss=4)\n.end\n",
                vpri * 2f64.sqrt()
            ))
        };
        // From rest the flux takes seconds to find its middle; phasors do not see it.
        let rms = |table: &Table, name: &str| {
            let (s, c) = phasor(table, name, hz);
            s.hypot(c) / 2f64.sqrt()
        };
        let loaded = part("RA a b 3k\nRC c 0 1k", 30.0);
        let table = scope(
            &loaded,
            hz,
            20.0,
            &["v(a)", "v(b)", "v(c)", "v(a,b)", "p(VM)"],
        );
        for (name, volts) in [
            ("v(a)", 300.0),
            ("v(b)", 300.0),
            ("v(a,b)", 600.0),
            ("v(c)", 50.0),
        ] {
            close(name, rms(&table, name), volts, 2e-3 * volts);
        }
        // 152.5 VA, and copper for `reg` of it, and the iron.
        let rated = 2.0 * 300.0 * 0.2 + 2.5 + 30.0;
        let taken = rated * (1.0 + reg) + 4.0;
        close("watts", -mean(&table, "p(VM)"), taken, 0.02 * taken);
        let open = part("RA a b 1g\nRC c 0 1g", 0.0);
        let table = scope(&open, hz, 20.0, &["v(a)", "v(c)", "i(VM)", "v(l)"]);
        let (rise, more) = (rms(&table, "v(a)") / 300.0, rms(&table, "v(c)") / 50.0);
        // The primary's drop is a part of less than its whole volts: second order.
        close("rise", rise, 1.0 + reg + 0.75 * reg * reg, 0.75 * reg * reg);
        close("of the bias winding", more, rise, 1e-3);
        let (i, v) = (phasor(&table, "i(VM)", hz), phasor(&table, "v(l)", hz));
        let (_, watts, lag) = ratio(i, v);
        let volts = rms(&table, "v(l)");
        // The iron's loss is that at the core's volts when loaded, and these have risen too.
        let iron = 4.0 * (rise / (1.0 + 0.5 * reg)).powi(2);
        close("no-load loss", -watts * volts * volts, iron, 0.1);
        close("magnetising current", lag.abs() * volts, 0.03, 1e-3);
    }
}

/// With `iron` its curve is Brauer's: at the mains it is wound for the core stands at bmax. By
/// hand, H(1.3 T) = 1.3 (3.8 exp(2.17 x 1.69) + 396.2) = 708.4 A/m where the slope at low level,
/// which `imag` means, gives 520; at 1.56 T, 20 % more volts, it is 1783.2 A/m.
#[test]
fn a_mains_core_saturates_where_its_statement_says() {
    let flux = 230.0 * 2f64.sqrt() / (TAU * 50.0);
    for (part, h) in [(1.0, 708.44), (1.2, 1783.2)] {
        let amperes = 0.05 * 2f64.sqrt() * h / 520.0;
        let netlist = Netlist::new(&format!(
            "Core\nI1 0 l SIN(0 {amperes} 50)\nXM l 0 a 0 b 0 0 MT\nRA a b 1g\n\
             .model MT mains(vpri=230 vht=300 iht=0.2 rpri=10m loss=1u imag=50m iron=1)\n.end\n"
        ));
        let table = scope(&netlist, 50.0, 1.0, &["v(l)"]);
        let wave = table.column("v(l)").unwrap_or_else(|why| panic!("{why}"));
        // Two periods: the flux goes up and down by twice its peak four times.
        let area: f64 = wave[1..].iter().map(|v| v.abs()).sum();
        let peak = area / 50.0 / 400.0 / 8.0;
        close("peak flux", peak, part * flux, 0.005 * flux);
    }
}
