//! One type as a picture: its curves, and its base as seen from below.

use super::page;
use crate::circuit::library::Shipped;
use crate::device::base::Base;
use crate::device::{Answer, Given, Part};
use crate::num::engineering;
use std::f64::consts::TAU;
use std::fmt::Write;

const WIDE: f64 = 720.0;
const HIGH: f64 = 420.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 660.0;
const TOP: f64 = 44.0;
const BOTTOM: f64 = 370.0;
const STEPS: usize = 120;
const INKS: [&str; 8] = [
    "#1b6ca8", "#b2452f", "#3c7d3c", "#7a4b94", "#946b1f", "#2b7f86", "#a33f6d", "#555555",
];

/// The picture as SVG.
pub fn drawn(valve: &Shipped) -> String {
    let curves = curves(valve);
    let base = valve.base();
    let high = HIGH + base.map_or(0.0, |_| 330.0);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDE}\" height=\"{high}\" viewBox=\"0 0 {WIDE} {high}\" \
         font-family=\"sans-serif\" font-size=\"12\">\n<title>{}</title>\n\
         <rect width=\"{WIDE}\" height=\"{high}\" fill=\"#ffffff\"/>\n",
        valve.name
    );
    axes(&mut svg, valve, &curves);
    if let Some(base) = base {
        socket(&mut svg, valve, base);
    }
    svg + "</svg>\n"
}

/// A family of curves: V across, A up.
struct Curves {
    volts: f64,
    amperes: f64,
    lines: Vec<(String, Vec<f64>)>,
    held: String,
    most_watts: Option<f64>,
}

/// The first current of the device's law at given controls.
fn current(valve: &Shipped, u: &[f64]) -> f64 {
    let kind = valve.kind;
    let instance: Vec<f64> = kind.instance_params.iter().map(|p| p.default).collect();
    let device = (kind.build)(&Given {
        kind,
        model: &valve.values,
        instance: &instance,
        celsius: 27.0,
    });
    let law = device.parts.iter().find_map(|part| match part {
        Part::Law { law, .. } => Some(law),
        _ => None,
    });
    let Some(law) = law.filter(|law| law.controls() >= u.len()) else {
        return 0.0;
    };
    let mut all = vec![0.0; law.controls()];
    all[..u.len()].copy_from_slice(u);
    let (rows, columns) = (law.outputs(), law.controls());
    let (mut i, mut q) = (vec![0.0; rows], vec![0.0; rows]);
    let (mut g, mut c) = (vec![0.0; rows * columns], vec![0.0; rows * columns]);
    law.answer(
        &all,
        0.0,
        &mut Answer {
            i: &mut i,
            q: &mut q,
            g: &mut g,
            c: &mut c,
        },
    );
    i[0]
}

/// What is drawn of a type: a valve's plate curves, anything else's first two terminals.
fn curves(valve: &Shipped) -> Curves {
    let terminals = valve.kind.terminals;
    let grid = terminals.iter().position(|&t| t == "grid");
    let Some(grid) = grid else {
        return diode(valve);
    };
    let with_screen = terminals.contains(&"screen");
    let volts = valve.value("vamax").unwrap_or(300.0);
    let screen = valve.value("vtest").unwrap_or(250.0);
    let screen = screen.min(valve.value("vg2max").unwrap_or(screen));
    let at = |vp: f64, vg: f64| {
        let u = if with_screen {
            vec![vp, screen, vg]
        } else {
            vec![vp, vg]
        };
        debug_assert_eq!(u.len(), grid + 1);
        current(valve, &u)
    };
    // Eight grid voltages down to where a fortieth of the zero-bias current is left.
    let full = at(volts, 0.0);
    let mut deepest = 0.5;
    while at(volts, -deepest) > full / 40.0 && deepest < 400.0 {
        deepest *= 1.15;
    }
    let step = round(deepest / 7.0);
    let watts = valve.value("pamax");
    let amperes = watts.map_or(full, |w| (6.0 * w / volts).min(full));
    let count = (deepest / step).ceil() as usize + 1;
    let lines = (0..count).map(|k| {
        let vg = -(k as f64) * step;
        let line = (0..=STEPS).map(|n| at(volts * n as f64 / STEPS as f64, vg));
        (engineering(vg + 0.0, "V", 3), line.collect())
    });
    Curves {
        volts,
        amperes,
        lines: lines.collect(),
        held: if with_screen {
            format!(", screen at {}", engineering(screen, "V", 3))
        } else {
            String::new()
        },
        most_watts: watts,
    }
}

