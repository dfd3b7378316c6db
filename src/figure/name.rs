//! The line of text that names a figure.

use super::amount::{self, Behind};
use super::problem::FigureProblem;
use super::registry::{self, About, Condition, QUANTITIES, Quantity, Takes};
use crate::diag::{Diagnostic, FileId, Span, nearest};
use crate::netlist::parse_probe;
use crate::netlist::statement::{Name, Probe};

/// What a figure is about, not yet looked up.
#[derive(Debug, Clone, PartialEq)]
pub enum Subject {
    /// A node or probe.
    Probe(Probe),
    /// An element.
    Element(Name),
}

/// A condition with its value.
#[derive(Debug, Clone, PartialEq)]
pub struct Given {
    /// Its key.
    pub key: &'static str,
    /// As written.
    pub text: String,
    /// The number, where it takes one.
    pub number: f64,
    /// Where the value stands.
    pub span: Span,
}

/// A figure that is asked for: read, but not yet looked up in a circuit.
#[derive(Debug, Clone)]
pub struct Figure {
    /// As written, without the blanks around it.
    pub text: String,
    /// Its kind.
    pub quantity: &'static Quantity,
    /// What it is of.
    pub subject: Subject,
    /// The subject as written.
    pub subject_text: String,
    /// What it is taken under.
    pub conditions: Vec<Given>,
    /// Where the whole stands.
    pub span: Span,
    /// Where the subject stands.
    pub subject_span: Span,
}

/// Where a text stands in its file.
#[derive(Debug, Clone, Copy)]
pub struct Words {
    /// The file.
    pub file: FileId,
    /// First byte of the text.
    pub start: usize,
    /// One past its last byte.
    pub end: usize,
    /// Whether the bytes of the text and of the file are the same, so that places within can be
    /// told; else the whole is meant (a text with escapes).
    pub exact: bool,
}

impl Words {
    /// A text that fills its file.
    pub fn whole(file: FileId, text: &str) -> Self {
        Words {
            file,
            start: 0,
            end: text.len(),
            exact: true,
        }
    }

    /// The place of a part of the text.
    pub fn span(&self, from: usize, to: usize) -> Span {
        if self.exact {
            Span::new(self.file, self.start + from, self.start + to)
        } else {
            Span::new(self.file, self.start, self.end)
        }
    }
}

/// A stretch of the line.
#[derive(Clone, Copy)]
struct Piece<'a> {
    text: &'a str,
    at: usize,
}

impl<'a> Piece<'a> {
    fn trim(self) -> Self {
        let left = self.text.trim_start();
        Piece {
            at: self.at + self.text.len() - left.len(),
            text: left.trim_end(),
        }
    }

    /// At the first word `word` that stands alone: before it and after it.
    fn split_word(self, word: &str) -> Option<(Self, Self)> {
        // ASCII alone is lowered, so that places stay what they are.
        let lower = self.text.to_ascii_lowercase();
        let found = lower.match_indices(word).find(|(k, _)| {
            let before = lower[..*k].chars().next_back();
            let after = lower[k + word.len()..].chars().next();
            [before, after]
                .into_iter()
                .all(|c| c.is_none_or(char::is_whitespace))
        });
        let (k, _) = found?;
        let end = k + word.len();
        let piece = |from: usize, to: usize| Piece {
            text: &self.text[from..to],
            at: self.at + from,
        };
        Some((piece(0, k), piece(end, self.text.len())))
    }

    /// The parts between commas that are not in parentheses.
    fn split_commas(self) -> Vec<Self> {
        let (mut parts, mut depth, mut start) = (Vec::new(), 0usize, 0);
        let mut part = |from: usize, to: usize| {
            parts.push(Piece {
                text: &self.text[from..to],
                at: self.at + from,
            });
        };
        for (k, c) in self.text.char_indices() {
            match c {
                '(' => depth += 1,
                ')' => depth = depth.saturating_sub(1),
                ',' if depth == 0 => {
                    part(start, k);
                    start = k + 1;
                }
                _ => {}
            }
        }
        part(start, self.text.len());
        parts
    }

    fn span(self, words: &Words) -> Span {
        words.span(self.at, self.at + self.text.len())
    }
}

