//! How each figure spreads, and which parts cause it, as a picture.

use super::asked::Asked;
use super::board::Board;
use super::shown::ranked;
use super::work::{Shares, Tally};
use crate::figure::digits::shown;
use crate::report::lettering::{breadth, fitted};
use crate::report::svg::{Svg, dark_rules};
use crate::report::table::broken;

/// Figures that are drawn at most: of a sound the first bands.
const MOST: usize = 40;
/// Bars of a histogram.
const BARS: usize = 40;
/// Parts named beside it.
const NAMED: usize = 8;
/// Room for their names, px.
const LEAST_NAME: f64 = 112.0;
const LONGEST_NAME: f64 = 220.0;
/// Measures, px.
const WIDTH: f64 = 940.0;
const ROW: f64 = 210.0;
const LEFT: f64 = 24.0;
const HISTOGRAM: f64 = 470.0;

/// Colours on white paper.
const PAPER: &str = "#ffffff";
const INK: &str = "#1a1a1a";
const PALE: &str = "#6a6a6a";
const BAR: &str = "#8fb3d9";
const QUANTILE: &str = "#2f5d8c";
const DRAWN: &str = "#b03a2e";
/// Of the share of a part alone, and with all it acts on.
const ALONE: &str = "#4a7fb5";
const ALL: &str = "#c7d9ec";
/// And on a dark screen.
const COLOURS: [(&str, &str); 8] = [
    (PAPER, "#16181c"),
    (INK, "#e8e8e8"),
    (PALE, "#a8a8a8"),
    (BAR, "#3f6690"),
    (QUANTILE, "#9cc8f5"),
    (DRAWN, "#ff8a80"),
    (ALONE, "#7db7ff"),
    (ALL, "#2f4763"),
];

/// One panel a figure: a histogram with mean, quantiles and the drawing's own value; beside it the
/// parts with the largest shares.
pub fn picture(asked: &Asked<'_>, board: &Board, tally: &Tally, shares: &Shares) -> String {
    let count = board.columns.len().min(MOST);
    let head = format!("{}: {} amplifiers", asked.title, tally.runs);
    let lines = broken(&head, (WIDTH - 2.0 * LEFT) as usize / 9);
    let first = 44.0 + 20.0 * (lines.len() - 1) as f64;
    let height = first + ROW * count as f64 + 16.0;
    let mut svg = Svg::new(WIDTH, height, &head, &dark_rules(COLOURS));
    svg.open("g", &[("font-family", "sans-serif")]);
    svg.block((0.0, 0.0), (WIDTH, height), PAPER);
    for (k, line) in lines.iter().enumerate() {
        let at = (LEFT, 26.0 + 20.0 * k as f64);
        let line = fitted(line, 15.0, WIDTH - 2.0 * LEFT);
        text(&mut svg, at, "start", INK, 15, &line);
    }
    for k in 0..count {
        let top = first + ROW * k as f64;
        histogram(&mut svg, board, tally, k, top);
        causes(&mut svg, asked, shares, k, top);
    }
    svg.caution((LEFT, height - 12.0), WIDTH - 2.0 * LEFT, PALE);
    svg.finish()
}

fn histogram(svg: &mut Svg, board: &Board, tally: &Tally, k: usize, top: f64) {
    let (column, summary) = (&board.columns[k], &tally.summaries[k]);
    let name = fitted(&column.name, 13.0, HISTOGRAM - LEFT);
    text(svg, (LEFT, top + 16.0), "start", INK, 13, &name);
    if summary.count == 0 {
        text(
            svg,
            (LEFT, top + 60.0),
            "start",
            PALE,
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
        let corner = (x(low) + n as f64 * bar, base - height);
        svg.block(corner, (bar * 0.92, height), BAR);
    }
    line(svg, (LEFT, base), (LEFT + wide, base), PALE, 1.0);
    let quantiles = summary.quantiles(&[0.01, 0.5, 0.99]);
    for (value, word) in quantiles.iter().zip(["1 %", "50 %", "99 %"]) {
        line(
            svg,
            (x(*value), base - tall - 4.0),
            (x(*value), base),
            QUANTILE,
            1.0,
        );
        text(
            svg,
            (x(*value), base - tall - 8.0),
            "middle",
            QUANTILE,
            10,
            word,
        );
    }
    if let Some(drawn) = drawn {
        line(
            svg,
            (x(drawn), base - tall),
            (x(drawn), base + 5.0),
            DRAWN,
            2.0,
        );
    }
    for (value, anchor) in [(from, "start"), (to, "end")] {
        let label = shown(value, column.unit);
        text(svg, (x(value), base + 17.0), anchor, INK, 11, &label);
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
    text(svg, (LEFT, base + 34.0), "start", INK, 11, &line);
    let line = format!(
        "1 % {}, 50 % {}, 99 % {}, least {}, greatest {}",
        say(quantiles[0]),
        say(quantiles[1]),
        say(quantiles[2]),
        say(summary.least.0),
        say(summary.most.0)
    );
    text(svg, (LEFT, base + 49.0), "start", INK, 11, &line);
}

fn causes(svg: &mut Svg, asked: &Asked<'_>, shares: &Shares, k: usize, top: f64) {
    let all = ranked(asked, shares, k);
    if all.is_empty() {
        return;
    }
    // The bars begin behind the longest name, which has room beside the histogram or is cut.
    let longest = all.iter().take(NAMED).map(|cause| breadth(&cause.0, 11.0));
    let longest = longest.fold(LEAST_NAME, f64::max).min(LONGEST_NAME);
    let left = HISTOGRAM + 38.0 + longest;
    let head = match shares {
        Shares::Exact(_) => "share of the variance: alone (strong), with all it acts on (pale)",
        _ => "share of the variance",
    };
    text(svg, (HISTOGRAM + 30.0, top + 16.0), "start", PALE, 11, head);
    let wide = WIDTH - left - 70.0;
    for (n, (name, own, error, total)) in all.iter().take(NAMED).enumerate() {
        let y = top + 28.0 + 19.0 * n as f64;
        let bar = |part: f64| wide * part.clamp(0.0, 1.0);
        let name = fitted(name, 11.0, longest);
        text(svg, (left - 8.0, y + 11.0), "end", INK, 11, &name);
        let mut rect = |width: f64, ink: &str| svg.block((left, y), (width, 13.0), ink);
        if total.is_finite() {
            rect(bar(*total), ALL);
        }
        rect(bar(*own), ALONE);
        let ends = (left + bar(own - error), left + bar(own + error));
        line(svg, (ends.0, y + 6.5), (ends.1, y + 6.5), INK, 1.5);
        // Zero has no sign.
        let label = format!("{:.1} %", (1e3 * own).round() / 10.0 + 0.0);
        let at = left
            + bar(if total.is_finite() {
                total.max(*own)
            } else {
                own + error
            });
        text(svg, (at + 6.0, y + 11.0), "start", INK, 11, &label);
    }
}

fn line(svg: &mut Svg, from: (f64, f64), to: (f64, f64), ink: &str, width: f64) {
    svg.line(&[from, to], width, ink, &[]);
}

fn text(svg: &mut Svg, at: (f64, f64), anchor: &str, ink: &str, size: u8, words: &str) {
    svg.letters(at, (anchor, f64::from(size)), ink, &[], words);
}
