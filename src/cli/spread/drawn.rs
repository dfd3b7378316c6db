//! How each figure spreads, and which parts cause it, as a picture.

use super::asked::Asked;
use super::board::Board;
use super::shown::ranked;
use super::work::{Shares, Told};
use crate::figure::digits::shown;
use std::fmt::Write;

/// Figures that are drawn at most: of a sound the first bands.
const MOST: usize = 40;
/// Bars of a histogram.
const BARS: usize = 40;
/// Parts named beside it.
const NAMED: usize = 8;
/// Measures, px.
const WIDTH: f64 = 940.0;
const ROW: f64 = 210.0;
const LEFT: f64 = 24.0;
const HISTOGRAM: f64 = 470.0;

/// One panel a figure: a histogram with mean, quantiles and the drawing's own value; beside it the
/// parts with the largest shares.
pub fn picture(asked: &Asked<'_>, board: &Board, told: &Told, shares: &Shares) -> String {
    let count = board.columns.len().min(MOST);
    let height = 44.0 + ROW * count as f64;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"{height}\" \
         viewBox=\"0 0 {WIDTH} {height}\" font-family=\"sans-serif\" font-size=\"12\">\n\
         <rect width=\"{WIDTH}\" height=\"{height}\" fill=\"#ffffff\"/>\n"
    );
    let head = format!("{}: {} amplifiers", asked.title, told.runs);
    text(&mut svg, (LEFT, 26.0), "start", "#1a1a1a", 15, &head);
    for k in 0..count {
        let top = 44.0 + ROW * k as f64;
        histogram(&mut svg, board, told, k, top);
        causes(&mut svg, asked, shares, k, top);
    }
    svg.push_str("</svg>\n");
    svg
}

fn histogram(svg: &mut String, board: &Board, told: &Told, k: usize, top: f64) {
    let (column, summary) = (&board.columns[k], &told.summaries[k]);
    text(
        svg,
        (LEFT, top + 16.0),
        "start",
        "#1a1a1a",
        13,
        &column.name,
    );
    if summary.count == 0 {
        text(
            svg,
            (LEFT, top + 60.0),
            "start",
            "#6a6a6a",
            12,
            "no amplifier has this figure",
        );
        return;
    }
    let (low, high, counts) = summary.histogram(BARS);
    let most = counts.iter().copied().max().unwrap_or(1).max(1) as f64;
    let (base, tall, wide) = (top + 140.0, 100.0, HISTOGRAM - LEFT);
    // The drawing's own value may lie outside of what the runs came to.
    let drawn = board.nominal[k].filter(|v| v.is_finite());
    let (from, to) = drawn.map_or((low, high), |d| (low.min(d), high.max(d)));
    let span = if to > from { to - from } else { 1.0 };
    let x = |v: f64| {
        if to > from {
            LEFT + wide * (v - from) / span
        } else {
            LEFT + 0.5 * wide
        }
    };
    let bar = ((x(high) - x(low)) / BARS as f64).max(2.0);
    for (n, &count) in counts.iter().enumerate().filter(|c| *c.1 > 0) {
        let height = tall * count as f64 / most;
        let _ = writeln!(
            svg,
            "<rect x=\"{:.2}\" y=\"{:.2}\" width=\"{:.2}\" height=\"{height:.2}\" fill=\"#8fb3d9\"/>",
            x(low) + n as f64 * bar,
            base - height,
            bar * 0.92
        );
    }
    line(svg, (LEFT, base), (LEFT + wide, base), "#6a6a6a", 1.0);
    let quantiles = summary.quantiles(&[0.01, 0.5, 0.99]);
    for (value, word) in quantiles.iter().zip(["1 %", "50 %", "99 %"]) {
        line(
            svg,
            (x(*value), base - tall - 4.0),
            (x(*value), base),
            "#2f5d8c",
            1.0,
        );
        text(
            svg,
            (x(*value), base - tall - 8.0),
            "middle",
            "#2f5d8c",
            10,
            word,
        );
    }
    if let Some(drawn) = drawn {
        line(
            svg,
            (x(drawn), base - tall),
            (x(drawn), base + 5.0),
            "#b03a2e",
            2.0,
        );
    }
    for (value, anchor) in [(from, "start"), (to, "end")] {
        let label = shown(value, column.unit);
        text(svg, (x(value), base + 17.0), anchor, "#1a1a1a", 11, &label);
    }
    let say = |v: f64| {
        if v.is_finite() {
            shown(v, column.unit)
        } else {
            "none".to_string()
        }
    };
    let line = format!(
        "as drawn {} (red), mean {}, deviation {}",
        drawn.map_or("none".to_string(), say),
        say(summary.mean),
        say(summary.deviation())
    );
    text(svg, (LEFT, base + 34.0), "start", "#1a1a1a", 11, &line);
    let line = format!(
        "1 % {}, 50 % {}, 99 % {}, least {}, greatest {}",
        say(quantiles[0]),
        say(quantiles[1]),
        say(quantiles[2]),
        say(summary.least.0),
        say(summary.most.0)
    );
    text(svg, (LEFT, base + 49.0), "start", "#1a1a1a", 11, &line);
}

