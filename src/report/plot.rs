//! Pictures of results, as SVG text.
//!
//! Curves of different units get panels of their own, one above the other over
//! a common axis. Lettering is left to the viewer's fonts, so none come along.

mod axis;
mod bars;
mod sheet;

use crate::math::fun;
use axis::Axis;
pub use bars::bars;
use sheet::{Anchor, Ink, Sheet, picture};

/// One curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// What the legend calls it.
    pub name: String,
    /// `V`, `A`, `W`, `dB`, `deg` or anything else; curves of one unit share a panel.
    pub unit: String,
    /// One value for each point of the common axis; a value that is not finite is a gap.
    pub values: Vec<f64>,
}

impl Trace {
    /// A curve in a unit.
    pub fn new(name: impl Into<String>, unit: impl Into<String>, values: Vec<f64>) -> Self {
        Trace {
            name: name.into(),
            unit: unit.into(),
            values,
        }
    }

    /// The curve of a probe expression, whose first letter tells the unit:
    /// volts for `v(...)`, amperes for `i(...)`, watts for `p(...)`.
    pub fn of_probe(expression: impl Into<String>, values: Vec<f64>) -> Self {
        let name = expression.into();
        let unit = match name.trim_start().bytes().next() {
            Some(b'v' | b'V') => "V",
            Some(b'i' | b'I') => "A",
            Some(b'p' | b'P') => "W",
            _ => "",
        };
        Trace::new(name, unit, values)
    }
}

/// A place on a curve that is worth a word.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// The curve, by its number among the traces.
    pub trace: usize,
    /// Where on the common axis.
    pub at: f64,
    /// Its height, in the curve's unit.
    pub value: f64,
    /// The word.
    pub label: String,
    /// On which side of the place there is room for it.
    pub side: Side,
}

/// Where the word of a [`Mark`] stands, seen from its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Above it, or below where the panel ends.
    Above,
    /// Below it and to the right.
    Right,
    /// Below it and to the left.
    Left,
}

/// Curves over time (s).
pub fn waveforms(title: &str, times_s: &[f64], traces: &[Trace]) -> String {
    let (low, high) = axis::extent(times_s.iter().copied());
    let across = Axis::exact("time", "s", low, high, WIDTH / 90.0);
    draw(title, &across, times_s, traces, &[])
}

/// Curves over the level at a source, in `unit`. Both axes run in decades, so that an output
/// that follows its input is a straight line.
pub fn over_level(
    title: &str,
    levels: &[f64],
    unit: &str,
    traces: &[Trace],
    marks: &[Mark],
) -> String {
    let (low, high) = axis::extent(levels.iter().copied().filter(|&l| l > 0.0));
    let across = Axis::decades("peak at the source", unit, low, high);
    draw_panels(title, &across, levels, traces, marks, Scale::Decades)
}

/// How upright axes run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Scale {
    /// As is the custom for the unit.
    ByUnit,
    /// In decades, whatever the unit.
    Decades,
}

/// Curves over frequency (Hz), which runs in decades.
///
/// Decibels more than 150 below the highest point are cut off: they are
/// rounding and not a result, and would press the rest flat.
pub fn spectrum(title: &str, frequencies_hz: &[f64], traces: &[Trace]) -> String {
    marked_spectrum(title, frequencies_hz, traces, &[])
}

/// The same with words at some places.
pub fn marked_spectrum(
    title: &str,
    frequencies_hz: &[f64],
    traces: &[Trace],
    marks: &[Mark],
) -> String {
    let positive = frequencies_hz.iter().copied().filter(|&f| f > 0.0);
    let (low, high) = axis::extent(positive);
    let across = Axis::decades("frequency", "Hz", low, high);
    draw(title, &across, frequencies_hz, traces, marks)
}

/// Curves over any quantity; it runs in decades where it spans more than one and a half.
pub fn against(title: &str, quantity: &str, places: &[f64], traces: &[Trace]) -> String {
    let (low, high) = axis::extent(places.iter().copied());
    let least = places.iter().copied().fold(f64::INFINITY, f64::min);
    let across = match least > 0.0 && high / low > 32.0 {
        true => Axis::decades(quantity, "", least, high),
        false => Axis::exact(quantity, "", low, high, WIDTH / 90.0),
    };
    draw(title, &across, places, traces, &[])
}

/// What is less than this below the top of a panel in decibels is shown.
const DEPTH_DB: f64 = 150.0;

