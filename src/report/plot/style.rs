//! Sizes and colours of a plot, and how names fit in.

use super::sheet::Ink;

/// What is less than this below the top of a panel in decibels is shown.
pub(super) const DEPTH_DB: f64 = 150.0;

/// Measures of the picture, px.
pub(super) const WIDTH: f64 = 960.0;

pub(super) const PANEL: f64 = 300.0;

pub(super) const ONLY_PANEL: f64 = 400.0;

pub(super) const BETWEEN: f64 = 26.0;

pub(super) const ABOVE: f64 = 16.0;

pub(super) const TITLE: f64 = 34.0;

pub(super) const BELOW: f64 = 52.0;

pub(super) const LETTERS: f64 = 13.0;

/// A letter is about so wide in the fonts that viewers use, as a part of its height.
pub(super) const LETTER: f64 = 0.58;

/// Names longer than this in the legend are cut.
pub(super) const LONGEST_NAME: usize = 28;

pub(super) const SAMPLE: f64 = 24.0;

pub(super) const INK: Ink = Ink(0x22, 0x22, 0x22);

pub(super) const FRAME: Ink = Ink(0x99, 0x99, 0x99);

pub(super) const GRID: Ink = Ink(0xe2, 0xe2, 0xe2);

pub(super) const FINE_GRID: Ink = Ink(0xf1, 0xf1, 0xf1);

pub(super) const NOUGHT: Ink = Ink(0xb0, 0xb0, 0xb0);

/// Colours that most colour-blind readers tell apart: M. Okabe and K. Ito,
/// "Color universal design", 2008 (from memory), less the yellow, which is
/// too pale on white.
pub(super) const COLOURS: [Ink; 7] = [
    Ink(0x00, 0x72, 0xb2),
    Ink(0xd5, 0x5e, 0x00),
    Ink(0x00, 0x9e, 0x73),
    Ink(0xcc, 0x79, 0xa7),
    Ink(0x00, 0x00, 0x00),
    Ink(0xe6, 0x9f, 0x00),
    Ink(0x56, 0xb4, 0xe9),
];

/// About how wide N letters are, px.
pub(super) fn wide(letters: usize) -> f64 {
    letters as f64 * LETTERS * LETTER
}

/// A name as the legend gives it.
pub(super) fn shown(name: &str) -> String {
    cut(name, LONGEST_NAME)
}

pub(super) fn cut(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    text.chars().take(most - 1).chain(['…']).collect()
}
