//! One expectation: a figure and what it should be.

use super::keys::EXPECT;
use super::problem::SheetProblem;
use super::words::{Entry, Item, Reader, number};
use crate::diag::{Diagnostic, Span};
use crate::figure::amount::{self, Behind};
use crate::figure::digits::shown;
use crate::figure::registry::Gives;
use crate::figure::target::Target;
use crate::figure::{Figure, problem};
use toml::de::{DeTable, DeValue};

/// A number that is expected, with its unit as written.
#[derive(Debug, Clone, PartialEq)]
pub struct Amount {
    /// In the figure's unit, or in per cent of its rating.
    pub target: Target,
    /// As written, without quotes.
    pub text: String,
    /// Where the value stands, quotes and all.
    pub span: Span,
}

/// How far off a figure may be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Tolerance {
    /// In the figure's unit.
    Absolute(f64),
    /// As a part of the expected value.
    Relative(f64),
    /// As a ratio, dB.
    Decibels(f64),
}

/// What is expected.
#[derive(Debug, Clone)]
pub enum Want {
    /// A value.
    Value {
        /// In every case that has none of its own.
        all: Option<Amount>,
        /// Values of cases: name, its place, value.
        by_case: Vec<(String, Span, Amount)>,
        /// The table of cases, if there is one.
        table: Option<Span>,
    },
    /// A range, either end of which may be open.
    Range {
        /// The least.
        least: Option<Amount>,
        /// The most.
        most: Option<Amount>,
    },
    /// A stored curve.
    Curve {
        /// Its file.
        file: String,
        /// Where the name stands.
        span: Span,
        /// Tolerance from place to place; empty if one holds everywhere.
        mask: Vec<(f64, f64)>,
    },
    /// A stored sound.
    Sound {
        /// Its file.
        file: String,
        /// Where the name stands.
        span: Span,
    },
    /// Levels of a sound.
    Fingerprint {
        /// Of each third-octave band, dB, and where they stand.
        bands: Option<(Vec<f64>, Span)>,
        /// Of each 50 ms, dB, and where they stand.
        envelope: Option<(Vec<f64>, Span)>,
    },
}

/// An expectation.
#[derive(Debug, Clone)]
pub struct Expectation {
    /// What is measured.
    pub figure: Figure,
    /// Where the figure's text stands, quotes and all.
    pub figure_span: Span,
    /// The cases it is for, if not all: the pattern and its place.
    pub cases: Option<(String, Span)>,
    /// What it should be.
    pub want: Want,
    /// How far off it may be; none for a range or with a mask.
    pub tolerance: Option<Tolerance>,
    /// The tolerance as written.
    pub tolerance_text: String,
    /// Whether it can be taken for another: a number without a unit, or per cent of a figure that is
    /// in per cent itself.
    pub is_bare: bool,
    /// Where the tolerance stands.
    pub tolerance_span: Option<Span>,
    /// One past the last byte of the block, for what is recorded.
    pub end: usize,
    /// Whether the block stands in braces.
    pub braces: bool,
}

impl Expectation {
    /// The unit of what is found: of a curve or sound held against a stored one, of the distance.
    pub fn found_unit(&self) -> &'static str {
        match (&self.want, self.tolerance) {
            (Want::Fingerprint { .. }, _) => "dB",
            (Want::Curve { .. } | Want::Sound { .. }, Some(Tolerance::Decibels(_))) => "dB",
            (Want::Sound { .. }, Some(Tolerance::Relative(_))) => "%",
            _ => self.figure.unit(),
        }
    }
}

/// The unit of a curve's or sound's tolerance that is a ratio in dB is no unit of its own.
const RATIOS: &[&str] = &["V", "A", "W"];

