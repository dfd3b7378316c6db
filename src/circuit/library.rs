//! The built-in valve statements: netlist text, embedded in the program.

use super::network::Element;
use super::params::{self, Overrides};
use crate::device::base::{self, Base};
use crate::device::{self, Kind};
use crate::diag::{Diagnostic, Files};
use crate::netlist::statement::Body;

macro_rules! statements {
    ($($file:literal),* $(,)?) => {
        &[$((
            concat!("netlists/valves/", $file),
            include_str!(concat!("../../netlists/valves/", $file)),
        )),*]
    };
}

/// Every file of netlists/valves, with its text.
pub const FILES: &[(&str, &str)] = statements![
    "12at7.cir",
    "12at7_1996.cir",
    "12au7.cir",
    "12au7_1996.cir",
    "12ax7.cir",
    "12ax7_1996.cir",
    "12ay7.cir",
    "12bh7a.cir",
    "2a3.cir",
    "300b.cir",
    "5751.cir",
    "5879.cir",
    "5881.cir",
    "5ar4.cir",
    "5u4gb.cir",
    "5v4g.cir",
    "5y3gt.cir",
    "6111.cir",
    "6550.cir",
    "6550_plain.cir",
    "6aq5.cir",
    "6au6.cir",
    "6cg7.cir",
    "6k6gt.cir",
    "6l6gc.cir",
    "6l6gc_1996.cir",
    "6l6gc_plain.cir",
    "6n1p.cir",
    "6n2p.cir",
    "6sc7.cir",
    "6sl7.cir",
    "6sn7.cir",
    "6v6gt.cir",
    "6v6gt_plain.cir",
    "6x4.cir",
    "7027a.cir",
    "7591.cir",
    "807.cir",
    "e88cc.cir",
    "ecc99.cir",
    "ecl82p.cir",
    "ecl82t.cir",
    "ecl86p.cir",
    "ecl86t.cir",
    "ef86.cir",
    "el34.cir",
    "el34_1996.cir",
    "el34_plain.cir",
    "el84.cir",
    "el84_plain.cir",
    "ez80.cir",
    "ez81.cir",
    "kt66.cir",
    "kt88.cir",
    "kt88_plain.cir",
    "semiconductors.cir",
];

/// Reads the built-in models into one body.
pub fn load(sources: &mut Files) -> (Body, Vec<Diagnostic>) {
    let mut body = Body::default();
    let mut diagnostics = Vec::new();
    for (name, text) in FILES {
        let reading = crate::netlist::read_library(name, text, sources);
        diagnostics.extend(reading.diagnostics);
        body.models.extend(reading.netlist.body.models);
        body.subcircuits.extend(reading.netlist.body.subcircuits);
    }
    (body, diagnostics)
}

/// Models that the library's blocks are made of.
const OF_BLOCKS: [&str; 1] = ["OPAMP_CLAMP"];

/// Whether an element is a piece of one of the library's blocks, and stands for no part that could be bought.
pub fn is_of_block(element: &Element) -> bool {
    let own = |model: &String| {
        OF_BLOCKS
            .iter()
            .any(|name| model.eq_ignore_ascii_case(name))
    };
    element.name.contains('.') && element.model.as_ref().is_some_and(own)
}

/// One type of the library, read: what its model says and what its comments say.
#[derive(Debug, Clone)]
pub struct Shipped {
    /// The model's name.
    pub name: String,
    /// The first model of the same file, where this is another name for it.
    pub alias_of: Option<String>,
    /// Its kind.
    pub kind: &'static Kind,
    /// Its parameters, in the order of the kind's; NaN where not given and without default.
    pub values: Vec<f64>,
    /// Names of those that its model gives.
    pub given: Vec<&'static str>,
    /// The comments of its file, without their stars.
    pub notes: Vec<String>,
}

impl Shipped {
    /// A parameter, if the kind has it and the model gives it or it has a default.
    pub fn value(&self, name: &str) -> Option<f64> {
        let place = self.kind.model_params.iter().position(|p| p.name == name)?;
        Some(self.values[place]).filter(|v| !v.is_nan())
    }

    /// Its base.
    pub fn base(&self) -> Option<&'static Base> {
        self.value("base").and_then(base::of_value)
    }
}

/// A subcircuit of the library.
#[derive(Debug, Clone)]
pub struct Block {
    /// Its name.
    pub name: String,
    /// Its outer nodes.
    pub ports: Vec<String>,
    /// What its file's comments say of it.
    pub notes: Vec<String>,
}

/// Every subcircuit of the library.
pub fn blocks() -> Vec<Block> {
    let mut all = Vec::new();
    for (name, text) in FILES {
        let body = body_of(name, text);
        all.extend(body.subcircuits.iter().map(|block| Block {
            name: block.name.text.clone(),
            ports: block.ports.iter().map(|port| port.text.clone()).collect(),
            notes: own_notes(&body, text, &block.name.text),
        }));
    }
    all
}

fn body_of(name: &str, text: &str) -> Body {
    let mut sources = Files::default();
    crate::netlist::read_library(name, text, &mut sources)
        .netlist
        .body
}

/// The comments at the head of a file that are of one of its types: all of them but paragraphs
/// that name only others.
fn own_notes(body: &Body, text: &str, own: &str) -> Vec<String> {
    let notes: Vec<&str> = text
        .lines()
        .map_while(|line| line.strip_prefix('*'))
        .map(str::trim)
        .collect();
    let names = body.models.iter().map(|m| &m.name.text);
    let names: Vec<&String> = names
        .chain(body.subcircuits.iter().map(|s| &s.name.text))
        .collect();
    let names_it = |paragraph: &[&str], name: &str| {
        let is_of_name = |c: char| c.is_alphanumeric() || c == '_';
        let mut words = paragraph
            .iter()
            .flat_map(|line| line.split(|c| !is_of_name(c)));
        words.any(|word| word.eq_ignore_ascii_case(name))
    };
    let paragraphs = notes.split(|line| line.is_empty());
    let of_own = paragraphs
        .filter(|p| names_it(p, own) || !names.iter().any(|name| names_it(p, name.as_str())));
    of_own.flatten().map(|line| line.to_string()).collect()
}

/// Every model of the library, file by file.
pub fn shipped() -> Vec<Shipped> {
    let mut all = Vec::new();
    for (name, text) in FILES {
        let body = body_of(name, text);
        let first = all.len();
        for model in &body.models {
            let Some(kind) = device::kind(&model.kind.text) else {
                continue;
            };
            let owner = &model.name.text;
            let nothing = Overrides::default();
            let mut doubts = Vec::new();
            let values = params::fill(
                kind.model_params,
                &model.params,
                owner,
                model.name.span,
                &nothing,
                &mut doubts,
            );
            let given = kind.model_params.iter().map(|p| p.name);
            // Another name for the first model of its file, if it is of the same law.
            let same = |other: &&Shipped| {
                let bits = |values: &[f64]| {
                    values
                        .iter()
                        .map(|v| v.to_bits())
                        .take(3)
                        .collect::<Vec<_>>()
                };
                other.kind.name == kind.name && bits(&other.values) == bits(&values)
            };
            let alias_of = all
                .get(first)
                .filter(same)
                .map(|f: &Shipped| f.name.clone());
            all.push(Shipped {
                name: owner.clone(),
                alias_of,
                kind,
                values,
                given: given
                    .filter(|g| {
                        model
                            .params
                            .iter()
                            .any(|a| a.name.text.eq_ignore_ascii_case(g))
                    })
                    .collect(),
                notes: own_notes(&body, text, owner),
            });
        }
    }
    all
}
