//! The plot of `curves`: plate current over plate volts.

use super::super::plane::{clipped, plane};
use super::findings::{CAUTION, Findings, line};
use crate::num;
use crate::report::lettering::breadth;
use crate::report::svg::{Svg, length, points};
use crate::report::table::broken;

/// Size of the sheet and the field of the plot on it.
const SIZE: (f64, f64) = (900.0, 660.0);
const FIELD: (f64, f64, f64, f64) = (80.0, 70.0, 830.0, 520.0);

pub const STYLE: &str = "\
svg{color:#000;background:#fff}
.paper{fill:#fff}
text{font-family:'Liberation Sans',Arial,Helvetica,sans-serif;font-size:13px;fill:currentColor}
.title{font-size:18px}
.small{font-size:11px;paint-order:stroke;stroke:#fff;stroke-width:3px}
.grid{fill:none;stroke:#ccc;stroke-width:.7}
.frame{fill:none;stroke:currentColor;stroke-width:1}
.curve{fill:none;stroke:#555;stroke-width:1.2}
.own{fill:none;stroke:#999;stroke-width:.8}
.composite{fill:none;stroke:currentColor;stroke-width:1.6}
.direct{fill:none;stroke:#0b57a4;stroke-width:1.8}
.signal{fill:none;stroke:#1b7f3b;stroke-width:1.8;stroke-dasharray:7 4}
.limit{fill:none;stroke:#b3261e;stroke-width:1.4;stroke-dasharray:3 3}
.path{fill:none;stroke:#b06000;stroke-width:3.4}
.point{fill:#0b57a4}
@media (prefers-color-scheme:dark){
svg{color:#e8e8e8;background:#16181c}
.paper{fill:#16181c}
.small{stroke:#16181c}
.grid{stroke:#3a3d44}
.curve{stroke:#aaa}
.own{stroke:#666}
.direct{stroke:#7db7ff}
.signal{stroke:#6fd08c}
.limit{stroke:#ff8a80}
.path{stroke:#ffb74d}
.point{fill:#7db7ff}
}
";

/// The whole plot.
pub fn plot(found: &Findings) -> String {
    let title = format!("{}: {}", found.title, found.name);
    let mut svg = Svg::new(SIZE.0, SIZE.1, &title, STYLE);
    let (w, h) = (length(SIZE.0), length(SIZE.1));
    svg.element("rect", &[("class", "paper"), ("width", &w), ("height", &h)]);
    let (x0, y0, x1, y1) = FIELD;
    let place = |v: f64, i: f64| {
        let x = x0 + (x1 - x0) * v.abs() / found.family.volts;
        let y = y1 - (y1 - y0) * i.abs() / found.family.amperes;
        (x, y)
    };
    svg.words(
        "title",
        "start",
        (x0, 32.0),
        &headline(&found.title, &found.name),
    );
    if found.has_screen {
        let screen = format!("screen {}", num::engineering(found.vsk, "V", 3));
        svg.words("small", "end", (x1, UNDER_TITLE), &screen);
    }
    let polyline = |svg: &mut Svg, class: &str, list: &[(f64, f64)]| {
        let inside: Vec<(f64, f64)> = clipped(list, found.family.volts, found.family.amperes)
            .into_iter()
            .map(|(v, i)| place(v, i))
            .collect();
        if inside.len() > 1 {
            svg.element("polyline", &[("class", class), ("points", &points(inside))]);
        }
    };
    let volts = |part: f64| num::full((1e6 * part * found.family.volts).round() / 1e6);
    let milliamperes =
        |part: f64| trimmed(&num::engineering(1e3 * part * found.family.amperes, "", 3));
    plane(&mut svg, FIELD, 10.0, 0, volts, milliamperes);
    let mut lettered = Lettered::default();
    for (curve, &vgk) in found.characteristics.iter().zip(&found.family.grids) {
        let list: Vec<(f64, f64)> = curve.iter().map(|s| (s.vpk.abs(), s.plate.abs())).collect();
        polyline(&mut svg, "curve", &list);
        // At the end of what is seen of it.
        let shown = clipped(&list, found.family.volts, found.family.amperes);
        if let (Some(&(v, i)), true) = (shown.last(), found.has_grid) {
            let (x, y) = place(v, i);
            let label = in_volts(vgk);
            if v < found.family.volts && x < FIELD.0 + 80.0 {
                // Over the field stands the name of the current there. Curves that leave it side by
                // side have their words one below the other.
                if let Some(at) = lettered.room((x + 4.0, y + 12.0), "start", &label, ROWS) {
                    svg.words("small", "start", at, &label);
                }
            } else if v < found.family.volts {
                if let Some(at) = lettered.room((x, y - 5.0), "middle", &label, 1) {
                    svg.words("small", "middle", at, &label);
                }
            } else if i > 0.02 * found.family.amperes
                && let Some(at) = lettered.room((x + 5.0, y + 4.0), "start", &label, 1)
            {
                svg.words("small", "start", at, &label);
            }
        }
    }
    let mut key: Vec<(&str, String)> = Vec::new();
    // A limit above the field would be a line in the key and none on the plot.
    if clipped(&found.limit, found.family.volts, found.family.amperes).len() > 1 {
        polyline(&mut svg, "limit", &found.limit);
        let watts = found.most_w.unwrap_or_default();
        key.push((
            "limit",
            format!("plate dissipation {}", num::engineering(watts, "W", 3)),
        ));
    }
    if let Some(most) = found.most_v.filter(|v| *v < found.family.volts) {
        polyline(
            &mut svg,
            "limit",
            &[(most, 0.0), (most, found.family.amperes)],
        );
        key.push((
            "limit",
            format!("plate volts {}", num::engineering(most, "V", 3)),
        ));
    }
    if let Some(worked) = &found.worked {
        let ohms = |v: f64| num::engineering(v, "Ω", 3);
        polyline(&mut svg, "direct", &line(found, worked.direct));
        polyline(&mut svg, "signal", &line(found, worked.signal));
        key.push(("direct", format!("load line {}", ohms(worked.direct.ohms))));
        let at = num::engineering(found.freq_hz, "Hz", 3);
        key.push((
            "signal",
            format!("signal load {} at {at}", ohms(worked.signal.ohms)),
        ));
    }
    if !found.path.is_empty() {
        let list: Vec<(f64, f64)> = found
            .path
            .iter()
            .map(|s| (s.vpk.abs(), s.plate.abs()))
            .collect();
        polyline(&mut svg, "path", &list);
        key.push(("path", "path of the sine".to_string()));
    }
    if let Some(worked) = &found.worked {
        let (x, y) = place(worked.point.vpk, worked.point.plate);
        let (x, y) = (length(x), length(y));
        svg.element(
            "circle",
            &[("class", "point"), ("cx", &x), ("cy", &y), ("r", "4.5")],
        );
    }
    self::key(&mut svg, &key, x0, 580.0);
    caution(&mut svg, CAUTION, x0, 610.0);
    svg.finish()
}

/// Height of the small words, and from one row of them to the next, px.
const SMALL: (f64, f64) = (11.0, 12.0);
/// Rows of words below each other before a curve goes without.
const ROWS: usize = 12;

/// Where the small words stand, so that none lies on another.
#[derive(Default)]
struct Lettered {
    /// Left, top, right, bottom.
    taken: Vec<[f64; 4]>,
}

impl Lettered {
    /// The first free of `rows` places from this one down, or none.
    fn room(
        &mut self,
        (x, y): (f64, f64),
        anchor: &str,
        words: &str,
        rows: usize,
    ) -> Option<(f64, f64)> {
        let wide = breadth(words, SMALL.0);
        let left = if anchor == "middle" {
            x - 0.5 * wide
        } else {
            x
        };
        (0..rows).map(|k| y + SMALL.1 * k as f64).find_map(|y| {
            let own = [left, y - SMALL.0, left + wide, y];
            let meets =
                |o: &[f64; 4]| own[0] < o[2] && o[0] < own[2] && own[1] < o[3] && o[1] < own[3];
            if self.taken.iter().any(meets) {
                return None;
            }
            self.taken.push(own);
            Some((x, y))
        })
    }
}

/// The lines of a plot and what they are, side by side from a place.
pub fn key(svg: &mut Svg, key: &[(&str, String)], mut x: f64, y: f64) {
    for (class, words) in key {
        let stroke = points([(x, y), (x + 26.0, y)]);
        svg.element("polyline", &[("class", class), ("points", &stroke)]);
        svg.words("small", "start", (x + 31.0, y + 4.0), words);
        x += 50.0 + 6.2 * words.chars().count() as f64;
    }
}

/// The caution at a plot's foot: as much of it on a line as fits.
pub fn caution(svg: &mut Svg, text: &str, x: f64, y: f64) {
    let lines = broken(text, 121);
    for (k, words) in lines.iter().enumerate() {
        svg.words("small", "start", (x, y + 14.0 * k as f64), words);
    }
}

/// Letters of the title that fit above the field: they are 18 px high, and about 0.58 of that wide.
const MOST: usize = 71;

/// The title in one line: what it is of stays whole, and what stands before it is cut.
pub(super) fn headline(title: &str, of: &str) -> String {
    let room = MOST.saturating_sub(of.chars().count() + 2);
    if title.chars().count() <= room {
        return format!("{title}: {of}");
    }
    let kept: String = title.chars().take(room.saturating_sub(1)).collect();
    format!("{}…: {of}", kept.trim_end())
}

/// The base line of words under the title.
pub const UNDER_TITLE: f64 = 50.0;

/// Grid volts beside a curve, all in the same unit.
pub fn in_volts(volts: f64) -> String {
    format!("{} V", num::full((1e4 * volts).round() / 1e4))
}

/// A number as an axis shows it, without zeros behind the point.
pub fn trimmed(text: &str) -> String {
    let (digits, tail) = match text.split_once(' ') {
        Some((digits, tail)) => (digits, format!(" {tail}")),
        None => (text, String::new()),
    };
    let digits = if digits.contains('.') {
        digits.trim_end_matches('0').trim_end_matches('.')
    } else {
        digits
    };
    format!("{digits}{tail}")
}