/// A rectifier, a diode, or any device's law at its first control alone.
fn diode(valve: &Shipped) -> Curves {
    let most = valve.value("ipmax").unwrap_or(0.02);
    let mut volts = 0.1;
    while current(valve, &[volts]) < most && volts < 100.0 {
        volts *= 1.1;
    }
    let line: Vec<f64> = (0..=STEPS)
        .map(|n| current(valve, &[volts * n as f64 / STEPS as f64]))
        .collect();
    let top = line.iter().fold(1e-6f64, |m, &v| m.max(v));
    Curves {
        volts,
        amperes: top,
        lines: vec![(String::new(), line)],
        held: String::new(),
        most_watts: None,
    }
}

/// A number of one digit, 1, 2 or 5, no smaller than asked.
fn round(least: f64) -> f64 {
    let power = crate::math::fun::pow(10.0, crate::math::fun::log10(least).floor());
    let steps = [1.0, 2.0, 5.0, 10.0];
    let fits = steps.iter().find(|&&m| m * power >= least * (1.0 - 1e-9));
    fits.copied().unwrap_or(10.0) * power
}

fn axes(svg: &mut String, valve: &Shipped, curves: &Curves) {
    let x = |v: f64| LEFT + (RIGHT - LEFT) * v / curves.volts;
    let y = |i: f64| BOTTOM - (BOTTOM - TOP) * i / curves.amperes;
    let _ = writeln!(
        svg,
        "<text x=\"{LEFT}\" y=\"22\" font-size=\"15\" font-weight=\"bold\">{}: plate current{}</text>",
        valve.name, curves.held
    );
    for (most, unit, across) in [(curves.volts, "V", true), (curves.amperes, "A", false)] {
        let step = round(most / 8.0);
        let mut value = 0.0;
        while value <= most * (1.0 + 1e-9) {
            let (a, b) = (x(value), y(value));
            let label = engineering(value, unit, 3);
            let _ = if across {
                writeln!(
                    svg,
                    "<line x1=\"{a:.1}\" y1=\"{TOP}\" x2=\"{a:.1}\" y2=\"{BOTTOM}\" stroke=\"#dddddd\"/>\
                     <text x=\"{a:.1}\" y=\"{}\" text-anchor=\"middle\">{label}</text>",
                    BOTTOM + 18.0
                )
            } else {
                writeln!(
                    svg,
                    "<line x1=\"{LEFT}\" y1=\"{b:.1}\" x2=\"{RIGHT}\" y2=\"{b:.1}\" stroke=\"#dddddd\"/>\
                     <text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{label}</text>",
                    LEFT - 6.0,
                    b + 4.0
                )
            };
            value += step;
        }
    }
    let path = |line: &[f64]| {
        let points = line
            .iter()
            .enumerate()
            .map(|(n, &i)| (curves.volts * n as f64 / STEPS as f64, i));
        let inside: Vec<(f64, f64)> = points
            .take_while(|&(_, i)| i <= curves.amperes * 1.0001)
            .map(|(v, i)| (x(v), y(i)))
            .collect();
        inside
    };
    for (k, (label, line)) in curves.lines.iter().enumerate() {
        let ink = INKS[k % INKS.len()];
        let inside = path(line);
        let Some(&(end_x, end_y)) = inside.last() else {
            continue;
        };
        polyline(svg, &inside, ink, "");
        let _ = writeln!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\" fill=\"{ink}\">{label}</text>",
            end_x + 4.0,
            end_y + if end_y < TOP + 8.0 { -4.0 } else { 4.0 }
        );
    }
    if let Some(watts) = curves.most_watts {
        let hyperbola: Vec<(f64, f64)> = (1..=STEPS)
            .map(|n| curves.volts * n as f64 / STEPS as f64)
            .filter(|v| watts / v <= curves.amperes)
            .map(|v| (x(v), y(watts / v)))
            .collect();
        polyline(svg, &hyperbola, "#888888", " stroke-dasharray=\"6 4\"");
        if let Some(&(a, b)) = hyperbola.get(hyperbola.len() / 3) {
            let _ = writeln!(
                svg,
                "<text x=\"{:.1}\" y=\"{:.1}\" fill=\"#666666\">most, {}</text>",
                a + 6.0,
                b - 6.0,
                engineering(watts, "W", 3)
            );
        }
    }
}

