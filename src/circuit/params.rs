//! Settings from outside the netlist: values, knobs and switches.

use super::ledger::Ledger;
use super::problem::CircuitProblem;
use crate::device::Param;
use crate::diag::{Diagnostic, Span, nearest};
use crate::netlist::statement::{Assign, Value};
use crate::num::{self, Role};
use std::collections::HashMap;
use std::sync::atomic::{AtomicBool, Ordering};

/// The name that stands for every mains source together, in per cent of what the netlist says.
pub const MAINS: &str = "mains";
/// The most that it can be set to: no part stands twice its mains.
pub const MOST_MAINS: f64 = 200.0;
/// The least: whoever writes 0.9 means 90.
pub const LEAST_MAINS: f64 = 10.0;

/// What kind of setting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum What {
    /// `--set NAME=VALUE`: an element's value or any parameter.
    Value,
    /// `--knob NAME=0..10`
    Knob,
    /// `--switch NAME=0|1`
    Switch,
}

/// One setting.
#[derive(Debug)]
pub struct Setting {
    /// Which kind.
    pub what: What,
    /// The name as typed: `X1.R5`, `12AX7.mu`, `VOL`.
    pub target: String,
    /// The value as typed.
    pub value: Value,
    /// Where it was typed.
    pub span: Option<Span>,
    /// Where its name was typed, if that stands apart.
    name_span: Option<Span>,
    /// Its place among those of a run: of two that set one thing by different names, the later one
    /// counts.
    place: usize,
    /// Whether a circuit had something of that name. Threads share settings to build their own
    /// circuits from [`Overrides::unused_yet`].
    used: AtomicBool,
}

impl Setting {
    /// A setting that nothing has used yet.
    pub fn new(what: What, target: impl Into<String>, value: Value, span: Option<Span>) -> Self {
        Setting {
            what,
            target: target.into(),
            value,
            span,
            name_span: None,
            place: 0,
            used: AtomicBool::new(false),
        }
    }

    /// The same with the place of its name, for when nothing is called so.
    #[must_use]
    pub fn named_at(self, name_span: Option<Span>) -> Self {
        Setting { name_span, ..self }
    }

    /// Whether it was given after another setting of the same thing, if there is one.
    pub fn is_after(&self, other: Option<&Setting>) -> bool {
        other.is_none_or(|other| other.place < self.place)
    }

    /// Its number in the role it plays, NaN if it is none; a doubt about it is reported.
    pub fn number(&self, role: Role, out: &mut Vec<Diagnostic>) -> f64 {
        let Ok((number, doubt)) = num::parse_value(&self.value.text, role) else {
            return f64::NAN;
        };
        if let Some(doubt) = doubt {
            let text = self.value.text.clone();
            out.push(CircuitProblem::Doubtful { text, doubt }.warn_at(self.value.span));
        }
        number
    }
}

impl Clone for Setting {
    fn clone(&self) -> Self {
        Setting {
            what: self.what,
            target: self.target.clone(),
            value: self.value.clone(),
            span: self.span,
            name_span: self.name_span,
            place: self.place,
            used: AtomicBool::new(self.used.load(Ordering::Relaxed)),
        }
    }
}

/// What a number in a unit stands for: a letter M between its digits depends on it.
pub fn role(unit: &str) -> Role {
    match unit {
        "ohm" => Role::Resistance,
        "F" => Role::Capacitance,
        "H" => Role::Inductance,
        "V" => Role::Voltage,
        "A" => Role::Current,
        "s" => Role::Time,
        "Hz" => Role::Frequency,
        _ => Role::Plain,
    }
}

/// All settings of a run.
#[derive(Debug, Clone, Default)]
pub struct Overrides {
    list: Vec<Setting>,
    /// Indices into the list by target in lower case: `spread` sets hundreds.
    by_target: HashMap<String, Vec<usize>>,
    /// Where the audit of the circuit's solutions is entered, if it was asked for.
    pub ledger: Option<Ledger>,
}

impl Overrides {
    /// None yet, for a circuit whose solutions are entered in a ledger.
    pub fn audited(ledger: Option<Ledger>) -> Self {
        Overrides {
            ledger,
            ..Overrides::default()
        }
    }

