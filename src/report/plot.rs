//! Pictures of results, as SVG text.
//!
//! Curves of different units get panels of their own, one above the other over
//! a common axis. Lettering is left to the viewer's fonts, so none come along.

mod axis;
mod bars;
mod frame;
mod labels;
mod sheet;
mod style;
mod trace;

use crate::math::fun;
use axis::Axis;
pub use bars::bars;
use frame::Frame;
use sheet::{Anchor, picture};
use style::{
    ABOVE, BELOW, BETWEEN, CAUTION, DEPTH_DB, INK, LETTER, LETTERS, ONLY_PANEL, PANEL, SAMPLE,
    TITLE, TITLE_PITCH, TITLE_SIZE, WIDTH, longest, shown, titled, wide,
};
pub use trace::{Mark, Side, Trace};

/// Curves over time (s). A curve that would be a flat line beside the others, such as hum beside
/// 400 V, has a panel of its own.
pub fn waveforms(title: &str, times_s: &[f64], traces: &[Trace]) -> String {
    let (low, high) = axis::extent(times_s.iter().copied());
    let across = Axis::exact("time", "s", low, high, WIDTH / 90.0);
    draw_panels(title, &across, times_s, traces, &[], Scale::Apart)
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
    /// The same, and curves of very different swing have panels of their own.
    Apart,
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

/// Curves over any quantity in a unit, or in none; it runs in decades where it spans more than one and a half.
pub fn against(
    title: &str,
    (quantity, unit): (&str, &str),
    places: &[f64],
    traces: &[Trace],
) -> String {
    let (low, high) = axis::extent(places.iter().copied());
    let least = places.iter().copied().fold(f64::INFINITY, f64::min);
    let across = if least > 0.0 && high / low > 32.0 {
        Axis::decades(quantity, unit, least, high)
    } else {
        Axis::exact(quantity, unit, low, high, WIDTH / 90.0)
    };
    draw_panels(title, &across, places, traces, &[], Scale::Apart)
}

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
    let least = if panels.len() > 1 { PANEL } else { ONLY_PANEL };
    // A panel is as tall as its legend.
    let tall = |curves: &[(usize, &Trace)]| {
        let named = curves.iter().take(frame::LEGEND);
        let lines: usize = named.map(|(_, trace)| shown(&trace.name).len()).sum();
        least.max(lines as f64 * frame::LEAST_PITCH + LETTERS)
    };
    let count = panels.len() as f64;
    let talls: f64 = panels.iter().map(|p| tall(&p.1)).sum();
    let labels = panels.iter().flat_map(|(axis, _)| axis.labels());
    let left = 42.0 + wide(labels.map(|l| l.chars().count()).max().unwrap_or(0));
    let names = longest(traces.iter().map(|t| t.name.as_str()));
    let right = WIDTH - 34.0 - SAMPLE - names;

    // Centred over the panels, within the picture.
    let middle = 0.5 * (left + right);
    let most = (2.0 * middle.min(WIDTH - middle) / (TITLE_SIZE * LETTER)) as usize;
    let lines = titled(title, most);
    let head = ABOVE
        + match lines.len() {
            0 => 0.0,
            n => TITLE + (n - 1) as f64 * TITLE_PITCH,
        };
    let height = head + talls + (count - 1.0) * BETWEEN + BELOW + CAUTION;

    picture(title, WIDTH, height, |sheet| {
        for (k, line) in lines.iter().enumerate() {
            let at = (middle, ABOVE + k as f64 * TITLE_PITCH);
            sheet.text(at, TITLE_SIZE, line, INK, Anchor::Under);
        }
        let mut top = head;
        for (n, (axis, curves)) in panels.iter().enumerate() {
            let bottom = top + tall(curves);
            let frame = Frame {
                left,
                right,
                top,
                bottom,
            };
            frame.grid(sheet, across, axis, n + 1 == panels.len());
            let axes = (across, axis);
            frame.contents(sheet, axes, points, (traces, curves), marks);
            frame.legend(sheet, traces, curves);
            top = bottom + BETWEEN;
        }
        sheet.caution((left, height - 0.7 * CAUTION), WIDTH - left - 10.0);
    })
}

