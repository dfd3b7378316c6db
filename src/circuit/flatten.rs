//! Subcircuits expanded in place: every element with its dotted name and its scope.

use super::designation;
use super::names::list;
use super::params::Overrides;
use super::problem::CircuitProblem;
use crate::device::role::DeviceRole;
use crate::diag::{Diagnostic, nearest};
use crate::limits::{Bound, Limits};
use crate::netlist::statement::{Body, Element, ElementKind, Model, Name, Subcircuit};
use std::collections::{HashMap, HashSet};
use std::rc::Rc;

/// One expansion of a subcircuit (or the top level).
#[derive(Debug)]
pub struct Frame<'a> {
    /// `X1.XS2.`; empty at the top.
    pub prefix: String,
    /// Outer node names (lower case, dotted) behind the ports' names (lower case).
    pub ports: HashMap<String, String>,
    /// Where definitions are looked up, innermost last; the library comes first.
    scopes: Vec<Rc<Scope<'a>>>,
}

/// The definitions of a body by their names in lower case, because a netlist may have as many
/// models as elements.
#[derive(Debug)]
struct Scope<'a> {
    body: &'a Body,
    models: HashMap<String, &'a Model>,
    subcircuits: HashMap<String, &'a Subcircuit>,
}

impl<'a> Scope<'a> {
    fn of(body: &'a Body) -> Rc<Self> {
        let mut scope = Scope {
            body,
            models: HashMap::new(),
            subcircuits: HashMap::new(),
        };
        for model in &body.models {
            let key = model.name.text.to_ascii_lowercase();
            scope.models.entry(key).or_insert(model);
        }
        for inner in &body.subcircuits {
            let key = inner.name.text.to_ascii_lowercase();
            scope.subcircuits.entry(key).or_insert(inner);
        }
        Rc::new(scope)
    }
}

impl<'a> Frame<'a> {
    /// The dotted name of a node, as written.
    pub fn node_name(&self, name: &Name) -> String {
        let key = name.key();
        if is_ground(&key) {
            return GROUND.into();
        }
        match self.ports.get(&key) {
            Some(outer) => outer.clone(),
            None => format!("{}{}", self.prefix, name.text),
        }
    }

    /// The `.model` statement of a name, innermost first.
    pub fn model(&self, name: &str) -> Option<&'a Model> {
        let key = name.to_ascii_lowercase();
        let mut scopes = self.scopes.iter().rev();
        scopes.find_map(|scope| scope.models.get(&key).copied())
    }

    fn subcircuit(&self, name: &str) -> Option<(usize, &'a Subcircuit)> {
        subcircuit(&self.scopes, name)
    }

    /// Every model that a line here may name.
    pub fn models(&self) -> impl Iterator<Item = &Model> {
        self.scopes
            .iter()
            .rev()
            .flat_map(|scope| scope.body.models.iter())
    }

    /// A defined name near to a misspelt one.
    pub fn near(
        &self,
        name: &str,
        subcircuits: bool,
        accept: impl Fn(&Model) -> bool,
    ) -> Option<String> {
        let models = self
            .models()
            .filter(|m| accept(m))
            .map(|m| m.name.text.as_str());
        let calls = self
            .scopes
            .iter()
            .rev()
            .flat_map(|scope| scope.body.subcircuits.iter())
            .filter(|_| subcircuits)
            .map(|s| s.name.text.as_str());
        let all: Vec<&str> = models.chain(calls).collect();
        designation::meant(name, all.iter().copied())
            .or_else(|| nearest(name, all))
            .map(str::to_string)
    }
}

/// The name that every ground has when subcircuits are written out.
const GROUND: &str = "0";

/// Whether a node's name (lower case) is ground wherever it stands.
fn is_ground(key: &str) -> bool {
    matches!(key, "0" | "gnd")
}

/// An element in its frame.
#[derive(Debug, Clone, Copy)]
pub struct Flat<'a> {
    /// Index into the frames.
    pub frame: usize,
    /// Its line.
    pub statement: &'a Element,
}

