//! The terminal that a chart is printed on. In a pipe or a file every byte stays as it is.

use super::table::broken;
use std::io::IsTerminal;

/// Its width where none is known.
const USUAL: usize = 80;
/// A narrower one is written on as if it were this wide.
const LEAST: usize = 40;

/// Characters of a line on standard output; None if it is not a terminal.
pub fn columns() -> Option<usize> {
    let is_terminal = std::io::stdout().is_terminal();
    is_terminal.then(|| asked().unwrap_or(USUAL).max(LEAST))
}

#[cfg(target_os = "linux")]
fn asked() -> Option<usize> {
    let size = rustix::termios::tcgetwinsize(std::io::stdout()).ok()?;
    (size.ws_col > 0).then_some(usize::from(size.ws_col))
}

#[cfg(not(target_os = "linux"))]
fn asked() -> Option<usize> {
    None
}

/// A chart for standard output: on a terminal its lines are broken between words.
pub fn fitted(text: String) -> String {
    match columns() {
        Some(wide) => within(&text, wide),
        None => text,
    }
}

/// Lines of at most so many characters, broken between words; what a line began with in blanks
/// its further lines have too.
fn within(text: &str, wide: usize) -> String {
    let mut fitted = String::with_capacity(text.len());
    for line in text.split_inclusive('\n') {
        let bare = line.trim_end_matches('\n');
        if bare.chars().count() <= wide {
            fitted.push_str(line);
            continue;
        }
        let blanks = &bare[..bare.len() - bare.trim_start().len()];
        let room = wide.saturating_sub(blanks.len()).max(LEAST / 2);
        let lines = broken(bare, room).into_iter();
        let lines: Vec<String> = lines.map(|l| format!("{blanks}{l}")).collect();
        fitted.push_str(&lines.join("\n"));
        fitted.push_str(&line[bare.len()..]);
    }
    fitted
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_lines_are_broken_between_words_and_short_ones_stay() {
        let text =
            "Amp\n  a   b\n\n  Caution: hundreds of volts, also after switch-off. Computed.\n";
        assert_eq!(
            within(text, 40),
            "Amp\n  a   b\n\n  Caution: hundreds of volts, also after\n  switch-off. Computed.\n"
        );
        assert_eq!(within(text, 100), text);
        assert_eq!(within("no end of line", 40), "no end of line");
    }
}
