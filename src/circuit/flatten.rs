//! Subcircuits expanded in place: every element with its dotted name and its scope.

use super::problem::Problem;
use crate::diag::{Diagnostic, nearest};
use crate::netlist::card::{Body, Element, ElementKind, Model, Name, Subcircuit};
use std::collections::HashMap;
use std::rc::Rc;

/// How deep subcircuits may be nested.
pub const DEPTH: usize = 100;
/// How many elements and subcircuits there may be after expansion.
pub const ELEMENTS: usize = 1_000_000;

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
        if key == "0" || key == "gnd" {
            return "0".into();
        }
        match self.ports.get(&key) {
            Some(outer) => outer.clone(),
            None => format!("{}{}", self.prefix, name.text),
        }
    }

    /// The `.model` card of a name, innermost first.
    pub fn model(&self, name: &str) -> Option<&'a Model> {
        let key = name.to_ascii_lowercase();
        let mut scopes = self.scopes.iter().rev();
        scopes.find_map(|scope| scope.models.get(&key).copied())
    }

    fn subcircuit(&self, name: &str) -> Option<(usize, &'a Subcircuit)> {
        let key = name.to_ascii_lowercase();
        let mut scopes = self.scopes.iter().enumerate().rev();
        scopes.find_map(|(level, scope)| Some((level, *scope.subcircuits.get(&key)?)))
    }

    /// A defined name near to a misspelt one.
    pub fn near(
        &self,
        name: &str,
        subcircuits: bool,
        accept: impl Fn(&Model) -> bool,
    ) -> Option<String> {
        let models = self
            .scopes
            .iter()
            .rev()
            .flat_map(|scope| scope.body.models.iter())
            .filter(|m| accept(m))
            .map(|m| m.name.text.as_str());
        let calls = self
            .scopes
            .iter()
            .rev()
            .flat_map(|scope| scope.body.subcircuits.iter())
            .filter(|_| subcircuits)
            .map(|s| s.name.text.as_str());
        nearest(name, models.chain(calls)).map(str::to_string)
    }
}

/// An element in its frame.
#[derive(Debug, Clone, Copy)]
pub struct Flat<'a> {
    /// Index into the frames.
    pub frame: usize,
    /// Its card.
    pub card: &'a Element,
}

/// The whole expansion.
#[derive(Debug, Default)]
pub struct Expansion<'a> {
    /// The top level first.
    pub frames: Vec<Frame<'a>>,
    /// All elements but subcircuit calls, in order.
    pub elements: Vec<Flat<'a>>,
    /// Dotted names of the subcircuit calls (lower case).
    pub calls: std::collections::HashSet<String>,
    /// Whether it was broken off: what there is of it makes no circuit.
    pub broken_off: bool,
}

impl Expansion<'_> {
    /// Subcircuits count as well, for one may hold nothing but others.
    fn too_large(&self) -> bool {
        self.elements.len() + self.frames.len() > ELEMENTS
    }
}

/// Expands a netlist. `library` holds the built-in models.
pub fn expand<'a>(
    body: &'a Body,
    library: &'a Body,
    problems: &mut Vec<Diagnostic>,
) -> Expansion<'a> {
    let mut expansion = Expansion::default();
    expansion.frames.push(Frame {
        prefix: String::new(),
        ports: HashMap::new(),
        scopes: vec![Scope::of(library), Scope::of(body)],
    });
    let (mut chain, mut known) = (Vec::new(), HashMap::new());
    walk(body, 0, &mut expansion, &mut chain, &mut known, problems);
    expansion
}

fn walk<'a>(
    body: &'a Body,
    frame: usize,
    expansion: &mut Expansion<'a>,
    chain: &mut Vec<&'a Subcircuit>,
    known: &mut HashMap<*const Subcircuit, Rc<Scope<'a>>>,
    problems: &mut Vec<Diagnostic>,
) {
    for card in &body.elements {
        let ElementKind::Call {
            nodes,
            target,
            params,
        } = &card.kind
        else {
            expansion.elements.push(Flat { frame, card });
            continue;
        };
        let Some((level, definition)) = expansion.frames[frame].subcircuit(&target.text) else {
            expansion.elements.push(Flat { frame, card });
            continue;
        };
        if let Some(from) = chain.iter().position(|&s| std::ptr::eq(s, definition)) {
            let names: Vec<&str> = chain[from..]
                .iter()
                .chain([&definition])
                .map(|s| s.name.text.as_str())
                .collect();
            problems.push(
                Problem::Recursion {
                    name: definition.name.text.clone(),
                    chain: names.join(" -> "),
                }
                .at(target.span),
            );
            continue;
        }
        if chain.len() >= DEPTH {
            problems.push(Problem::TooDeep { limit: DEPTH }.at(target.span));
            expansion.broken_off = true;
            return;
        }
        if expansion.too_large() {
            problems.push(Problem::TooLarge { limit: ELEMENTS }.at(target.span));
            expansion.broken_off = true;
            return;
        }
        if nodes.len() != definition.ports.len() {
            problems.push(
                Problem::NodeCount {
                    element: card.name.text.clone(),
                    target: definition.name.text.clone(),
                    found: nodes.len(),
                    expected: definition.ports.len(),
                    names: list(definition.ports.iter().map(|p| p.text.as_str())),
                }
                .at(card.span),
            );
            continue;
        }
        if let Some(extra) = params.first() {
            problems.push(
                Problem::UnknownParameter {
                    name: extra.name.text.clone(),
                    owner: definition.name.text.clone(),
                    near: None,
                    known: "no parameters: it is a subcircuit".into(),
                }
                .at(extra.name.span),
            );
        }
        let outer = &expansion.frames[frame];
        let ports = definition
            .ports
            .iter()
            .zip(nodes)
            .map(|(port, node)| (port.key(), outer.node_name(node)))
            .collect();
        let prefix = format!("{}{}.", outer.prefix, card.name.text);
        let mut scopes = outer.scopes[..=level].to_vec();
        let inside = known
            .entry(std::ptr::from_ref(definition))
            .or_insert_with(|| Scope::of(&definition.body));
        scopes.push(inside.clone());
        expansion
            .calls
            .insert(prefix[..prefix.len() - 1].to_lowercase());
        expansion.frames.push(Frame {
            prefix,
            ports,
            scopes,
        });
        let inner = expansion.frames.len() - 1;
        chain.push(definition);
        walk(&definition.body, inner, expansion, chain, known, problems);
        chain.pop();
        if expansion.broken_off {
            return;
        }
    }
}

/// Names in backticks, a long list cut.
pub fn list<'n>(names: impl Iterator<Item = &'n str>) -> String {
    let all: Vec<&str> = names.collect();
    let mut text: Vec<String> = all.iter().take(8).map(|n| format!("`{n}`")).collect();
    if all.len() > 8 {
        text.push(format!("and {} more", all.len() - 8));
    }
    text.join(", ")
}
