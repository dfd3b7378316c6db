//! The text of one statement as the parsers see it, and the words it falls into.
//!
//! A statement is a stretch of its file, line ends and all; nothing is joined or
//! copied, so every word knows its place. The blanks between words include
//! the end of a line where the next one (comments and empty lines aside)
//! begins with `+`, and comments from `;` to the end of a line.

use std::cell::RefCell;
use std::str::{CharIndices, Chars};

use nom::branch::alt;
use nom::bytes::complete::{take_till, take_while, take_while1};
use nom::character::complete::{char, line_ending};
use nom::combinator::{recognize, value};
use nom::error::{ErrorKind, ParseError};
use nom::multi::{many0_count, many1_count};
use nom::sequence::preceded;
use nom::{Compare, CompareResult, IResult, Input, Needed, Offset, Parser};

use crate::diag::{FileId, Span};
use crate::limits::{Bound, Limits};
use crate::netlist::name::Name;
use crate::netlist::problem::{Located, NetlistProblem, quoted};

/// A stretch of a file and where remarks go that do not stop the reading.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Text<'a> {
    words: &'a str,
    file: FileId,
    start: usize,
    remarks: &'a Remarks,
}

/// Warnings found on the way, and the limits that hold.
#[derive(Debug, Default)]
pub(crate) struct Remarks {
    found: RefCell<Vec<Located>>,
    limits: Limits,
}

impl Remarks {
    /// None yet.
    pub fn within(limits: Limits) -> Self {
        Remarks {
            found: RefCell::default(),
            limits,
        }
    }

    /// What was found.
    pub fn into_inner(self) -> Vec<Located> {
        self.found.into_inner()
    }
}

/// Why a parser gave up.
#[derive(Debug)]
pub(crate) enum Trouble {
    /// This is something else; another parser may know it.
    NotHere,
    /// This is meant and wrong.
    Wrong(Box<Located>),
}

/// What the parsers of this floor answer.
pub(crate) type Parsed<'a, T> = IResult<Text<'a>, T, Trouble>;

impl<'a> Text<'a> {
    /// The bytes `start..end` of a file's text.
    pub fn new(
        text: &'a str,
        start: usize,
        end: usize,
        file: FileId,
        remarks: &'a Remarks,
    ) -> Self {
        let words = &text[start..end];
        Text {
            words,
            file,
            start,
            remarks,
        }
    }

    /// What is left.
    pub fn as_str(self) -> &'a str {
        self.words
    }

    /// The place of all that is left.
    pub fn span(self) -> Span {
        Span::new(self.file, self.start, self.start + self.words.len())
    }

    /// The place of what lies between here and where `rest` begins.
    pub fn span_to(self, rest: Text<'_>) -> Span {
        Span::new(self.file, self.start, rest.start)
    }

    /// What stands between two words of it, the first before the second.
    pub fn between(self, first: Span, second: Span) -> &'a str {
        &self.words[first.end as usize - self.start..second.start as usize - self.start]
    }

    /// The first of it, one character wide, or the empty place at its end.
    pub fn head(self) -> Span {
        let width = self.words.chars().next().map_or(0, char::len_utf8);
        Span::new(self.file, self.start, self.start + width)
    }

    /// Notes a warning.
    pub fn remark(self, problem: NetlistProblem, span: Span) {
        self.remarks.found.borrow_mut().push(problem.at(span));
    }

    /// How much of it there may be.
    pub fn limit(self, bound: Bound) -> usize {
        self.remarks.limits.count(bound)
    }
}

/// Gives up for good.
pub(crate) fn wrong(problem: NetlistProblem, span: Span) -> nom::Err<Trouble> {
    nom::Err::Failure(Trouble::Wrong(Box::new(problem.at(span))))
}

