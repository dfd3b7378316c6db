//! Netlists, up to circuits.

use super::said;
use gridleak::circuit::Circuit;
use gridleak::circuit::bind::Timing;
use gridleak::circuit::params::Overrides;
use gridleak::circuit::read::Draft;
use gridleak::netlist::MemoryLoader;
use gridleak::netlist::statement::ControlKind;
use gridleak::system::probe::Observable;

/// Parts files stand behind form feeds, each under its name.
const NEXT_FILE: char = '\u{c}';

/// What is read twice is the same twice, and so is the circuit; every message has its place.
/// Whether it is a circuit.
pub fn holds(text: &str) -> bool {
    let mut draft = reading(text);
    said(&draft.problems, &draft.files);
    let mut again = reading(text);
    // Values that are words have no number, and NaN equals nothing: hence the shown form.
    assert_eq!(words(&draft), words(&again));
    let Some(circuit) = built(&mut draft) else {
        return false;
    };
    let again = built(&mut again).expect("built once already");
    assert_eq!(shown(&circuit), shown(&again));
    sane(&circuit);
    probes(&circuit, &draft);
    true
}

/// A netlist and its parts.
pub fn reading(text: &str) -> Draft {
    let mut pieces = text.split(NEXT_FILE);
    let mut loader = MemoryLoader::new("main.cir", pieces.next().unwrap_or(""));
    for piece in pieces {
        let (name, text) = piece.split_once('\n').unwrap_or((piece, ""));
        loader = loader.with(name.trim(), text);
    }
    Draft::read("main.cir", &loader)
}

/// What was read and what was said of it.
pub fn words(draft: &Draft) -> String {
    format!("{:?}", (&draft.netlist, &draft.problems))
}

/// The circuit of a netlist, if it is one.
pub fn built(draft: &mut Draft) -> Option<Circuit> {
    if !draft.is_good() {
        return None;
    }
    match draft.build(&Overrides::default(), Timing::default()) {
        Ok(built) => {
            said(&built.warnings, &draft.files);
            assert!(built.warnings.iter().all(|w| !w.is_error()));
            Some(built.circuit)
        }
        Err(problems) => {
            said(&problems, &draft.files);
            assert!(problems.iter().any(|p| p.is_error()));
            None
        }
    }
}

/// All that is in order; the index of names is not.
fn shown(circuit: &Circuit) -> String {
    format!(
        "{:?}",
        (
            (&circuit.title, &circuit.nodes, &circuit.elements),
            (&circuit.resistances, &circuit.capacitances),
            (&circuit.branches, &circuit.mutuals, &circuit.currents),
            (&circuit.gains, &circuit.laws),
            (&circuit.nodesets, &circuit.held, circuit.celsius),
        )
    )
}

fn sane(circuit: &Circuit) {
    let nodes = circuit.nodes.len();
    for element in &circuit.elements {
        assert!(element.terminals.iter().all(|t| t.0 < nodes), "{element:?}");
        assert!(circuit.element(&element.name).is_some(), "{element:?}");
    }
    for r in &circuit.resistances {
        assert!(r.ohms.is_finite() && r.ohms != 0.0, "{r:?}");
    }
    assert!(circuit.capacitances.iter().all(|c| c.farads.is_finite()));
    assert!(circuit.mutuals.iter().all(|m| m.2.is_finite()));
    assert!(circuit.gains.iter().all(|g| g.gain.is_finite()));
}

fn probes(circuit: &Circuit, draft: &Draft) {
    for statement in &draft.netlist.controls {
        let ControlKind::Print(print) = &statement.kind else {
            continue;
        };
        for (probe, words) in &print.probes {
            if let Err(diagnostic) = Observable::new(circuit, probe, &words.text) {
                said(&[diagnostic], &draft.files);
            }
        }
    }
}
