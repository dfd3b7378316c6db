//! What can be wrong with the text of a netlist: one variant per cause.

use thiserror::Error;

use crate::diag::{Diagnostic, Span};
use crate::limits::{Bound, raise};
use crate::netlist::loader::LoadProblem;
use crate::netlist::written_apart;
use crate::num::{Doubt, comma_hint};

/// A cause, with what its message needs. Names are as written.
#[derive(Debug, Clone, PartialEq, Error)]
#[allow(missing_docs)] // the messages say it
pub enum NetlistProblem {
    // Words of a statement.
    #[error("expected {what}, found the end of the line")]
    Missing { what: String },
    #[error("expected {what}, found `{found}`")]
    NotANumber { what: String, found: String },
    #[error("the number `{text}` is too large")]
    TooLarge { text: String },
    #[error("expected a name, found {found}")]
    NotAName { found: String },
    #[error("expected `{symbol}`, found {found}")]
    Symbol { symbol: &'static str, found: String },
    #[error("expected the end of the line, found `{found}`")]
    ExtraWords {
        found: String,
        after_comma: bool,
        before: String,
    },
    #[error("expected {expected}, found `{found}`")]
    NotOneOf {
        expected: &'static str,
        found: String,
        nearest: Option<&'static str>,
        before: String,
    },
    #[error("`(` without `)`")]
    Unclosed,
    #[error("`)` without `(`")]
    Unopened,
    #[error("there is nothing before this line that `+` could continue")]
    NothingToContinue,

    // Elements.
    #[error("unknown element letter `{letter}` in `{name}`")]
    UnknownElement { letter: char, name: String },
    #[error("`{name}` is a line of a valve, `{kind}`: lines of valves begin with X")]
    ValveWithoutX {
        name: String,
        kind: String,
        line: String,
    },
    #[error("unknown parameter `{name}` of `{owner}`")]
    UnknownParameter {
        name: String,
        owner: String,
        known: &'static [&'static str],
    },
    #[error("`{name}` takes nodes and a gain, and no expression")]
    ExpressionOfGain { name: String, write: String },
    #[error("`{what}` is given twice")]
    GivenTwice { what: String },
    #[error("zero resistance in `{name}`")]
    ZeroResistance { name: String },
    #[error("expected a whole number of dimensions from 1 to 100 after POLY, found `{found}`")]
    Dimensions { found: String },
    #[error("{shape} takes {least} to {most} numbers, found {found}")]
    WaveNumbers {
        shape: &'static str,
        least: usize,
        most: usize,
        found: usize,
    },
    #[error("PWL takes pairs of time and value, found {found} numbers")]
    WavePairs { found: usize },
    #[error("the times of PWL must rise, found `{later}` after `{earlier}`")]
    WaveOrder { earlier: String, later: String },
    #[error("duplicate {what} `{name}`")]
    Duplicate { what: &'static str, name: String },
    #[error("`{text}` {}", doubt.remark().0)]
    Doubtful { text: String, doubt: Doubt },
    #[error("`{before},{after}` is read as two numbers")]
    CommaInNumber { before: String, after: String },
    #[error("the initial guess of `{name}` is ignored")]
    IgnoredGuess { name: String },
    #[error("expected {expected} after `rated=`, found `{found}`: the rating is not read")]
    Rated {
        expected: &'static str,
        found: String,
    },
    #[error("`{found}` in the comment is not read")]
    UnreadRemark { found: String, write: String },
    #[error("`{found}` is not read: the comment has said the same before")]
    RemarkTwice { found: String },
    #[error("expected amperes after `{key}=`, found `{found}`: it is not read")]
    Amperes { key: &'static str, found: String },
    #[error("expected a percentage after `tol=`, found `{0}`: the tolerance is not read")]
    Tolerance(String),

    // Expressions and probes.
    #[error("expected a number, a function or `(`, found {found}")]
    NotAnOperand { found: String },
    #[error("expected an operator, found `{found}`")]
    NotAnOperator { found: String },
    #[error("unknown function `{name}`")]
    UnknownFunction {
        name: String,
        nearest: Option<&'static str>,
    },
    #[error("`{name}` takes {}, found {found}", arguments(name))]
    Arguments { name: &'static str, found: usize },
    #[error("unknown name `{name}` in an expression")]
    UnknownName { name: String },
    #[error("the expression is nested more than {limit} deep")]
    TooDeep { limit: usize },
    #[error("the expression has more than {limit} operations in a row")]
    TooLong { limit: usize },
    #[error("unknown probe `{name}`")]
    UnknownProbe { name: String },
    #[error("`{name}` is ignored: noise is not computed this way")]
    IgnoredProbe { name: String },

    // Control statements.
    #[error("unknown control line `{name}`")]
    UnknownStatement {
        name: String,
        nearest: Option<&'static str>,
    },
    #[error("the line `{name}` is ignored")]
    IgnoredStatement { name: String },
    #[error("`.ac` asks for no frequency: {points} points from `{from}` to `{to}`")]
    NoFrequencies {
        points: String,
        from: String,
        to: String,
    },
    #[error("only the temperature `{used}` is computed")]
    OneTemperature { used: String },
    #[error("unknown option `{name}`: it is ignored")]
    UnknownOption {
        name: String,
        nearest: Option<&'static str>,
    },
    #[error("the line `{name}` cannot be inside a subcircuit")]
    InsideSubcircuit { name: String },
    #[error("the first line is the title: `{words}` on it is not read")]
    TitleHoldsStatement { words: String },

    // Subcircuits.
    #[error("`.ends` without `.subckt`")]
    StrayEnds,
    #[error("`.ends {found}` ends no open subcircuit; the innermost is `{open}`")]
    WrongEnds { found: String, open: String },
    #[error("subcircuit `{name}` has no `.ends`")]
    MissingEnds { name: String },
    #[error("subcircuits are nested more than {limit} deep")]
    SubcircuitsTooDeep { limit: usize },

    // Files.
    #[error("cannot read `{path}`: {why}")]
    Unreadable {
        path: String,
        from: Option<String>,
        why: LoadProblem,
    },
    #[error("the include leads back to a file that is still being read: {chain}")]
    IncludeLoop { chain: String },
    #[error("includes are nested more than {limit} deep: {chain}")]
    IncludesTooDeep { limit: usize, chain: String },
    #[error("more than {limit} files are included")]
    TooManyIncludes { limit: usize },
    #[error("the netlist and its includes are more than {limit} MiB")]
    TooMuchText { limit: usize },
    #[error("more than {limit} errors; the rest of the netlist is not read")]
    TooManyErrors { limit: usize },
}

/// How many arguments a function of several takes.
fn arguments(name: &str) -> &'static str {
    if name == "limit" {
        "three arguments"
    } else {
        "two arguments or more"
    }
}

impl NetlistProblem {
    /// What to do about it, where there is something to say.
    pub fn hint(&self) -> Option<String> {
        let did_you_mean = |nearest: &str| Some(format!("did you mean `{nearest}`?"));
        match self {
            NetlistProblem::NotANumber { what, found } => {
                number_hint(what, found).map(String::from)
            }
            NetlistProblem::Amperes { key, found } => {
                comma_hint(found).or_else(|| Some(format!("for example `; {key}=0.5A`")))
            }
            NetlistProblem::UnreadRemark { write, .. } => Some(format!("write `{write}`")),
            NetlistProblem::RemarkTwice { .. } => {
                Some("the first counts; take one of them away".to_string())
            }
            NetlistProblem::Rated { found, .. } => comma_hint(found)
                .or_else(|| Some("for example `; rated=3W` or `; rated=450V`".to_string())),
            NetlistProblem::Tolerance(found) => comma_hint(found)
                .or_else(|| Some("for example `; tol=5%` or `; tol=-20..+50%`".to_string())),
            NetlistProblem::ExtraWords {
                found,
                after_comma,
                before,
            } => written_apart::hint(before, found, *after_comma),
            NetlistProblem::NotOneOf {
                nearest,
                found,
                before,
                ..
            } => {
                let meant = nearest.and_then(did_you_mean);
                meant.or_else(|| written_apart::hint(before, found, false))
            }
            NetlistProblem::ExpressionOfGain { write, .. } => Some(format!(
                "expressions are for B sources, without braces: write `{write}`"
            )),
            NetlistProblem::ValveWithoutX { line, .. } => Some(format!("write `{line}`")),
            NetlistProblem::UnknownElement { letter, .. } => Some(element_hint(*letter)),
            NetlistProblem::UnknownParameter { name, known, .. } => {
                let nearest = crate::diag::nearest(name, known.iter().copied());
                Some(match nearest {
                    Some(nearest) => format!("did you mean `{nearest}`?"),
                    None => format!("known are {}", known.join(", ")),
                })
            }
            NetlistProblem::ZeroResistance { .. } => {
                Some("give both ends one node name, or write a small value such as 1m".into())
            }
            NetlistProblem::WaveOrder { .. } => {
                Some("give a step a short rise time, e.g. 1m 0 1.001m 5".into())
            }
            NetlistProblem::Duplicate { .. } => Some("give one of the two another name".into()),
            NetlistProblem::Doubtful { text, doubt } => Some(doubt.advice(text)),
            NetlistProblem::CommaInNumber { before, after } => Some(format!(
                "decimals take a point: write `{before}.{after}`; if two numbers are meant, put a space after the comma"
            )),
            NetlistProblem::IgnoredGuess { .. } => {
                Some("take it away; use .nodeset to guide the operating point".into())
            }
            NetlistProblem::NotAnOperand { found } if found == "`*`" => {
                Some("a power is written `a^b`".into())
            }
            NetlistProblem::NotAnOperand { found } if found == "`{`" => {
                Some("write the expression without braces".into())
            }
            NetlistProblem::UnknownFunction { nearest, .. } => match nearest {
                Some(nearest) => did_you_mean(nearest),
                None => Some(format!(
                    "known are {}",
                    crate::netlist::expr::function_names()
                )),
            },
            NetlistProblem::UnknownName { name } => Some(format!(
                "a node voltage is written v({name}), a current through a voltage source i({name})"
            )),
            NetlistProblem::TooLong { .. } => Some(format!(
                "split the sum with parentheses or over two B sources; {}",
                raise(Bound::ExpressionLength)
            )),
            NetlistProblem::UnknownProbe { .. } => {
                Some("probes are v(node), v(node,node), i(element) and p(element)".into())
            }
            NetlistProblem::UnknownStatement { name, nearest } => nearest
                .and_then(did_you_mean)
                .or_else(|| statement_hint(name).map(String::from)),
            NetlistProblem::UnknownOption { nearest, .. } => nearest.and_then(did_you_mean),
            NetlistProblem::NoFrequencies { .. } => Some(
                "frequencies run upwards from more than zero, as in `.ac dec 10 20 20k`; M is milli"
                    .to_string(),
            ),
            NetlistProblem::OneTemperature { .. } => Some(
                "leave one; `gridleak vary` with `--vary temperature=27,40` computes several".to_string(),
            ),
            NetlistProblem::InsideSubcircuit { .. } => {
                Some("move it in front of the .subckt or behind its .ends".into())
            }
            NetlistProblem::TitleHoldsStatement { .. } => Some("put a title line above it".into()),
            NetlistProblem::WrongEnds { open, .. } => Some(format!("did you mean `.ends {open}`?")),
            NetlistProblem::MissingEnds { .. } => {
                Some("each .subckt needs an .ends of its own".into())
            }
            NetlistProblem::Unreadable {
                path, from: None, ..
            } if path == "-" => Some(
                "a netlist is read from a file, whose lines messages can name: save it first"
                    .into(),
            ),
            NetlistProblem::Unreadable { from, why, .. } => match (why.hint(), from) {
                (Some(hint), _) => Some(hint),
                (None, Some(from)) => {
                    Some(format!("the path is looked up from the folder of `{from}`"))
                }
                (None, None) => None,
            },
            NetlistProblem::TooDeep { .. } => Some(format!(
                "split it over two B sources; {}",
                raise(Bound::ExpressionDepth)
            )),
            NetlistProblem::SubcircuitsTooDeep { .. } => Some(raise(Bound::DefinitionDepth)),
            NetlistProblem::IncludesTooDeep { .. } => Some(raise(Bound::IncludeDepth)),
            NetlistProblem::TooManyIncludes { .. } => Some(raise(Bound::Includes)),
            NetlistProblem::TooMuchText { .. } => Some(raise(Bound::NetlistSize)),
            _ => None,
        }
    }

    /// Whether the reading can go on as if nothing had happened.
    pub fn is_warning(&self) -> bool {
        matches!(
            self,
            NetlistProblem::Doubtful { .. }
                | NetlistProblem::CommaInNumber { .. }
                | NetlistProblem::IgnoredGuess { .. }
                | NetlistProblem::Rated { .. }
                | NetlistProblem::UnreadRemark { .. }
                | NetlistProblem::RemarkTwice { .. }
                | NetlistProblem::Tolerance(_)
                | NetlistProblem::IgnoredProbe { .. }
                | NetlistProblem::IgnoredStatement { .. }
                | NetlistProblem::OneTemperature { .. }
                | NetlistProblem::UnknownOption { .. }
                | NetlistProblem::TitleHoldsStatement { .. }
                | NetlistProblem::Amperes { .. }
        )
    }

    /// The problem at its place.
    pub fn at(self, span: Span) -> Located {
        Located {
            problem: self,
            span: Some(span),
            also: None,
        }
    }
}

/// A problem and where it is.
#[derive(Debug, Clone, PartialEq)]
pub struct Located {
    /// What is wrong.
    pub problem: NetlistProblem,
    /// Where; nowhere if the main file could not be read.
    pub span: Option<Span>,
    /// A second place and what it is.
    pub also: Option<(Span, &'static str)>,
}

impl Located {
    /// With a second place.
    pub fn also(mut self, span: Span, label: &'static str) -> Self {
        self.also = Some((span, label));
        self
    }
}

impl From<Located> for Diagnostic {
    fn from(located: Located) -> Diagnostic {
        let message = located.problem.to_string();
        let mut diagnostic = if located.problem.is_warning() {
            Diagnostic::warning(message, located.span)
        } else {
            Diagnostic::error(message, located.span)
        };
        diagnostic = diagnostic.of(&located.problem);
        diagnostic.hint = located.problem.hint();
        diagnostic.also = located
            .also
            .map(|(span, label)| Box::new((span, label.to_string())));
        diagnostic
    }
}

/// A word as messages quote it: cut where it is long.
pub(crate) fn quoted(text: &str) -> String {
    match text.char_indices().nth(40) {
        Some((at, _)) => format!("{}...", &text[..at]),
        None => text.to_string(),
    }
}

fn number_hint(what: &str, found: &str) -> Option<&'static str> {
    let begins_as_number = found.starts_with(|c: char| c.is_ascii_digit() || c == '.');
    if begins_as_number {
        Some("numbers are written 4700, 4.7k, 4k7 or 4.7e3")
    } else if found.starts_with('{') {
        Some("only B sources take expressions")
    } else {
        match what {
            "a coupling coefficient" => {
                Some("one K line couples two coils: write one for each pair of three")
            }
            "a resistance" | "a capacitance" => {
                Some("write the value there: R and C take neither models nor names of values")
            }
            _ => None,
        }
    }
}

/// What to do about a line that others have and a builder may well have copied.
fn statement_hint(name: &str) -> Option<&'static str> {
    match name.to_lowercase().as_str() {
        ".sens" | ".disto" | ".pz" | ".save" => {
            Some("this is not computed here: put `*` in front of the line")
        }
        ".param" => {
            Some("names do not stand for values: write the numbers on the lines of the parts")
        }
        ".global" => Some("name the node on the .subckt line, and where the subcircuit is used"),
        _ => None,
    }
}

fn element_hint(letter: char) -> String {
    match letter.to_ascii_uppercase() {
        '#' | '/' => written_apart::COMMENTS.to_string(),
        'O' | 'T' | 'U' => "transmission lines are not modelled".to_string(),
        'Z' => "this kind of transistor is not modelled; use J or M".to_string(),
        _ => "elements begin with one of R C L K V I E F G H B D Q J M S W X".to_string(),
    }
}