    /// The same settings, used by nothing yet, and more: for one of many circuits that are built
    /// side by side. What fits nothing in it is an error there.
    pub fn unused_yet<'s>(&'s self, more: impl IntoIterator<Item = &'s Setting>) -> Self {
        let mut all = Overrides::audited(self.ledger.clone());
        for s in self.list.iter().chain(more) {
            let unused = Setting::new(s.what, s.target.clone(), s.value.clone(), s.span);
            all.push(unused.named_at(s.name_span));
        }
        all
    }

    /// Adds one; a later one of the same name wins.
    pub fn push(&mut self, setting: Setting) {
        let places = self.by_target.entry(setting.target.to_ascii_lowercase());
        let place = self.list.len();
        places.or_default().push(place);
        self.list.push(Setting { place, ..setting });
    }

    /// The settings, as given.
    pub fn list(&self) -> &[Setting] {
        &self.list
    }

    /// What is set for `path` itself, and marks it as used.
    pub fn value(&self, path: &str) -> Option<&Setting> {
        self.find(What::Value, [path])
    }

    /// What is set for a parameter of `path`.
    pub fn parameter(&self, path: &str, name: &str) -> Option<&Setting> {
        if self.list.is_empty() {
            return None;
        }
        self.find(What::Value, [format!("{path}.{name}").as_str()])
    }

    /// The position of a knob or switch, by its element's path with or without the X.
    pub fn position(&self, what: What, path: &str) -> Option<&Setting> {
        self.find(what, [path, &bare(path)])
    }

    /// What is set of an element's main value, as `NAME` or as `NAME.parameter`: the later one.
    pub fn main(&self, path: &str, name: &str) -> Option<&Setting> {
        later(self.value(path), self.parameter(path, name))
    }

    /// The last of the settings of any of these targets; all of them count as used.
    fn find<const N: usize>(&self, what: What, targets: [&str; N]) -> Option<&Setting> {
        if self.list.is_empty() {
            return None;
        }
        let keys = targets.map(str::to_ascii_lowercase);
        let places = keys.iter().filter_map(|key| self.by_target.get(key));
        let found = places.flatten().copied();
        let found = found.filter(|&k| self.list[k].what == what);
        let last = found
            .inspect(|&k| self.list[k].used.store(true, Ordering::Relaxed))
            .max()?;
        Some(&self.list[last])
    }

    /// An error for every setting that fitted nothing.
    pub fn unused(
        &self,
        elements: &[&str],
        pots: &[&str],
        toggles: &[&str],
        known: impl Fn(&str) -> Option<String>,
    ) -> Vec<Diagnostic> {
        self.list
            .iter()
            .filter(|s| !s.used.load(Ordering::Relaxed))
            .map(|s| {
                let near =
                    |names: &[&str]| nearest(&s.target, names.iter().copied()).map(str::to_string);
                // Controls answer to their names with and without the X.
                let near_control = |names: &[&str]| {
                    let bare: Vec<String> = names.iter().map(|n| bare(n)).collect();
                    let both = bare.iter().map(String::as_str).chain(names.iter().copied());
                    nearest(&s.target, both).map(str::to_string)
                };
                let name = s.target.clone();
                let problem = match s.what {
                    What::Value if name.eq_ignore_ascii_case(MAINS) => CircuitProblem::NoMains,
                    What::Knob => CircuitProblem::NoControl {
                        what: "pot",
                        near: near_control(pots),
                        known: bare_list(pots),
                        name,
                    },
                    What::Switch => CircuitProblem::NoControl {
                        what: "toggle",
                        near: near_control(toggles),
                        known: bare_list(toggles),
                        name,
                    },
                    What::Value => match s.target.rsplit_once('.').and_then(|(owner, parameter)| {
                        known(owner).map(|known| (owner, parameter, known))
                    }) {
                        Some((owner, parameter, known)) => CircuitProblem::SetParameter {
                            name: owner.to_string(),
                            parameter: parameter.to_string(),
                            known,
                        },
                        None => match known(&s.target) {
                            Some(known) => CircuitProblem::SetParameter {
                                name,
                                parameter: "value".into(),
                                known,
                            },
                            None => CircuitProblem::SetUnknown {
                                near: near(elements),
                                name,
                            },
                        },
                    },
                };
                problem.at(s.name_span.or(s.span))
            })
            .collect()
    }
}

/// Of two settings of one thing the one that was given later.
pub fn later<'s>(one: Option<&'s Setting>, other: Option<&'s Setting>) -> Option<&'s Setting> {
    one.filter(|one| one.is_after(other)).or(other)
}

/// Names of controls for a message, without their X.
fn bare_list(names: &[&str]) -> String {
    let bare: Vec<String> = names.iter().map(|n| bare(n)).collect();
    super::names::list(bare.iter().map(String::as_str))
}

/// A control's path without the X of its own name: `X1.XVOL` is `X1.VOL`. A name of nothing
/// stays one.
pub fn bare(path: &str) -> String {
    let (owner, name) = path.split_at(path.rfind('.').map_or(0, |dot| dot + 1));
    let mut rest = name.chars();
    rest.next();
    format!("{owner}{}", rest.as_str())
}