/// Measures of the picture, px.
const WIDTH: f64 = 960.0;
const PANEL: f64 = 300.0;
const ONLY_PANEL: f64 = 400.0;
const BETWEEN: f64 = 26.0;
const ABOVE: f64 = 16.0;
const TITLE: f64 = 34.0;
const BELOW: f64 = 52.0;
const LETTERS: f64 = 13.0;
/// A letter is about so wide in the fonts that viewers use, as a part of its height.
const LETTER: f64 = 0.58;
/// Names longer than this in the legend are cut.
const LONGEST_NAME: usize = 28;
const SAMPLE: f64 = 24.0;

const INK: Ink = Ink(0x22, 0x22, 0x22);
const FRAME: Ink = Ink(0x99, 0x99, 0x99);
const GRID: Ink = Ink(0xe2, 0xe2, 0xe2);
const FINE_GRID: Ink = Ink(0xf1, 0xf1, 0xf1);
const NOUGHT: Ink = Ink(0xb0, 0xb0, 0xb0);

/// Colours that most colour-blind readers tell apart: M. Okabe and K. Ito,
/// "Color universal design", 2008 (from memory), less the yellow, which is
/// too pale on white.
const COLOURS: [Ink; 7] = [
    Ink(0x00, 0x72, 0xb2),
    Ink(0xd5, 0x5e, 0x00),
    Ink(0x00, 0x9e, 0x73),
    Ink(0xcc, 0x79, 0xa7),
    Ink(0x00, 0x00, 0x00),
    Ink(0xe6, 0x9f, 0x00),
    Ink(0x56, 0xb4, 0xe9),
];

/// A panel: its axis, and its curves with their place in the whole list.
type Panel<'a> = (Axis, Vec<(usize, &'a Trace)>);

fn draw(title: &str, across: &Axis, points: &[f64], traces: &[Trace], marks: &[Mark]) -> String {
    draw_panels(title, across, points, traces, marks, Scale::ByUnit)
}

fn draw_panels(
    title: &str,
    across: &Axis,
    points: &[f64],
    traces: &[Trace],
    marks: &[Mark],
    scale: Scale,
) -> String {
    let panels = panels(traces, scale);
    let tall = if panels.len() > 1 { PANEL } else { ONLY_PANEL };
    let head = ABOVE + if title.is_empty() { 0.0 } else { TITLE };
    let count = panels.len() as f64;
    let height = head + count * tall + (count - 1.0) * BETWEEN + BELOW;

    let labels = panels.iter().flat_map(|(axis, _)| axis.labels());
    let left = 42.0 + wide(labels.map(|l| l.chars().count()).max().unwrap_or(0));
    let names = traces.iter().map(|t| shown(&t.name).chars().count()).max();
    let right = WIDTH - 34.0 - SAMPLE - wide(names.unwrap_or(0));

    picture(WIDTH, height, |sheet| {
        let size = 1.25 * LETTERS;
        let most = (WIDTH / (size * LETTER)) as usize;
        let at = (0.5 * (left + right), ABOVE);
        sheet.text(at, size, &cut(title, most), INK, Anchor::Under);
        for (n, (axis, curves)) in panels.iter().enumerate() {
            let top = head + n as f64 * (tall + BETWEEN);
            let frame = Frame {
                left,
                right,
                top,
                bottom: top + tall,
            };
            frame.grid(sheet, across, axis, n + 1 == panels.len());
            for &(which, trace) in curves {
                let ink = of_name(traces, which);
                frame.curve(sheet, across, axis, points, ink, trace);
            }
            for mark in marks {
                if curves.iter().any(|c| c.0 == mark.trace) {
                    frame.mark(sheet, across, axis, of_name(traces, mark.trace), mark);
                }
            }
            frame.legend(sheet, traces, curves);
        }
    })
}

/// A name keeps its colour on every panel: that of the first curve so called.
fn of_name(traces: &[Trace], which: usize) -> usize {
    let mut names: Vec<&str> = Vec::new();
    for trace in &traces[..=which] {
        if !names.contains(&trace.name.as_str()) {
            names.push(&trace.name);
        }
    }
    let own = &traces[which].name;
    names.iter().position(|n| n == own).unwrap_or(which)
}

