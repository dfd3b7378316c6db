//! What a figure names: a probe, an element, a source.

use super::super::driven_source::{self, Driving};
use super::super::problem::FigureProblem;
use super::super::registry::Takes;
use super::super::{Figure, Subject};
use crate::circuit::{Circuit, Element};
use crate::diag::{Diagnostic, nearest};
use crate::netlist::statement::{Name, Probe};
use crate::system::probe::Observable;

/// The probe that a figure is of.
pub fn probe(figure: &Figure, circuit: &Circuit) -> Result<Observable, Diagnostic> {
    let (probe, label) = match &figure.subject {
        Subject::Probe(probe) => {
            let label = match probe {
                // A node's bare name.
                Probe::Voltage(a, None) if a.text == figure.subject_text => {
                    format!("v({})", a.text)
                }
                _ => figure.subject_text.clone(),
            };
            (probe.clone(), label)
        }
        Subject::Element(name) => {
            let probe = match figure.quantity.name {
                "power" => Probe::Power(name.clone()),
                _ => Probe::Current(name.clone()),
            };
            (probe, figure.subject_text.clone())
        }
    };
    Observable::new(circuit, &probe, &label)
}

pub fn element<'c>(figure: &Figure, circuit: &'c Circuit) -> Result<&'c Element, Diagnostic> {
    let Subject::Element(Name { text, span }) = &figure.subject else {
        unreachable!("the quantity is of an element");
    };
    circuit.element(text).ok_or_else(|| {
        let names = circuit.elements.iter().map(|e| e.name.as_str());
        FigureProblem::UnknownElement {
            name: text.clone(),
            near: nearest(text, names).map(str::to_string),
        }
        .at(*span)
    })
}

/// The source that drives, named or the only one with an AC value.
pub fn driving(figure: &Figure, circuit: &Circuit) -> Result<Driving, Diagnostic> {
    let condition = figure.quantity.conditions.iter();
    let key = condition
        .filter(|c| c.takes == Takes::Source)
        .map(|c| c.key)
        .next()
        .expect("the quantity has a source");
    let given = figure.given(key);
    driven_source::find(circuit, given.map(|g| g.text.as_str())).ok_or_else(|| {
        let names: Vec<String> = driven_source::sources(circuit)
            .into_iter()
            .map(|s| s.name)
            .collect();
        let known = names
            .iter()
            .map(|n| format!("`{n}`"))
            .collect::<Vec<_>>()
            .join(", ");
        match given {
            Some(given) => FigureProblem::UnknownSource {
                near: nearest(&given.text, names.iter().map(String::as_str)).map(str::to_string),
                name: given.text.clone(),
                known,
            }
            .at(given.span),
            None => FigureProblem::WhichSource {
                quantity: figure.quantity.name,
                known,
            }
            .at(figure.span),
        }
    })
}
