//! The picture of `fit`: readings over the curves of the valve and of its type.

use super::super::plane::{clipped, plane};
use super::given::Findings;
use crate::fit::bottle::{Bottle, State};
use crate::measure::load_line::round_up;
use crate::num;
use crate::report::svg::{Svg, length, points};

/// Size of the sheet and the field of the plot on it.
const SIZE: (f64, f64) = (900.0, 660.0);
const FIELD: (f64, f64, f64, f64) = (80.0, 76.0, 810.0, 540.0);
/// Points of a curve.
const POINTS: usize = 120;
/// Curves at most.
const MOST: usize = 12;
/// Part of the screen volts that a reading may differ by and still lie on the curves.
const NEAR: f64 = 0.02;
/// How far apart the letterings of two curves stand, to the side and in height.
const APART: (f64, f64) = (40.0, 11.0);

const STYLE: &str = "\
svg{color:#000;background:#fff}
.paper{fill:#fff}
text{font-family:'Liberation Sans',Arial,Helvetica,sans-serif;font-size:13px;fill:currentColor}
.title{font-size:18px}
.small{font-size:11px}
.grid{fill:none;stroke:#ccc;stroke-width:.7}
.frame{fill:none;stroke:currentColor;stroke-width:1}
.band{fill:#0b57a4;fill-opacity:.16;stroke:none}
.own{fill:none;stroke:#0b57a4;stroke-width:1.8}
.type{fill:none;stroke:#777;stroke-width:1.2;stroke-dasharray:5 4}
.read{fill:#fff;stroke:#b3261e;stroke-width:1.8}
.out{fill:none;stroke:#b3261e;stroke-width:1.8}
.other{fill:#b3261e;fill-opacity:.35;stroke:none}
@media (prefers-color-scheme:dark){
svg{color:#e8e8e8;background:#16181c}
.paper{fill:#16181c}
.grid{stroke:#3a3d44}
.band{fill:#7db7ff}
.own{stroke:#7db7ff}
.type{stroke:#999}
.read{fill:#16181c;stroke:#ff8a80}
.out{stroke:#ff8a80}
.other{fill:#ff8a80}
}
";

/// The whole picture.
pub(super) fn plot(findings: &Findings<'_>) -> String {
    let found = &findings.found;
    let screen = screen(findings);
    let grids = grids(findings);
    let mine = found.bottle();
    let typical = Bottle::new(findings.found.frame().kind, &findings.found.frame().values);
    let readings = || found.judged.iter().map(|j| &j.reading);
    let most_v = readings().fold(0.0, |m: f64, r| m.max(r.state.vpk));
    let most_i = readings().fold(0.0, |m: f64, r| m.max(r.plate));
    let (volts, amperes) = (round_up(1.15 * most_v), round_up(1.2 * most_i.max(1e-6)));
    let title = format!(
        "{}: one {}, as measured",
        findings.name, findings.valve.name
    );
    let mut svg = Svg::new(SIZE.0, SIZE.1, &title, STYLE);
    let (w, h) = (length(SIZE.0), length(SIZE.1));
    svg.element("rect", &[("class", "paper"), ("width", &w), ("height", &h)]);
    let (x0, y0, x1, y1) = FIELD;
    let place = |v: f64, i: f64| (x0 + (x1 - x0) * v / volts, y1 - (y1 - y0) * i / amperes);
    svg.words("title", "start", (x0, 34.0), &title);
    if let Some(v) = screen {
        let words = format!("curves with the screen at {}", num::engineering(v, "V", 3));
        svg.words("small", "end", (x1, 34.0), &words);
    }
    let along = |part: f64| axis(part * volts);
    let up = |part: f64| axis(1e3 * part * amperes);
    plane(&mut svg, FIELD, 12.0, 0, along, up);
    let state = |vgk: f64, k: usize| State {
        vpk: volts * k as f64 / POINTS as f64,
        vg2k: screen.unwrap_or(f64::NAN),
        vgk,
    };
    let inside = |list: Vec<(f64, f64)>| -> Vec<(f64, f64)> {
        let seen = clipped(&list, volts, amperes).into_iter();
        seen.map(|(v, i)| place(v, i)).collect()
    };
    let mut labels = Vec::new();
    for &vgk in &grids {
        let curve = |b: &Bottle| {
            let at = |k: usize| (state(vgk, k).vpk, b.at(state(vgk, k))[0]);
            inside((0..=POINTS).map(at).collect())
        };
        // Upwards along the upper edge, back along the lower one.
        let band = (0..=POINTS / 3).map(|k| {
            let s = state(vgk, 3 * k);
            let (low, high) = found.current(s).1;
            (s.vpk, low.max(0.0), high)
        });
        let band: Vec<(f64, f64, f64)> = band.take_while(|b| b.1 <= amperes).collect();
        let edge = |v: f64, i: f64| place(v, i.clamp(0.0, amperes));
        let there = band.iter().map(|b| edge(b.0, b.2));
        let back = band.iter().rev().map(|b| edge(b.0, b.1));
        let outline = points(there.chain(back));
        svg.element("polygon", &[("class", "band"), ("points", &outline)]);
        let theirs = curve(&typical);
        svg.element(
            "polyline",
            &[("class", "type"), ("points", &points(theirs))],
        );
        let own = curve(&mine);
        labels.extend(own.last().map(|&end| (end, vgk)));
        svg.element("polyline", &[("class", "own"), ("points", &points(own))]);
    }
    // From the highest grid down: where the curves crowd, only some are lettered.
    let mut last = (f64::INFINITY, f64::INFINITY);
    for ((x, y), vgk) in labels.into_iter().rev() {
        if (x - last.0).abs() < APART.0 && (y - last.1).abs() < APART.1 {
            continue;
        }
        last = (x, y);
        let label = format!("{} V", num::full((vgk * 100.0).round() / 100.0 + 0.0));
        if x > x1 - 1.0 {
            svg.words("small", "start", (x + 5.0, y + 4.0), &label);
        } else {
            svg.words("small", "middle", (x, (y - 6.0).max(y0 - 3.0)), &label);
        }
    }
    // A reading at other screen volts belongs to none of the curves.
    let elsewhere =
        |vg2k: f64| screen.is_some_and(|drawn| (vg2k - drawn).abs() >= NEAR * drawn.abs());
    let mut others = false;
    for j in found.judged.iter().filter(|j| !j.aside) {
        let (x, y) = place(j.reading.state.vpk, j.reading.plate);
        if j.left_out {
            for slant in [-4.0, 4.0] {
                let cross = points([(x - 4.0, y - slant), (x + 4.0, y + slant)]);
                svg.element("polyline", &[("class", "out"), ("points", &cross)]);
            }
            continue;
        }
        let (x, y) = (length(x), length(y));
        let is_other = elsewhere(j.reading.state.vg2k);
        let class = if is_other { "other" } else { "read" };
        others |= is_other;
        svg.element(
            "circle",
            &[("class", class), ("cx", &x), ("cy", &y), ("r", "3.6")],
        );
    }
    let mut key = vec![
        ("own", "this valve, 90 % band"),
        ("type", "the type"),
        ("read", "reading (a cross: left out)"),
    ];
    if others {
        key.push(("other", "reading at other screen volts"));
    }
    let mut x = x0;
    for (class, words) in key {
        if matches!(class, "read" | "other") {
            let cx = length(x + 13.0);
            svg.element(
                "circle",
                &[("class", class), ("cx", &cx), ("cy", "600"), ("r", "3.6")],
            );
        } else {
            let line = points([(x, 600.0), (x + 26.0, 600.0)]);
            svg.element("polyline", &[("class", class), ("points", &line)]);
        }
        svg.words("small", "start", (x + 31.0, 604.0), words);
        x += 60.0 + 6.2 * words.len() as f64;
    }
    let caution = "Readings of this one valve; it ages. Hundreds of volts stand at the plate, also after switch-off: \
                   discharge and measure first.";
    svg.words("small", "start", (x0, 632.0), caution);
    svg.finish()
}

/// A number as an axis shows it, without zeros behind the point.
fn axis(value: f64) -> String {
    let digits = format!("{value:.4}");
    digits
        .trim_end_matches('0')
        .trim_end_matches('.')
        .to_string()
}

/// The screen volts that most readings have.
fn screen(findings: &Findings<'_>) -> Option<f64> {
    let all = || findings.found.judged.iter().map(|j| j.reading.state.vg2k);
    let near = |v: f64| all().filter(|w| (w - v).abs() < NEAR * v).count();
    all()
        .filter(|v| v.is_finite())
        .max_by(|a, b| near(*a).cmp(&near(*b)).then(b.total_cmp(a)))
}

/// The grid volts that curves are drawn of: those read, thinned out where there are many.
fn grids(findings: &Findings<'_>) -> Vec<f64> {
    let mut grids: Vec<f64> = findings
        .found
        .judged
        .iter()
        .map(|j| j.reading.state.vgk)
        .collect();
    grids.sort_by(f64::total_cmp);
    let span = grids.last().unwrap_or(&0.0) - grids.first().unwrap_or(&0.0);
    grids.dedup_by(|a, b| (*a - *b).abs() <= 0.02 * span);
    if grids.len() > MOST {
        let step = (grids.len() - 1) as f64 / (MOST - 1) as f64;
        grids = (0..MOST)
            .map(|k| grids[(k as f64 * step).round() as usize])
            .collect();
    }
    grids
}