/// The curves by unit, in the order in which the units first come.
fn panels(traces: &[Trace], scale: Scale) -> Vec<Panel<'_>> {
    let mut groups: Vec<Vec<(usize, &Trace)>> = Vec::new();
    for (which, trace) in traces.iter().enumerate() {
        match groups.iter_mut().find(|g| g[0].1.unit == trace.unit) {
            Some(group) => group.push((which, trace)),
            None => groups.push(vec![(which, trace)]),
        }
    }
    if groups.is_empty() {
        groups.push(Vec::new());
    }
    let tall = if groups.len() > 1 { PANEL } else { ONLY_PANEL };
    groups
        .into_iter()
        .map(|group| (upright(&group, tall, scale), group))
        .collect()
}

/// The upright axis of a panel.
fn upright(curves: &[(usize, &Trace)], tall: f64, scale: Scale) -> Axis {
    let unit = curves.first().map_or("", |(_, t)| t.unit.as_str());
    let values = curves.iter().flat_map(|(_, t)| t.values.iter().copied());
    let (mut low, high) = axis::extent(values);
    let quantity = match unit {
        "V" => "voltage",
        "A" => "current",
        "W" => "power",
        "dB" => "level",
        "deg" => "phase",
        "s" => "group delay",
        "ohm" => "impedance",
        "V/√Hz" => "noise density",
        "V rms" | "A rms" | "W rms" => "output",
        "%" => "distortion",
        _ => "",
    };
    if matches!(unit, "ohm" | "V/√Hz") || scale == Scale::Decades {
        // What spans decades is drawn in decades.
        let values = curves.iter().flat_map(|(_, t)| t.values.iter().copied());
        let (low, high) = axis::extent(values.filter(|&v| v > 0.0));
        let margin = fun::pow(high / low.max(high * 1e-12), 0.05).max(1.05);
        return Axis::decades(quantity, unit, low / margin, high * margin);
    }
    if unit == "dB" {
        low = low.max(high - DEPTH_DB);
    }
    let margin = 0.05 * (high - low);
    Axis::exact(quantity, unit, low - margin, high + margin, tall / 50.0)
}

/// About how wide so many letters are, px.
fn wide(letters: usize) -> f64 {
    letters as f64 * LETTERS * LETTER
}

/// A name as the legend gives it.
fn shown(name: &str) -> String {
    cut(name, LONGEST_NAME)
}

fn cut(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    text.chars().take(most - 1).chain(['…']).collect()
}

/// Where a panel's curves are drawn, px from the upper left.
#[derive(Debug, Clone, Copy)]
struct Frame {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
}

impl Frame {
    fn x(&self, across: &Axis, value: f64) -> f64 {
        self.left + across.part(value) * (self.right - self.left)
    }

    fn y(&self, axis: &Axis, value: f64) -> f64 {
        self.bottom - axis.part(value).clamp(0.0, 1.0) * (self.bottom - self.top)
    }

    /// Grid, frame and lettering; the common axis is lettered under the last panel only.
    fn grid(&self, sheet: &mut Sheet<'_>, across: &Axis, axis: &Axis, last: bool) {
        for &value in &across.fine {
            let x = self.x(across, value);
            sheet.line((x, self.top), (x, self.bottom), 1.0, FINE_GRID);
        }
        for &value in &axis.fine {
            let y = self.y(axis, value);
            sheet.line((self.left, y), (self.right, y), 1.0, FINE_GRID);
        }
        for (value, label) in &across.ticks {
            let x = self.x(across, *value);
            sheet.line((x, self.top), (x, self.bottom), 1.0, GRID);
            if last {
                sheet.text((x, self.bottom + 7.0), LETTERS, label, INK, Anchor::Under);
            }
        }
        for (value, label) in &axis.ticks {
            let y = self.y(axis, *value);
            let ink = if *value == 0.0 { NOUGHT } else { GRID };
            sheet.line((self.left, y), (self.right, y), 1.0, ink);
            sheet.text((self.left - 7.0, y), LETTERS, label, INK, Anchor::Left);
        }
        self.outline(sheet);
        let middle = 0.5 * (self.top + self.bottom);
        sheet.text((14.0, middle), LETTERS, &axis.title, INK, Anchor::Upright);
        if last {
            let under = (0.5 * (self.left + self.right), self.bottom + 28.0);
            sheet.text(under, LETTERS, &across.title, INK, Anchor::Under);
        }
    }

