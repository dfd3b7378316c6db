//! The built-in valve cards: netlist text, embedded in the program.

use crate::diag::{Diagnostic, Files};
use crate::netlist::card::Body;

macro_rules! cards {
    ($($file:literal),* $(,)?) => {
        &[$((
            concat!("netlists/valves/", $file),
            include_str!(concat!("../../netlists/valves/", $file)),
        )),*]
    };
}

/// Every file of netlists/valves, with its text.
pub const FILES: &[(&str, &str)] = cards![
    "12at7.cir",
    "12at7_1996.cir",
    "12au7.cir",
    "12au7_1996.cir",
    "12ax7.cir",
    "12ax7_1996.cir",
    "12ay7.cir",
    "5ar4.cir",
    "5u4gb.cir",
    "5y3gt.cir",
    "6550.cir",
    "6550_plain.cir",
    "6l6gc.cir",
    "6l6gc_1996.cir",
    "6l6gc_plain.cir",
    "6sl7.cir",
    "6sn7.cir",
    "6v6gt.cir",
    "6v6gt_plain.cir",
    "el34.cir",
    "el34_1996.cir",
    "el34_plain.cir",
    "el84.cir",
    "el84_plain.cir",
    "kt88.cir",
    "kt88_plain.cir",
];

/// Reads the built-in cards into one body.
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