impl Figure {
    /// Reads a figure.
    ///
    /// # Errors
    /// A diagnostic with the place of the word that is wrong.
    pub fn parse(text: &str, words: Words) -> Result<Self, Diagnostic> {
        // A figure is one line: what continues a line of a netlist means nothing here.
        let one_line = text.replace(['\n', '\r'], " ");
        let text = one_line.as_str();
        let whole = Piece { text, at: 0 }.trim();
        if whole.text.is_empty() {
            return Err(FigureProblem::Empty.at(words.span(0, text.len())));
        }
        let (head, with) = match whole.split_word("with") {
            Some((head, with)) => (head.trim(), Some(with)),
            None => (whole, None),
        };
        let (quantity, subject, subject_piece) = what(head, &words)?;
        let mut figure = Figure {
            text: whole.text.split_whitespace().collect::<Vec<_>>().join(" "),
            quantity,
            subject,
            subject_text: subject_piece.text.to_string(),
            conditions: Vec::new(),
            span: whole.span(&words),
            subject_span: subject_piece.span(&words),
        };
        for piece in with.into_iter().flat_map(Piece::split_commas) {
            let given = condition(quantity, piece.trim(), &words)?;
            if figure.given(given.key).is_some() {
                return Err(FigureProblem::ConditionTwice { key: given.key }.at(given.span));
            }
            figure.conditions.push(given);
        }
        if let Some(missing) = quantity
            .conditions
            .iter()
            .find(|c| c.default.is_none() && figure.given(c.key).is_none())
        {
            return Err(FigureProblem::MissingCondition {
                quantity: quantity.name,
                key: missing.key,
                example: quantity.example,
            }
            .at(figure.span));
        }
        Ok(figure)
    }

    /// The unit it comes in: its quantity's, or that of its probe.
    pub fn unit(&self) -> &'static str {
        match (&self.subject, self.quantity.unit) {
            (Subject::Probe(Probe::Voltage(..)), "") => "V",
            (Subject::Probe(Probe::Current(_)), "") => "A",
            (Subject::Probe(Probe::Power(_)), "") => "W",
            (_, unit) => unit,
        }
    }

    /// A condition, if it was given.
    pub fn given(&self, key: &str) -> Option<&Given> {
        self.conditions.iter().find(|g| g.key == key)
    }

    /// A condition's number, if it was given.
    pub fn number(&self, key: &str) -> Option<f64> {
        self.given(key).map(|g| g.number)
    }
}

/// Quantity and subject of what stands before `with`.
fn what<'a>(
    head: Piece<'a>,
    words: &Words,
) -> Result<(&'static Quantity, Subject, Piece<'a>), Diagnostic> {
    let Some((name, subject)) = head.split_word("of") else {
        return bare(head, words);
    };
    let (name, subject) = (name.trim(), subject.trim());
    let squeezed = name.text.split_whitespace().collect::<Vec<_>>().join(" ");
    let Some(quantity) = registry::quantity(&squeezed) else {
        let names = QUANTITIES.iter().map(|q| q.name);
        let near = nearest(&squeezed, names).map(str::to_string);
        let span = if name.text.is_empty() {
            head.span(words)
        } else {
            name.span(words)
        };
        return Err(FigureProblem::UnknownQuantity {
            name: squeezed,
            near,
        }
        .at(span));
    };
    if subject.text.is_empty() {
        return Err(FigureProblem::NoSubject {
            quantity: quantity.name,
            example: quantity.example,
        }
        .at(head.span(words)));
    }
    let resolved = match quantity.about {
        About::Element | About::Charted | About::Source => element(quantity, subject, words)?,
        About::Node | About::Probe => {
            let probe = probe(subject, words)?;
            if quantity.about == About::Node && !matches!(probe, Probe::Voltage(..)) {
                return Err(wrong_subject(quantity, subject, words));
            }
            Subject::Probe(probe)
        }
    };
    Ok((quantity, resolved, subject))
}

/// A bare probe, or a mistake.
fn bare<'a>(
    head: Piece<'a>,
    words: &Words,
) -> Result<(&'static Quantity, Subject, Piece<'a>), Diagnostic> {
    let squeezed = head.text.split_whitespace().collect::<Vec<_>>().join(" ");
    if let Some(quantity) = registry::quantity(&squeezed) {
        return Err(FigureProblem::NoSubject {
            quantity: quantity.name,
            example: quantity.example,
        }
        .at(head.span(words)));
    }
    if !head.text.contains('(') {
        return Err(FigureProblem::NoFigure {
            text: head.text.to_string(),
        }
        .at(head.span(words)));
    }
    let probe = probe(head, words)?;
    let name = match probe {
        Probe::Voltage(..) => "voltage",
        Probe::Current(..) => "current",
        Probe::Power(..) => "power",
    };
    let quantity = registry::quantity(name).expect("every probe is a quantity");
    Ok((quantity, Subject::Probe(probe), head))
}