/// Parameter values in the order of a table, from a line and from settings; NaN where nothing
/// was given and there is no default. `owner` is the name that settings and messages use.
pub fn fill(
    table: &'static [Param],
    given: &[Assign],
    owner: &str,
    owner_span: Span,
    settings: &Overrides,
    out: &mut Vec<Diagnostic>,
) -> Vec<f64> {
    let mut values: Vec<f64> = table.iter().map(|p| p.default).collect();
    let mut places: Vec<Option<Span>> = vec![None; table.len()];
    for assign in given {
        let Some(k) = table
            .iter()
            .position(|p| p.name.eq_ignore_ascii_case(&assign.name.text))
        else {
            out.push(unknown(&assign.name.text, owner, table).at(assign.name.span));
            continue;
        };
        places[k] = Some(assign.value.span);
        match read(&table[k], &assign.value, owner) {
            Ok(v) => values[k] = v,
            Err(problem) => out.push(problem.at(assign.value.span)),
        }
    }
    for (k, param) in table.iter().enumerate() {
        if let Some(setting) = settings.parameter(owner, param.name) {
            match set(param, setting, owner, out) {
                Ok(v) => values[k] = v,
                Err(problem) => out.push(problem.at(setting.span)),
            }
        } else if param.required && places[k].is_none() {
            out.push(
                CircuitProblem::MissingParameter {
                    name: param.name.to_string(),
                    owner: owner.to_string(),
                    meaning: param.meaning.to_string(),
                }
                .at(owner_span),
            );
        }
    }
    values
}

/// Lets settings of `owner` replace single values of a table: `XV1A.mu` moves one valve where
/// `12AX7.mu` moves all of that type. A parameter that `own` has too is the element's own.
pub fn replace(
    table: &'static [Param],
    own: &[Param],
    values: &mut [f64],
    owner: &str,
    settings: &Overrides,
    out: &mut Vec<Diagnostic>,
) {
    if settings.list.is_empty() {
        return;
    }
    for (param, value) in table.iter().zip(values) {
        if own.iter().any(|p| p.name.eq_ignore_ascii_case(param.name)) {
            continue;
        }
        let Some(setting) = settings.parameter(owner, param.name) else {
            continue;
        };
        match set(param, setting, owner, out) {
            Ok(v) => *value = v,
            Err(problem) => out.push(problem.at(setting.span)),
        }
    }
}

/// A setting's value of a parameter; a doubt about how it is written is reported.
fn set(
    param: &Param,
    setting: &Setting,
    owner: &str,
    out: &mut Vec<Diagnostic>,
) -> Result<f64, CircuitProblem> {
    if param.words.is_empty() {
        setting.number(role(param.unit), out);
    }
    read(param, &setting.value, owner)
}

/// One parameter's value, within its range.
pub fn read(param: &Param, value: &Value, owner: &str) -> Result<f64, CircuitProblem> {
    if !param.words.is_empty() {
        return param
            .words
            .iter()
            .position(|w| w.eq_ignore_ascii_case(&value.text))
            .map(|k| k as f64)
            .ok_or_else(|| CircuitProblem::ParameterRange {
                name: param.name.to_string(),
                owner: owner.to_string(),
                found: format!("`{}`", value.text),
                expected: param.words.join(", "),
            });
    }
    // Read again, for only now is it known what it stands for.
    let number = num::parse_value(&value.text, role(param.unit)).map_or(value.number, |n| n.0);
    if param.range.contains(&number) {
        return Ok(number);
    }
    Err(CircuitProblem::ParameterRange {
        name: param.name.to_string(),
        owner: owner.to_string(),
        found: if number.is_nan() {
            format!("`{}`", value.text)
        } else {
            value.text.clone()
        },
        expected: if number.is_nan() {
            "a number".into()
        } else {
            format!(
                "{} to {}{}",
                num::full(*param.range.start()),
                num::full(*param.range.end()),
                if param.unit == "1" {
                    String::new()
                } else {
                    format!(" {}", param.unit)
                }
            )
        },
    })
}

/// The problem of a parameter that a table does not have.
pub fn unknown(name: &str, owner: &str, table: &[Param]) -> CircuitProblem {
    CircuitProblem::UnknownParameter {
        name: name.to_string(),
        owner: owner.to_string(),
        near: nearest(name, table.iter().map(|p| p.name)).map(str::to_string),
        known: names(table),
    }
}

/// The names of a table, for messages.
pub fn names(table: &[Param]) -> String {
    names_of(table.iter())
}

/// The names of parameters, for messages.
pub fn names_of<'p>(params: impl Iterator<Item = &'p Param>) -> String {
    let names: Vec<&str> = params.map(|p| p.name).collect();
    if names.is_empty() {
        return "no parameters".into();
    }
    names.join(" ")
}
