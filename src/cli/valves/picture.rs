//! One type as a picture: its curves, and its base as seen from below.

use super::curves::{self, Curves, round};
use super::page;
use crate::circuit::library::Shipped;
use crate::device::base::Base;
use crate::math::fun;
use crate::num::{engineering, full};
use crate::report::svg::{Svg, dark_rules};
use std::f64::consts::TAU;

const WIDE: f64 = 720.0;
const HIGH: f64 = 420.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 660.0;
const TOP: f64 = 44.0;
const BOTTOM: f64 = 370.0;
/// Points of the dissipation limit.
const STEPS: usize = 120;
/// Least distance between the labels of two curves.
const APART: f64 = 11.0;
const INKS: [&str; 8] = [
    "#1b6ca8", "#b2452f", "#3c7d3c", "#7a4b94", "#946b1f", "#2b7f86", "#a33f6d", "#555555",
];
const PAPER: &str = "#ffffff";
const INK: &str = "#000000";
const GRID: &str = "#dddddd";
/// Of the dissipation limit.
const LIMIT: &str = "#666666";
/// Of the base and what is on it.
const BASE: &str = "#f6f6f6";
const RIM: &str = "#444444";
/// All of these on a dark screen.
const DARK: [(&str, &str); 14] = [
    (INKS[0], "#5fb0ee"),
    (INKS[1], "#f08a74"),
    (INKS[2], "#7cc57c"),
    (INKS[3], "#c396dd"),
    (INKS[4], "#d9b060"),
    (INKS[5], "#6cc7cf"),
    (INKS[6], "#e886b5"),
    (INKS[7], "#b5b5b5"),
    (PAPER, "#16181c"),
    (INK, "#e8e8e8"),
    (GRID, "#363a41"),
    (LIMIT, "#999999"),
    (BASE, "#24272c"),
    (RIM, "#b0b0b0"),
];

/// The picture as SVG.
pub fn drawn(valve: &Shipped) -> String {
    let curves = curves::of(valve);
    let base = valve.base();
    let high = HIGH + base.map_or(0.0, |_| 330.0) + 30.0;
    let mut svg = Svg::new(WIDE, high, &valve.name, &dark_rules(DARK));
    svg.open("g", &[("font-family", "sans-serif")]);
    svg.block((0.0, 0.0), (WIDE, high), PAPER);
    axes(&mut svg, valve, &curves);
    if let Some(base) = base {
        socket(&mut svg, valve, base);
    }
    svg.caution((LEFT, high - 22.0), WIDE - 2.0 * LEFT, LIMIT);
    svg.finish()
}

/// Words in the size that most have here.
fn words(svg: &mut Svg, at: (f64, f64), anchor: &str, ink: &str, words: &str) {
    svg.letters(at, (anchor, 12.0), ink, &[], words);
}

fn heading(svg: &mut Svg, y: f64, words: &str) {
    let bold = [("font-weight", "bold")];
    svg.letters((LEFT, y), ("start", 15.0), INK, &bold, words);
}

