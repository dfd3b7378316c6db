//! Diagnostics: a message with its place in a file, rendered with an excerpt
//! and a caret under the words that are meant.

pub mod clean;
pub mod rows;

use std::borrow::Cow;
use std::sync::Arc;

use annotate_snippets::{AnnotationKind, Element, Level, Origin, Renderer, Snippet};

/// A file known to a [`Files`], by the order of its loading.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct FileId(pub u32);

/// A stretch of bytes in one file: `start..end`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Span {
    /// The file the bytes are in.
    pub file: FileId,
    /// First byte.
    pub start: u32,
    /// One past the last byte.
    pub end: u32,
}

impl Span {
    /// A span over `start..end` of `file`.
    pub fn new(file: FileId, start: usize, end: usize) -> Self {
        Span {
            file,
            start: start as u32,
            end: end.max(start) as u32,
        }
    }

    /// The smallest span that holds both, if they lie in one file; else the first.
    pub fn to(self, other: Span) -> Span {
        if self.file != other.file {
            return self;
        }
        Span {
            file: self.file,
            start: self.start.min(other.start),
            end: self.end.max(other.end),
        }
    }
}

/// How grave a diagnostic is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// The work goes on, but the user should look.
    Warning,
    /// The work cannot go on.
    Error,
}

/// One message to the user: what is wrong, where, and what to do about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Diagnostic {
    /// Error or warning.
    pub severity: Severity,
    /// Lower case, names in backticks, values with units.
    pub message: String,
    /// The words that are meant; none if the place is the command line.
    pub span: Option<Span>,
    /// Another place that matters, with a few words about it.
    pub also: Option<Box<(Span, String)>>,
    /// What to do.
    pub hint: Option<String>,
    /// The kind of problem that it is made of, by the name of its variant; empty for others.
    pub cause: String,
}

impl Diagnostic {
    /// An error at a place.
    pub fn error(message: impl Into<String>, span: impl Into<Option<Span>>) -> Self {
        Diagnostic {
            severity: Severity::Error,
            message: message.into(),
            span: span.into(),
            also: None,
            hint: None,
            cause: String::new(),
        }
    }

    /// A warning at a place.
    pub fn warning(message: impl Into<String>, span: impl Into<Option<Span>>) -> Self {
        Diagnostic {
            severity: Severity::Warning,
            ..Diagnostic::error(message, span)
        }
    }

    /// The same with a remedy.
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    /// The error of a problem, with its words and its kind, and with a remedy where it has one.
    pub fn of_problem<P: std::error::Error>(
        problem: &P,
        span: impl Into<Option<Span>>,
        hint: Option<String>,
    ) -> Self {
        let diagnostic = Diagnostic::error(problem.to_string(), span).of(problem);
        Diagnostic { hint, ..diagnostic }
    }

    /// The same with the kind of problem that it is made of.
    pub fn of(mut self, problem: &impl std::fmt::Debug) -> Self {
        let name = format!("{problem:?}");
        let end = name.find(|c: char| !c.is_alphanumeric());
        self.cause = name[..end.unwrap_or(name.len())].to_string();
        self
    }

    /// The same with a second place, such as that of the first of two equal names.
    pub fn also(mut self, span: Span, label: impl Into<String>) -> Self {
        self.also = Some(Box::new((span, label.into())));
        self
    }

    /// Whether this stops the work.
    pub fn is_error(&self) -> bool {
        self.severity == Severity::Error
    }
}

/// The texts that spans point into.
#[derive(Debug, Default, Clone)]
pub struct Files {
    files: Vec<File>,
}

#[derive(Debug, Clone)]
struct File {
    name: String,
    text: Arc<str>,
    /// Where each line begins, so that a place is found without reading the file again.
    lines: Vec<u32>,
    /// Whether nothing that it holds is shown.
    is_private: bool,
}

