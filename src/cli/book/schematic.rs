//! The schematic on paper: on one page where it can be read there, or else an overview and its
//! sheets, cut where the fewest parts are.

use crate::report::page::escaped;
use crate::report::svg::length;
use std::fmt::Write;

/// The least scale at which a drawing is read, mm a unit: its names are 10 units high.
const READABLE: f64 = 0.19;
/// The largest, so that small drawings do not fill a page.
const LARGEST: f64 = 0.32;
/// What a page has room for below its heading, mm.
const UPRIGHT: (f64, f64) = (184.0, 225.0);
const WIDE: (f64, f64) = (270.0, 158.0);

/// The drawing's pages. None if it is not a drawing of ours.
pub fn pages(svg: &str, name: &str) -> Option<String> {
    let drawing = Drawing::read(svg)?;
    let (w, h) = drawing.size;
    let mut html = format!("<style>\n{}</style>\n", drawing.style);
    let fits = |page: (f64, f64)| w * READABLE <= page.0 && h * READABLE <= page.1;
    let label = format!("role=\"img\" aria-label=\"Schematic of {}\"", escaped(name));
    for (page, class) in [(UPRIGHT, "drawing"), (WIDE, "drawing wide")] {
        if !fits(page) {
            continue;
        }
        let scale = (page.0 / w).min(page.1 / h).min(LARGEST);
        let _ = writeln!(
            html,
            "<div class=\"{class}\"><svg {label} viewBox=\"0 0 {} {}\" style=\"width:{}mm\">\
             <g id=\"scheme\">{}</g></svg></div>",
            length(w),
            length(h),
            length(w * scale),
            drawing.content
        );
        return Some(html);
    }
    let sheets = drawing.sheets();
    let scale = (UPRIGHT.0 / w).min(0.45 * UPRIGHT.1 / h);
    let _ = write!(
        html,
        "<p>Overview; the sheets {} to {} that follow can be read.</p>\n\
         <div class=\"drawing\"><svg {label} viewBox=\"0 0 {} {}\" style=\"width:{}mm\"><g id=\"scheme\">{}</g>",
        sheets[0].name,
        sheets[sheets.len() - 1].name,
        length(w),
        length(h),
        length(w * scale),
        drawing.content
    );
    let letters = 6.0 / scale;
    for s in &sheets {
        let _ = write!(
            html,
            "<rect class=\"cut\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"/>\
             <text class=\"cutname\" x=\"{}\" y=\"{}\" font-size=\"{}\">{}</text>",
            length(s.x),
            length(s.y),
            length(s.w),
            length(s.h),
            length(s.x + 0.3 * letters),
            length(s.y + letters),
            length(letters),
            s.name
        );
    }
    html += "</svg></div>\n";
    for s in &sheets {
        let scale = (WIDE.0 / s.w).min(WIDE.1 / s.h).min(LARGEST);
        let _ = write!(
            html,
            "<div class=\"drawing wide\"><h3>Schematic, sheet {}{}</h3>\n\
             <svg role=\"img\" aria-label=\"Schematic, sheet {}\" viewBox=\"{} {} {} {}\" style=\"width:{}mm\">\
             <use href=\"#scheme\"/></svg></div>\n",
            s.name,
            s.beside(&sheets),
            s.name,
            length(s.x),
            length(s.y),
            length(s.w),
            length(s.h),
            length(s.w * scale)
        );
    }
    Some(html)
}

/// A drawing taken apart.
struct Drawing<'a> {
    size: (f64, f64),
    /// Its rules, for this drawing alone and for paper.
    style: String,
    /// What stands in it.
    content: &'a str,
    /// Boxes of parts and texts: x0 y0 x1 y1.
    boxes: Vec<[f64; 4]>,
}

impl<'a> Drawing<'a> {
    fn read(svg: &'a str) -> Option<Self> {
        let (head, rest) = svg.split_once('>')?;
        let view = head.split_once("viewBox=\"0 0 ")?.1.split_once('"')?.0;
        let (w, h) = view.split_once(' ')?;
        let (rules, content) = match rest.split_once("<style>") {
            Some((_, after)) => after.split_once("</style>")?,
            None => ("", rest),
        };
        let boxes = content.split("data-box=\"").skip(1).filter_map(|after| {
            let numbers = after.split_once('"')?.0.split(' ');
            let numbers: Vec<f64> = numbers.filter_map(|n| n.parse().ok()).collect();
            numbers.try_into().ok()
        });
        Some(Drawing {
            size: (w.parse().ok()?, h.parse().ok()?),
            style: scoped(rules),
            content: content.trim().strip_suffix("</svg>")?,
            boxes: boxes.collect(),
        })
    }

    /// Cuts it into sheets.
    fn sheets(&self) -> Vec<Sheet> {
        let (w, h) = self.size;
        let rows = self.cuts(h, WIDE.1 / READABLE, (1, 3), |_| true);
        let mut sheets = Vec::new();
        for (r, row) in rows.windows(2).enumerate() {
            let (top, bottom) = (row[0], row[1]);
            let within = |b: &[f64; 4]| b[3] > top && b[1] < bottom;
            let columns = self.cuts(w, WIDE.0 / READABLE, (0, 2), within);
            for (c, column) in columns.windows(2).enumerate() {
                let letter = char::from(b'A' + (r % 26) as u8);
                sheets.push(Sheet {
                    name: format!("{letter}{}", c + 1),
                    x: column[0],
                    y: top,
                    w: column[1] - column[0],
                    h: bottom - top,
                });
            }
        }
        sheets
    }