/// Reads one expectation; mistakes are noted.
pub fn expectation<'a>(
    reader: &mut Reader<'_>,
    table: &'a DeTable<'a>,
    owner: Span,
) -> Option<Expectation> {
    let before = reader.problems.len();
    let entries = reader.known(table, EXPECT, owner);
    let entry = |name: &str| {
        let place = EXPECT.iter().position(|k| k.name == name);
        entries[place.expect("a key of the table")]
    };
    let figure_entry = entry("figure")?;
    let (text, words) = reader.string("figure", figure_entry.value, "text in quotes")?;
    let figure = match Figure::parse(&text, words) {
        Ok(figure) => figure,
        Err(diagnostic) => {
            reader.problems.push(diagnostic);
            return None;
        }
    };
    let cases = entry("cases").and_then(|e| {
        let (text, words) = reader.string("cases", e.value, "text in quotes")?;
        let span = words.span(0, text.len());
        Some((text, span))
    });
    if let Some(e) = entry("origin") {
        reader.string("origin", e.value, "text in quotes");
    }
    let want = want(reader, &figure, figure_entry.key, &entry)?;
    let tolerance_span = entry("tolerance").map(|e| match e.value.get_ref() {
        DeValue::String(text) => reader.words(e.value, text).span(0, text.len()),
        _ => reader.of(e.value),
    });
    let (tolerance, tolerance_text) = match entry("tolerance") {
        Some(e) => {
            let refused = match &want {
                Want::Range { .. } => Some("`at-least` and `at-most`"),
                Want::Curve { mask, .. } if !mask.is_empty() => Some("`mask`"),
                _ => None,
            };
            if let Some(with) = refused {
                let problem = SheetProblem::DoesNotGo {
                    key: "tolerance".into(),
                    with: with.into(),
                };
                reader.wrong(problem, e.key);
                return None;
            }
            let (tolerance, text) = tolerance(reader, &figure, &want, e.value)?;
            (Some(tolerance), text)
        }
        None => {
            let needed = match &want {
                Want::Range { .. } => false,
                Want::Curve { mask, .. } => mask.is_empty(),
                _ => true,
            };
            if needed {
                reader.wrong(SheetProblem::NoTolerance, figure_entry.key);
                return None;
            }
            (None, String::new())
        }
    };
    let is_bare = is_bare(&figure, tolerance, &tolerance_text);
    if let (Want::Value { all, by_case, .. }, Some(Tolerance::Absolute(allowed)), true) =
        (&want, tolerance, is_bare)
    {
        for amount in all.iter().chain(by_case.iter().map(|c| &c.2)) {
            if let Target::Value(value) = amount.target
                && let Some(problem) = bare(&figure, &tolerance_text, allowed, value)
            {
                reader.wrong(problem, tolerance_span.unwrap_or(amount.span));
                break;
            }
        }
    }
    if reader.problems.len() > before {
        return None;
    }
    let ends = entries.iter().flatten().map(|e| e.value.span().end);
    Some(Expectation {
        figure,
        figure_span: reader.of(figure_entry.value),
        cases,
        want,
        tolerance,
        tolerance_text,
        is_bare,
        tolerance_span,
        end: ends.max().unwrap_or(0),
        braces: reader.text.as_bytes().get(owner.start as usize) == Some(&b'{'),
    })
}

/// Whether a tolerance can be taken for another: `5` for per cent, `5 %` for per cent of the value.
fn is_bare(figure: &Figure, tolerance: Option<Tolerance>, text: &str) -> bool {
    let has_unit = amount::read(text).is_ok_and(|a| a.unit != Behind::Nothing);
    matches!(tolerance, Some(Tolerance::Absolute(_)))
        && !matches!(figure.unit(), "dB" | "deg")
        && (!has_unit || figure.unit() == "%")
}

