//! Sizes and colours of a plot, and how names fit in.

/// A colour on white paper, and what stands for it on a dark screen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ink {
    /// As `#RRGGBB`.
    pub light: &'static str,
    /// The same.
    pub dark: &'static str,
}

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

const fn ink(light: &'static str, dark: &'static str) -> Ink {
    Ink { light, dark }
}

pub(super) const PAPER: Ink = ink("#FFFFFF", "#16181C");

pub(super) const INK: Ink = ink("#222222", "#E0E0E0");

pub(super) const FRAME: Ink = ink("#999999", "#7A7E86");

pub(super) const GRID: Ink = ink("#E2E2E2", "#363A41");

pub(super) const FINE_GRID: Ink = ink("#F1F1F1", "#24272C");

pub(super) const NOUGHT: Ink = ink("#B0B0B0", "#5E636B");

/// What must not be passed: a red that no curve has.
pub(super) const RATING: Ink = ink("#B01020", "#FF7A85");

/// Colours that most colour-blind readers tell apart: M. Okabe and K. Ito,
/// "Color universal design", 2008 (from memory), less the yellow, which is
/// too pale on white.
pub(super) const COLOURS: [Ink; 7] = [
    ink("#0072B2", "#4AA8E0"),
    ink("#D55E00", "#FF8A3D"),
    ink("#009E73", "#2CC79B"),
    ink("#CC79A7", "#E39AC3"),
    ink("#000000", "#FFFFFF"),
    ink("#E69F00", "#F0B43C"),
    ink("#56B4E9", "#9AD6FA"),
];

/// All colours of a plot.
pub(super) fn all() -> impl Iterator<Item = &'static Ink> {
    [&PAPER, &INK, &FRAME, &GRID, &FINE_GRID, &NOUGHT, &RATING]
        .into_iter()
        .chain(&COLOURS)
}

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
