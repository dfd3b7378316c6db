//! The grammar of expressions in B sources.
//!
//! From the weakest to the strongest: `+ -`, `* /`, unary `-`, `^`; so
//! `-2^2` is -4. Powers group from the right (`2^3^2` is 2^9), the others
//! from the left, as in SPICE3 (from memory). The constants `pi` and `e`
//! are SPICE3's as well (from memory).

use nom::Parser;
use nom::branch::alt;
use nom::bytes::complete::{take_while, take_while1};
use nom::character::complete::{char, digit0, digit1, one_of};
use nom::combinator::{opt, recognize};
use nom::sequence::preceded;

use crate::diag::{Span, nearest};
use crate::limits::Bound;
use crate::netlist::expr::{Choosing, Expr, Function, Operator, all_names};
use crate::netlist::grammar::{as_number, required};
use crate::netlist::name::Name;
use crate::netlist::problem::{NetlistProblem, quoted};
use crate::netlist::text::{Parsed, Text, blank, found, name, need, next_span, symbol, wrong};
use crate::num::Role;

/// A whole expression up to the end of the line.
pub(crate) fn expression(i: Text<'_>) -> Parsed<'_, Expr> {
    let (i, tree) = operation(i, Strength::Sum, 0)?;
    let (i, ()) = blank(i)?;
    if i.as_str().is_empty() {
        return Ok((i, tree.expr));
    }
    let found = found(i).trim_matches('`').to_string();
    Err(wrong(
        NetlistProblem::NotAnOperator { found },
        next_operator(i),
    ))
}

/// The function whose name is like a wrong one, unless it does the opposite: who writes `arctanh`
/// does not want `tanh`, and who writes `sqr` wants no root.
fn suggested(typed: &str) -> Option<&'static str> {
    let inverse = |name: &str| name.starts_with('a') && name != "abs";
    let names = all_names();
    let found = nearest(typed, names)?;
    let opposite = match found {
        "sqrt" => !typed.contains("rt"),
        "min" | "max" => !typed.starts_with(found),
        "exp" => typed.starts_with("lo") || typed.starts_with("ln"),
        "ln" | "log" => !typed.starts_with('l'),
        _ => inverse(found) != inverse(typed),
    };
    (!opposite).then_some(found)
}

/// `v(a)` or `v(a,b)` behind its `v`: the nodes.
pub(crate) fn nodes_of_voltage(i: Text<'_>) -> Parsed<'_, (Name, Option<Name>)> {
    let (i, ()) = need(i, "(")?;
    let (i, first) = inner_name(i, "a node")?;
    let (i, comma) = opt(symbol(',')).parse(i)?;
    let (i, second) = match comma {
        Some(_) => inner_name(i, "a node").map(|(i, second)| (i, Some(second)))?,
        None => (i, None),
    };
    let (i, ()) = need(i, ")")?;
    Ok((i, (first, second)))
}

/// `(name)`.
pub(crate) fn name_in_parentheses<'a>(i: Text<'a>, what: &str) -> Parsed<'a, Name> {
    let (i, ()) = need(i, "(")?;
    let (i, name) = inner_name(i, what)?;
    let (i, ()) = need(i, ")")?;
    Ok((i, name))
}

fn inner_name<'a>(i: Text<'a>, what: &str) -> Parsed<'a, Name> {
    let (i, ()) = blank(i)?;
    if i.as_str().starts_with([',', '(', ')']) {
        Err(wrong(
            NetlistProblem::NotAName { found: found(i) },
            next_span(i),
        ))
    } else {
        required(i, || what.to_string())
    }
}

/// How strongly operators bind, weakest first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Strength {
    Sum,
    Product,
    Power,
}

impl Operator {
    fn strength(self) -> Strength {
        match self {
            Operator::Add | Operator::Subtract => Strength::Sum,
            Operator::Multiply | Operator::Divide => Strength::Product,
            // The last two are written as functions.
            Operator::Power | Operator::Greater | Operator::Less => Strength::Power,
        }
    }

    /// The weakest operator that may stand in the right operand without parentheses.
    fn right(self) -> Strength {
        match self {
            Operator::Add | Operator::Subtract => Strength::Product,
            Operator::Multiply
            | Operator::Divide
            | Operator::Power
            | Operator::Greater
            | Operator::Less => Strength::Power,
        }
    }
}

/// An expression and how many nodes lie between it and its deepest leaf.
struct Tree {
    expr: Expr,
    height: usize,
}

