//! The plot of `curves --pair`.

use super::super::plane::{clipped, plane};
use super::drawn;
use super::findings::{CAUTION, Findings};
use super::pair::{POINTS, Pushed};
use crate::num;
use crate::report::svg::{Svg, length, points};

const SIZE: (f64, f64) = (900.0, 700.0);
/// Height of the small words.
const LETTERS: f64 = 11.0;
const FIELD: (f64, f64, f64, f64) = (80.0, 70.0, 830.0, 560.0);

/// The plot: the asked valve's characteristics upright, the other's below them turned by half a
/// turn, so that what both do at one moment stands on one vertical; over them the composite.
pub fn plot(found: &Findings, pair: &Pushed) -> String {
    let pushed = format!("{} against {}", pair.names.0, pair.names.1);
    let title = format!("{}: {pushed}", found.title);
    let mut svg = Svg::new(SIZE.0, SIZE.1, &title, drawn::STYLE);
    let (w, h) = (length(SIZE.0), length(SIZE.1));
    svg.element("rect", &[("class", "paper"), ("width", &w), ("height", &h)]);
    let (x0, y0, x1, y1) = FIELD;
    let (volts, amperes) = pair.edges;
    let place = |v: f64, i: f64| {
        let x = x0 + (x1 - x0) * v / volts;
        let y = y1 - (y1 - y0) * (i + amperes) / (2.0 * amperes);
        (x, y)
    };
    svg.words(
        "title",
        "start",
        (x0, 32.0),
        &drawn::headline(&found.title, &pushed),
    );
    if found.has_screen {
        let screen = format!("screen {} at rest", num::engineering(found.vsk, "V", 3));
        svg.words("small", "end", (x1, drawn::UNDER_TITLE), &screen);
    }
    let line = |svg: &mut Svg, class: &str, list: &[(f64, f64)]| {
        let raised: Vec<(f64, f64)> = list.iter().map(|p| (p.0, p.1 + amperes)).collect();
        let inside = clipped(&raised, volts, 2.0 * amperes);
        let inside: Vec<(f64, f64)> = inside
            .into_iter()
            .map(|p| place(p.0, p.1 - amperes))
            .collect();
        if inside.len() > 1 {
            svg.element(
                "polyline",
                &[("class", class), ("points", &points(inside.clone()))],
            );
        }
    };
    let milliamperes = |part: f64| {
        let shown = 1e3 * (2.0 * part - 1.0) * amperes;
        // What is left of a difference is zero.
        let shown = (1e6 * shown).round() / 1e6 + 0.0;
        drawn::trimmed(&num::engineering(shown, "", 3))
    };
    let lettered = |part: f64| drawn::trimmed(&format!("{:.1}", part * volts));
    plane(&mut svg, FIELD, 22.0, 1, lettered, milliamperes);
    line(&mut svg, "frame", &[(0.0, 0.0), (volts, 0.0)]);
    let whole = pair.rest.0 + pair.rest.1;
    // The other valve's volts run from right to left, along the upper side.
    for k in (0..=10usize).step_by(2) {
        let x = x0 + (x1 - x0) * (whole / volts - k as f64 / 10.0);
        if (x0..=x1).contains(&x) {
            let other = lettered(k as f64 / 10.0);
            svg.words("small", "middle", (x, y0 - 5.0), &other);
        }
    }
    for curve in &pair.alone[0] {
        let list: Vec<(f64, f64)> = curve.iter().map(|s| (s.vpk, s.plate)).collect();
        line(&mut svg, "own", &list);
    }
    for curve in &pair.alone[1] {
        let list: Vec<(f64, f64)> = curve.iter().map(|s| (whole - s.vpk, -s.plate)).collect();
        line(&mut svg, "own", &list);
    }
    for (k, watts) in pair.most_w.iter().enumerate() {
        let Some(watts) = watts else { continue };
        let at = |n: usize| {
            let v = volts * (n as f64 + 1.0) / (POINTS as f64 + 1.0);
            match k {
                0 => (v, watts / v),
                _ => (whole - v, -watts / v),
            }
        };
        let list: Vec<(f64, f64)> = (0..=POINTS).map(at).collect();
        line(&mut svg, "limit", &list);
    }
    for (e, list) in &pair.curves {
        line(&mut svg, "composite", list);
        // Curves of drive upwards are lettered at the right, the others, which end in a bundle there,
        // at the left.
        let (v, i) = if *e >= 0.0 {
            list[list.len() - 1]
        } else {
            list[0]
        };
        if i.abs() >= amperes {
            continue;
        }
        let sign = if *e > 0.0 { "+" } else { "" };
        let words = format!("{sign}{}", drawn::in_volts(*e));
        let (x, y) = place(v.min(volts), i);
        // Words stand clear of the frame, above the curve or the end of it where there is no room.
        match *e >= 0.0 {
            true if y + 4.0 - LETTERS < y0 => {
                svg.words("small", "start", (x + 5.0, y + LETTERS + 2.0), &words);
            }
            true => svg.words("small", "start", (x + 5.0, y + 4.0), &words),
            false if y + 15.0 > y1 => svg.words("small", "start", (x + 5.0, y - 5.0), &words),
            false => svg.words("small", "start", (x + 5.0, y + 13.0), &words),
        }
    }
    for path in &pair.paths {
        line(&mut svg, "path", path);
    }
    line(&mut svg, "signal", &pair.load);
    let (x, y) = place(pair.rest.0, 0.0);
    let (x, y) = (length(x), length(y));
    let dot = [("class", "point"), ("cx", &x), ("cy", &y), ("r", "4.5")];
    svg.element("circle", &dot);
    let ohms = num::engineering(pair.raa_ohm / 4.0, "Ω", 3);
    let other = format!("{}, V: upper scale, its current downwards", pair.names.1);
    svg.words("small", "end", (x1, y1 + 42.0), &other);
    let key = [
        ("composite", "composite, by grid signal".to_string()),
        ("signal", format!("load {ohms}")),
        ("path", "each valve's path".to_string()),
        ("limit", "plate dissipation".to_string()),
        ("own", "valves alone".to_string()),
    ];
    drawn::key(&mut svg, &key, x0, 622.0);
    drawn::caution(&mut svg, CAUTION, x0, 652.0);
    svg.finish()
}