/// What is wrong with a tolerance that can be taken for another, where zero would be within it.
pub fn bare(figure: &Figure, text: &str, allowed: f64, value: f64) -> Option<SheetProblem> {
    if value == 0.0 || allowed < value.abs() {
        return None;
    }
    let unit = figure.unit();
    let number = crate::num::full(allowed);
    let remedy = if unit == "%" {
        format!("write `{number} % of value` for a part of it, or give `at-most`")
    } else {
        format!("write `{number} %` for a part of the value, or `{number} {unit}` if that is meant")
    };
    Some(SheetProblem::BareTolerance {
        text: text.to_string(),
        means: shown(allowed, unit),
        value: shown(value, unit),
        remedy,
    })
}

/// What the keys together say is wanted.
fn want<'a>(
    reader: &mut Reader<'_>,
    figure: &Figure,
    figure_key: Span,
    entry: &dyn Fn(&str) -> Option<Entry<'a>>,
) -> Option<Want> {
    let allowed: &[&str] = match figure.quantity.gives {
        Gives::Number => &["value", "at-least", "at-most"],
        Gives::Curve => &["file", "mask"],
        Gives::Sound => &["file", "bands", "envelope"],
    };
    let mut fits = true;
    for key in [
        "value", "at-least", "at-most", "file", "mask", "bands", "envelope",
    ] {
        if let Some(e) = entry(key).filter(|_| !allowed.contains(&key)) {
            let problem = SheetProblem::DoesNotGo {
                key: key.into(),
                with: format!("`{}`", figure.quantity.name),
            };
            reader.wrong(problem, e.key);
            fits = false;
        }
    }
    if !fits {
        return None;
    }
    match figure.quantity.gives {
        Gives::Number => numbers(reader, figure, figure_key, entry),
        Gives::Curve => {
            let Some(e) = entry("file") else {
                let problem = SheetProblem::NothingExpected {
                    figure: figure.quantity.name.into(),
                    needed: "the `file` it is held against",
                };
                reader.wrong(problem, figure_key);
                return None;
            };
            let (file, words) = reader.string("file", e.value, "text in quotes")?;
            let mask = match entry("mask") {
                Some(e) => mask(reader, figure, e)?,
                None => Vec::new(),
            };
            Some(Want::Curve {
                span: words.span(0, file.len()),
                file,
                mask,
            })
        }
        Gives::Sound => {
            if let Some(e) = entry("file") {
                for key in ["bands", "envelope"] {
                    if let Some(other) = entry(key) {
                        let problem = SheetProblem::DoesNotGo {
                            key: key.into(),
                            with: "`file`".into(),
                        };
                        reader.wrong(problem, other.key);
                    }
                }
                let (file, words) = reader.string("file", e.value, "text in quotes")?;
                return Some(Want::Sound {
                    span: words.span(0, file.len()),
                    file,
                });
            }
            let mut levels = |key: &str| {
                let e = entry(key)?;
                let list = reader.list(key, e.value, "a list of numbers")?;
                let mut all = Vec::new();
                for item in list.iter() {
                    match number(item) {
                        Some(n) => all.push(n),
                        None => reader.wrong_type(key, item, "a number"),
                    }
                }
                Some((all, reader.of(e.value)))
            };
            let bands = levels("bands");
            let envelope = levels("envelope");
            Some(Want::Fingerprint { bands, envelope })
        }
    }
}