/// Skips blanks: spaces, comments, continuations.
pub(crate) fn blank(i: Text<'_>) -> Parsed<'_, ()> {
    // Most words are followed by one space and a word.
    let at = usize::from(i.words.starts_with(' '));
    match i.words.as_bytes().get(at) {
        Some(b) if b.is_ascii_graphic() && *b != b';' => Ok((i.take_from(at), ())),
        _ => value((), many0_count(alt((spaces, remark, continuation)))).parse(i),
    }
}

/// Skips what separates words: blanks, commas and parentheses.
pub(crate) fn gap(i: Text<'_>) -> Parsed<'_, ()> {
    let (mut i, ()) = blank(i)?;
    while i.words.starts_with([',', '(', ')']) {
        (i, ()) = blank(i.take_from(1))?;
    }
    Ok((i, ()))
}

/// A word after a gap: all up to a blank, `,`, `(`, `)`, `=` or `;`.
pub(crate) fn word(i: Text<'_>) -> Parsed<'_, Name> {
    let (i, ()) = gap(i)?;
    adjacent_word(i)
}

/// A word that begins right here.
pub(crate) fn adjacent_word(i: Text<'_>) -> Parsed<'_, Name> {
    let (rest, found) = take_while1(in_word).parse(i)?;
    Ok((rest, name(found)))
}

/// A given character after blanks.
pub(crate) fn symbol<'a>(c: char) -> impl Parser<Text<'a>, Output = char, Error = Trouble> {
    preceded(blank, char(c))
}

/// A given character after blanks, without which the statement makes no sense.
pub(crate) fn need<'a>(i: Text<'a>, symbol_text: &'static str) -> Parsed<'a, ()> {
    let (after, ()) = blank(i)?;
    match after.words.strip_prefix(symbol_text) {
        Some(_) => Ok((after.take_from(symbol_text.len()), ())),
        None => Err(wrong(
            NetlistProblem::Symbol {
                symbol: symbol_text,
                found: found(after),
            },
            next_span(after),
        )),
    }
}

/// The end of the statement, only separators before it.
pub(crate) fn end(i: Text<'_>) -> Parsed<'_, ()> {
    let (rest, ()) = gap(i)?;
    if rest.words.is_empty() {
        return Ok((rest, ()));
    }
    let skipped = i.words[..i.words.len() - rest.words.len()].trim_end();
    let span = next_span(rest);
    let problem = NetlistProblem::ExtraWords {
        found: quoted(next_words(rest)),
        after_comma: skipped.ends_with(','),
        // Only whoever has the whole line knows it.
        before: String::new(),
    };
    Err(wrong(problem, span))
}

/// What comes next, as messages name it.
pub(crate) fn found(i: Text<'_>) -> String {
    match next_words(i) {
        "" => "the end of the line".to_string(),
        words => format!("`{}`", quoted(words)),
    }
}

/// The place of what comes next.
pub(crate) fn next_span(i: Text<'_>) -> Span {
    Span::new(i.file, i.start, i.start + next_words(i).len())
}

/// A stretch as a name.
pub(crate) fn name(found: Text<'_>) -> Name {
    Name {
        text: found.words.to_string(),
        span: found.span(),
    }
}

/// The next word, or the next character where that is not a part of one.
fn next_words(i: Text<'_>) -> &str {
    let words = i.words.split(|c: char| !in_word(c)).next().unwrap_or("");
    match words {
        "" => &i.words[..i.words.chars().next().map_or(0, char::len_utf8)],
        words => words,
    }
}

fn in_word(c: char) -> bool {
    !c.is_whitespace() && !matches!(c, ',' | '(' | ')' | '=' | ';')
}

fn is_space(c: char) -> bool {
    c.is_whitespace() && c != '\n'
}

fn spaces(i: Text<'_>) -> Parsed<'_, Text<'_>> {
    take_while1(is_space).parse(i)
}

fn remark(i: Text<'_>) -> Parsed<'_, Text<'_>> {
    recognize((char(';'), take_till(|c| c == '\n'))).parse(i)
}

/// Line ends, the lines between that say nothing, and the `+`.
fn continuation(i: Text<'_>) -> Parsed<'_, Text<'_>> {
    let silent = |i| recognize((alt((char('*'), char(';'))), take_till(|c| c == '\n'))).parse(i);
    let next_line = (line_ending, take_while(is_space));
    recognize((many1_count((next_line, many0_count(silent))), char('+'))).parse(i)
}

impl ParseError<Text<'_>> for Trouble {
    fn from_error_kind(_: Text<'_>, _: ErrorKind) -> Self {
        Trouble::NotHere
    }

    fn append(_: Text<'_>, _: ErrorKind, other: Self) -> Self {
        other
    }
}

impl<'a> Input for Text<'a> {
    type Item = char;
    type Iter = Chars<'a>;
    type IterIndices = CharIndices<'a>;

    fn input_len(&self) -> usize {
        self.words.len()
    }

    fn take(&self, index: usize) -> Self {
        Text {
            words: &self.words[..index],
            ..*self
        }
    }

    fn take_from(&self, index: usize) -> Self {
        Text {
            words: &self.words[index..],
            start: self.start + index,
            ..*self
        }
    }

    fn take_split(&self, index: usize) -> (Self, Self) {
        (self.take_from(index), self.take(index))
    }

    fn position<P: Fn(char) -> bool>(&self, predicate: P) -> Option<usize> {
        self.words.find(predicate)
    }

    fn iter_elements(&self) -> Self::Iter {
        self.words.chars()
    }

    fn iter_indices(&self) -> Self::IterIndices {
        self.words.char_indices()
    }

    fn slice_index(&self, count: usize) -> Result<usize, Needed> {
        self.words.slice_index(count)
    }
}

impl Offset for Text<'_> {
    fn offset(&self, second: &Self) -> usize {
        second.start - self.start
    }
}

impl Compare<&str> for Text<'_> {
    fn compare(&self, other: &str) -> CompareResult {
        self.words.compare(other)
    }

    fn compare_no_case(&self, other: &str) -> CompareResult {
        self.words.compare_no_case(other)
    }
}