    fn outline(&self, sheet: &mut Sheet<'_>) {
        let corners = [
            (self.left, self.top),
            (self.right, self.top),
            (self.right, self.bottom),
            (self.left, self.bottom),
            (self.left, self.top),
        ];
        sheet.path(&corners, 1.0, FRAME);
    }

    fn curve(
        &self,
        sheet: &mut Sheet<'_>,
        across: &Axis,
        axis: &Axis,
        points: &[f64],
        which: usize,
        trace: &Trace,
    ) {
        let mut stretch: Vec<(f64, f64)> = Vec::new();
        let mut put = |stretch: &mut Vec<(f64, f64)>| {
            match stretch[..] {
                [] => {}
                [(x, y)] => sheet.dot((x, y), 2.5, colour(which)),
                _ => pen(sheet, &thinned(stretch), 1.6, which),
            }
            stretch.clear();
        };
        for (&point, &value) in points.iter().zip(&trace.values) {
            if axis.part(value).is_finite() && across.part(point).is_finite() {
                stretch.push((self.x(across, point), self.y(axis, value)));
            } else {
                put(&mut stretch);
            }
        }
        put(&mut stretch);
    }

    /// A dot and its word; nothing where it lies outside.
    fn mark(&self, sheet: &mut Sheet<'_>, across: &Axis, axis: &Axis, ink: usize, mark: &Mark) {
        let (along, up) = (across.part(mark.at), axis.part(mark.value));
        if !((0.0..=1.0).contains(&along) && (0.0..=1.0).contains(&up)) {
            return;
        }
        let (x, y) = (self.x(across, mark.at), self.y(axis, mark.value));
        sheet.dot((x, y), 3.0, colour(ink));
        let half = 0.5 * wide(mark.label.chars().count());
        let (at, anchor) = match mark.side {
            Side::Above => {
                // Kept inside the frame.
                let x = x.clamp(self.left + half + 4.0, self.right - half - 4.0);
                let above = y - LETTERS - 7.0;
                let y = if above < self.top { y + 7.0 } else { above };
                ((x, y), Anchor::Under)
            }
            Side::Right => ((x + 8.0, y + 10.0), Anchor::Right),
            Side::Left => ((x - 8.0, y + 10.0), Anchor::Left),
        };
        sheet.text(at, LETTERS, &mark.label, INK, anchor);
    }

    fn legend(&self, sheet: &mut Sheet<'_>, traces: &[Trace], curves: &[(usize, &Trace)]) {
        let pitch = (1.6 * LETTERS).min((self.bottom - self.top) / curves.len().max(1) as f64);
        for (n, &(which, trace)) in curves.iter().enumerate() {
            let y = self.top + 10.0 + n as f64 * pitch;
            let x = self.right + 12.0;
            let sample = [(x, y), (x + SAMPLE, y)];
            pen(sheet, &sample, 2.2, of_name(traces, which));
            let beside = (x + SAMPLE + 7.0, y);
            sheet.text(beside, LETTERS, &shown(&trace.name), INK, Anchor::Right);
        }
    }
}

fn colour(which: usize) -> Ink {
    COLOURS[which % COLOURS.len()]
}

/// Length of a dash and of the gap after it, px.
const DASH: f64 = 5.0;

/// Draws a curve in its colour; past the last colour they come again, dashed.
fn pen(sheet: &mut Sheet<'_>, points: &[(f64, f64)], width: f64, which: usize) {
    if (which / COLOURS.len()).is_multiple_of(2) {
        return sheet.path(points, width, colour(which));
    }
    let mut along = 0.0;
    let mut dash = vec![points[0]];
    for pair in points.windows(2) {
        let (from, to) = (pair[0], pair[1]);
        let (right, down) = (to.0 - from.0, to.1 - from.1);
        let length = (right * right + down * down).sqrt();
        let mut gone = 0.0;
        while gone < length {
            let step = (DASH - along).min(length - gone);
            gone += step;
            along += step;
            let part = gone / length;
            let here = (from.0 + part * right, from.1 + part * down);
            if !dash.is_empty() {
                dash.push(here);
            }
            if along >= DASH {
                along = 0.0;
                if dash.is_empty() {
                    dash.push(here);
                } else {
                    sheet.path(&dash, width, colour(which));
                    dash.clear();
                }
            }
        }
    }
    if dash.len() > 1 {
        sheet.path(&dash, width, colour(which));
    }
}