impl Files {
    /// Takes a file's name (as the user wrote it) and text.
    pub fn add(&mut self, name: impl Into<String>, text: impl Into<String>) -> FileId {
        let text: Arc<str> = text.into().into();
        let ends = text.bytes().enumerate().filter(|&(_, b)| b == b'\n');
        let lines = std::iter::once(0)
            .chain(ends.map(|(at, _)| at as u32 + 1))
            .collect();
        let name = name.into();
        self.files.push(File {
            name,
            text,
            lines,
            is_private: false,
        });
        FileId((self.files.len() - 1) as u32)
    }

    /// Shows nothing of what a file holds from now on: it is not the netlist's own, and a
    /// stranger's netlist may include a file of secrets to have it printed.
    pub fn keep_private(&mut self, file: FileId) {
        self.files[file.0 as usize].is_private = true;
    }

    fn is_private(&self, file: FileId) -> bool {
        self.files[file.0 as usize].is_private
    }

    /// A message without the words that it quotes from a private file.
    fn discreet<'m>(&self, message: &'m str, file: Option<FileId>) -> Cow<'m, str> {
        let Some(file) = file.filter(|&f| self.is_private(f)) else {
            return Cow::Borrowed(message);
        };
        // Odd parts stand in backticks.
        let parts = message.split('`').enumerate();
        let mut shown = parts.map(|(k, part)| {
            if k % 2 == 1 && self.text(file).contains(part) {
                "..."
            } else {
                part
            }
        });
        let first = shown.next().unwrap_or_default().to_string();
        Cow::Owned(shown.fold(first, |all, part| all + "`" + part))
    }

    /// Every file, in the order of loading.
    pub fn files(&self) -> impl Iterator<Item = FileId> + use<> {
        (0..self.files.len() as u32).map(FileId)
    }

    /// The text of a file.
    pub fn text(&self, file: FileId) -> &str {
        &self.files[file.0 as usize].text
    }

    /// The text of a file to keep while more files are added.
    pub fn shared_text(&self, file: FileId) -> Arc<str> {
        self.files[file.0 as usize].text.clone()
    }

    /// The name of a file.
    pub fn name(&self, file: FileId) -> &str {
        &self.files[file.0 as usize].name
    }

    /// The words a span covers.
    pub fn words(&self, span: Span) -> &str {
        self.text(span.file)
            .get(span.start as usize..span.end as usize)
            .unwrap_or("")
    }

    /// Line and column of a span's start, both from 1; the column counts characters.
    pub fn line_column(&self, span: Span) -> (usize, usize) {
        let (start, _) = clamp(self.text(span.file), span);
        let (line, from) = self.line(span.file, start);
        (line, self.text(span.file)[from..start].chars().count() + 1)
    }

    /// The place of a span's start as the excerpts write it: `preamp.cir:14:20`.
    pub fn place(&self, span: Span) -> String {
        let (line, column) = self.line_column(span);
        format!("{}:{line}:{column}", self.name(span.file))
    }

    /// The message with its excerpt, ready for standard error (no colours).
    pub fn render(&self, diagnostic: &Diagnostic) -> String {
        let level = match diagnostic.severity {
            Severity::Error => Level::ERROR,
            Severity::Warning => Level::WARNING,
        };
        let file = diagnostic.span.map(|span| span.file);
        let message = self.discreet(&diagnostic.message, file);
        let mut group = level
            .primary_title(printable(&message))
            .elements(Vec::<Element<'_>>::new());
        if let Some(span) = diagnostic.span {
            group = group.element(self.excerpt(span, AnnotationKind::Primary, None));
        }
        if let Some((span, label)) = diagnostic.also.as_deref() {
            group = group.element(self.excerpt(*span, AnnotationKind::Context, Some(label)));
        }
        let mut shown = Renderer::plain().render(&[group]);
        if let Some(hint) = &diagnostic.hint {
            // On a line of its own at the margin, as every other hint of the tool is.
            shown += &format!("\nhint: {}", printable(&self.discreet(hint, file)));
        }
        if file.is_some_and(|f| self.is_private(f)) {
            shown += "\nhint: this file lies outside the folder of the netlist or sheet that \
                      names it, so none of it is shown";
        }
        shown
    }

    /// Number (from 1) and first byte of the line a byte is in.
    fn line(&self, file: FileId, at: usize) -> (usize, usize) {
        let lines = &self.files[file.0 as usize].lines;
        let line = lines.partition_point(|&start| start as usize <= at);
        (line, lines[line - 1] as usize)
    }

    fn excerpt<'a>(
        &'a self,
        span: Span,
        kind: AnnotationKind,
        label: Option<&'a String>,
    ) -> Element<'a> {
        let text = self.text(span.file);
        let (start, end) = clamp(text, span);
        // Only the lines that matter go to the renderer: a netlist may have a million.
        let (line, from) = self.line(span.file, start);
        let upto = text[end..].find('\n').map_or(text.len(), |n| end + n);
        if upto - from > LONGEST_EXCERPT || self.is_private(span.file) {
            let column = text[from..start].chars().count() + 1;
            return Origin::path(printable(self.name(span.file)))
                .line(line)
                .char_column(column)
                .into();
        }
        let words = kind.span(start - from..end - from);
        Snippet::source(in_place(&text[from..upto]))
            .line_start(line)
            .path(printable(self.name(span.file)))
            .annotation(match label {
                Some(label) => words.label(printable(label)),
                None => words,
            })
            .into()
    }
}