fn axes(svg: &mut Svg, valve: &Shipped, curves: &Curves) {
    let x = |v: f64| LEFT + (RIGHT - LEFT) * v / curves.volts;
    let y = |i: f64| BOTTOM - (BOTTOM - TOP) * i / curves.amperes;
    let title = format!("{}: {}", valve.name, curves.title);
    heading(svg, 22.0, &title);
    for (most, unit, across) in [(curves.volts, "V", true), (curves.amperes, "A", false)] {
        let step = round(most / 8.0);
        let mut value = 0.0;
        while value <= most * (1.0 + 1e-9) {
            let (a, b) = (x(value), y(value));
            let label = like(most, value, unit);
            if across {
                svg.line(&[(a, TOP), (a, BOTTOM)], 1.0, GRID, &[]);
                words(svg, (a, BOTTOM + 18.0), "middle", INK, &label);
            } else {
                svg.line(&[(LEFT, b), (RIGHT, b)], 1.0, GRID, &[]);
                words(svg, (LEFT - 6.0, b + 4.0), "end", INK, &label);
            }
            value += step;
        }
    }
    // Where the last label stands: near cut-off curves lie too close to name each.
    let mut last = (0.0, f64::NEG_INFINITY);
    let mut seen = Vec::new();
    for (k, line) in curves.lines.iter().enumerate() {
        let ink = INKS[k % INKS.len()];
        let inside = line.points.iter();
        let inside: Vec<(f64, f64)> = inside
            .take_while(|&&(_, i)| i <= curves.amperes * 1.0001)
            .map(|&(v, i)| (x(v), y(i)))
            .collect();
        let Some(&(end_x, end_y)) = inside.last() else {
            continue;
        };
        svg.line(&inside, 1.5, ink, &[]);
        let beside = if end_y < TOP + 8.0 { -4.0 } else { 4.0 };
        if end_x != last.0 || end_y - last.1 >= APART {
            words(
                svg,
                (end_x + 4.0, end_y + beside),
                "start",
                ink,
                &line.label,
            );
            last = (end_x, end_y);
        }
        seen.push(inside);
    }
    if let Some(watts) = curves.most_watts {
        let hyperbola: Vec<(f64, f64)> = (1..=STEPS)
            .map(|n| curves.volts * n as f64 / STEPS as f64)
            .filter(|v| watts / v <= curves.amperes)
            .map(|v| (x(v), y(watts / v)))
            .collect();
        svg.line(&hyperbola, 1.5, LIMIT, &[("stroke-dasharray", "6 4")]);
        let most = format!("max. {}", like(watts, watts, "W"));
        if let Some((a, b)) = clear(&hyperbola, &seen, 8.0 * most.len() as f64) {
            words(svg, (a + 6.0, b - 6.0), "start", LIMIT, &most);
        }
    }
}

/// A point of the limit, as near to a third of its way as can be, beside which words so wide cross
/// none of the curves.
fn clear(limit: &[(f64, f64)], curves: &[Vec<(f64, f64)>], wide: f64) -> Option<(f64, f64)> {
    let third = limit.len() / 3;
    let mut places: Vec<usize> = (0..limit.len()).collect();
    places.sort_by_key(|place| place.abs_diff(third));
    let is_clear = |place: &usize| {
        let (a, b) = limit[*place];
        let (from, to) = (a + 4.0, a + 8.0 + wide);
        let (top, bottom) = (b - 19.0, b - 1.0);
        let crosses = |pair: &[(f64, f64)]| {
            let ((x0, y0), (x1, y1)) = (pair[0], pair[1]);
            // The part of this piece that is above or below the words.
            let height = |x: f64| y0 + (y1 - y0) * ((x - x0) / (x1 - x0)).clamp(0.0, 1.0);
            let (left, right) = (height(from.max(x0)), height(to.min(x1)));
            let (high, low) = (left.min(right), left.max(right));
            x1 > from && x0 < to && low > top && high < bottom
        };
        to < RIGHT && top > TOP && !curves.iter().any(|c| c.windows(2).any(crosses))
    };
    let free = places.iter().find(|place| is_clear(place));
    free.or(places.first()).map(|&place| limit[place])
}

/// A value of an axis in the unit of its greatest, without zeros at its end: `0 mA`, `20 mA`.
fn like(most: f64, value: f64, unit: &str) -> String {
    let shown = engineering(most, unit, 3);
    let Some((number, unit)) = shown.split_once(' ') else {
        return shown;
    };
    let scale = match number.parse::<f64>() {
        Ok(number) if most > 0.0 => fun::pow(10.0, fun::log10(number / most).round()),
        _ => 1.0,
    };
    format!("{} {unit}", full((1e4 * value * scale).round() / 1e4))
}

