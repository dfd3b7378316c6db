//! The schematic on paper: on one page where it can be read there, or else an overview and its
//! sheets.

use super::sheets::{Drawn, Sheet};
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
/// What the heading of the section takes of a wide page, mm.
const HEADING: f64 = 20.0;

/// The drawing's pages. None if it is not a drawing of ours.
pub fn pages(svg: &str, name: &str) -> Option<String> {
    let drawing = Drawing::read(svg)?;
    let (w, h) = drawing.size;
    let mut html = format!("<style>\n{}</style>\n", drawing.style);
    let label = format!("role=\"img\" aria-label=\"Schematic of {}\"", escaped(name));
    let fits = |page: (f64, f64)| w * READABLE <= page.0 && h * READABLE <= page.1;
    for (page, is_wide) in [(UPRIGHT, false), (WIDE, true)] {
        if !fits(page) {
            continue;
        }
        let high = if is_wide { page.1 - HEADING } else { page.1 };
        let scale = (page.0 / w).min(high / h).min(LARGEST);
        // The heading goes on the same page: it would be alone on an upright one.
        let class = if is_wide {
            "drawing wide alone"
        } else {
            "drawing"
        };
        html += &format!("<div class=\"{class}\">");
        html += &picture(&label, [0.0, 0.0, w, h], w * scale, drawing.content);
        html += "</div>\n";
        return Some(html);
    }
    let drawn = Drawn::read(drawing.content);
    let sheets = drawn.sheets(drawing.size, (WIDE.0 / READABLE, WIDE.1 / READABLE));
    let scale = (UPRIGHT.0 / w).min(0.45 * UPRIGHT.1 / h);
    let mut content = drawing.content.to_string();
    for sheet in &sheets {
        content += &outline(sheet, 6.0 / scale);
    }
    let _ = writeln!(
        html,
        "<p>Overview; the sheets {} to {} that follow can be read. They overlap: what is near an edge \
         is on both.</p>\n<div class=\"drawing overview\">{}</div>",
        sheets.first()?.name,
        sheets.last()?.name,
        picture(&label, [0.0, 0.0, w, h], w * scale, &content)
    );
    for sheet in &sheets {
        let (w, h) = (sheet.width(), sheet.height());
        let scale = (WIDE.0 / w).min(WIDE.1 / h).min(LARGEST);
        let label = format!(
            "role=\"img\" aria-label=\"Schematic, sheet {}\"",
            sheet.name
        );
        let _ = writeln!(
            html,
            "<div class=\"drawing wide\"><h3>Schematic, sheet {}{}</h3>\n{}</div>",
            sheet.name,
            sheet.beside(&sheets),
            picture(&label, sheet.frame, w * scale, &drawn.within(sheet.frame))
        );
    }
    Some(html)
}

/// A piece of the drawing, N mm wide.
fn picture(label: &str, [x0, y0, x1, y1]: [f64; 4], wide_mm: f64, content: &str) -> String {
    format!(
        "<svg {label} viewBox=\"{} {} {} {}\" style=\"width:{}mm\"><g class=\"scheme\">{content}</g></svg>",
        length(x0),
        length(y0),
        length(x1 - x0),
        length(y1 - y0),
        length(wide_mm)
    )
}

/// Where a sheet lies in the overview, with its name.
fn outline(sheet: &Sheet, letters: f64) -> String {
    let [x, y, ..] = sheet.frame;
    format!(
        "<rect class=\"cut\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"/>\
         <text class=\"cutname\" x=\"{}\" y=\"{}\" font-size=\"{}\">{}</text>\n",
        length(x),
        length(y),
        length(sheet.width()),
        length(sheet.height()),
        length(x + 0.3 * letters),
        length(y + letters),
        length(letters),
        sheet.name
    )
}

/// A drawing taken apart.
struct Drawing<'a> {
    size: (f64, f64),
    /// Its rules, for this drawing alone and for paper.
    style: String,
    /// What stands in it.
    content: &'a str,
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
        Some(Drawing {
            size: (w.parse().ok()?, h.parse().ok()?),
            style: scoped(rules),
            content: content.trim().strip_suffix("</svg>")?,
        })
    }
}

/// A drawing's rules for it alone (and for its copies, which have nothing around them), without those for dark screens: paper is white.
fn scoped(rules: &str) -> String {
    let light = rules.split("@media").next().unwrap_or_default();
    let mut style = String::new();
    for rule in light.lines().filter(|l| l.contains('{')) {
        let (selectors, body) = rule.split_once('{').expect("just seen");
        let own = selectors.split(',').map(|s| match s.trim() {
            "svg" => ".scheme".to_string(),
            s => format!(".scheme {s}"),
        });
        style += &format!("{}{{{body}\n", own.collect::<Vec<_>>().join(","));
    }
    style
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_large_drawing_is_an_overview_and_sheets() {
        let parts: String = (0..60)
            .map(|k| {
                let (x, y) = (30 + 100 * (k % 30), 40 + 900 * (k / 30));
                format!(
                    "<g class=\"part\" data-box=\"{x} {y} {} {}\"/>\n",
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
        assert_eq!(drawing.style, ".scheme .part path{fill:none}\n");
        let large = pages(&svg, "a <b>").expect("pages");
        assert_eq!(large.matches("<h3>Schematic, sheet").count(), 6);
        assert!(!large.contains("alone") && large.contains("Schematic of a &lt;b&gt;"));
        let low = pages(&svg.replace("3000 1600", "1400 600"), "a").expect("pages");
        assert!(low.contains("drawing wide alone"));
    }
}
