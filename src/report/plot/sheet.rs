//! The paper: lines and letters in pixels, by the SVG backend of `plotters`.

use plotters::backend::{DrawingBackend, SVGBackend};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, FontTransform, IntoFont, RGBColor, ShapeStyle, TextStyle};

/// A colour: red, green, blue.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ink(pub u8, pub u8, pub u8);

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

/// The backend knows whole pixels only, which makes a slow curve a staircase.
/// So it draws this many times as large, and the picture is shown reduced.
const FINENESS: f64 = 4.0;

/// A point, px from the upper left.
type Point = (f64, f64);

/// A picture being drawn.
pub struct Sheet<'a> {
    backend: SVGBackend<'a>,
}

/// The SVG text of a picture of `width` by `height` pixels that `draw` draws.
pub fn picture(width: f64, height: f64, draw: impl FnOnce(&mut Sheet<'_>)) -> String {
    let size = (whole(width) as u32, whole(height) as u32);
    let mut text = String::new();
    let mut sheet = Sheet {
        backend: SVGBackend::with_string(&mut text, size),
    };
    let paper = [(0.0, 0.0), (width, height)].map(fine);
    drawn(
        sheet
            .backend
            .draw_rect(paper[0], paper[1], &style(Ink(255, 255, 255), 0.0), true),
    );
    draw(&mut sheet);
    drawn(sheet.backend.present());
    drop(sheet);
    // The view box keeps the fine measures. Mitred joins would stand out as spikes of a noisy curve.
    let large = format!("width=\"{}\" height=\"{}\"", size.0, size.1);
    let shown = format!("width=\"{width}\" height=\"{height}\" stroke-linejoin=\"round\"");
    text.replacen(&large, &shown, 1)
}

/// The backend's only error is that of a file, and there is none.
fn drawn<E>(result: Result<(), E>) {
    assert!(result.is_ok(), "a text in memory could not be written");
}

fn whole(length: f64) -> i32 {
    (length * FINENESS).round() as i32
}

fn fine(point: Point) -> (i32, i32) {
    (whole(point.0), whole(point.1))
}

fn style(ink: Ink, width: f64) -> ShapeStyle {
    ShapeStyle {
        color: RGBColor(ink.0, ink.1, ink.2).to_rgba(),
        filled: false,
        stroke_width: whole(width) as u32,
    }
}

impl Sheet<'_> {
    /// A straight line.
    pub fn line(&mut self, from: Point, to: Point, width: f64, ink: Ink) {
        let style = style(ink, width);
        drawn(self.backend.draw_line(fine(from), fine(to), &style));
    }

    /// A line through points.
    pub fn path(&mut self, points: &[Point], width: f64, ink: Ink) {
        let points = points.iter().copied().map(fine);
        drawn(self.backend.draw_path(points, &style(ink, width)));
    }

    /// A filled circle.
    pub fn dot(&mut self, at: Point, radius: f64, ink: Ink) {
        let radius = whole(radius) as u32;
        let style = style(ink, 0.0);
        drawn(self.backend.draw_circle(fine(at), radius, &style, true));
    }

    /// A line of letters of a height in pixels.
    pub fn text(&mut self, at: Point, size: f64, text: &str, ink: Ink, anchor: Anchor) {
        if text.is_empty() {
            return;
        }
        let (across, along) = match anchor {
            Anchor::Left => (HPos::Right, VPos::Center),
            Anchor::Right => (HPos::Left, VPos::Center),
            Anchor::Under => (HPos::Center, VPos::Top),
            Anchor::Upright => (HPos::Center, VPos::Center),
        };
        // The backend divides by this, its estimate of a font's full height over its nominal size.
        let font = ("sans-serif", size * FINENESS * 1.24).into_font();
        let font = match anchor {
            Anchor::Upright => font.transform(FontTransform::Rotate270),
            _ => font,
        };
        let colour = RGBColor(ink.0, ink.1, ink.2);
        let style = TextStyle::from(font)
            .color(&colour)
            .pos(Pos::new(across, along));
        // Control characters are not allowed in XML, not even escaped.
        let text: String = text
            .chars()
            .map(|c| if c.is_control() { '\u{fffd}' } else { c })
            .collect();
        drawn(self.backend.draw_text(&text, &style, fine(at)));
    }
}
