//! Read, sound and explained volts, point by point.

use super::words;
use crate::faults::diagnosis::Diagnosis;
use crate::faults::readings::Reading;
use crate::report::svg::{Svg, length};

const STYLE: &str = "text { font: 12px sans-serif; fill: #222 }\n\
.title { font-size: 15px; font-weight: bold }\n\
.right { text-anchor: end }\n.middle { text-anchor: middle; fill: #666 }\n\
.grid { stroke: #ddd }\n.row { stroke: #eee }\n\
.sound { stroke: #888; stroke-width: 2; fill: none }\n\
.fault { stroke: #1f5fa8; stroke-width: 3 }\n\
.read { fill: #c2410c }\n.caution { font-size: 10px }\n";

/// Where the scale begins and ends.
const SCALE: (f64, f64) = (130.0, 590.0);
const ROW: f64 = 22.0;
const TOP: f64 = 130.0;

/// A root on both sides of zero: a cathode's volt and a plate's hundreds on one scale.
fn root(volts: f64) -> f64 {
    volts.abs().sqrt() * volts.signum()
}

/// The picture.
pub fn drawn(title: &str, diagnosis: &Diagnosis, readings: &[Reading]) -> String {
    let rows = readings.len() as f64;
    let height = TOP + ROW * rows + 76.0;
    let mut svg = Svg::new(900.0, height, title, STYLE);
    let white = [
        ("x", "0"),
        ("y", "0"),
        ("width", "100%"),
        ("height", "100%"),
        ("fill", "#fff"),
    ];
    svg.element("rect", &white);
    let mut text = |class: &str, x: f64, y: f64, words: &str| {
        let (x, y) = (length(x), length(y));
        svg.with_text("text", &[("class", class), ("x", &x), ("y", &y)], words);
    };
    text("title", 20.0, 28.0, title);
    let first = diagnosis.answers.first();
    let answer = first.map_or(String::new(), |a| {
        format!(
            "{} ({:.0} %)",
            words::cause(&a.causes[0]),
            100.0 * a.probability
        )
    });
    text("", 20.0, 50.0, &answer);
    let alike = first.map_or(0, |a| a.causes.len() - 1);
    let others = match alike {
        0 => String::new(),
        1 => "one other fault would read the same: measure on (see the table)".to_string(),
        n => format!("{n} other faults would read the same: measure on (see the table)"),
    };
    text("", 20.0, 68.0, &others);
    for (x, words) in [
        (672.0, "read"),
        (752.0, "explained"),
        (812.0, "+/-"),
        (880.0, "sound"),
    ] {
        text("right", x, TOP - 14.0, words);
    }
    let expected = |k: usize| first.map_or(f64::NAN, |a| a.expected[k]);
    let drawn: Vec<usize> = (0..readings.len())
        .filter(|&k| readings[k].point.unit() == "V")
        .collect();
    let all = drawn.iter().map(|&k| (k, &readings[k]));
    let all = all.flat_map(|(k, r)| [r.value, expected(k), diagnosis.sound[k]]);
    let (mut low, mut high) = (0.0f64, 1.0f64);
    for v in all.filter(|v| v.is_finite()) {
        low = low.min(root(v));
        high = high.max(root(v));
    }
    let place = |v: f64| SCALE.0 + (root(v) - low) / (high - low) * (SCALE.1 - SCALE.0);
    for (k, reading) in readings.iter().enumerate() {
        let y = TOP + ROW * (k as f64 + 0.5) + 4.0;
        text("right", SCALE.0 - 12.0, y, &reading.point.label);
        text("right", 672.0, y, &words::shown(reading, reading.value));
        text("right", 752.0, y, &words::shown(reading, expected(k)));
        if let Some(first) = first {
            text("right", 812.0, y, &words::give(first, reading, k));
        }
        text(
            "right",
            880.0,
            y,
            &words::shown(reading, diagnosis.sound[k]),
        );
    }
    let bottom = TOP + ROW * rows;
    let mut last = f64::NEG_INFINITY;
    for tick in [
        -400.0, -200.0, -100.0, -50.0, -20.0, -5.0, 0.0, 1.0, 5.0, 20.0, 50.0, 100.0, 200.0, 300.0,
        400.0, 500.0,
    ] {
        if root(tick) < low || root(tick) > high || place(tick) - last < 28.0 {
            continue;
        }
        last = place(tick);
        text("middle", last, bottom + 16.0, &format!("{tick}"));
    }
    text(
        "middle",
        0.5 * (SCALE.0 + SCALE.1),
        bottom + 34.0,
        "V, scale by the square root",
    );
    text("", 150.0, 96.0, "read");
    text("", 230.0, 96.0, "explained by the first answer");
    text("", 440.0, 96.0, "sound");
    let mut line = |class: &str, x1: f64, y1: f64, x2: f64, y2: f64| {
        let (x1, y1, x2, y2) = (length(x1), length(y1), length(x2), length(y2));
        svg.element(
            "line",
            &[
                ("class", class),
                ("x1", &x1),
                ("y1", &y1),
                ("x2", &x2),
                ("y2", &y2),
            ],
        );
    };
    for &k in &drawn {
        let y = TOP + ROW * (k as f64 + 0.5);
        line("row", SCALE.0, y, SCALE.1, y);
        if expected(k).is_finite() {
            line(
                "fault",
                place(expected(k)),
                y - 8.0,
                place(expected(k)),
                y + 8.0,
            );
        }
    }
    line("grid", place(0.0), TOP, place(0.0), bottom);
    line("fault", 220.0, 84.0, 220.0, 100.0);
    let mut dot = |class: &str, x: f64, y: f64, r: f64| {
        let (x, y, r) = (length(x), length(y), length(r));
        svg.element(
            "circle",
            &[("class", class), ("cx", &x), ("cy", &y), ("r", &r)],
        );
    };
    for &k in &drawn {
        let reading = &readings[k];
        let y = TOP + ROW * (k as f64 + 0.5);
        dot("sound", place(diagnosis.sound[k]), y, 7.0);
        dot("read", place(reading.value), y, 4.0);
    }
    dot("read", 138.0, 92.0, 4.0);
    dot("sound", 428.0, 92.0, 7.0);
    svg.caution((20.0, height - 16.0), 860.0, "#666");
    svg.finish()
}
