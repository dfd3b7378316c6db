//! The curves of a type: what its law gives, with the resistances that its model has in series.

use crate::circuit::library::Shipped;
use crate::device::{self, Given, Law, Part};
use crate::math::fun;
use crate::num::{self, engineering};

const STEPS: usize = 120;
/// Volts across a small transistor.
const TRANSISTOR_V: f64 = 12.0;
/// Lines of a transistor's family.
const FAMILY: usize = 5;

/// A family of curves: V across, A up.
pub(super) struct Curves {
    /// What is drawn, as in `plate current`.
    pub title: String,
    pub volts: f64,
    pub amperes: f64,
    pub lines: Vec<Line>,
    pub most_watts: Option<f64>,
}

/// One of them.
pub(super) struct Line {
    /// What is held along it.
    pub label: String,
    /// V, A.
    pub points: Vec<(f64, f64)>,
}

/// Builds the law of a type at 27 C.
fn law(valve: &Shipped) -> Box<dyn Law> {
    let kind = valve.kind;
    let instance: Vec<f64> = kind.instance_params.iter().map(|p| p.default).collect();
    let device = (kind.build)(&Given {
        kind,
        model: &valve.values,
        instance: &instance,
        celsius: 27.0,
    });
    let law = device.parts.into_iter().find_map(|part| match part {
        Part::Law { law, .. } => Some(law),
        _ => None,
    });
    law.expect("every built-in type has a law")
}

/// Currents at given controls; those that are not given are 0.
fn currents(law: &dyn Law, u: &[f64]) -> Vec<f64> {
    let mut all = vec![0.0; law.controls()];
    all[..u.len()].copy_from_slice(u);
    device::currents(law, &all, 0.0)
}

/// The curves that suit a type.
pub(super) fn of(valve: &Shipped) -> Curves {
    let law = law(valve);
    match valve.kind.name {
        "njf" | "pjf" => jfet(valve, &*law),
        "nmos" | "pmos" => mosfet(valve, &*law),
        "npn" | "pnp" => bipolar(valve, &*law),
        _ if valve.kind.terminals.contains(&"grid") => plate(valve, &*law),
        _ => diode(valve, &*law),
    }
}

fn steps() -> impl Iterator<Item = f64> {
    (0..=STEPS).map(|n| n as f64 / STEPS as f64)
}

/// Ohms of a parameter in series.
fn ohms(valve: &Shipped, name: &str) -> f64 {
    valve.value(name).unwrap_or(0.0)
}

/// A valve's plate curves.
fn plate(valve: &Shipped, law: &dyn Law) -> Curves {
    let with_screen = valve.kind.terminals.contains(&"screen");
    let volts = valve.value("vamax").unwrap_or(300.0);
    let screen = valve.value("vtest").unwrap_or(250.0);
    let screen = screen.min(valve.value("vg2max").unwrap_or(screen));
    let at = |vp: f64, vg: f64| {
        if with_screen {
            currents(law, &[vp, screen, vg])[0]
        } else {
            currents(law, &[vp, vg])[0]
        }
    };
    // Eight grid voltages down to where a fortieth of the zero-bias current is left.
    let full = at(volts, 0.0);
    let mut deepest = 0.5;
    while at(volts, -deepest) > full / 40.0 && deepest < 400.0 {
        deepest *= 1.15;
    }
    let step = round(deepest / 7.0);
    let watts = valve.value("pamax");
    let count = (deepest / step).ceil() as usize + 1;
    let lines = (0..count).map(|k| {
        let vg = -(k as f64) * step;
        Line {
            label: format!("{} V", num::full((1e4 * vg).round() / 1e4)),
            points: steps().map(|s| (volts * s, at(volts * s, vg))).collect(),
        }
    });
    let held = if with_screen {
        format!(", screen at {}", engineering(screen, "V", 3))
    } else {
        String::new()
    };
    Curves {
        title: format!("plate current{held}"),
        volts,
        amperes: watts.map_or(full, |w| (6.0 * w / volts).min(full)),
        lines: lines.collect(),
        most_watts: watts,
    }
}

/// A rectifier or a diode, up to its peak current; a zener, which is used backward, backward.
fn diode(valve: &Shipped, law: &dyn Law) -> Curves {
    let most = valve.value("ipmax").unwrap_or(0.02);
    let is_zener = valve.given.contains(&"bv") && valve.value("ibv").is_some_and(|i| i >= 1e-3);
    let (sign, title) = match valve.kind.name {
        "rectifier" => (1.0, "plate current"),
        _ if is_zener => (-1.0, "current backward"),
        _ => (1.0, "forward current"),
    };
    let at = |v: f64| sign * currents(law, &[sign * v])[0];
    // Between twice as much and half of it.
    let (mut low, mut high) = (0.0, 0.1);
    while at(high) < most && high < 1000.0 {
        high *= 2.0;
    }
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if at(middle) < most {
            low = middle;
        } else {
            high = middle;
        }
    }
    let behind = ohms(valve, "rs");
    let outside = |v: f64| (v + behind * at(v), at(v));
    let points: Vec<(f64, f64)> = steps().map(|s| outside(high * s)).collect();
    let (volts, amperes) = points[STEPS];
    let line = Line {
        label: String::new(),
        points,
    };
    one_family(title.into(), (volts, amperes), vec![line])
}

