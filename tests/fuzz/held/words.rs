//! Numbers, amounts, probes, figures and formulas. What was read and printed reads as the same.

use super::netlist::reading;
use super::said;
use gridleak::diag::{FileId, Files};
use gridleak::figure::{Figure, Subject, Words, amount};
use gridleak::netlist::expr::{Expr, Function, Operator};
use gridleak::netlist::parse_probe;
use gridleak::netlist::statement::{ElementKind, Probe};
use gridleak::num::{self, Role};

/// One text in every part it could play. Whether it is a figure or a formula.
pub fn holds(text: &str) -> bool {
    number(text);
    probe(text);
    let (figure, formula) = (figure(text), formula(text));
    figure || formula
}

/// Numbers are finite, and print and read back to the last bit. Whether it is one.
pub fn number(text: &str) -> bool {
    for role in [
        Role::Plain,
        Role::Resistance,
        Role::Capacitance,
        Role::Inductance,
        Role::Voltage,
        Role::Current,
        Role::Time,
        Role::Frequency,
    ] {
        if let Ok((value, _)) = num::parse_value(text, role) {
            printed(value);
        }
    }
    if let Ok(amount) = amount::read(text) {
        printed(amount.number);
    }
    // Any number at all, not only those that people write.
    if let Some(bytes) = text.as_bytes().first_chunk::<8>() {
        let value = f64::from_le_bytes(*bytes);
        if value.is_finite() {
            printed(value);
        }
        for digits in [0, 1, 3, 17, 99] {
            for unit in ["V", "", "dB", "%"] {
                assert!(!num::engineering(value, unit, digits).is_empty());
            }
        }
    }
    num::parse(text).is_some()
}

fn printed(value: f64) {
    assert!(value.is_finite());
    let full = num::full(value);
    // The sign of zero is not kept.
    assert_eq!(num::parse(&full), Some(value), "{full}");
    assert!(!num::engineering(value, "ohm", 4).is_empty());
}

fn probe(text: &str) {
    let mut sources = Files::default();
    let file = sources.add("--probe", text);
    match parse_probe(text, file) {
        Ok(probe) => {
            let shown = probe_shown(&probe);
            let again = parse_probe(&shown, FileId(0)).expect(&shown);
            assert_eq!(probe_shown(&again), shown);
        }
        Err(diagnostic) => said(&[diagnostic], &sources),
    }
}

fn probe_shown(probe: &Probe) -> String {
    match probe {
        Probe::Voltage(a, None) => format!("v({})", a.text),
        Probe::Voltage(a, Some(b)) => format!("v({},{})", a.text, b.text),
        Probe::Current(a) => format!("i({})", a.text),
        Probe::Power(a) => format!("p({})", a.text),
    }
}

/// A figure's name, as it is printed, names the same figure.
fn figure(text: &str) -> bool {
    let mut sources = Files::default();
    let file = sources.add("figure", text);
    let figure = match Figure::parse(text, Words::whole(file, text)) {
        Ok(figure) => figure,
        Err(diagnostic) => {
            said(&[diagnostic], &sources);
            return false;
        }
    };
    let printed = figure.text.as_str();
    let again = Figure::parse(printed, Words::whole(FileId(0), printed)).expect(printed);
    assert_eq!(again.text, figure.text);
    assert_eq!(again.quantity.name, figure.quantity.name);
    assert_eq!(again.unit(), figure.unit());
    let subject = |f: &Figure| match &f.subject {
        Subject::Probe(probe) => probe_shown(probe),
        Subject::Element(name) => name.text.clone(),
    };
    assert_eq!(subject(&again), subject(&figure));
    let numbers = |f: &Figure| -> Vec<(&str, u64)> {
        let all = f.conditions.iter();
        all.map(|g| (g.key, g.number.to_bits())).collect()
    };
    assert_eq!(numbers(&again), numbers(&figure));
    true
}

/// Parentheses in a formula that is printed with all of them; the reader stops at 200.
const DEEP: usize = 90;

fn formula(text: &str) -> bool {
    let Some(expr) = law(text) else {
        return false;
    };
    let (shown, depth) = shown(&expr);
    if depth > DEEP {
        return true;
    }
    let again = law(&shown).unwrap_or_else(|| panic!("{text:?} reads, {shown:?} does not"));
    assert_eq!(self::shown(&again).0, shown);
    true
}

/// The formula of a B source.
fn law(text: &str) -> Option<Expr> {
    let mut draft = reading(&format!("t\nB1 a 0 V={text}\n"));
    said(&draft.problems, &draft.files);
    if !draft.is_good() {
        return None;
    }
    let first = draft.netlist.body.elements.drain(..).next()?;
    match first.kind {
        ElementKind::Behavioural { expr, .. } => Some(expr),
        _ => None,
    }
}

/// Every operation in parentheses, and how many stand inside one another.
fn shown(expr: &Expr) -> (String, usize) {
    match expr {
        Expr::Number(number, _) => (num::full(*number), 0),
        Expr::Voltage(a, None, _) => (format!("v({})", a.text), 0),
        Expr::Voltage(a, Some(b), _) => (format!("v({},{})", a.text, b.text), 0),
        Expr::Current(a, _) => (format!("i({})", a.text), 0),
        Expr::Negate(a, _) => {
            let (a, depth) = shown(a);
            (format!("(-{a})"), depth + 1)
        }
        Expr::Call(function, a, _) => {
            let (a, depth) = shown(a);
            (format!("{}({a})", name(*function)), depth + 1)
        }
        Expr::Binary(operator, a, b, _) => {
            let ((a, left), (b, right)) = (shown(a), shown(b));
            let symbol = match operator {
                Operator::Greater => return (format!("max({a},{b})"), left.max(right) + 1),
                Operator::Less => return (format!("min({a},{b})"), left.max(right) + 1),
                Operator::Add => '+',
                Operator::Subtract => '-',
                Operator::Multiply => '*',
                Operator::Divide => '/',
                Operator::Power => '^',
            };
            (format!("({a}{symbol}{b})"), left.max(right) + 1)
        }
    }
}

fn name(function: Function) -> &'static str {
    let found = Function::NAMES.iter().find(|f| f.1 == function);
    found.expect("every function has a name").0
}