/// A value or a range.
fn numbers<'a>(
    reader: &mut Reader<'_>,
    figure: &Figure,
    figure_key: Span,
    entry: &dyn Fn(&str) -> Option<Entry<'a>>,
) -> Option<Want> {
    let (least, most) = (entry("at-least"), entry("at-most"));
    if least.is_some() || most.is_some() {
        if let Some(e) = entry("value") {
            let problem = SheetProblem::DoesNotGo {
                key: "value".into(),
                with: "`at-least` and `at-most`".into(),
            };
            reader.wrong(problem, e.key);
            return None;
        }
        let mut end = |key: &str, e: Option<Entry<'a>>| match e {
            Some(e) => expected(reader, figure, key, e.value).map(Some),
            None => Some(None),
        };
        let (least, most) = (end("at-least", least)?, end("at-most", most)?);
        if let (Some(l), Some(m)) = (&least, &most)
            && is_above(l.target, m.target)
        {
            let problem = SheetProblem::EmptyRange {
                at_least: l.text.clone(),
                at_most: m.text.clone(),
            };
            reader.wrong(problem, m.span);
            return None;
        }
        return Some(Want::Range { least, most });
    }
    if figure.quantity.is_run_time() {
        // No machine takes the same time twice, so that it can only be bounded.
        let problem = SheetProblem::NothingExpected {
            figure: "run time".into(),
            needed: "`at-most`",
        };
        let at = entry("value").map_or(figure_key, |e| e.key);
        reader.wrong(problem, at);
        return None;
    }
    let (mut all, mut by_case, mut table) = (None, Vec::new(), None);
    if let Some(e) = entry("value") {
        match e.value.get_ref() {
            DeValue::Table(cases) => {
                table = Some(reader.of(e.value));
                for case in reader.entries(cases) {
                    if let Some(amount) = expected(reader, figure, "value", case.value) {
                        by_case.push((case.name.to_string(), case.key, amount));
                    }
                }
            }
            _ => all = Some(expected(reader, figure, "value", e.value)?),
        }
    }
    Some(Want::Value {
        all,
        by_case,
        table,
    })
}

/// Whether the one is more than the other, as far as that can be said before ratings are known.
fn is_above(one: Target, other: Target) -> bool {
    match (one, other) {
        (Target::Value(a), Target::Value(b)) | (Target::OfRating(a), Target::OfRating(b)) => a > b,
        _ => false,
    }
}

/// An amount in the figure's unit, or in % of its rating.
fn expected(reader: &mut Reader<'_>, figure: &Figure, key: &str, item: Item<'_>) -> Option<Amount> {
    let (amount, text, span) = read_amount(reader, key, item)?;
    match Target::of_amount(amount, figure) {
        Ok(target) => Some(Amount {
            target,
            text,
            span: reader.of(item),
        }),
        Err(wrong) => {
            reader.problems.push(wrong.at(span));
            None
        }
    }
}

fn wrong_unit(found: &'static str, unit: &str, span: Span) -> Diagnostic {
    problem::FigureProblem::wrong_unit(found, unit).at(span)
}

/// A number or a text with a unit.
fn read_amount(
    reader: &mut Reader<'_>,
    key: &str,
    item: Item<'_>,
) -> Option<(amount::Amount, String, Span)> {
    if let Some(number) = number(item) {
        let plain = amount::Amount {
            number,
            unit: Behind::Nothing,
        };
        return Some((plain, crate::num::full(number), reader.of(item)));
    }
    let (text, words) = reader.string(key, item, "a number, or text with its unit")?;
    let span = words.span(0, text.len());
    match amount::read(&text) {
        Ok(amount) => Some((amount, text, span)),
        Err(wrong) => {
            reader
                .problems
                .push(problem::FigureProblem::amount(&text, wrong).at(span));
            None
        }
    }
}

