//! Sizes and colours of a plot, and how names fit in.

use crate::report::lettering::breadth;
use crate::report::table::broken;

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

/// Height of a letter of the title, and from one of its lines to the next.
pub(super) const TITLE_SIZE: f64 = 1.25 * LETTERS;

pub(super) const TITLE_PITCH: f64 = 1.3 * TITLE_SIZE;

/// A title has no more lines than this.
const TITLE_LINES: usize = 3;

pub(super) const BELOW: f64 = 52.0;

/// What the caution takes under all panels.
pub(super) const CAUTION: f64 = 20.0;

pub(super) const LETTERS: f64 = 13.0;

/// A letter is about so wide in the fonts that viewers use, as a part of its height.
pub(super) const LETTER: f64 = 0.58;

/// Names longer than this are broken in the legend.
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

pub(super) const ZERO: Ink = ink("#B0B0B0", "#5E636B");

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

/// What tells curves apart without their colours, in print and to whoever sees no colours: lengths
/// of dashes and of the gaps after them, px; the sample in the legend shows each whole.
const DASHES: [&str; COLOURS.len()] = ["", "9 4", "2 3", "12 3 2 3", "17 4", "4 3", "11 3 2 3 2 3"];

/// The dashes of a curve. When the colours come again, they come with others.
pub(super) fn dashes(which: usize) -> &'static str {
    DASHES[(which + which / COLOURS.len()) % DASHES.len()]
}

/// All colours of a plot.
pub(super) fn all() -> impl Iterator<Item = &'static Ink> {
    [&PAPER, &INK, &FRAME, &GRID, &FINE_GRID, &ZERO, &RATING]
        .into_iter()
        .chain(&COLOURS)
}

/// About how wide N letters are, px.
pub(super) fn wide(letters: usize) -> f64 {
    letters as f64 * LETTERS * LETTER
}

/// A name as the legend gives it, line by line; only a word that is longer than a line is cut.
pub(super) fn shown(name: &str) -> Vec<String> {
    let lines = broken(name, LONGEST_NAME).into_iter();
    lines.map(|line| cut(&line, LONGEST_NAME)).collect()
}

/// How wide the widest line of these names is, px.
pub(super) fn longest<'n>(names: impl Iterator<Item = &'n str>) -> f64 {
    let lines = names.flat_map(shown);
    lines.fold(0.0, |most, line| most.max(breadth(&line, LETTERS)))
}

/// Lines of a title, so that none is wider than N letters.
pub(super) fn titled(title: &str, most: usize) -> Vec<String> {
    if title.is_empty() {
        return Vec::new();
    }
    let mut lines = broken(title, most);
    if lines.len() > TITLE_LINES {
        let rest = lines.split_off(TITLE_LINES - 1).join(" ");
        lines.push(rest);
    }
    lines.iter().map(|line| cut(line, most)).collect()
}

pub(super) fn cut(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    text.chars().take(most - 1).chain(['…']).collect()
}
