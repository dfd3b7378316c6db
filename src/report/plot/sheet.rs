//! The paper of a plot: lines and letters in pixels.

use super::style::{self, Ink};
use crate::report::svg::{Svg, dark_rules, length};

/// Where a text stands, seen from its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// To the left of it.
    Left,
    /// To the right of it.
    Right,
    /// Under it, in the middle.
    Under,
    /// Around it, running upwards.
    Upright,
}

/// From the base line of letters up to their middle, and to their top, as a part of their height.
const MIDDLE: f64 = 0.36;
const TOP: f64 = 0.76;

/// A point, px from the upper left.
type Point = (f64, f64);

/// A picture being drawn.
pub struct Sheet {
    svg: Svg,
}

/// The SVG text of a picture of `width` by `height` pixels that `draw` draws. Its colours are
/// attributes, so that a page can have them without the rules for dark screens.
pub fn picture(title: &str, width: f64, height: f64, draw: impl FnOnce(&mut Sheet)) -> String {
    let colours = style::all().map(|ink| (ink.light, ink.dark));
    let mut svg = Svg::new(width, height, title, &dark_rules(colours));
    // Mitred joins would stand out as spikes of a noisy curve.
    let look = [("font-family", "sans-serif"), ("stroke-linejoin", "round")];
    svg.open("g", &look);
    svg.block((0.0, 0.0), (width, height), style::PAPER.light);
    let mut sheet = Sheet { svg };
    draw(&mut sheet);
    sheet.svg.finish()
}

impl Sheet {
    /// A straight line.
    pub fn line(&mut self, from: Point, to: Point, width: f64, ink: Ink) {
        self.path(&[from, to], width, ink);
    }

    /// A line through points.
    pub fn path(&mut self, line: &[Point], width: f64, ink: Ink) {
        self.svg.line(line, width, ink.light, &[]);
    }

    /// A line through points in dashes: their lengths and those of the gaps, px, or nothing for a
    /// solid one.
    pub fn dashed(&mut self, line: &[Point], width: f64, ink: Ink, dashes: &str) {
        let more = [("stroke-dasharray", dashes)];
        let more = if dashes.is_empty() { &[] } else { &more[..] };
        self.svg.line(line, width, ink.light, more);
    }

    /// A filled circle.
    pub fn dot(&mut self, at: Point, radius: f64, ink: Ink) {
        self.svg.disc(at, radius, ink.light, "");
    }

    /// The caution, with the middle of its first line at a height.
    pub fn caution(&mut self, at: Point, wide: f64) {
        self.svg.caution(at, wide, style::INK.light);
    }

    /// A line of letters of a height in pixels.
    pub fn text(&mut self, (x, y): Point, size: f64, text: &str, ink: Ink, anchor: Anchor) {
        if text.is_empty() {
            return;
        }
        let (side, down) = match anchor {
            Anchor::Left => ("end", MIDDLE),
            Anchor::Right => ("start", MIDDLE),
            Anchor::Under => ("middle", TOP),
            Anchor::Upright => ("middle", MIDDLE),
        };
        let turn = format!("rotate(-90 {} {})", length(x), length(y));
        let more = [("transform", &*turn)];
        let more = if anchor == Anchor::Upright {
            &more[..]
        } else {
            &[]
        };
        let base = (x, y + down * size);
        self.svg.letters(base, (side, size), ink.light, more, text);
    }
}
