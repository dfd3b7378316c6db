//! How much room a text takes.
//!
//! Advance widths in thousandths of the type size: for each character the wider of the two
//! sans-serif faces that free systems come with (Liberation Sans, metrically the usual Helvetica
//! and Arial, and DejaVu Sans), read from their `hmtx` tables. So a box holds its text in either.

use super::geometry::Rect;

/// Size of type on a drawing, in drawing units.
pub const SIZE: f64 = 9.0;

/// Above the base line and below it, as a part of the size (the larger `hhea` of both faces).
const ASCENT: f64 = 0.93;
const DESCENT: f64 = 0.24;

/// From one base line to the next, as a part of the size.
pub const LEADING: f64 = 1.2;

/// ASCII from the space on.
#[rustfmt::skip]
const WIDTHS: [u16; 95] = [
    318, 401, 460, 838, 636, 950, 780, 275, 390, 390, 500, 838, 318, 361, 318, 337,
    636, 636, 636, 636, 636, 636, 636, 636, 636, 636, 337, 337, 838, 838, 838, 556,
    1015, 684, 686, 722, 770, 667, 611, 778, 752, 295, 500, 667, 557, 863, 748, 787,
    667, 787, 722, 667, 611, 732, 684, 989, 685, 667, 685, 390, 337, 390, 838, 556,
    500, 613, 635, 550, 635, 615, 352, 635, 634, 278, 278, 579, 278, 974, 634, 612,
    635, 635, 411, 521, 392, 634, 592, 818, 592, 592, 525, 636, 337, 636, 838,
];

/// Any other character: wide enough for a full-width one.
const OTHER: u16 = 1020;

/// The width of a text of some size.
pub fn width(text: &str, size: f64) -> f64 {
    let thousandths: u32 = text
        .chars()
        .map(|c| match c {
            ' '..='~' => u32::from(WIDTHS[c as usize - 32]),
            'µ' | 'Ω' | '°' | '·' | 'à'..='ÿ' => 780,
            _ => u32::from(OTHER),
        })
        .sum();
    f64::from(thousandths) / 1000.0 * size
}

/// Where a text begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// At its left end.
    Start,
    /// In its middle.
    Middle,
    /// At its right end.
    End,
}

impl Anchor {
    /// The word of SVG.
    pub fn word(self) -> &'static str {
        match self {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        }
    }
}

/// The box of a text whose base line's anchor is at `(x, y)`.
pub fn extent(text: &str, (x, y): (f64, f64), anchor: Anchor, size: f64) -> Rect {
    let width = width(text, size);
    let x0 = match anchor {
        Anchor::Start => x,
        Anchor::Middle => x - width / 2.0,
        Anchor::End => x - width,
    };
    Rect::new(x0, y - ASCENT * size, x0 + width, y + DESCENT * size)
}

/// The base line of the first of `lines` lines that are centred on `y`.
pub fn first_base(y: f64, lines: usize, size: f64) -> f64 {
    let height = LEADING * size * (lines as f64 - 1.0) + (ASCENT + DESCENT) * size;
    y - height / 2.0 + ASCENT * size
}
