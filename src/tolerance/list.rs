//! Everything that varies, its range, and where the range comes from.

use super::problem::ToleranceProblem;
pub use super::rule::Rule;
use super::valves::{self, Spread};
use super::variable::CLASSES;
pub use super::variable::{Class, Origin, Shape, Target, Variable};
use crate::analysis::mains;
use crate::circuit::{Circuit, Element, Piece};
use crate::device::role::DeviceRole;
use crate::device::{mains as mains_transformer, output};
use crate::diag::{Diagnostic, nearest};
use crate::netlist::statement::Tolerance;
use crate::system::assemble::Driven;

/// All that varies in a circuit.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Variables {
    /// In the order of the circuit's elements.
    pub all: Vec<Variable>,
    /// Names of the independent numbers behind them.
    pub draws: Vec<String>,
    /// Names of the parts as one buys them: a bottle is one.
    pub parts: Vec<String>,
    /// For each independent number, its part.
    pub part_of_draw: Vec<usize>,
}

impl Variables {
    /// What varies in a circuit: by what its lines and the rules say, and the defaults. A rule
    /// for a part goes before its line, its line before a rule for its class.
    ///
    /// # Errors
    /// Rules that name nothing, and tolerances of parts that have no value.
    pub fn of(circuit: &Circuit, rules: &[Rule]) -> Result<Self, Vec<Diagnostic>> {
        let mut listing = Listing {
            circuit,
            rules,
            used: vec![false; rules.len()],
            found: Variables::default(),
            problems: Vec::new(),
        };
        let mains = mains::find(circuit).map_or(vec![], |m| m.sources);
        for (k, element) in circuit.elements.iter().enumerate() {
            listing.element(k, element, &mains);
        }
        listing.temperature();
        listing.unused();
        if listing.problems.is_empty() {
            Ok(listing.found)
        } else {
            Err(listing.problems)
        }
    }

    /// The values of the amplifier as drawn.
    pub fn nominal(&self) -> Vec<f64> {
        self.all.iter().map(Variable::nominal).collect()
    }
}

struct Listing<'a> {
    circuit: &'a Circuit,
    rules: &'a [Rule],
    used: Vec<bool>,
    found: Variables,
    problems: Vec<Diagnostic>,
}

/// A range on its way into the list.
#[derive(Clone, Copy)]
struct Range {
    range: Tolerance,
    origin: Origin,
    is_part: bool,
    /// The rule that it is of.
    rule: Option<usize>,
}

