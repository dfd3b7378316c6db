//! What differs in what is fitted at one place.

use super::graph::{Facts, WAVEFORM};

/// Relative difference below which two values are the same one, written differently.
const SAME: f64 = 1e-9;

/// How two parts at one place differ, one entry a kind of difference.
#[derive(Debug, Clone, PartialEq)]
pub enum Differs {
    /// A value on the line.
    Value {
        /// As drawn: number and unit; `None` where there is none.
        drawn: Option<(f64, &'static str)>,
        /// As built.
        built: Option<(f64, &'static str)>,
        /// Which value, where the line has several.
        label: &'static str,
    },
    /// What no number says.
    Words,
    /// The `.model` or valve type.
    Model {
        /// The parameters that differ, with both values; empty where the kind differs.
        parameters: Vec<(String, f64, f64)>,
    },
    /// What the part stands, where both lines say it.
    Rating {
        /// `rated`, `fuse` or `ripple`.
        label: &'static str,
        /// As drawn.
        drawn: f64,
        /// As built.
        built: f64,
        /// Of both.
        unit: &'static str,
    },
    /// A switch is closed in one and open in the other.
    Switch {
        /// As drawn.
        closed: bool,
    },
}

/// All differences between the facts of two parts.
pub fn differences(drawn: &Facts, built: &Facts, kinds_differ: bool) -> Vec<Differs> {
    let mut found = Vec::new();
    if kinds_differ || !same_model(drawn, built) {
        let pairs = drawn.model_values.iter().zip(&built.model_values);
        let parameters = if kinds_differ {
            vec![]
        } else {
            pairs
                .filter(|(a, b)| !same(a.1, b.1))
                .map(|(a, b)| (a.0.clone(), a.1, b.1))
                .collect()
        };
        found.push(Differs::Model { parameters });
    }
    let first = first_value(drawn, built);
    // The figures of two shapes of wave are no pairs.
    let words = drawn.words != built.words && first.is_none_or(|f| f.0 == WAVEFORM);
    if words {
        found.push(Differs::Words);
    } else if let Some((label, drawn, built)) = first {
        found.push(Differs::Value {
            drawn,
            built,
            label,
        });
    }
    for &(label, ours, unit) in &drawn.ratings {
        let theirs = built.ratings.iter().find(|r| r.0 == label);
        if let Some(&(_, theirs, _)) = theirs.filter(|r| !same(ours, r.1)) {
            found.push(Differs::Rating {
                label,
                drawn: ours,
                built: theirs,
                unit,
            });
        }
    }
    match (drawn.closed, built.closed) {
        (Some(a), Some(b)) if a != b => found.push(Differs::Switch { closed: a }),
        _ => {}
    }
    found
}

type Amount = Option<(f64, &'static str)>;

/// The first value that differs: its label, drawn and built. Values of one label are compared in
/// their order, so that one that only one line has (an AC value) is not taken for another's.
fn first_value(drawn: &Facts, built: &Facts) -> Option<(&'static str, Amount, Amount)> {
    let mut labels: Vec<&str> = Vec::new();
    for (label, ..) in drawn.values.iter().chain(&built.values) {
        if !labels.contains(label) {
            labels.push(label);
        }
    }
    labels.into_iter().find_map(|label| {
        let of = |facts: &Facts| -> Vec<(f64, &'static str)> {
            let own = facts.values.iter().filter(|v| v.0 == label);
            own.map(|v| (v.1, v.2)).collect()
        };
        let (ours, theirs) = (of(drawn), of(built));
        (0..ours.len().max(theirs.len())).find_map(|k| {
            let (a, b) = (ours.get(k).copied(), theirs.get(k).copied());
            let is_same = matches!((a, b), (Some(a), Some(b)) if same(a.0, b.0));
            (!is_same).then_some((label, a, b))
        })
    })
}

/// Whether two models do the same, whatever they are called.
fn same_model(a: &Facts, b: &Facts) -> bool {
    if a.model_values.is_empty() && b.model_values.is_empty() {
        return a.model.eq_ignore_ascii_case(&b.model);
    }
    let pairs = a.model_values.iter().zip(&b.model_values);
    a.model_values.len() == b.model_values.len()
        && pairs.into_iter().all(|(a, b)| a.0 == b.0 && same(a.1, b.1))
}

fn same(a: f64, b: f64) -> bool {
    a == b || (a.is_nan() && b.is_nan()) || (a - b).abs() <= SAME * a.abs().max(b.abs())
}