fn one_family(title: String, (volts, amperes): (f64, f64), lines: Vec<Line>) -> Curves {
    Curves {
        title,
        volts,
        amperes,
        lines,
        most_watts: None,
    }
}

/// A transistor's curves from what it gives inside at some volts; the first line is the largest.
fn family(
    valve: &Shipped,
    title: &str,
    behind: f64,
    labels: Vec<String>,
    at: impl Fn(usize, f64) -> f64,
) -> Curves {
    let lines = labels.into_iter().enumerate().map(|(k, label)| {
        let outside = |v: f64| (v + behind * at(k, v), at(k, v));
        let points = steps().map(|s| outside(TRANSISTOR_V * s));
        Line {
            label,
            points: points.filter(|p| p.0 <= TRANSISTOR_V).collect(),
        }
    });
    let lines: Vec<Line> = lines.collect();
    let all = lines.iter().flat_map(|line| &line.points);
    let most = all.fold(1e-9, |m: f64, p| m.max(p.1));
    let turned = if valve.kind.name.starts_with('p') {
        ", all signs turned"
    } else {
        ""
    };
    one_family(format!("{title}{turned}"), (TRANSISTOR_V, most), lines)
}

/// Gate voltages from zero to the threshold, or from above a threshold down to it.
fn gates(valve: &Shipped) -> Vec<f64> {
    let vto = valve.value("vto").unwrap_or(0.0);
    let top = if vto < 0.0 { 0.0 } else { vto + 2.0 };
    let step = (top - vto) / FAMILY as f64;
    (0..FAMILY).map(|k| top - step * k as f64).collect()
}

fn volts_of(gates: &[f64]) -> Vec<String> {
    let shown = |v: &f64| format!("{} V", num::full((1e4 * v).round() / 1e4));
    gates.iter().map(shown).collect()
}

fn jfet(valve: &Shipped, law: &dyn Law) -> Curves {
    let gates = gates(valve);
    let at = |k: usize, v: f64| currents(law, &[gates[k], gates[k] - v])[0];
    let behind = ohms(valve, "rd");
    family(valve, "drain current", behind, volts_of(&gates), at)
}

fn mosfet(valve: &Shipped, law: &dyn Law) -> Curves {
    let gates = gates(valve);
    let at = |k: usize, v: f64| currents(law, &[gates[k], v, 0.0])[0];
    let behind = ohms(valve, "rd");
    family(valve, "drain current", behind, volts_of(&gates), at)
}

/// At base currents that bring the collector to 10 mA.
fn bipolar(valve: &Shipped, law: &dyn Law) -> Curves {
    let step = round(0.01 / valve.value("bf").unwrap_or(100.0) / FAMILY as f64);
    let bases: Vec<f64> = (1..=FAMILY).rev().map(|k| step * k as f64).collect();
    let at = |k: usize, v: f64| {
        let (mut low, mut high) = (0.0, 1.2);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if currents(law, &[middle, middle - v])[1] < bases[k] {
                low = middle;
            } else {
                high = middle;
            }
        }
        currents(law, &[high, high - v])[0]
    };
    let labels = bases.iter().map(|i| engineering(*i, "A", 3)).collect();
    let title = "collector current, for base currents";
    family(valve, title, ohms(valve, "rc"), labels, at)
}

/// A number of one digit, 1, 2 or 5, no smaller than asked.
pub(super) fn round(least: f64) -> f64 {
    let power = fun::pow(10.0, fun::log10(least).floor());
    let steps = [1.0, 2.0, 5.0, 10.0];
    let fits = steps.iter().find(|&&m| m * power >= least * (1.0 - 1e-9));
    fits.copied().unwrap_or(10.0) * power
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::circuit::library;

    /// The current of a line at some volts.
    fn read(name: &str, line: usize, volts: f64) -> f64 {
        let shipped = library::shipped();
        let valve = shipped.iter().find(|v| v.name == name).expect("built in");
        let curves = of(valve);
        let points = &curves.lines[line].points;
        let k = points.partition_point(|p| p.0 < volts).max(1);
        let ((v, i), (w, j)) = (points[k - 1], points[k]);
        i + (j - i) * (volts - v) / (w - v)
    }

    /// A fixed bug: transistors were drawn with the gate at the source, an IRF820 as zero, and
    /// diodes without the resistance in series.
    #[test]
    fn semiconductors_are_drawn_as_they_are_used() {
        // IDSS of the sheets' middle, with the channel's modulation.
        let shockley = 0.741e-3 * 0.81 * (1.0 + 4e-3 * 10.0);
        assert!((read("J201", 0, 10.0) / shockley - 1.0).abs() < 1e-6);
        assert!((read("LND150", 0, 10.0) - 2e-3).abs() < 5e-5);
        // 2 V above the threshold, 0.5 kp (vgs - vto)^2, less nothing: its knee is behind it.
        assert!((read("IRF820", 0, 11.0) - 1.5).abs() < 0.01);
        assert!((read("2N3904", 0, 6.0) - 0.01).abs() < 4e-3);
        assert!((read("ZENER12", 0, 12.0) - 5e-3).abs() < 2.5e-3);
        // Kingbright's curve, 15 mA at 1.973 V, which is met within 5 mV.
        assert!((read("RED_LED", 0, 1.973) - 0.015).abs() < 1.2e-3);
        assert!(read("2N3906", 0, 0.1) < read("2N3906", 0, 6.0));
    }
}