/// A tolerance and its text.
fn tolerance(
    reader: &mut Reader<'_>,
    figure: &Figure,
    want: &Want,
    item: Item<'_>,
) -> Option<(Tolerance, String)> {
    let unit = figure.unit();
    // `5 % of value` is relative even where the unit itself is percent.
    let of_value = match item.get_ref() {
        DeValue::String(text) => text.trim_end().strip_suffix("of value"),
        _ => None,
    };
    let (amount, text, span) = match of_value {
        Some(head) => {
            let (text, words) = reader.string("tolerance", item, "")?;
            let span = words.span(0, text.len());
            match amount::read(head) {
                Ok(amount) => (amount, text, span),
                Err(wrong) => {
                    let problem = problem::FigureProblem::amount(&text, wrong);
                    reader.problems.push(problem.at(span));
                    return None;
                }
            }
        }
        None => read_amount(reader, "tolerance", item)?,
    };
    let sound = matches!(want, Want::Sound { .. });
    let level = matches!(want, Want::Fingerprint { .. });
    let n = amount.number;
    let tolerance = match amount.unit {
        Behind::Unit("%") if of_value.is_some() => Tolerance::Relative(n / 100.0),
        Behind::Unit("dB") if level => Tolerance::Absolute(n),
        _ if level => {
            let found = match amount.unit {
                Behind::Unit(found) => found,
                Behind::Nothing => "none",
            };
            reader.problems.push(wrong_unit(found, "dB", span));
            return None;
        }
        Behind::Unit("dB") if sound => {
            if n >= 0.0 {
                reader.wrong(SheetProblem::IdleTolerance { text }, span);
                return None;
            }
            return Some((Tolerance::Decibels(n), text));
        }
        Behind::Nothing => Tolerance::Absolute(n),
        Behind::Unit(found) if found == unit => Tolerance::Absolute(n),
        Behind::Unit("%") if !matches!(unit, "dB" | "deg") => Tolerance::Relative(n / 100.0),
        Behind::Unit("dB") if RATIOS.contains(&unit) => Tolerance::Decibels(n),
        Behind::Unit(found) => {
            reader.problems.push(wrong_unit(found, unit, span));
            return None;
        }
    };
    match n {
        0.0 => reader.wrong(SheetProblem::ZeroTolerance, span),
        n if n < 0.0 => reader.wrong(SheetProblem::NegativeTolerance { text }, span),
        _ if matches!(tolerance, Tolerance::Relative(part) if part >= 1.0) => {
            reader.wrong(SheetProblem::WideTolerance { text }, span);
        }
        _ => return Some((tolerance, text)),
    }
    None
}

/// Pairs of a place and a tolerance there.
fn mask(reader: &mut Reader<'_>, figure: &Figure, entry: Entry<'_>) -> Option<Vec<(f64, f64)>> {
    let before = reader.problems.len();
    let list = reader.list("mask", entry.value, "a list of pairs")?;
    let across = match figure.quantity.name {
        "waveform" => "s",
        _ => "Hz",
    };
    let mut pairs: Vec<(f64, f64)> = Vec::new();
    for item in list.iter() {
        let span = reader.of(item);
        let pair: Vec<_> = match item.get_ref() {
            DeValue::Array(pair) if pair.len() == 2 => pair.iter().collect(),
            DeValue::Array(pair) => {
                let found = format!("a list of {}", pair.len());
                reader.wrong(SheetProblem::MaskPair { found }, span);
                continue;
            }
            _ => {
                let found = "no list".to_string();
                reader.wrong(SheetProblem::MaskPair { found }, span);
                continue;
            }
        };
        let mut in_unit = |item, unit: &str| {
            let (amount, text, span) = read_amount(reader, "mask", item)?;
            match amount.unit {
                Behind::Unit(found) if found != unit => {
                    reader.problems.push(wrong_unit(found, unit, span));
                    None
                }
                _ => Some((amount.number, text, span)),
            }
        };
        let (Some((place, text, at)), Some((allowed, _, allowed_at))) =
            (in_unit(pair[0], across), in_unit(pair[1], figure.unit()))
        else {
            continue;
        };
        if allowed <= 0.0 {
            reader.wrong(SheetProblem::ZeroTolerance, allowed_at);
        }
        if pairs.last().is_some_and(|last| last.0 >= place) {
            reader.wrong(SheetProblem::MaskOrder { text }, at);
        }
        pairs.push((place, allowed));
    }
    if pairs.is_empty() && reader.problems.len() == before {
        let span = reader.of(entry.value);
        reader.wrong(SheetProblem::EmptyMask, span);
    }
    (reader.problems.len() == before).then_some(pairs)
}