fn wrong_subject(quantity: &'static Quantity, subject: Piece<'_>, words: &Words) -> Diagnostic {
    FigureProblem::WrongSubject {
        quantity: quantity.name,
        expected: quantity.about.word(),
        found: subject.text.to_string(),
        example: quantity.example,
    }
    .at(subject.span(words))
}

fn element(
    quantity: &'static Quantity,
    subject: Piece<'_>,
    words: &Words,
) -> Result<Subject, Diagnostic> {
    let odd = |c: char| c.is_whitespace() || "(),".contains(c);
    if subject.text.contains(odd) {
        return Err(wrong_subject(quantity, subject, words));
    }
    Ok(Subject::Element(Name {
        text: subject.text.to_string(),
        span: subject.span(words),
    }))
}

/// A probe, or a node's bare name.
fn probe(piece: Piece<'_>, words: &Words) -> Result<Probe, Diagnostic> {
    if !piece.text.contains(['(', ')', ',']) && !piece.text.contains(char::is_whitespace) {
        let name = Name {
            text: piece.text.to_string(),
            span: piece.span(words),
        };
        return Ok(Probe::Voltage(name, None));
    }
    // The netlist's own reader counts from the probe's first byte.
    let moved =
        |span: Span| words.span(piece.at + span.start as usize, piece.at + span.end as usize);
    match parse_probe(piece.text, words.file) {
        Ok(mut probe) => {
            let names = match &mut probe {
                Probe::Voltage(a, b) => vec![Some(a), b.as_mut()],
                Probe::Current(a) | Probe::Power(a) => vec![Some(a)],
            };
            for name in names.into_iter().flatten() {
                name.span = moved(name.span);
            }
            Ok(probe)
        }
        Err(mut diagnostic) => {
            diagnostic.span = diagnostic.span.map(moved);
            Err(diagnostic)
        }
    }
}

fn condition(
    quantity: &'static Quantity,
    piece: Piece<'_>,
    words: &Words,
) -> Result<Given, Diagnostic> {
    let (key, value) = match piece.text.split_once(char::is_whitespace) {
        Some((key, value)) => {
            let at = piece.at + piece.text.len() - value.len();
            (key, Piece { text: value, at }.trim())
        }
        None => (
            piece.text,
            Piece {
                text: "",
                at: piece.at + piece.text.len(),
            },
        ),
    };
    let key_span = words.span(piece.at, piece.at + key.len());
    let Some(condition) = quantity
        .conditions
        .iter()
        .find(|c| c.key.eq_ignore_ascii_case(key))
    else {
        let keys = quantity.conditions.iter().map(|c| c.key);
        return Err(FigureProblem::UnknownCondition {
            quantity: quantity.name,
            key: key.to_string(),
            near: nearest(key, keys.clone()).map(str::to_string),
            known: keys
                .map(|k| format!("`{k}`"))
                .collect::<Vec<_>>()
                .join(", "),
        }
        .at(key_span));
    };
    if value.text.is_empty() {
        return Err(FigureProblem::NoConditionValue {
            key: condition.key.to_string(),
        }
        .at(key_span));
    }
    let span = value.span(words);
    Ok(Given {
        key: condition.key,
        text: value.text.to_string(),
        number: number(condition, value.text, span)?,
        span,
    })
}