/// The base from below: pins clockwise from the key or the gap, which points down.
fn socket(svg: &mut Svg, valve: &Shipped, base: &Base) {
    let (cx, cy, r) = (WIDE / 2.0, HIGH + 170.0, 88.0);
    let title = format!(
        "Base {}, {}, seen from below",
        base.name,
        base.socket.name()
    );
    heading(svg, HIGH + 22.0, &title);
    svg.disc((cx, cy), r + 24.0, BASE, RIM);
    let key = base.socket == crate::device::base::Socket::Octal;
    if key {
        svg.disc((cx, cy), 26.0, PAPER, RIM);
        svg.block((cx - 5.0, cy + 22.0), (10.0, 9.0), RIM);
    }
    let room = base.socket.pins();
    // Glass bases leave the place of one pin free; it is the gap.
    let places = f64::from(room) + if key || room < 6 { 0.0 } else { 1.0 };
    let sections = base.sections(valve.kind.terminals);
    for pin in 1..=room {
        let turn = TAU * (f64::from(pin) - if key || room < 6 { 0.5 } else { 0.0 }) / places;
        let (dx, dy) = (-crate::math::fun::sin(turn), crate::math::fun::cos(turn));
        let at = |from: f64| (cx + from * dx, cy + from * dy);
        let below = |(x, y): (f64, f64)| (x, y + 4.0);
        let mut name = String::new();
        for use_of in base.pins.iter().filter(|p| p.pin == pin) {
            name = page::name(use_of.role).to_string();
            if use_of.section != 0 && !sections.contains(&use_of.section) {
                name += ", other valve";
            } else if use_of.section != 0 && sections.len() > 1 {
                name += &format!(" {}", use_of.section);
            }
        }
        let fill = if name.is_empty() { PAPER } else { RIM };
        let anchor = if dx.abs() < 0.2 {
            "middle"
        } else if dx < 0.0 {
            "end"
        } else {
            "start"
        };
        svg.disc(
            at(r),
            if base.socket.has_thick_pins() && (pin == 1 || pin == room) {
                10.0
            } else {
                7.0
            },
            fill,
            RIM,
        );
        let number = pin.to_string();
        words(svg, below(at(r - 20.0)), "middle", INK, &number);
        words(svg, below(at(r + 34.0)), anchor, INK, &name);
    }
    if base.socket.has_thick_pins() {
        let under = (cx, cy + r + 68.0);
        words(
            svg,
            under,
            "middle",
            INK,
            "pins 1 and 4 are thicker than 2 and 3",
        );
    }
    if base.pins.iter().any(|p| p.pin == 0) {
        let under = (cx, cy + r + 68.0);
        words(svg, under, "middle", INK, "cap on top: plate");
    }
}

#[cfg(test)]
mod tests {
    use super::{clear, like};

    /// A fixed bug: a curve ran through the words `max. 12 W`.
    #[test]
    fn the_limit_is_lettered_where_no_curve_runs() {
        let limit: Vec<(f64, f64)> = (0..40)
            .map(|k| (100.0 + 10.0 * f64::from(k), 100.0))
            .collect();
        let level = |y: f64| vec![vec![(64.0, y), (600.0, y)]];
        // A third of the way along, if nothing is there.
        assert_eq!(clear(&limit, &level(200.0), 60.0), Some(limit[13]));
        // Curves that stop short leave room behind them.
        let short = vec![vec![(64.0, 90.0), (300.0, 90.0)]];
        let (x, _) = clear(&limit, &short, 60.0).expect("room");
        assert!((296.0..=306.0).contains(&x), "{x}");
        // One that cannot be kept clear of is still lettered.
        assert_eq!(clear(&limit, &level(90.0), 60.0), Some(limit[13]));
    }

    /// A fixed bug: `0.00 A` stood beside `20.0 mA`.
    #[test]
    fn an_axis_has_one_unit() {
        assert_eq!(like(0.1322, 0.0, "A"), "0 mA");
        assert_eq!(like(0.1322, 0.02, "A"), "20 mA");
        assert_eq!(like(300.0, 50.0, "V"), "50 V");
        assert_eq!(like(12.0, 12.0, "W"), "12 W");
    }
}
