//! Expressions of B sources, and probes.

use crate::diag::Span;
use crate::netlist::card::Name;

/// The published set of functions.
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
    Sin,
    Sinh,
    Sqrt,
    Tan,
    /// Unit step: 1 for x > 0, else 0.
    U,
    /// Ramp: x for x > 0, else 0.
    Uramp,
}

/// Two-sided operators.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)] // the names say it
pub enum Operator {
    Add,
    Subtract,
    Multiply,
    Divide,
    Power,
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