impl Listing<'_> {
    /// The last rule of these names.
    fn rule(&mut self, names: &[&str]) -> Option<Range> {
        let mut last = None;
        for (k, (used, rule)) in self.used.iter_mut().zip(self.rules).enumerate() {
            if names.iter().any(|n| n.eq_ignore_ascii_case(&rule.name)) {
                *used = true;
                last = Some(Range {
                    range: rule.range,
                    origin: Origin::Option,
                    is_part: rule.is_part,
                    rule: Some(k),
                });
            }
        }
        last
    }

    /// What is said of a part or one of its parameters, in the order of precedence.
    fn range(
        &mut self,
        element: &Element,
        quantity: Option<&str>,
        class: Class,
        usual: Option<(Tolerance, &'static str)>,
    ) -> Option<Range> {
        let name = &element.name;
        let of = |owner: &str| quantity.map(|q| format!("{owner}.{q}"));
        let own: Vec<String> = of(name).into_iter().collect();
        let model = element.model.as_deref().and_then(of);
        let class_own = of(class.name());
        let is_first = !matches!(quantity, Some("mu" | "vct" | "mid"));
        // All of them are asked, so that each counts as used.
        let exact = |r: Range| r.range.is_exact();
        let named = self.rule(&own.iter().map(String::as_str).collect::<Vec<_>>());
        let whole = self.rule(&[name]).filter(|&r| is_first || exact(r));
        let model = model.and_then(|m| self.rule(&[&m]));
        let of_class = class_own.and_then(|c| self.rule(&[&c]));
        let class_rule = self.rule(&[class.name()]).filter(|&r| is_first || exact(r));
        let line = element.tolerance.map(|range| Range {
            range,
            origin: Origin::Line,
            is_part: true,
            rule: None,
        });
        let line = line.filter(|&r| is_first || exact(r));
        let usual = usual.map(|(range, origin)| Range {
            range,
            origin: Origin::Default(origin),
            is_part: true,
            rule: None,
        });
        named
            .or(whole)
            .or(line)
            .or(model)
            .or(of_class)
            .or(class_rule)
            .or(usual)
    }

    fn part(&mut self, name: &str) -> usize {
        let parts = &mut self.found.parts;
        match parts.iter().position(|p| p == name) {
            Some(k) => k,
            None => {
                parts.push(name.to_string());
                parts.len() - 1
            }
        }
    }

    fn draw(&mut self, name: String, part: usize) -> usize {
        match self.found.draws.iter().position(|d| *d == name) {
            Some(k) => k,
            None => {
                self.found.draws.push(name);
                self.found.part_of_draw.push(part);
                self.found.draws.len() - 1
            }
        }
    }

    /// Reports a tolerance that takes a value to zero or beyond; of a rule that lacks its sign of
    /// per cent once, and not for every part that it is of.
    fn impossible(&mut self, found: Range, name: String, element: &Element) {
        let rule = found.rule.map(|k| &self.rules[k]).filter(|r| !r.is_part);
        let problem = match rule {
            Some(rule) => ToleranceProblem::NoPercent {
                name: rule.name.clone(),
                found: rule.range,
            }
            .at(rule.span),
            None => {
                let found = format!("{} times itself", 1.0 + found.range.low);
                ToleranceProblem::Impossible { name, found }.at(element.span)
            }
        };
        if !self.problems.contains(&problem) {
            self.problems.push(problem);
        }
    }

    /// Enters a variable of an element that stands alone.
    fn enter(
        &mut self,
        (number, element): (usize, &Element),
        quantity: Option<&str>,
        class: Class,
        target: Target,
        range: Option<Range>,
        drawn: f64,
    ) {
        let Some(found) = range.filter(|r| !r.range.is_exact()) else {
            return;
        };
        let name = match quantity {
            None => element.name.clone(),
            Some(q) => format!("{}.{q}", element.name),
        };
        if found.range.low <= -1.0 {
            self.impossible(found, name, element);
            return;
        }
        let part = self.part(&element.name);
        let own = self.draw(name.clone(), part);
        self.found.all.push(Variable {
            name,
            class,
            element: Some(number),
            target,
            range: found.range,
            unit: None,
            drawn,
            origin: found.origin,
            part,
            own,
            shared: None,
        });
    }

    fn element(&mut self, number: usize, element: &Element, mains: &[Driven]) {
        let at = (number, element);
        let before = self.found.all.len();
        let mut has = true;
        match (element.letter, element.kind) {
            ('R' | 'C' | 'L', None) if element.value.is_some() => {
                let (class, usual) = match element.letter {
                    'R' => (Class::Resistor, 0.05),
                    'C' => (Class::Capacitor, 0.20),
                    _ => (Class::Inductor, 0.20),
                };
                let usual = Some((Tolerance::both(usual), "usual"));
                let range = self.range(element, None, class, usual);
                let drawn = element.value.unwrap_or(f64::NAN);
                self.enter(at, None, class, Target::Value, range, drawn);
            }
            ('V' | 'I', None) => self.source(at, mains),
            (_, Some(kind)) => match kind.role {
                DeviceRole::Pot => self.pot(at),
                DeviceRole::OutputTransformer => {
                    self.transformer(at, &["lp", "leak", "dcr", "dcrs"]);
                }
                DeviceRole::Choke => self.transformer(at, &["l", "r"]),
                DeviceRole::MainsTransformer => self.transformer(at, &["rpri", "rht", "rbias"]),
                DeviceRole::Toggle => has = false,
                _ => match valves::of(element) {
                    Some(spread) => self.valve(at, &spread),
                    None => has = false,
                },
            },
            _ => has = false,
        }
        self.parameters(at, before);
        if !has && element.tolerance.is_some() && self.found.all.len() == before {
            self.problems.push(no_value(element));
        }
        if !has && self.rule(&[&element.name]).is_some() {
            self.problems.push(no_value(element));
        }
    }

    fn source(&mut self, at: (usize, &Element), mains: &[Driven]) {
        let element = at.1;
        let driven = element.ports.first().and_then(|p| match p.piece {
            Piece::Branch(k) => Some(Driven::Voltage(k)),
            Piece::Current(k) => Some(Driven::Current(k)),
            _ => None,
        });
        let is_mains = driven.is_some_and(|d| mains.contains(&d));
        let (class, usual) = if is_mains {
            (Class::Mains, Some((Tolerance::both(0.05), "usual")))
        } else {
            (Class::Source, None)
        };
        let range = self.range(element, None, class, usual);
        let drawn = match driven {
            Some(Driven::Voltage(k)) => match &self.circuit.branches[k].kind {
                crate::circuit::BranchKind::Source(drive) => drive.dc,
                _ => f64::NAN,
            },
            Some(Driven::Current(k)) => self.circuit.currents[k].drive.dc,
            None => f64::NAN,
        };
        // What a sine is worth is said on its own line.
        let drawn = if is_mains { f64::NAN } else { drawn };
        self.enter(at, None, class, Target::Value, range, drawn);
    }

    fn pot(&mut self, at: (usize, &Element)) {
        let element = at.1;
        let usual = Some((Tolerance::both(0.20), "usual"));
        let Some(kind) = element.kind else { return };
        let place = |name: &str| kind.model_params.iter().position(|p| p.name == name);
        let (Some(r), Some(mid), Some(taper)) = (place("r"), place("mid"), place("taper")) else {
            return;
        };
        let range = self.range(element, None, Class::Pot, usual);
        let model = &element.made.model;
        self.enter(at, None, Class::Pot, Target::Times(r), range, model[r]);
        let range = self.range(element, Some("mid"), Class::Pot, usual);
        if model[taper] != 0.0 {
            let target = Target::Times(mid);
            self.enter(at, Some("mid"), Class::Pot, target, range, model[mid]);
        }
    }

    fn transformer(&mut self, at: (usize, &Element), names: &[&str]) {
        let element = at.1;
        let Some(kind) = element.kind else { return };
        let settled = settled(element);
        for name in names {
            let Some(k) = kind.model_params.iter().position(|p| p.name == *name) else {
                continue;
            };
            let usual = Some((Tolerance::both(0.20), "usual"));
            let range = self.range(element, Some(name), Class::Transformer, usual);
            if settled[k].is_finite() && settled[k] != 0.0 {
                let (class, target) = (Class::Transformer, Target::Times(k));
                self.enter(at, Some(name), class, target, range, settled[k]);
            }
        }
    }

    fn valve(&mut self, (number, element): (usize, &Element), spread: &Spread) {
        let Some(kind) = element.kind else { return };
        let (bottle, is_section) = valves::bottle(&element.name);
        let part = self.part(bottle);
        let place = |name: &str| kind.model_params.iter().position(|p| p.name == name);
        let quantities = [
            ("current", Some(Target::Current), spread.current),
            ("mu", place("mu").map(|_| Target::Mu), spread.mu),
            ("vct", place("vct").map(Target::Plus), spread.contact),
        ];
        for (quantity, target, usual) in quantities {
            let Some(target) = target else { continue };
            let usual = Some((usual, spread.origin));
            let found = self.range(element, Some(quantity), Class::Valve, usual);
            let Some(found) = found.filter(|f| !f.range.is_exact()) else {
                continue;
            };
            let name = format!("{}.{quantity}", element.name);
            if quantity != "vct" && found.range.low <= -1.0 {
                self.impossible(found, name, element);
                continue;
            }
            let own = self.draw(name.clone(), part);
            let shared = is_section.then(|| {
                let bottle = self.draw(format!("{bottle}.{quantity}"), part);
                (bottle, spread.common)
            });
            let drawn = match target {
                Target::Plus(k) => element.made.model[k],
                Target::Mu => place("mu").map_or(f64::NAN, |k| element.made.model[k]),
                _ => f64::NAN,
            };
            self.found.all.push(Variable {
                name,
                class: Class::Valve,
                element: Some(number),
                target,
                range: found.range,
                unit: (quantity == "vct").then_some("V"),
                drawn,
                origin: found.origin,
                part,
                own,
                shared,
            });
        }
    }

    /// Parameters that only the command line names.
    fn parameters(&mut self, at: (usize, &Element), before: usize) {
        let element = at.1;
        let Some(kind) = element.kind else { return };
        let settled = settled(element);
        let of_model = kind.model_params.iter().enumerate();
        let of_model = of_model.map(|(k, p)| (p, Target::Times(k), settled.get(k)));
        let of_instance = kind.instance_params.iter().enumerate();
        let instance = &element.made.instance;
        let of_instance = of_instance.map(|(k, p)| (p, Target::InstanceTimes(k), instance.get(k)));
        for (param, target, drawn) in of_model.chain(of_instance) {
            let name = format!("{}.{}", element.name, param.name);
            if self.found.all[before..].iter().any(|v| v.name == name) || !param.words.is_empty() {
                continue;
            }
            let model = element
                .model
                .as_ref()
                .map(|m| format!("{m}.{}", param.name));
            let by_model = model.and_then(|m| self.rule(&[&m]));
            let Some(range) = self.rule(&[&name]).or(by_model) else {
                continue;
            };
            let drawn = drawn.copied().unwrap_or(f64::NAN);
            if !drawn.is_finite() || drawn == 0.0 || !range.is_part && range.range.low <= -1.0 {
                let problem = ToleranceProblem::NoValue {
                    name,
                    what: "no value of its own that a part could be taken of".to_string(),
                };
                self.problems.push(problem.at(element.span));
                continue;
            }
            let range = Some(range);
            self.enter(at, Some(param.name), Class::Other, target, range, drawn);
        }
    }

    fn temperature(&mut self) {
        let Some(found) = self.rule(&["temperature"]) else {
            return;
        };
        if found.is_part {
            let rule = self
                .rules
                .iter()
                .rfind(|r| r.name.eq_ignore_ascii_case("temperature"));
            let text = "a percentage of degrees".to_string();
            self.problems
                .push(ToleranceProblem::NotATolerance { text }.at(rule.map(|r| r.span)));
            return;
        }
        let part = self.part("temperature");
        let own = self.draw("temperature".to_string(), part);
        self.found.all.push(Variable {
            name: "temperature".to_string(),
            class: Class::Temperature,
            element: None,
            target: Target::Celsius,
            range: found.range,
            unit: Some("C"),
            drawn: self.circuit.celsius,
            origin: found.origin,
            part,
            own,
            shared: None,
        });
    }

    fn unused(&mut self) {
        for (rule, used) in self.rules.iter().zip(&self.used) {
            let is_class = CLASSES.iter().any(|c| {
                let name = rule.name.split('.').next().unwrap_or("");
                c.name().eq_ignore_ascii_case(name)
            });
            // No valve in the circuit is no mistake.
            if *used || is_class {
                continue;
            }
            let names = self.circuit.elements.iter().map(|e| e.name.as_str());
            let near = nearest(&rule.name, names).map(str::to_string);
            let problem = match self.circuit.element(&rule.name) {
                Some(element) => no_value(element),
                None => ToleranceProblem::Unknown {
                    name: rule.name.clone(),
                    near,
                }
                .at(rule.span),
            };
            self.problems.push(problem);
        }
    }
}

/// A model's parameters with those that its kind leaves to rules.
pub(super) fn settled(element: &Element) -> Vec<f64> {
    let mut model = element.made.model.clone();
    match element.kind {
        Some(kind) if kind.role == DeviceRole::OutputTransformer => {
            output::settle(kind, &mut model);
        }
        Some(kind) if kind.role == DeviceRole::MainsTransformer => {
            mains_transformer::settle(&mut model)
        }
        _ => {}
    }
    model
}

fn no_value(element: &Element) -> Diagnostic {
    let what = match element.letter {
        'V' | 'I' | 'R' | 'C' | 'L' => "no single value".to_string(),
        'E' | 'F' | 'G' | 'H' | 'B' => "a law and no part that one buys".to_string(),
        'K' => "a factor, which the inductors make up".to_string(),
        _ => "no usual one; name a parameter, as in `--tol NAME.parameter=10%`".to_string(),
    };
    ToleranceProblem::NoValue {
        name: element.name.clone(),
        what,
    }
    .at(element.span)
}
