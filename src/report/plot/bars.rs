//! Bars side by side: levels of harmonics.

use super::axis::{self, Axis};
use super::frame::{Frame, colour};
use super::sheet::{Anchor, picture};
use super::style::{
    ABOVE, BELOW, CAUTION, DEPTH_DB, GRID, INK, LETTER, LETTERS, ONLY_PANEL, SAMPLE, TITLE,
    TITLE_PITCH, TITLE_SIZE, WIDTH, ZERO, dashes, longest, titled, wide,
};
use super::trace::Trace;

/// Bars that are less than this below the highest are drawn, dB.
const SHOWN_DB: f64 = 0.9 * DEPTH_DB;

/// One group of bars for each of `names` under a `quantity`; one bar in it for each trace, whose
/// values are decibels. What lies too deep, or is not finite, has no bar.
pub fn bars(title: &str, quantity: &str, names: &[String], unit: &str, traces: &[Trace]) -> String {
    let values = || traces.iter().flat_map(|t| t.values.iter().copied());
    let (low, high) = axis::extent(values());
    let low = low.max(high - SHOWN_DB);
    let margin = 0.06 * (high - low);
    let upright = Axis::exact(
        "level",
        unit,
        low - margin,
        high + margin,
        ONLY_PANEL / 50.0,
    );
    let named = traces.iter().any(|t| !t.name.is_empty());
    let letters = longest(traces.iter().map(|t| t.name.as_str()));
    let lines = titled(title, (WIDTH / (TITLE_SIZE * LETTER)) as usize);
    let head = ABOVE
        + match lines.len() {
            0 => 0.0,
            n => TITLE + (n - 1) as f64 * TITLE_PITCH,
        };
    let labels = upright.labels().map(|l| l.chars().count()).max();
    let frame = Frame {
        left: 42.0 + wide(labels.unwrap_or(0)),
        right: if named {
            WIDTH - 34.0 - SAMPLE - letters
        } else {
            WIDTH - 24.0
        },
        top: head,
        bottom: head + ONLY_PANEL,
    };
    let height = frame.bottom + BELOW + CAUTION;
    let is_short = |v: &f64| v.is_nan() || *v <= low - margin;
    let gaps = traces.iter().any(|t| t.values.iter().any(is_short));
    let quantity = match gaps {
        true => {
            format!("{quantity} (no bar: more than {SHOWN_DB:.0} dB below the highest, or none)")
        }
        false => quantity.to_owned(),
    };
    picture(title, WIDTH, height, |sheet| {
        let middle = 0.5 * (frame.left + frame.right);
        for (k, line) in lines.iter().enumerate() {
            let at = (0.5 * WIDTH, ABOVE + k as f64 * TITLE_PITCH);
            sheet.text(at, TITLE_SIZE, line, INK, Anchor::Under);
        }
        for (value, label) in &upright.ticks {
            let y = frame.y(&upright, *value);
            let ink = if *value == 0.0 { ZERO } else { GRID };
            sheet.line((frame.left, y), (frame.right, y), 1.0, ink);
            let beside = (frame.left - 7.0, y);
            sheet.text(beside, LETTERS, label, INK, Anchor::Left);
        }
        let pitch = (frame.right - frame.left) / names.len().max(1) as f64;
        let bar = 0.7 * pitch / traces.len().max(1) as f64;
        for (n, name) in names.iter().enumerate() {
            let centre = frame.left + (n as f64 + 0.5) * pitch;
            for (k, trace) in traces.iter().enumerate() {
                let Some(&value) = trace.values.get(n).filter(|v| **v > low - margin) else {
                    continue;
                };
                let x = centre + (k as f64 - 0.5 * (traces.len() as f64 - 1.0)) * bar;
                // From the top down: no gap of the dashes shortens it.
                let ends = [(x, frame.y(&upright, value)), (x, frame.bottom)];
                sheet.dashed(&ends, 0.9 * bar, colour(k), dashes(k));
            }
            let under = (centre, frame.bottom + 7.0);
            sheet.text(under, LETTERS, name, INK, Anchor::Under);
        }
        frame.outline(sheet);
        let half = 0.5 * (frame.top + frame.bottom);
        sheet.text((14.0, half), LETTERS, &upright.title, INK, Anchor::Upright);
        let under = (middle, frame.bottom + 28.0);
        sheet.text(under, LETTERS, &quantity, INK, Anchor::Under);
        if named {
            let all: Vec<(usize, &Trace)> = traces.iter().enumerate().collect();
            frame.legend(sheet, traces, &all);
        }
        let caution = (frame.left, height - 0.7 * CAUTION);
        sheet.caution(caution, WIDTH - frame.left - 10.0);
    })
}
