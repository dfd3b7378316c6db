//! Resistors whose values are hardly what was meant.

use super::super::common::Session;
use crate::circuit::{Circuit, Element};
use crate::diag::{Diagnostic, Span};
use crate::measure::findings::Finding;
use crate::num;

/// Values with the suffix M, which is milli: nothing of a circuit is known with a megohm that is a short. One
/// of milliohms is written `0.1` or `100m`.
pub fn milliohms(session: &Session<'_>, circuit: &Circuit) -> Vec<Finding> {
    let finding = |misread: &Diagnostic| {
        let subject = match resistor(circuit, misread) {
            // Set to something else meanwhile.
            Some(e) if e.value.is_some() && e.value != value(misread) => return None,
            Some(e) => e.name.clone(),
            None => misread.span.map(|at| session.draft.files.place(at))?,
        };
        let advice = misread.hint.as_deref().unwrap_or_default();
        Some(Finding {
            subject,
            quantity: "dissipation",
            text: format!("{}; {advice}", misread.message),
            grave: true,
        })
    };
    session.milliohms.iter().filter_map(finding).collect()
}

/// The value as it is read.
fn value(misread: &Diagnostic) -> Option<f64> {
    num::parse(misread.message.split('`').nth(1)?)
}

/// The resistor on whose line something is said.
fn resistor<'c>(circuit: &'c Circuit, said: &Diagnostic) -> Option<&'c Element> {
    let at = said.span?;
    let holds = |line: Span| line.file == at.file && line.start <= at.start && at.end <= line.end;
    let mut all = circuit.elements.iter();
    all.find(|e| e.span.is_some_and(holds))
}