/// The whole expansion.
#[derive(Debug, Default)]
pub struct Expansion<'a> {
    /// The top level first.
    pub frames: Vec<Frame<'a>>,
    /// All elements but subcircuit calls, in order.
    pub elements: Vec<Flat<'a>>,
    /// Dotted names of the subcircuit calls (lower case).
    pub calls: HashSet<String>,
    /// Whether it was broken off: what there is of it makes no circuit.
    pub broken_off: bool,
}

/// Expands a netlist. `library` holds the built-in models; a setting of a call's own name, as
/// in `XV1A=12AY7`, puts another definition or model in place of the one on its line.
pub fn expand<'a>(
    body: &'a Body,
    library: &'a Body,
    settings: &Overrides,
    limits: &Limits,
    problems: &mut Vec<Diagnostic>,
) -> Expansion<'a> {
    let mut expansion = Expansion::default();
    let mut census = Census::new(limits);
    let scopes = vec![Scope::of(library), Scope::of(body)];
    if let Some(problem) = census.too_large(body, &scopes) {
        problems.push(problem);
        expansion.broken_off = true;
        return expansion;
    }
    expansion.frames.push(Frame {
        prefix: String::new(),
        ports: HashMap::new(),
        scopes,
    });
    let mut walk = Walk {
        settings,
        deepest: limits.count(Bound::CallDepth),
        most: limits.get(Bound::Elements),
        chain: Vec::new(),
        known: census.known,
        told: HashSet::new(),
        expansion,
        problems,
    };
    walk.body(body, 0);
    walk.expansion
}

/// What the limit on names counts in, bytes.
const MEGA: u64 = 1_000_000;

/// How large definitions are, each counted once: so a bomb that a few lines make is reported
/// without being built.
struct Census<'a> {
    known: Known<'a>,
    sizes: HashMap<*const Subcircuit, Size>,
    chain: Vec<&'a Subcircuit>,
    deepest: usize,
    /// At the most.
    most: Size,
}

/// What an expansion comes to.
#[derive(Debug, Clone, Copy, Default)]
struct Size {
    /// Elements and calls.
    elements: u64,
    /// Bytes of their lines, dotted names written out.
    letters: u64,
}

impl Size {
    fn and(self, other: Size) -> Size {
        Size {
            elements: self.elements.saturating_add(other.elements),
            letters: self.letters.saturating_add(other.letters),
        }
    }
}

/// Names of a line that a call's own name goes before, about: the element's and four nodes'.
const NAMES: u64 = 5;

impl<'a> Census<'a> {
    fn new(limits: &Limits) -> Self {
        Census {
            known: HashMap::new(),
            sizes: HashMap::new(),
            chain: Vec::new(),
            deepest: limits.count(Bound::CallDepth),
            most: Size {
                elements: limits.get(Bound::Elements),
                letters: limits.get(Bound::Names).saturating_mul(MEGA),
            },
        }
    }

    /// The problem at the line where it becomes too much.
    fn too_large(&mut self, body: &'a Body, scopes: &[Rc<Scope<'a>>]) -> Option<Diagnostic> {
        let (mut large, mut long) = (None, None);
        let (mut found, most) = (Size::default(), self.most);
        for statement in &body.elements {
            found = found.and(self.statement(statement, scopes));
            if found.elements > most.elements {
                large = large.or(Some(statement.span));
            }
            if found.letters > most.letters {
                long = long.or(Some(statement.span));
            }
        }
        let too_large = CircuitProblem::TooLarge {
            found: found.elements,
            limit: most.elements,
        };
        let long_names = CircuitProblem::LongNames {
            found: found.letters / MEGA,
            limit: most.letters / MEGA,
        };
        let told = large.map(|span| too_large.at(span));
        told.or_else(|| long.map(|span| long_names.at(span)))
    }

    /// An element counts one, a call one and what it brings: it may bring nothing but others.
    fn statement(&mut self, statement: &'a Element, scopes: &[Rc<Scope<'a>>]) -> Size {
        let one = Size {
            elements: 1,
            letters: u64::from(statement.span.end - statement.span.start),
        };
        let ElementKind::Call { target, .. } = &statement.kind else {
            return one;
        };
        let Some((level, definition)) = subcircuit(scopes, &target.text) else {
            return one;
        };
        let before = |inner: Size| Size {
            letters: (NAMES * statement.name.text.len() as u64)
                .saturating_mul(inner.elements)
                .saturating_add(inner.letters),
            ..inner
        };
        if let Some(&size) = self.sizes.get(&std::ptr::from_ref(definition)) {
            return one.and(before(size));
        }
        // Circles and what is nested too deep are reported when they are expanded.
        let circle = self.chain.iter().any(|&s| std::ptr::eq(s, definition));
        if circle || self.chain.len() >= self.deepest {
            return one;
        }
        self.chain.push(definition);
        // What names mean in a definition depends on where it stands, not on who calls it.
        let mut inner = scopes[..=level].to_vec();
        inner.push(inside(&mut self.known, definition));
        let statements = definition.body.elements.iter();
        let size = statements.fold(Size::default(), |sum, c| sum.and(self.statement(c, &inner)));
        self.chain.pop();
        self.sizes.insert(std::ptr::from_ref(definition), size);
        one.and(before(size))
    }
}