/// Bytes beyond which lines are named but not shown: nobody reads such an excerpt.
const LONGEST_EXCERPT: usize = 2000;

/// A line of a file that cannot harm the terminal; every byte keeps its place where it can.
fn in_place(line: &str) -> Cow<'_, str> {
    let odd = |c: char| clean::is_odd(c) && !c.is_ascii();
    if !line.contains(odd) {
        return Cow::Borrowed(line);
    }
    // The renderer sees to those of ASCII.
    let dots = |c: char| {
        if odd(c) {
            "\u{b7}".repeat(c.len_utf8() / 2) + if c.len_utf8() == 3 { "." } else { "" }
        } else {
            c.to_string()
        }
    };
    Cow::Owned(line.chars().map(dots).collect())
}

/// A message of one line, without words that one must scroll past.
fn printable(text: &str) -> Cow<'_, str> {
    let text = clean::line(text);
    let short = |text: &str| text.len() <= LONGEST_WORD;
    if short(&text) || text.split(char::is_whitespace).all(short) {
        return text;
    }
    let words = text.split_inclusive(char::is_whitespace);
    let cut = words.map(|word| match word.char_indices().nth(LONGEST_WORD) {
        Some((at, _)) if !short(word) => format!("{}... ", &word[..at]),
        _ => word.to_string(),
    });
    Cow::Owned(cut.collect::<String>())
}

/// Characters after which a word of a message is cut.
const LONGEST_WORD: usize = 500;

/// A span cut to the text and to character boundaries, at least one byte wide where it can be.
fn clamp(text: &str, span: Span) -> (usize, usize) {
    let mut start = (span.start as usize).min(text.len());
    while !text.is_char_boundary(start) {
        start -= 1;
    }
    let mut end = (span.end as usize).clamp(start, text.len());
    while !text.is_char_boundary(end) {
        end += 1;
    }
    (start, end)
}