/// The same line with, in each column of a quarter pixel, no more than the first, the
/// lowest, the highest and the last point: a million points look no better.
fn thinned(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let column = |p: &(f64, f64)| (p.0 * 4.0).floor();
    let mut kept = Vec::new();
    for group in points.chunk_by(|a, b| column(a) == column(b)) {
        let by_height = |a: &usize, b: &usize| group[*a].1.total_cmp(&group[*b].1);
        let all = || 0..group.len();
        let low = all().min_by(by_height).unwrap_or(0);
        let high = all().max_by(by_height).unwrap_or(0);
        let mut which = [0, low, high, group.len() - 1];
        which.sort_unstable();
        for (n, &i) in which.iter().enumerate() {
            if n == 0 || which[n - 1] != i {
                kept.push(group[i]);
            }
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sine(scale: f64, length: usize) -> Vec<f64> {
        let turn = std::f64::consts::TAU / 96.0;
        (0..length)
            .map(|n| scale * (turn * n as f64).sin())
            .collect()
    }

    fn times(length: usize) -> Vec<f64> {
        (0..length).map(|n| n as f64 / 96_000.0).collect()
    }

    #[test]
    fn each_unit_has_a_panel_and_each_curve_a_name() {
        let traces = [
            Trace::of_probe("v(plate)", sine(80.0, 500)),
            Trace::of_probe("i(R1)", sine(2e-3, 500)),
            Trace::of_probe("V(in,<&\"0>)", sine(1.0, 500)),
        ];
        let picture = waveforms("A stage", &times(500), &traces);
        for words in ["voltage (V)", "current (mA)", "time (ms)", "A stage"] {
            assert!(picture.contains(words), "{words}");
        }
        assert!(picture.contains("V(in,&lt;&amp;&quot;0&gt;)"));
        assert!(picture.ends_with("</svg>\n"));
        assert_eq!(picture, waveforms("A stage", &times(500), &traces));
    }

    #[test]
    fn gaps_and_odd_values_are_left_out() {
        let mut values = sine(1.0, 100);
        values[10] = f64::NAN;
        values[12] = f64::INFINITY;
        values[20] = f64::NEG_INFINITY;
        let picture = waveforms("", &times(100), &[Trace::new("x", "", values)]);
        assert!(!picture.contains("NaN") && !picture.contains("inf"));
        // Four stretches: three lines and the one point between two gaps.
        assert_eq!(picture.matches("<circle").count(), 1);
        let lines = picture.matches("stroke=\"#0072B2\"").count();
        assert_eq!(lines, 3 + 1, "three stretches and the sample in the legend");
    }

    #[test]
    fn nothing_to_draw_is_no_panic() {
        waveforms("", &[], &[]);
        waveforms("x", &[0.0], &[Trace::new("", "V", vec![])]);
        spectrum("x", &[], &[]);
        spectrum("x", &[0.0, -1.0], &[Trace::new("y", "dB", vec![0.0, 1.0])]);
        spectrum("x", &[1e3], &[Trace::new("y", "dB", vec![-3.0])]);
        let many: Vec<Trace> = (0..40)
            .map(|n| {
                Trace::new(
                    "a name far too long for any legend to hold",
                    "V",
                    sine(f64::from(n), 50),
                )
            })
            .collect();
        waveforms(&"title ".repeat(99), &times(50), &many);
    }

    #[test]
    fn a_long_run_makes_no_long_picture_and_keeps_its_peaks() {
        let mut values = vec![0.0; 1_000_000];
        values[123_456] = 10.0;
        let times = times(values.len());
        let picture = waveforms("", &times, &[Trace::new("v(x)", "V", values)]);
        assert!(picture.len() < 300_000, "{} bytes", picture.len());
        let spike = thinned(&[(0.0, 0.0), (0.1, 5.0), (0.2, -5.0), (0.21, 1.0), (0.9, 2.0)]);
        assert_eq!(
            spike,
            [(0.0, 0.0), (0.1, 5.0), (0.2, -5.0), (0.21, 1.0), (0.9, 2.0)]
        );
    }

    #[test]
    fn a_deep_notch_does_not_press_the_rest_flat() {
        let values = vec![0.0, -3.0, -900.0, -3.0];
        let frequencies = [10.0, 100.0, 1000.0, 1e4];
        let picture = spectrum("", &frequencies, &[Trace::new("v(out)", "dB", values)]);
        assert!(!picture.contains("\u{2212}200"), "{picture}");
        assert!(picture.contains("\u{2212}150"), "{picture}");
    }
}
