//! Diagnostics: a message with its place in a file, rendered with an excerpt
//! and a caret under the words that are meant.

use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};

/// A file known to a [`Sources`], by the order of its loading.
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
    /// What to do.
    pub hint: Option<String>,
}

impl Diagnostic {
    /// An error at a place.
    pub fn error(message: impl Into<String>, span: impl Into<Option<Span>>) -> Self {
        Diagnostic {
            severity: Severity::Error,
            message: message.into(),
            span: span.into(),
            hint: None,
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

    /// Whether this stops the work.
    pub fn is_error(&self) -> bool {
        self.severity == Severity::Error
    }
}

/// The texts that spans point into.
#[derive(Debug, Default, Clone)]
pub struct Sources {
    files: Vec<(String, String)>,
}

impl Sources {
    /// Takes a file's name (as the user wrote it) and text.
    pub fn add(&mut self, name: impl Into<String>, text: impl Into<String>) -> FileId {
        self.files.push((name.into(), text.into()));
        FileId((self.files.len() - 1) as u32)
    }

    /// The text of a file.
    pub fn text(&self, file: FileId) -> &str {
        &self.files[file.0 as usize].1
    }

    /// The name of a file.
    pub fn name(&self, file: FileId) -> &str {
        &self.files[file.0 as usize].0
    }

    /// The words a span covers.
    pub fn words(&self, span: Span) -> &str {
        self.text(span.file)
            .get(span.start as usize..span.end as usize)
            .unwrap_or("")
    }

    /// Line and column of a span's start, both from 1; the column counts characters.
    pub fn line_column(&self, span: Span) -> (usize, usize) {
        let text = self.text(span.file);
        let mut at = (span.start as usize).min(text.len());
        while !text.is_char_boundary(at) {
            at -= 1;
        }
        let before = &text[..at];
        let line_start = before.rfind('\n').map_or(0, |n| n + 1);
        let line = before.bytes().filter(|&b| b == b'\n').count() + 1;
        (line, before[line_start..].chars().count() + 1)
    }

    /// The message with its excerpt, ready for standard error (no colours).
    pub fn render(&self, diagnostic: &Diagnostic) -> String {
        let level = match diagnostic.severity {
            Severity::Error => Level::ERROR,
            Severity::Warning => Level::WARNING,
        };
        let mut groups = level
            .primary_title(&diagnostic.message)
            .elements(Vec::<Snippet<'_, annotate_snippets::Annotation<'_>>>::new());
        if let Some(span) = diagnostic.span {
            let text = self.text(span.file);
            let (start, end) = clamp(text, span);
            // Only the lines that matter go to the renderer: a netlist may have a million.
            let from = text[..start].rfind('\n').map_or(0, |n| n + 1);
            let upto = text[end..].find('\n').map_or(text.len(), |n| end + n);
            let line = text[..from].bytes().filter(|&b| b == b'\n').count() + 1;
            groups = groups.element(
                Snippet::source(&text[from..upto])
                    .line_start(line)
                    .path(self.name(span.file))
                    .annotation(AnnotationKind::Primary.span(start - from..end - from)),
            );
        }
        if let Some(hint) = &diagnostic.hint {
            groups = groups.element(Level::HELP.with_name("hint").message(hint));
        }
        Renderer::plain().render(&[groups])
    }
}

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

/// The candidate nearest to a misspelt word, if one is near enough to be worth suggesting.
pub fn nearest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let word = word.to_lowercase();
    let limit = (word.chars().count() / 3).clamp(1, 3);
    candidates
        .into_iter()
        .map(|c| (strsim::damerau_levenshtein(&word, &c.to_lowercase()), c))
        .filter(|&(distance, _)| distance <= limit)
        .min_by_key(|&(distance, c)| (distance, c.to_string()))
        .map(|(_, c)| c)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_excerpt_names_file_line_and_column() {
        let mut sources = Sources::default();
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
        assert!(shown.contains("hint: did you mean `12AX7`?"), "{shown}");
    }

    #[test]
    fn a_span_past_the_end_does_not_panic() {
        let mut sources = Sources::default();
        let file = sources.add("a", "é");
        sources.render(&Diagnostic::error("x", Span::new(file, 1, 99)));
    }

    #[test]
    fn near_words_are_found_and_far_ones_not() {
        assert_eq!(nearest("12AX&", ["12AX7", "EL34"]), Some("12AX7"));
        assert_eq!(nearest("zzz", ["12AX7", "EL34"]), None);
    }
}