/// Words with commas between, and `and` before the last.
pub fn in_a_row(all: &[String]) -> String {
    match all {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// Characters beyond which nothing is guessed: time and memory go with the square.
const LONGEST_GUESS: usize = 200;

/// The candidate nearest to a misspelt word, if one is near enough to be worth suggesting.
pub fn nearest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let word = word.to_lowercase();
    let length = word.chars().count();
    if length > LONGEST_GUESS {
        return None;
    }
    let limit = (length / 3).clamp(1, 3);
    candidates
        .into_iter()
        .map(|c| (c.to_lowercase(), c))
        // Whatever differs more in length cannot be near, and need not be compared.
        .filter(|(lower, _)| lower.chars().count().abs_diff(length) <= limit)
        .map(|(lower, c)| {
            let distance = strsim::damerau_levenshtein(&word, &lower);
            // Letters are exchanged more often than left out: of equals the one as long.
            (distance, lower.chars().count().abs_diff(length), c)
        })
        .filter(|&(distance, ..)| distance <= limit)
        .min_by_key(|&(distance, longer, c)| (distance, longer, c.to_string()))
        .map(|(.., c)| c)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_excerpt_names_file_line_and_column() {
        let mut sources = Files::default();
        let file = sources.add("preamp.cir", "title\nX1 p g k 12AX8\n");
        let shown = sources.render(
            &Diagnostic::error(
                "unknown valve or subcircuit `12AX8`",
                Span::new(file, 15, 20),
            )
            .hint("did you mean `12AX7`?"),
        );
        assert!(shown.contains("--> preamp.cir:2:10"), "{shown}");
        assert!(shown.contains("^^^^^"), "{shown}");
        assert!(shown.ends_with("\nhint: did you mean `12AX7`?"), "{shown}");
    }

    #[test]
    fn a_span_past_the_end_does_not_panic() {
        let mut sources = Files::default();
        let file = sources.add("a", "é");
        sources.render(&Diagnostic::error("x", Span::new(file, 1, 99)));
    }

    #[test]
    fn a_second_place_is_shown_with_its_label() {
        let mut sources = Files::default();
        let file = sources.add("a.cir", "t\nR1 a b 1\nR1 c d 2\n");
        let shown = sources.render(
            &Diagnostic::error("duplicate element `R1`", Span::new(file, 11, 13))
                .also(Span::new(file, 2, 4), "first here"),
        );
        assert!(shown.contains("a.cir:3:1"), "{shown}");
        assert!(
            shown.contains("2 | R1 a b 1") && shown.contains("first here"),
            "{shown}"
        );
    }

    #[test]
    fn a_line_too_long_to_show_is_still_named() {
        let mut sources = Files::default();
        let file = sources.add("a.cir", format!("t\n{}R1", " ".repeat(5000)));
        let shown = sources.render(&Diagnostic::error("x", Span::new(file, 5002, 5004)));
        assert!(
            shown.contains("--> a.cir:2:5001") && shown.len() < 100,
            "{shown}"
        );
    }

    #[test]
    fn escape_codes_do_not_reach_the_terminal() {
        let mut sources = Files::default();
        let file = sources.add("a\u{1b}.cir", "R\u{1b}[2J a b");
        let shown = sources
            .render(&Diagnostic::error("bad \u{1b}[2J", Span::new(file, 0, 5)).hint("\u{7}"));
        assert!(!shown.contains(['\u{1b}', '\u{7}']), "{shown}");
    }

    #[test]
    fn bug_long_words_filled_the_screen_and_took_for_ever_to_guess() {
        let (long, longer) = ("b".repeat(60_000), "b".repeat(59_999) + "c");
        assert_eq!(nearest(&long, [longer.as_str()]), None);
        assert_eq!(nearest("vout", [longer.as_str(), "vuot"]), Some("vuot"));
        let shown = Files::default().render(&Diagnostic::error(format!("no `{long}`"), None));
        assert!(shown.len() < 600 && shown.contains("bbb..."), "{shown}");
    }

    #[test]
    fn bug_codes_of_two_bytes_reached_the_terminal() {
        let mut sources = Files::default();
        let file = sources.add("a.cir", "R\u{9b}2J a b");
        let shown = sources.render(&Diagnostic::error("x", Span::new(file, 3, 5)));
        assert!(shown.contains("R\u{b7}2J a b\n  |   ^^"), "{shown}");
    }

    #[test]
    fn near_words_are_found_and_far_ones_not() {
        assert_eq!(nearest("12AX&", ["12AX7", "EL34"]), Some("12AX7"));
        assert_eq!(nearest("zzz", ["12AX7", "EL34"]), None);
    }
}
