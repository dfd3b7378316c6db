//! Text from strangers made fit for a terminal, a log and a result file: a title, a name of a
//! node, a case or a file may hold codes that colour, erase or reverse what stands around them,
//! or line breaks that make a verdict of their own out of a name.
//!
//! Texts are cleaned where they come in ([`netlist`]; sheets refuse such characters), and all
//! that is printed goes through [`lines`] once more, for what came in by other ways.

use std::borrow::Cow;

/// What stands for a character that is not shown.
const GONE: char = '\u{fffd}';

/// Whether a character changes more than its own place: control codes of either set (ESC, CSI),
/// line breaks but `\n`, and marks that turn the direction of the text.
pub fn is_odd(c: char) -> bool {
    let is_mark = matches!(c,
        '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    let is_break = matches!(c, '\u{2028}' | '\u{2029}');
    is_mark || is_break || c.is_control() && c != '\n' && c != '\t'
}

/// Text of several lines, as it may be printed. At the start of a line, and in brackets, some
/// CI systems take `::` and `##` for commands.
pub fn lines(text: &str) -> Cow<'_, str> {
    let is_command = |line: &str| line.trim_start().starts_with("::");
    let brackets = ["##[", "##vso["];
    let commands = text.contains("::") && text.lines().any(is_command);
    if !commands && !text.contains(is_odd) && !brackets.iter().any(|b| text.contains(b)) {
        return Cow::Borrowed(text);
    }
    let clean = |line: &str| {
        let plain = line.replace(is_odd, &GONE.to_string());
        let plain = plain.replace("##[", "## [").replace("##vso[", "## vso[");
        if is_command(&plain) {
            plain.replacen("::", ": :", 1)
        } else {
            plain
        }
    };
    Cow::Owned(text.split_inclusive('\n').map(clean).collect())
}

/// A name or message of one line.
pub fn line(text: &str) -> Cow<'_, str> {
    match lines(text) {
        clean if clean.contains('\n') => Cow::Owned(clean.replace('\n', &GONE.to_string())),
        clean => clean,
    }
}

/// The text of a netlist, which all its names come from. Line ends of every kind of computer
/// are line ends; `\r` by itself is one where there is no other.
pub fn netlist(text: &str) -> Cow<'_, str> {
    let text = if !text.contains('\r') {
        Cow::Borrowed(text)
    } else if text.contains('\n') {
        Cow::Owned(text.replace("\r\n", "\n"))
    } else {
        Cow::Owned(text.replace('\r', "\n"))
    };
    if text.contains(is_odd) {
        Cow::Owned(text.replace(is_odd, &GONE.to_string()))
    } else {
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_and_breaks_are_gone_and_all_else_stays() {
        for same in ["", "Verstärker µF Ω 12AX7", "a\n\tb\n", "a::b", "x ## y"] {
            assert_eq!(lines(same), same);
        }
        assert_eq!(
            lines("a\u{1b}[2J\u{9b}1m\r\u{202e}b"),
            "a\u{fffd}[2J\u{fffd}1m\u{fffd}\u{fffd}b"
        );
        assert_eq!(line("ok\nok\u{2028}ok"), "ok\u{fffd}ok\u{fffd}ok");
        assert_eq!(lines("a\n ::error::x\n"), "a\n : :error::x\n");
        assert_eq!(lines("a ##[command]x"), "a ## [command]x");
    }

    #[test]
    fn line_ends_of_old_computers_are_line_ends() {
        assert_eq!(netlist("t\rR1 a 0 1\r"), "t\nR1 a 0 1\n");
        assert_eq!(netlist("t\r\nR1 a 0 1\r\n"), "t\nR1 a 0 1\n");
        assert_eq!(netlist("t\rok\nR1 a 0 1\n"), "t\u{fffd}ok\nR1 a 0 1\n");
    }
}