    /// Where to cut a length into pieces of at most so much: near equal pieces, but where a cut
    /// crosses the fewest boxes. `ends` are the places of a box's ends along it.
    fn cuts(
        &self,
        whole: f64,
        most: f64,
        ends: (usize, usize),
        counts: impl Fn(&[f64; 4]) -> bool,
    ) -> Vec<f64> {
        let count = (whole / most).ceil().max(1.0);
        let slack = (most - whole / count).max(0.0) / 2.0;
        let mut cuts = vec![0.0];
        for k in 1..count as usize {
            let middle = whole * k as f64 / count;
            let crossed = |at: f64| {
                let crosses = |b: &&[f64; 4]| counts(b) && b[ends.0] < at && at < b[ends.1];
                self.boxes.iter().filter(crosses).count()
            };
            let tried = (0..=2 * TRIED).map(|n| {
                // From the middle outwards: of equals the nearest is taken.
                let step = n.div_ceil(2) as f64 * if n % 2 == 0 { 1.0 } else { -1.0 };
                middle + slack * step / TRIED as f64
            });
            cuts.push(tried.min_by_key(|&at| crossed(at)).unwrap_or(middle));
        }
        cuts.push(whole);
        cuts
    }
}

/// Places to each side at which a cut is tried.
const TRIED: usize = 60;

struct Sheet {
    name: String,
    x: f64,
    y: f64,
    w: f64,
    h: f64,
}

impl Sheet {
    /// Which sheets go on from it.
    fn beside(&self, all: &[Sheet]) -> String {
        let touches = |a0: f64, a1: f64, b0: f64, b1: f64| a0 < b1 && b0 < a1;
        let name = |found: Vec<&str>, where_to: &str| {
            if found.is_empty() {
                None
            } else {
                Some(format!("{} {where_to}", found.join(", ")))
            }
        };
        let find = |near: &dyn Fn(&Sheet) -> bool| {
            let found = all.iter().filter(|s| near(s));
            found.map(|s| s.name.as_str()).collect::<Vec<_>>()
        };
        let meets = |a: f64, b: f64| (a - b).abs() < 1e-6;
        let beside = |s: &Sheet| touches(s.y, s.y + s.h, self.y, self.y + self.h);
        let above = |s: &Sheet| touches(s.x, s.x + s.w, self.x, self.x + self.w);
        let near = [
            name(
                find(&|s| beside(s) && meets(s.x + s.w, self.x)),
                "to the left",
            ),
            name(
                find(&|s| beside(s) && meets(s.x, self.x + self.w)),
                "to the right",
            ),
            name(find(&|s| above(s) && meets(s.y + s.h, self.y)), "above"),
            name(find(&|s| above(s) && meets(s.y, self.y + self.h)), "below"),
        ];
        let near: Vec<String> = near.into_iter().flatten().collect();
        if near.is_empty() {
            String::new()
        } else {
            format!(": goes on in {}", near.join("; "))
        }
    }
}

/// A drawing's rules for it alone (and for its copies, which have nothing around them), without those for dark screens: paper is white.
fn scoped(rules: &str) -> String {
    let light = rules.split("@media").next().unwrap_or_default();
    let mut style = String::new();
    for rule in light.lines().filter(|l| l.contains('{')) {
        let (selectors, body) = rule.split_once('{').expect("just seen");
        let own = selectors.split(',').map(|s| match s.trim() {
            "svg" => "#scheme".to_string(),
            s => format!("#scheme {s}"),
        });
        style += &format!("{}{{{body}\n", own.collect::<Vec<_>>().join(","));
    }
    style
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_large_drawing_is_cut_between_its_parts() {
        let parts: String = (0..60)
            .map(|k| {
                let (x, y) = (30 + 100 * (k % 30), 40 + 900 * (k / 30));
                format!(
                    "<g class=\"part\" data-box=\"{x} {y} {} {}\"/>",
                    x + 60,
                    y + 80
                )
            })
            .collect();
        let svg = format!(
            "<svg width=\"3000\" height=\"1600\" viewBox=\"0 0 3000 1600\">\n<style>\n.part path{{fill:none}}\n\
             @media (prefers-color-scheme:dark){{\nsvg{{color:#fff}}\n}}\n</style>{parts}</svg>\n"
        );
        let drawing = Drawing::read(&svg).expect("a drawing");
        let sheets = drawing.sheets();
        assert_eq!(sheets.len(), 6);
        for s in &sheets {
            assert!(s.w * READABLE <= WIDE.0 + 1e-9 && s.h * READABLE <= WIDE.1 + 1e-9);
            for b in &drawing.boxes {
                assert!(b[2] <= s.x || s.x <= b[0], "{} cuts {b:?}", s.name);
            }
        }
        assert_eq!(drawing.style, "#scheme .part path{fill:none}\n");
        assert_eq!(
            sheets[1].beside(&sheets),
            ": goes on in A1 to the left; A3 to the right; B2 below"
        );
        let html = pages(&svg, "a <b>").expect("pages");
        assert_eq!(html.matches("<use href").count(), 6);
        assert!(html.contains("Schematic of a &lt;b&gt;"));
    }
}