fn causes(svg: &mut String, asked: &Asked<'_>, shares: &Shares, k: usize, top: f64) {
    let left = HISTOGRAM + 150.0;
    let all = ranked(asked, shares, k);
    if all.is_empty() {
        return;
    }
    let head = match shares {
        Shares::Exact(_) => "share of the variance: alone (dark), with all it acts on (light)",
        _ => "share of the variance",
    };
    text(
        svg,
        (HISTOGRAM + 30.0, top + 16.0),
        "start",
        "#6a6a6a",
        11,
        head,
    );
    let wide = WIDTH - left - 70.0;
    for (n, (name, own, error, total)) in all.iter().take(NAMED).enumerate() {
        let y = top + 28.0 + 19.0 * n as f64;
        let bar = |part: f64| wide * part.clamp(0.0, 1.0);
        text(svg, (left - 8.0, y + 11.0), "end", "#1a1a1a", 11, name);
        let mut rect = |width: f64, ink: &str| {
            let _ = writeln!(
                svg,
                "<rect x=\"{left}\" y=\"{y:.2}\" width=\"{width:.2}\" height=\"13\" fill=\"{ink}\"/>"
            );
        };
        if total.is_finite() {
            rect(bar(*total), "#c7d9ec");
        }
        rect(bar(*own), "#4a7fb5");
        let ends = (left + bar(own - error), left + bar(own + error));
        line(svg, (ends.0, y + 6.5), (ends.1, y + 6.5), "#1a1a1a", 1.5);
        let label = format!("{:.1} %", 100.0 * own);
        let at = left
            + bar(if total.is_finite() {
                total.max(*own)
            } else {
                own + error
            });
        text(svg, (at + 6.0, y + 11.0), "start", "#1a1a1a", 11, &label);
    }
}

fn line(svg: &mut String, from: (f64, f64), to: (f64, f64), ink: &str, width: f64) {
    let _ = writeln!(
        svg,
        "<line x1=\"{:.2}\" y1=\"{:.2}\" x2=\"{:.2}\" y2=\"{:.2}\" stroke=\"{ink}\" \
         stroke-width=\"{width}\"/>",
        from.0, from.1, to.0, to.1
    );
}

fn text(svg: &mut String, at: (f64, f64), anchor: &str, ink: &str, size: usize, words: &str) {
    let safe = words
        .replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;");
    let _ = writeln!(
        svg,
        "<text x=\"{:.2}\" y=\"{:.2}\" text-anchor=\"{anchor}\" fill=\"{ink}\" \
         font-size=\"{size}\">{safe}</text>",
        at.0, at.1
    );
}