/// A condition's number; NaN where it takes a word.
fn number(condition: &'static Condition, text: &str, span: Span) -> Result<f64, Diagnostic> {
    let expected = |expected: String| {
        FigureProblem::ConditionValue {
            key: condition.key,
            found: text.to_string(),
            expected,
        }
        .at(span)
    };
    let in_unit = |unit: &'static str| {
        let amount =
            amount::read(text).map_err(|wrong| FigureProblem::amount(text, wrong).at(span))?;
        match amount.unit {
            Behind::Unit(found) if found != unit => Err(FigureProblem::WrongUnit {
                found,
                expected: unit.to_string(),
            }
            .at(span)),
            _ => Ok(amount.number),
        }
    };
    match condition.takes {
        Takes::Positive(unit) => match in_unit(unit)? {
            n if n > 0.0 => Ok(n),
            _ => Err(expected("more than zero".into())),
        },
        Takes::NotNegative(unit) => match in_unit(unit)? {
            n if n >= 0.0 => Ok(n),
            _ => Err(expected("zero or more".into())),
        },
        Takes::OneOf(list) => {
            let found = text.parse::<usize>().ok().filter(|n| list.contains(n));
            found.map(|n| n as f64).ok_or_else(|| {
                let list: Vec<String> = list.iter().map(usize::to_string).collect();
                expected(list.join(", "))
            })
        }
        Takes::Word(list) => {
            if list.iter().any(|w| w.eq_ignore_ascii_case(text)) {
                Ok(f64::NAN)
            } else {
                Err(expected(list.join(", ")))
            }
        }
        Takes::Source | Takes::Text => Ok(f64::NAN),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diag::Files;

    fn parse(text: &str) -> Result<Figure, (String, String)> {
        let mut sources = Files::default();
        let file = sources.add("t", text);
        Figure::parse(text, Words::whole(file, text)).map_err(|d| {
            let span = d.span.expect("a place");
            (d.message, sources.words(span).to_string())
        })
    }

    #[test]
    fn every_example_of_the_registry_is_read() {
        for quantity in QUANTITIES {
            let figure =
                parse(quantity.example).unwrap_or_else(|e| panic!("{}: {e:?}", quantity.example));
            assert_eq!(figure.quantity.name, quantity.name);
        }
    }

    #[test]
    fn no_two_quantities_share_a_name() {
        for (k, quantity) in QUANTITIES.iter().enumerate() {
            let first = QUANTITIES.iter().position(|q| q.name == quantity.name);
            assert_eq!(first, Some(k));
            assert!(!quantity.name.split(' ').any(|w| w == "of" || w == "with"));
        }
    }

    #[test]
    fn a_bare_probe_is_a_figure() {
        assert_eq!(parse("v(out)").expect("read").quantity.name, "voltage");
        assert_eq!(parse(" i(R1) ").expect("read").quantity.name, "current");
        assert_eq!(parse("p(R1)").expect("read").text, "p(R1)");
    }

    #[test]
    fn conditions_are_read_with_their_units() {
        let figure = parse("Swing  of v(a, b) with stop 20 ms, step 10u,from 0").expect("read");
        assert_eq!(figure.number("stop"), Some(0.02));
        assert_eq!(figure.number("step"), Some(1e-5));
        assert_eq!(figure.number("from"), Some(0.0));
        assert_eq!(
            figure.text,
            "Swing of v(a, b) with stop 20 ms, step 10u,from 0"
        );
    }

    #[test]
    fn a_slip_is_told_at_its_word() {
        for (text, message, words) in [
            ("", "expected a figure, found nothing", ""),
            ("plate1", "`plate1` is not a figure", "plate1"),
            (
                "plate curent of XV1",
                "unknown quantity `plate curent`",
                "plate curent",
            ),
            ("voltage", "`voltage` needs a node or a part", "voltage"),
            (
                "voltage of",
                "`voltage` needs a node or a part",
                "voltage of",
            ),
            (
                "voltage of i(R1)",
                "`voltage` is of a node, found `i(R1)`",
                "i(R1)",
            ),
            (
                "vpk of v(a)",
                "`vpk` is of an element, found `v(a)`",
                "v(a)",
            ),
            ("v(a", "expected `)`, found the end", ""),
            (
                "swing of a with stopp 1",
                "`swing` takes no condition `stopp`",
                "stopp",
            ),
            (
                "swing of a with stop",
                "condition `stop` has no value",
                "stop",
            ),
            (
                "swing of a with stop 0",
                "condition `stop` is `0`, expected more than zero",
                "0",
            ),
            (
                "swing of a with from -1",
                "condition `from` is `-1`, expected zero or more",
                "-1",
            ),
            (
                "swing of a with stop 3 V",
                "wrong unit `V`, expected s",
                "3 V",
            ),
            (
                "swing of a with stop 3 parsec",
                "unknown unit `parsec`",
                "3 parsec",
            ),
            (
                "swing of a with stop long",
                "`long` is not a number with a unit",
                "long",
            ),
            (
                "swing of a with stop 1, stop 2",
                "condition `stop` is given twice",
                "2",
            ),
            (
                "render of a with oversample 3",
                "condition `oversample` is `3`, expected 1, 2, 4, 8, 16",
                "3",
            ),
            ("of v(a)", "unknown quantity ``", "of v(a)"),
        ] {
            let (said, at) = parse(text).expect_err(text);
            assert!(said.contains(message), "{text}: {said}");
            assert_eq!(at, words, "{text}");
        }
    }
}