fn polyline(svg: &mut String, points: &[(f64, f64)], ink: &str, more: &str) {
    let pairs: Vec<String> = points
        .iter()
        .map(|(x, y)| format!("{x:.1},{y:.1}"))
        .collect();
    let _ = writeln!(
        svg,
        "<polyline points=\"{}\" fill=\"none\" stroke=\"{ink}\" stroke-width=\"1.5\"{more}/>",
        pairs.join(" ")
    );
}

/// The base from below: pins clockwise from the key or the gap, which points down.
fn socket(svg: &mut String, valve: &Shipped, base: &Base) {
    let (cx, cy, r) = (WIDE / 2.0, HIGH + 170.0, 88.0);
    let _ = writeln!(
        svg,
        "<text x=\"{LEFT}\" y=\"{}\" font-size=\"15\" font-weight=\"bold\">Base {}, {}, seen from below</text>\n\
         <circle cx=\"{cx}\" cy=\"{cy}\" r=\"{}\" fill=\"#f6f6f6\" stroke=\"#444444\"/>",
        HIGH + 22.0,
        base.name,
        base.socket.name(),
        r + 24.0
    );
    let key = base.socket == crate::device::base::Socket::Octal;
    if key {
        let _ = writeln!(
            svg,
            "<circle cx=\"{cx}\" cy=\"{cy}\" r=\"26\" fill=\"#ffffff\" stroke=\"#444444\"/>\
             <rect x=\"{}\" y=\"{}\" width=\"10\" height=\"9\" fill=\"#444444\"/>",
            cx - 5.0,
            cy + 22.0
        );
    }
    let room = base.socket.pins();
    // Glass bases leave the place of one pin free; it is the gap.
    let places = f64::from(room) + if key || room < 6 { 0.0 } else { 1.0 };
    let sections = base.sections(valve.kind.terminals);
    for pin in 1..=room {
        let turn = TAU * (f64::from(pin) - if key || room < 6 { 0.5 } else { 0.0 }) / places;
        let (dx, dy) = (-crate::math::fun::sin(turn), crate::math::fun::cos(turn));
        let (x, y) = (cx + r * dx, cy + r * dy);
        let mut words = String::new();
        for use_of in base.pins.iter().filter(|p| p.pin == pin) {
            words = page::name(use_of.role).to_string();
            if use_of.section != 0 && !sections.contains(&use_of.section) {
                words += ", other valve";
            } else if use_of.section != 0 && sections.len() > 1 {
                words += &format!(" {}", use_of.section);
            }
        }
        let fill = if words.is_empty() {
            "#ffffff"
        } else {
            "#333333"
        };
        let anchor = if dx.abs() < 0.2 {
            "middle"
        } else if dx < 0.0 {
            "end"
        } else {
            "start"
        };
        let _ = writeln!(
            svg,
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"7\" fill=\"{fill}\" stroke=\"#333333\"/>\
             <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{pin}</text>\
             <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\">{words}</text>",
            cx + (r - 20.0) * dx,
            cy + (r - 20.0) * dy + 4.0,
            cx + (r + 34.0) * dx,
            cy + (r + 34.0) * dy + 4.0
        );
    }
    if base.pins.iter().any(|p| p.pin == 0) {
        let _ = writeln!(
            svg,
            "<text x=\"{cx}\" y=\"{:.1}\" text-anchor=\"middle\">cap on top: plate</text>",
            cy + r + 68.0
        );
    }
}
