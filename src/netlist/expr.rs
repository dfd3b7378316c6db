//! Expressions of B sources as trees; `formula` reads them.

use crate::diag::Span;
use crate::netlist::name::Name;

/// The published set of functions of one argument, with `sgn` and `tanh` besides.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)] // the names say it
pub enum Function {
    Abs,
    Acos,
    Acosh,
    Asin,
    Asinh,
    Atan,
    Atanh,
    Cos,
    Cosh,
    Exp,
    /// Natural logarithm.
    Ln,
    /// Base ten.
    Log,
    /// Sign: -1, 0 or 1.
    Sgn,
    Sin,
    Sinh,
    Sqrt,
    Tan,
    Tanh,
    /// Unit step: 1 for x > 0, else 0.
    U,
    /// Ramp: x for x > 0, else 0.
    Uramp,
}

impl Function {
    /// Their names, in the order of the alphabet.
    pub const NAMES: &'static [(&'static str, Function)] = &[
        ("abs", Function::Abs),
        ("acos", Function::Acos),
        ("acosh", Function::Acosh),
        ("asin", Function::Asin),
        ("asinh", Function::Asinh),
        ("atan", Function::Atan),
        ("atanh", Function::Atanh),
        ("cos", Function::Cos),
        ("cosh", Function::Cosh),
        ("exp", Function::Exp),
        ("ln", Function::Ln),
        ("log", Function::Log),
        ("sgn", Function::Sgn),
        ("sin", Function::Sin),
        ("sinh", Function::Sinh),
        ("sqrt", Function::Sqrt),
        ("tan", Function::Tan),
        ("tanh", Function::Tanh),
        ("u", Function::U),
        ("uramp", Function::Uramp),
    ];
}

/// A function of several arguments.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Choosing {
    /// `limit(x, low, high)`: x, but no less than low and no more than high.
    Limit,
    /// The greatest of two or more.
    Max,
    /// The least of two or more.
    Min,
}

impl Choosing {
    /// Their names, in the order of the alphabet.
    pub const NAMES: &'static [(&'static str, Choosing)] = &[
        ("limit", Choosing::Limit),
        ("max", Choosing::Max),
        ("min", Choosing::Min),
    ];
}

/// Two-sided operators; the last two are written as functions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)] // the names say it
pub enum Operator {
    Add,
    Subtract,
    Multiply,
    Divide,
    Power,
    Greater,
    Less,
}

/// An expression tree; every node knows its place.
#[derive(Debug, Clone, PartialEq)]
pub enum Expr {
    /// A number.
    Number(f64, Span),
    /// `v(a)` or `v(a,b)`.
    Voltage(Name, Option<Name>, Span),
    /// `i(Vname)`.
    Current(Name, Span),
    /// Unary minus.
    Negate(Box<Expr>, Span),
    /// A function of one argument.
    Call(Function, Box<Expr>, Span),
    /// Two operands.
    Binary(Operator, Box<Expr>, Box<Expr>, Span),
}

impl Expr {
    /// Where it is written.
    pub fn span(&self) -> Span {
        match self {
            Expr::Number(_, span)
            | Expr::Voltage(_, _, span)
            | Expr::Current(_, span)
            | Expr::Negate(_, span)
            | Expr::Call(_, _, span)
            | Expr::Binary(_, _, _, span) => *span,
        }
    }
}

/// The functions as a message lists them.
pub(crate) fn function_names() -> String {
    let mut names = all_names();
    names.sort_unstable();
    names.join(", ")
}

/// The names of all functions.
pub(crate) fn all_names() -> Vec<&'static str> {
    let one = Function::NAMES.iter().map(|(name, _)| *name);
    one.chain(Choosing::NAMES.iter().map(|(name, _)| *name))
        .collect()
}
