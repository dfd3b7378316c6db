//! The plane of a valve's characteristics: plate current over plate volts.

use crate::report::svg::{Svg, points};

/// The lines and the lettering of plate current over plate volts on a field `x0, y0, x1, y1`;
/// `volts` and `milliamperes` letter a part of an axis, and `above` is how far over the field the
/// current's name stands. Of the ten steps of current every other is lettered, from the `first`:
/// 1 where zero is in the middle.
pub fn plane(
    svg: &mut Svg,
    (x0, y0, x1, y1): (f64, f64, f64, f64),
    above: f64,
    first: usize,
    volts: impl Fn(f64) -> String,
    milliamperes: impl Fn(f64) -> String,
) {
    for k in 0..=10usize {
        let part = k as f64 / 10.0;
        let (x, y) = (x0 + (x1 - x0) * part, y1 - (y1 - y0) * part);
        for (a, b) in [((x, y0), (x, y1)), ((x0, y), (x1, y))] {
            svg.element(
                "polyline",
                &[("class", "grid"), ("points", &points([a, b]))],
            );
        }
        if k % 2 == 0 {
            svg.words("", "middle", (x, y1 + 20.0), &volts(part));
        }
        if k % 2 == first {
            svg.words("", "end", (x0 - 8.0, y + 4.0), &milliamperes(part));
        }
    }
    let middle = ((x0 + x1) / 2.0, y1 + 42.0);
    svg.words("", "middle", middle, "plate against cathode, V");
    let corner = (x0 - 60.0, y0 - above);
    svg.words("", "start", corner, "plate current, mA");
    let frame = points([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]);
    svg.element("polyline", &[("class", "frame"), ("points", &frame)]);
}

/// The part of a line that lies within the field, cut at its edges.
pub fn clipped(list: &[(f64, f64)], volts: f64, amperes: f64) -> Vec<(f64, f64)> {
    let inside = |p: (f64, f64)| p.0 <= volts && p.1 <= amperes && p.0 >= 0.0 && p.1 >= 0.0;
    let mut kept = Vec::new();
    for pair in list.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        // Where a run leaves or enters: by halves, which is exact enough for a picture.
        let cut = |mut good: (f64, f64), mut bad: (f64, f64)| {
            for _ in 0..30 {
                let middle = ((good.0 + bad.0) / 2.0, (good.1 + bad.1) / 2.0);
                if inside(middle) {
                    good = middle;
                } else {
                    bad = middle;
                }
            }
            good
        };
        match (inside(a), inside(b)) {
            (true, true) => {
                if kept.is_empty() {
                    kept.push(a);
                }
                kept.push(b);
            }
            (true, false) => {
                if kept.is_empty() {
                    kept.push(a);
                }
                kept.push(cut(a, b));
                return kept;
            }
            (false, true) => {
                kept.push(cut(b, a));
                kept.push(b);
            }
            (false, false) => {}
        }
    }
    kept
}