/// The innermost definition of a name, and in which of the scopes it is.
fn subcircuit<'a>(scopes: &[Rc<Scope<'a>>], name: &str) -> Option<(usize, &'a Subcircuit)> {
    let key = name.to_ascii_lowercase();
    let mut scopes = scopes.iter().enumerate().rev();
    scopes.find_map(|(level, scope)| Some((level, *scope.subcircuits.get(&key)?)))
}

/// The scopes inside definitions, each made once.
type Known<'a> = HashMap<*const Subcircuit, Rc<Scope<'a>>>;

/// The scope inside a definition.
fn inside<'a>(known: &mut Known<'a>, definition: &'a Subcircuit) -> Rc<Scope<'a>> {
    let made = known.entry(std::ptr::from_ref(definition));
    made.or_insert_with(|| Scope::of(&definition.body)).clone()
}

/// The warning that a subcircuit stands for a valve which is built in, and whose ratings nobody
/// holds its parts against. A block that has valves on its own lines is none, and one without a
/// computing source is a transformer or the like.
fn unjudged(definition: &Subcircuit, frame: &Frame<'_>, element: &str) -> Option<CircuitProblem> {
    let kinds = || definition.body.elements.iter().map(|e| &e.kind);
    let computes = kinds().any(|kind| {
        matches!(
            kind,
            ElementKind::Behavioural { .. }
                | ElementKind::ControlledCurrent { .. }
                | ElementKind::ControlledVoltage { .. }
        )
    });
    if !computes || kinds().any(|kind| matches!(kind, ElementKind::Call { .. })) {
        return None;
    }
    let valves = || {
        let built_in = frame.scopes.first().into_iter();
        built_in
            .flat_map(|scope| scope.body.models.iter())
            .filter_map(|model| {
                let kind = crate::device::kind(&model.kind.text)?;
                matches!(kind.role, DeviceRole::Valve | DeviceRole::RectifierValve)
                    .then_some((model.name.text.as_str(), kind))
            })
    };
    let name = definition.name.text.as_str();
    let mut parts = std::iter::once(name).chain(name.split(['_', '-', '.']));
    let meant = parts.find_map(|part| designation::meant(part, valves().map(|v| v.0)))?;
    let (_, kind) = valves().find(|(known, _)| *known == meant)?;
    Some(CircuitProblem::UnjudgedValve {
        element: element.to_string(),
        name: name.to_string(),
        known: meant.to_string(),
        nodes: kind.terminals.join(", "),
    })
}

/// The expansion as it grows.
struct Walk<'a, 'w> {
    settings: &'w Overrides,
    deepest: usize,
    /// Elements at most: a setting may call what the census did not count.
    most: u64,
    chain: Vec<&'a Subcircuit>,
    known: Known<'a>,
    /// Definitions of which it is said that they are not judged as valves, or need not be.
    told: HashSet<*const Subcircuit>,
    expansion: Expansion<'a>,
    problems: &'w mut Vec<Diagnostic>,
}

