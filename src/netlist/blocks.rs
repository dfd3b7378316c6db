//! The subcircuits that are open while a netlist is read, the top level below
//! them, and the names that are taken in each.

use std::collections::HashMap;

use crate::diag::{Files, Span};
use crate::netlist::problem::{Located, NetlistProblem, quoted};
use crate::netlist::statement::{Body, Element, Model, Name, Subcircuit};

/// What became of a statement.
pub(crate) type Outcome = Result<(), Box<Located>>;

/// The open blocks, the top level first.
pub(crate) struct Blocks {
    top: Block,
    open: Vec<Block>,
}

#[derive(Default)]
struct Block {
    /// None at the top level.
    name: Option<Name>,
    ports: Vec<Name>,
    body: Body,
    elements: HashMap<String, Span>,
    models: HashMap<String, Span>,
    subcircuits: HashMap<String, Span>,
}

impl Blocks {
    /// The top level alone.
    pub fn new() -> Self {
        Blocks {
            top: Block::default(),
            open: Vec::new(),
        }
    }

    /// How many subcircuits are open.
    pub fn depth(&self) -> usize {
        self.open.len()
    }

    /// What the top level holds; subcircuits still open are lost.
    pub fn into_body(self) -> Body {
        self.top.body
    }

    /// Adds an element to the innermost block.
    pub fn element(&mut self, element: Element) -> Outcome {
        let block = self.innermost();
        let key = element.name.key();
        if let Some(first) = block.elements.get(&key) {
            return Err(duplicate("element", &element.name, *first));
        }
        block.elements.insert(key, element.name.span);
        block.body.elements.push(element);
        Ok(())
    }

    /// Adds a model to the innermost block.
    pub fn model(&mut self, model: Model, sources: &Files) -> Outcome {
        let block = self.innermost();
        let key = model.name.key();
        if let Some(first) = block.models.get(&key) {
            return again("model", &model.name, *first, sources);
        }
        block.models.insert(key, model.name.span);
        block.body.models.push(model);
        Ok(())
    }

    /// Opens a subcircuit. One without a name stands for a statement that was wrong: its `.ends`
    /// is expected all the same.
    pub fn open(&mut self, name: Option<Name>, ports: Vec<Name>) {
        self.open.push(Block {
            name,
            ports,
            ..Block::default()
        });
    }

    /// Forgets the innermost subcircuits.
    pub fn drop_to(&mut self, depth: usize) {
        self.open.truncate(depth);
    }

    /// `.ends [name]` at a place, in a file that may close no more than the blocks above `floor`.
    pub fn ends(
        &mut self,
        statement: Span,
        name: Option<Name>,
        floor: usize,
        sources: &Files,
    ) -> Vec<Located> {
        let mut problems = Vec::new();
        let Some(innermost) = self.open[floor..].last().map(|block| block.name.clone()) else {
            return vec![NetlistProblem::StrayEnds.at(statement)];
        };
        if let Some(name) = name {
            let is_meant = |block: &Block| match &block.name {
                Some(open) => open.key() == name.key(),
                None => true,
            };
            match (self.open[floor..].iter().rposition(is_meant), innermost) {
                // The name says which definition ends; the .ends of those inside are missing.
                (Some(meant), _) => problems = self.close_to(floor + meant + 1, sources),
                (None, Some(open)) => {
                    let problem = NetlistProblem::WrongEnds {
                        found: quoted(&name.text),
                        open: quoted(&open.text),
                    };
                    let located = problem.at(name.span);
                    problems.push(located.also(open.span, "the open subcircuit"));
                }
                (None, None) => {}
            }
        }
        problems.extend(self.close(sources).err().map(|located| *located));
        problems
    }

    /// Closes, at the end of a file, the subcircuits that it left open.
    pub fn close_to(&mut self, depth: usize, sources: &Files) -> Vec<Located> {
        let mut problems = Vec::new();
        while self.open.len() > depth {
            if let Some(name) = self.open.last().and_then(|block| block.name.clone()) {
                let missing = NetlistProblem::MissingEnds {
                    name: quoted(&name.text),
                };
                problems.push(missing.at(name.span));
            }
            problems.extend(self.close(sources).err().map(|located| *located));
        }
        problems
    }

    /// Ends the innermost subcircuit and defines it in the block around it.
    fn close(&mut self, sources: &Files) -> Outcome {
        let Some(Block {
            name: Some(name),
            ports,
            body,
            ..
        }) = self.open.pop()
        else {
            return Ok(());
        };
        let block = self.innermost();
        let key = name.key();
        if let Some(first) = block.subcircuits.get(&key) {
            return again("subcircuit", &name, *first, sources);
        }
        block.subcircuits.insert(key, name.span);
        block
            .body
            .subcircuits
            .push(Subcircuit { name, ports, body });
        Ok(())
    }

    fn innermost(&mut self) -> &mut Block {
        self.open.last_mut().unwrap_or(&mut self.top)
    }
}

/// A definition whose name is taken. The same place of the same file is no mistake: a library
/// may be included by two ways.
fn again(what: &'static str, name: &Name, first: Span, sources: &Files) -> Outcome {
    let place = |span: Span| (sources.name(span.file), span.start);
    if first.file != name.span.file && place(first) == place(name.span) {
        Ok(())
    } else {
        Err(duplicate(what, name, first))
    }
}

fn duplicate(what: &'static str, name: &Name, first: Span) -> Box<Located> {
    let problem = NetlistProblem::Duplicate {
        what,
        name: quoted(&name.text),
    };
    Box::new(problem.at(name.span).also(first, "the first one"))
}
