//! Netlists read from a text in memory.

use gridleak::diag::Files;
use gridleak::netlist::{MemoryLoader, Reading, read};

/// A netlist as read, with the texts its messages point into.
pub fn reading(text: &str) -> (Reading, Files) {
    let mut sources = Files::default();
    let loader = MemoryLoader::new("test.cir", text);
    let reading = read("test.cir", &loader, &mut sources);
    (reading, sources)
}

/// All that there was to say about it.
pub fn shown(reading: &Reading, sources: &Files) -> String {
    let all = reading.diagnostics.iter().map(|d| sources.render(d));
    all.collect::<Vec<_>>().join("\n")
}

/// A netlist below a title, which must raise no diagnostic.
pub fn good(statements: &str) -> Reading {
    let (reading, sources) = reading(&format!("a title\n{statements}"));
    assert!(
        reading.diagnostics.is_empty(),
        "{}",
        shown(&reading, &sources)
    );
    reading
}