impl<'a> Walk<'a, '_> {
    fn body(&mut self, body: &'a Body, frame: usize) {
        for statement in &body.elements {
            self.statement(statement, frame);
            if self.expansion.broken_off {
                return;
            }
        }
    }

    fn statement(&mut self, statement: &'a Element, frame: usize) {
        let found = self.expansion.elements.len() as u64;
        if found > self.most {
            let limit = self.most;
            self.break_off(CircuitProblem::TooLarge { found, limit }.at(statement.span));
            return;
        }
        let element = Flat { frame, statement };
        let ElementKind::Call {
            nodes,
            target,
            params,
        } = &statement.kind
        else {
            self.expansion.elements.push(element);
            return;
        };
        let outer = &self.expansion.frames[frame];
        let path = format!("{}{}", outer.prefix, statement.name.text);
        let Some((level, definition)) = self.called(outer, &path, &target.text) else {
            self.expansion.elements.push(element);
            return;
        };
        let chain = &self.chain;
        if let Some(from) = chain.iter().position(|&s| std::ptr::eq(s, definition)) {
            let names: Vec<&str> = chain[from..]
                .iter()
                .chain([&definition])
                .map(|s| s.name.text.as_str())
                .collect();
            let problem = CircuitProblem::Recursion {
                name: definition.name.text.clone(),
                chain: names.join(" -> "),
            };
            self.problems.push(problem.at(target.span));
            return;
        }
        if chain.len() >= self.deepest {
            let limit = self.deepest;
            self.break_off(CircuitProblem::TooDeep { limit }.at(target.span));
            return;
        }
        if nodes.len() != definition.ports.len() {
            let problem = CircuitProblem::NodeCount {
                element: statement.name.text.clone(),
                target: definition.name.text.clone(),
                found: nodes.len(),
                expected: definition.ports.len(),
                names: list(definition.ports.iter().map(|p| p.text.as_str())),
            };
            self.problems.push(problem.at(statement.span));
            return;
        }
        if let Some(extra) = params.first() {
            let problem = CircuitProblem::UnknownParameter {
                name: extra.name.text.clone(),
                owner: definition.name.text.clone(),
                near: None,
                known: "no parameters: it is a subcircuit".into(),
            };
            self.problems.push(problem.at(extra.name.span));
        }
        if self.told.insert(std::ptr::from_ref(definition))
            && let Some(problem) = unjudged(definition, outer, &path)
        {
            self.problems.push(problem.warn_at(target.span));
        }
        let mut ports = HashMap::new();
        for (port, node) in definition.ports.iter().zip(nodes) {
            let key = port.key();
            let joined = outer.node_name(node);
            // Inside it the name is ground, whatever the call joins to it.
            if is_ground(&key) && joined != GROUND {
                let problem = CircuitProblem::GroundedPort {
                    element: path.clone(),
                    target: definition.name.text.clone(),
                    port: port.text.clone(),
                    node: node.text.clone(),
                };
                self.problems.push(problem.at(node.span));
            }
            ports.insert(key, joined);
        }
        let mut scopes = outer.scopes[..=level].to_vec();
        scopes.push(inside(&mut self.known, definition));
        self.expansion.calls.insert(path.to_lowercase());
        self.expansion.frames.push(Frame {
            prefix: path + ".",
            ports,
            scopes,
        });
        let inner = self.expansion.frames.len() - 1;
        self.chain.push(definition);
        self.body(&definition.body, inner);
        self.chain.pop();
    }

    /// What a call calls: the subcircuit that a setting names, or that of its line; none where
    /// it is a model.
    fn called(
        &self,
        frame: &Frame<'a>,
        path: &str,
        target: &str,
    ) -> Option<(usize, &'a Subcircuit)> {
        // What is neither subcircuit nor model is reported where models are looked up.
        let setting = self.settings.value(path);
        frame.subcircuit(setting.map_or(target, |s| &s.value.text))
    }

    fn break_off(&mut self, problem: Diagnostic) {
        self.problems.push(problem);
        self.expansion.broken_off = true;
    }
}