/// The curves by unit and quantity, in the order in which these first come.
fn panels(traces: &[Trace], scale: Scale) -> Vec<Panel<'_>> {
    let mut groups: Vec<Vec<(usize, &Trace)>> = Vec::new();
    for (which, trace) in traces.iter().enumerate() {
        let alike = |g: &&mut Vec<(usize, &Trace)>| {
            g[0].1.unit == trace.unit && g[0].1.quantity == trace.quantity
        };
        let full = groups.len() >= MOST_PANELS;
        let found = groups
            .iter_mut()
            .filter(alike)
            .find(|g| full || scale != Scale::Apart || share_a_scale(g, trace));
        match found {
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

/// More panels than this are not opened for the sake of small swings.
const MOST_PANELS: usize = 8;
/// On a panel this many times its swing a curve is a flat line.
const FLAT: f64 = 30.0;

/// Whether a curve and those of a panel can all be read on one axis.
fn share_a_scale(group: &[(usize, &Trace)], trace: &Trace) -> bool {
    let extents = group
        .iter()
        .map(|(_, t)| *t)
        .chain([trace])
        .filter_map(|t| {
            let finite = t.values.iter().copied().filter(|v| v.is_finite());
            let low = finite.clone().fold(f64::INFINITY, f64::min);
            let high = finite.fold(f64::NEG_INFINITY, f64::max);
            (low <= high).then_some((low, high))
        });
    let extents: Vec<(f64, f64)> = extents.collect();
    let low = extents.iter().map(|e| e.0).fold(f64::INFINITY, f64::min);
    let high = extents
        .iter()
        .map(|e| e.1)
        .fold(f64::NEG_INFINITY, f64::max);
    // What does not move has nothing to show.
    let moves = |&&(low, high): &&(f64, f64)| high - low > 1e-6 * low.abs().max(high.abs());
    let least = extents.iter().filter(moves).map(|e| e.1 - e.0);
    let least = least.fold(f64::INFINITY, f64::min);
    extents.is_empty() || high - low <= FLAT * least
}

/// The upright axis of a panel.
fn upright(curves: &[(usize, &Trace)], tall: f64, scale: Scale) -> Axis {
    let unit = curves.first().map_or("", |(_, t)| t.unit.as_str());
    let values = curves.iter().flat_map(|(_, t)| t.values.iter().copied());
    let (mut low, mut high) = axis::extent(values);
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
    let quantity = match curves.first().map(|(_, t)| t.quantity.as_str()) {
        Some("") | None => quantity,
        Some(own) => own,
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
    // A rating is shown where it does not press the curves flat.
    for rating in curves.iter().filter_map(|(_, t)| t.rating) {
        if rating > high && rating <= 3.0 * high {
            high = rating;
        }
    }
    let margin = 0.05 * (high - low);
    Axis::exact(quantity, unit, low - margin, high + margin, tall / 50.0)
}

#[cfg(test)]
mod tests {
    use super::frame::thinned;
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

    /// Fixed bugs: capitals ran off the sheet, and a variant changed its colour from panel to panel.
    #[test]
    fn names_fit_and_a_family_has_one_colour() {
        let name = "BRIGHT1=0, MIDSW=0, XTREB=2";
        let traces = [
            Trace::new(name, "V", vec![1.0, 2.0]).in_family("47k"),
            Trace::new("other", "V", vec![1.0, 3.0]).in_family("100k"),
            Trace::new("third", "W", vec![1.0, 2.0]).in_family("47k"),
        ];
        let picture = against("", ("RK", "ohm"), &[470.0, 1000.0], &traces);
        assert_eq!(of_family(&traces), [0, 1, 0]);
        assert!(picture.contains("RK (kΩ)") && picture.contains("Caution: hundreds of volts"));
        let at = picture.find(name).expect("in the legend");
        let x = picture[..at].rfind("<text x=\"").expect("a place") + 9;
        let x: f64 = picture[x..]
            .split('"')
            .next()
            .expect("a number")
            .parse()
            .expect("px");
        // About 7.9 px a letter in the widest of the usual fonts.
        assert!(x + 7.9 * name.len() as f64 <= WIDTH, "begins at {x}");
    }

    fn of_family(traces: &[Trace]) -> Vec<usize> {
        (0..traces.len())
            .map(|k| trace::of_name(traces, k))
            .collect()
    }

    /// A fixed weakness: up to seven curves were solid lines, and a print in black showed none apart.
    #[test]
    fn curves_are_told_apart_without_colours() {
        let traces: Vec<Trace> = (0..9)
            .map(|n| Trace::new(format!("curve {n}"), "V", vec![1.0, f64::from(n)]))
            .collect();
        let picture = against("", ("RK", "ohm"), &[470.0, 1000.0], &traces);
        let looks: Vec<(&str, &str)> = traces
            .iter()
            .map(|trace| {
                // The sample stands right before its name in the legend.
                let name = picture.find(&format!(">{}<", trace.name)).expect("a name");
                let sample = &picture[picture[..name].rfind("<polyline").expect("a sample")..name];
                let of = |key: &str| {
                    let value = sample.split(&format!(" {key}=\"")).nth(1);
                    value.map_or("", |v| v.split('"').next().unwrap_or(""))
                };
                (of("stroke"), of("stroke-dasharray"))
            })
            .collect();
        for (k, look) in looks.iter().enumerate() {
            assert!(!looks[..k].contains(look), "{look:?} twice in {looks:?}");
            let alike = looks[..k.min(7)].iter().any(|l| l.1 == look.1);
            assert!(k >= 7 || !alike, "only colours tell {k} apart: {looks:?}");
        }
    }

    /// Hum on a supply is seen, whatever else is on the screen.
    #[test]
    fn a_small_swing_has_an_axis_of_its_own() {
        let hum: Vec<f64> = sine(2.0, 500).into_iter().map(|v| 400.0 + v).collect();
        let plate: Vec<f64> = sine(60.0, 500).into_iter().map(|v| 150.0 + v).collect();
        let traces = [
            Trace::of_probe("v(b)", hum),
            Trace::of_probe("v(plate)", plate),
            Trace::of_probe("v(flat)", vec![100.0; 500]),
            Trace::of_probe("v(tiny)", sine(1e-3, 500)),
        ];
        let groups: Vec<Vec<usize>> = panels(&traces, Scale::Apart)
            .into_iter()
            .map(|(_, curves)| curves.iter().map(|c| c.0).collect())
            .collect();
        assert_eq!(groups, [vec![0], vec![1, 2], vec![3]]);
        assert_eq!(panels(&traces, Scale::ByUnit).len(), 1);
    }

    #[test]
    fn a_rating_is_a_line_with_a_word() {
        let trace = |rating| Trace::new("plate", "W", vec![8.0, 11.0]).dotted(rating);
        let picture = against("", ("RK", "ohm"), &[470.0, 220.0], &[trace(Some(14.0))]);
        assert!(picture.contains("limit 14.0 W"), "{picture}");
        assert_eq!(
            picture.matches("<circle").count(),
            2,
            "a dot for each value"
        );
        let far = against("", ("RK", "ohm"), &[470.0, 220.0], &[trace(Some(140.0))]);
        assert!(!far.contains("limit"), "it would press the curve flat");
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
        let lines = picture.matches(" stroke=\"#0072B2\"").count();
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