/// Operands joined by operators that bind at least as strongly as `weakest`.
fn operation(i: Text<'_>, weakest: Strength, depth: usize) -> Parsed<'_, Tree> {
    let (mut i, mut left) = operand(i, depth)?;
    while let (rest, Some(operator)) = opt(operator).parse(i)? {
        if operator.strength() < weakest {
            break;
        }
        let (rest, right) = operation(rest, operator.right(), depth + 1)?;
        let span = left.expr.span().to(right.expr.span());
        let height = left.height.max(right.height) + 1;
        // Sums and products grow the tree to the left, and whoever walks it recurses.
        let limit = i.limit(Bound::ExpressionLength);
        if height > limit {
            return Err(wrong(NetlistProblem::TooLong { limit }, right.expr.span()));
        }
        let (a, b) = (Box::new(left.expr), Box::new(right.expr));
        let expr = Expr::Binary(operator, a, b, span);
        left = Tree { expr, height };
        i = rest;
    }
    Ok((i, left))
}

fn operator(i: Text<'_>) -> Parsed<'_, Operator> {
    let (i, symbol) = preceded(blank, one_of("+-*/^")).parse(i)?;
    let operator = match symbol {
        '+' => Operator::Add,
        '-' => Operator::Subtract,
        '*' => Operator::Multiply,
        '/' => Operator::Divide,
        _ => Operator::Power,
    };
    Ok((i, operator))
}

fn operand(i: Text<'_>, depth: usize) -> Parsed<'_, Tree> {
    let (i, ()) = blank(i)?;
    let limit = i.limit(Bound::ExpressionDepth);
    if depth > limit {
        return Err(wrong(NetlistProblem::TooDeep { limit }, i.head()));
    }
    let (rest, sign) = opt(one_of("+-")).parse(i)?;
    if let Some(sign) = sign {
        let (rest, inner) = operation(rest, Strength::Power, depth + 1)?;
        let span = i.span_to(rest);
        return Ok((
            rest,
            match sign {
                '-' => inner.under(|inner| Expr::Negate(inner, span)),
                _ => inner,
            },
        ));
    }
    if let (rest, Some(_)) = opt(char('(')).parse(i)? {
        let (rest, inner) = operation(rest, Strength::Sum, depth + 1)?;
        let (rest, ()) = need(rest, ")")?;
        return Ok((rest, inner));
    }
    match opt(alt((digits, letters))).parse(i)? {
        (rest, Some(word))
            if word
                .as_str()
                .starts_with(|c: char| c.is_ascii_digit() || c == '.') =>
        {
            let value = as_number(i, name(word), "a number", Role::Plain)?;
            Ok((rest, Tree::leaf(Expr::Number(value.number, value.span))))
        }
        (rest, Some(word)) => named(i, rest, name(word), depth),
        (i, None) => {
            let found = found_operand(i);
            Err(wrong(
                NetlistProblem::NotAnOperand { found },
                next_operator(i),
            ))
        }
    }
}

/// What begins with a name: a probe of the circuit, a function, a constant.
fn named<'a>(start: Text<'a>, i: Text<'a>, word: Name, depth: usize) -> Parsed<'a, Tree> {
    let key = word.key();
    let (_, opened) = opt(symbol('(')).parse(i)?;
    if opened.is_none() {
        return match key.as_str() {
            "pi" => Ok((i, Tree::leaf(Expr::Number(std::f64::consts::PI, word.span)))),
            "e" => Ok((i, Tree::leaf(Expr::Number(std::f64::consts::E, word.span)))),
            _ => Err(wrong(
                NetlistProblem::UnknownName {
                    name: quoted(&word.text),
                },
                word.span,
            )),
        };
    }
    if key == "v" {
        let (i, (first, second)) = nodes_of_voltage(i)?;
        let span = start.span_to(i);
        return Ok((i, Tree::leaf(Expr::Voltage(first, second, span))));
    }
    if key == "i" {
        let (i, source) = name_in_parentheses(i, "a voltage source")?;
        let span = start.span_to(i);
        return Ok((i, Tree::leaf(Expr::Current(source, span))));
    }
    if let Some((name, choice)) = Choosing::NAMES.iter().find(|(name, _)| *name == key) {
        return several(start, i, (name, *choice), depth);
    }
    let function = Function::NAMES.iter().find(|(name, _)| *name == key);
    let Some((_, function)) = function else {
        let nearest = suggested(&key);
        let name = quoted(&word.text);
        return Err(wrong(
            NetlistProblem::UnknownFunction { name, nearest },
            word.span,
        ));
    };
    let (i, ()) = need(i, "(")?;
    let (i, inner) = operation(i, Strength::Sum, depth + 1)?;
    let (i, ()) = need(i, ")")?;
    let span = start.span_to(i);
    Ok((i, inner.under(|inner| Expr::Call(*function, inner, span))))
}

/// The arguments of a function of several, as operators.
fn several<'a>(
    start: Text<'a>,
    i: Text<'a>,
    (name, choice): (&'static str, Choosing),
    depth: usize,
) -> Parsed<'a, Tree> {
    let (i, ()) = need(i, "(")?;
    let (mut i, first) = operation(i, Strength::Sum, depth + 1)?;
    let mut trees = vec![first];
    while let (rest, Some(_)) = opt(symbol(',')).parse(i)? {
        let (rest, tree) = operation(rest, Strength::Sum, depth + 1)?;
        trees.push(tree);
        i = rest;
    }
    let (i, ()) = need(i, ")")?;
    let span = start.span_to(i);
    let fits = match choice {
        Choosing::Limit => trees.len() == 3,
        Choosing::Max | Choosing::Min => trees.len() >= 2,
    };
    if !fits {
        let found = trees.len();
        return Err(wrong(NetlistProblem::Arguments { name, found }, span));
    }
    let mut trees = trees.into_iter();
    let mut left = trees.next().expect("one at least");
    for (k, right) in trees.enumerate() {
        let operator = match choice {
            Choosing::Max => Operator::Greater,
            Choosing::Min => Operator::Less,
            Choosing::Limit if k == 0 => Operator::Greater,
            Choosing::Limit => Operator::Less,
        };
        let height = left.height.max(right.height) + 1;
        let (a, b) = (Box::new(left.expr), Box::new(right.expr));
        left = Tree {
            expr: Expr::Binary(operator, a, b, span),
            height,
        };
        let limit = i.limit(Bound::ExpressionLength);
        if height > limit {
            return Err(wrong(NetlistProblem::TooLong { limit }, span));
        }
    }
    Ok((i, left))
}

impl Tree {
    fn leaf(expr: Expr) -> Tree {
        Tree { expr, height: 0 }
    }

    fn under(self, make: impl FnOnce(Box<Expr>) -> Expr) -> Tree {
        Tree {
            expr: make(Box::new(self.expr)),
            height: self.height + 1,
        }
    }
}

/// The letters and digits of a number; a sign only behind an exponent's e.
fn digits(i: Text<'_>) -> Parsed<'_, Text<'_>> {
    let mantissa = alt((
        recognize((digit1, opt((char('.'), digit0)))),
        recognize((char('.'), digit1)),
    ));
    let exponent = opt((one_of("eE"), opt(one_of("+-")), digit1));
    let letters = take_while(|c: char| c.is_alphanumeric() || c == '.');
    recognize((mantissa, exponent, letters)).parse(i)
}

fn letters(i: Text<'_>) -> Parsed<'_, Text<'_>> {
    take_while1(|c: char| c.is_alphanumeric() || c == '_' || c == '.').parse(i)
}

fn found_operand(i: Text<'_>) -> String {
    match i.as_str().chars().next() {
        Some(c) => format!("`{c}`"),
        None => "the end of the line".to_string(),
    }
}

/// The place of one character that fits nowhere, or of a whole word.
fn next_operator(i: Text<'_>) -> Span {
    if i.as_str().starts_with(char::is_alphanumeric) {
        next_span(i)
    } else {
        i.head()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diag::FileId;
    use crate::netlist::text::{Remarks, Trouble};

    fn parse(text: &str) -> Result<Expr, String> {
        let remarks = Remarks::default();
        let i = Text::new(text, 0, text.len(), FileId(0), &remarks);
        match expression(i) {
            Ok((_, expr)) => Ok(expr),
            Err(nom::Err::Failure(Trouble::Wrong(located))) => Err(located.problem.to_string()),
            Err(other) => panic!("unexpected {other:?}"),
        }
    }

    /// Every operation in parentheses, to see the grouping.
    fn shown(expr: &Expr) -> String {
        match expr {
            Expr::Number(number, _) => number.to_string(),
            Expr::Voltage(a, None, _) => format!("v({})", a.text),
            Expr::Voltage(a, Some(b), _) => format!("v({},{})", a.text, b.text),
            Expr::Current(a, _) => format!("i({})", a.text),
            Expr::Negate(a, _) => format!("(-{})", shown(a)),
            Expr::Call(function, a, _) => format!("{function:?}({})", shown(a)),
            Expr::Binary(operator, a, b, _) => {
                let symbol = match operator {
                    Operator::Add => '+',
                    Operator::Subtract => '-',
                    Operator::Multiply => '*',
                    Operator::Divide => '/',
                    Operator::Power => '^',
                    Operator::Greater => '>',
                    Operator::Less => '<',
                };
                format!("({}{symbol}{})", shown(a), shown(b))
            }
        }
    }

    #[test]
    fn operators_group_by_strength() {
        for (text, grouped) in [
            ("1+2*3", "(1+(2*3))"),
            ("1-2-3", "((1-2)-3)"),
            ("8/4/2", "((8/4)/2)"),
            ("-2^2", "(-(2^2))"),
            ("2^3^2", "(2^(3^2))"),
            ("2^-3", "(2^(-3))"),
            ("2^-3^2", "(2^(-(3^2)))"),
            ("-v(a)*3", "((-v(a))*3)"),
            ("2*-3+1", "((2*(-3))+1)"),
            ("2^-3*4", "((2^(-3))*4)"),
            ("--1", "(-(-1))"),
            ("+1", "1"),
            ("(1+2)*3", "((1+2)*3)"),
            ("1e-3-4k7", "(0.001-4700)"),
            ("1m*V( in+ , x1.out ) ", "(0.001*v(in+,x1.out))"),
            ("uramp(i(Vsense)) * U(-1)", "(Uramp(i(Vsense))*U((-1)))"),
            ("2e-v(x)", "(2-v(x))"),
            ("min(1, 2*3, v(a))", "((1<(2*3))<v(a))"),
            ("-Limit(v(a),-1,1)^2", "(-(((v(a)>(-1))<1)^2))"),
            ("tanh(sgn(2))", "Tanh(Sgn(2))"),
        ] {
            assert_eq!(
                parse(text).map(|e| shown(&e)).as_deref(),
                Ok(grouped),
                "{text}"
            );
        }
    }

    #[test]
    fn mistakes_are_named() {
        for (text, message) in [
            ("", "found the end of the line"),
            ("1+", "found the end of the line"),
            ("1 2", "expected an operator, found `2`"),
            ("2**3", "expected a number, a function or `(`, found `*`"),
            ("(1+2", "expected `)`, found the end of the line"),
            ("sqr(2)", "unknown function `sqr`"),
            ("min(2)", "`min` takes two arguments or more, found 1"),
            ("limit(1,2)", "`limit` takes three arguments, found 2"),
            ("max(1,)", "found `)`"),
            ("time*2", "unknown name `time`"),
            ("v()", "expected a name, found `)`"),
            ("v(a,b,c)", "expected `)`, found `,`"),
            ("v(a b)", "expected `)`, found `b`"),
            ("1.2.3", "expected a number, found `1.2.3`"),
            ("1e999", "too large"),
            ("2 > 1", "expected an operator, found `>`"),
            ("#", "found `#`"),
        ] {
            let error = parse(text).expect_err(text);
            assert!(error.contains(message), "{text}: {error}");
        }
    }

    #[test]
    fn no_suggestion_does_the_opposite() {
        for (typed, found) in [
            ("sqr", None),
            ("arctanh", Some("atanh")),
            ("sinhh", Some("sinh")),
            ("tahn", Some("tanh")),
            ("sqroot", None),
            ("squrt", Some("sqrt")),
            ("mix", None),
            ("maxx", Some("max")),
            ("aatan", Some("atan")),
        ] {
            assert_eq!(suggested(typed), found, "{typed}");
        }
    }

    #[test]
    fn depth_is_limited_before_the_stack_is() {
        for text in [
            "(".repeat(100_000) + "1" + &")".repeat(100_000),
            "-".repeat(100_000) + "1",
            "1^".repeat(100_000) + "1",
            "sin(".repeat(100_000) + "1" + &")".repeat(100_000),
        ] {
            let error = parse(&text).expect_err("too deep");
            assert!(error.contains("nested more than 200 deep"), "{error}");
        }
        let error = parse(&("1+".repeat(100_000) + "1")).expect_err("too long");
        assert!(error.contains("more than 1000 operations"), "{error}");
        assert!(parse(&("(".repeat(150) + "1" + &")".repeat(150))).is_ok());
        assert!(parse(&("1+".repeat(900) + "1")).is_ok());
    }
}
