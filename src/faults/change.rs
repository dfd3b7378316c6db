//! What a fault changes in a circuit, and how that is taken back.

use super::node::{feed, volts};
use crate::circuit::loosen::Loosened;
use crate::circuit::{BranchKind, Circuit, CurrentPart, Node};
use crate::device::source::{Drive, Wave};
use crate::system::unknowns::Unknowns;

/// One change.
#[derive(Debug, Clone, PartialEq)]
pub enum Change {
    /// A resistance has other ohms.
    Ohms(usize, f64),
    /// A capacitance has other farads.
    Farads(usize, f64),
    /// Two nodes are joined by some ohms.
    Join(Node, Node, f64),
    /// A lead of an element is off its node.
    Loosen(usize, usize),
    /// A law's device does nothing.
    Unplug(usize),
    /// A variable has another value.
    Variable(usize, f64),
    /// A voltage source gives other volts.
    Source(usize, f64),
    /// A current source gives other amperes.
    Feed(usize, f64),
    /// The same where it is no more than what the fault's own change entails.
    Entailed(usize, f64),
    /// A sine of the mains, by its number, and the factor that it is multiplied by.
    Mains(usize, f64),
    /// Amperes from the first node to the second, through no part that is drawn.
    Leak(Node, Node, f64),
    /// An element is of another type: its model's parameters.
    Model(usize, Vec<f64>),
    /// What follows belongs to a second fault.
    Besides,
}

/// The amplitude of a voltage source's sine, V.
fn sine(circuit: &mut Circuit, k: usize) -> Option<&mut f64> {
    let BranchKind::Source(drive) = &mut circuit.branches[k].kind else {
        return None;
    };
    match &mut drive.wave {
        Some(Wave::Sin { amplitude, .. }) => Some(amplitude),
        _ => None,
    }
}

/// How to take changes back.
#[derive(Debug, Default)]
pub struct Undo {
    steps: Vec<Step>,
    /// Laws that do nothing.
    pub unplugged: Vec<usize>,
    /// Nodes that leads were taken off, in order.
    loosened: Vec<Node>,
}

#[derive(Debug)]
enum Step {
    Ohms(usize, f64),
    Farads(usize, f64),
    Part,
    Fasten(Loosened),
    Source(usize, f64),
    Feed(usize, f64),
    Mains(usize, f64),
    Current,
    Model(usize, Vec<f64>),
}

impl Change {
    /// Whether it is made by the variables' values.
    pub fn is_of_variable(&self) -> bool {
        matches!(self, Change::Variable(..))
    }

    /// Enters it among the variables' values.
    pub fn put(&self, values: &mut [f64]) {
        if let Change::Variable(k, value) = self {
            values[*k] = *value;
        }
    }

    /// The changes of a fault with its own number times `factor`.
    pub fn all_scaled(changes: &[Change], factor: f64) -> Vec<Change> {
        changes.iter().map(|c| c.scaled(factor)).collect()
    }

    /// The same change with its number times `factor`.
    fn scaled(&self, factor: f64) -> Self {
        let mut other = self.clone();
        match &mut other {
            Change::Ohms(_, number)
            | Change::Farads(_, number)
            | Change::Join(_, _, number)
            | Change::Variable(_, number)
            | Change::Source(_, number)
            | Change::Feed(_, number)
            | Change::Mains(_, number)
            | Change::Leak(_, _, number) => *number *= factor,
            Change::Loosen(..)
            | Change::Unplug(_)
            | Change::Model(..)
            | Change::Entailed(..)
            | Change::Besides => {}
        }
        other
    }

    /// Makes the change; false if the circuit does not take it.
    pub fn apply(&self, circuit: &mut Circuit, undo: &mut Undo) -> bool {
        match self {
            Change::Ohms(k, ohms) => {
                let before = std::mem::replace(&mut circuit.resistances[*k].ohms, *ohms);
                undo.steps.push(Step::Ohms(*k, before));
            }
            Change::Farads(k, farads) => {
                let place = &mut circuit.capacitances[*k].farads;
                undo.steps
                    .push(Step::Farads(*k, std::mem::replace(place, *farads)));
            }
            Change::Join(a, b, ohms) => {
                circuit.join(*a, *b, *ohms);
                undo.steps.push(Step::Part);
            }
            Change::Loosen(element, terminal) => {
                let from = circuit.elements[*element].terminals.get(*terminal).copied();
                let Some(lead) = circuit.loosen(*element, *terminal) else {
                    return false;
                };
                undo.loosened.extend(from);
                undo.steps.push(Step::Fasten(lead));
            }
            Change::Unplug(law) => undo.unplugged.push(*law),
            Change::Variable(..) | Change::Besides => {}
            Change::Source(k, volts) => {
                let BranchKind::Source(drive) = &mut circuit.branches[*k].kind else {
                    return false;
                };
                let before = std::mem::replace(&mut drive.dc, *volts);
                undo.steps.push(Step::Source(*k, before));
            }
            Change::Feed(k, amperes) | Change::Entailed(k, amperes) => {
                let dc = &mut circuit.currents[*k].drive.dc;
                undo.steps
                    .push(Step::Feed(*k, std::mem::replace(dc, *amperes)));
            }
            Change::Mains(k, factor) => {
                let Some(sine) = sine(circuit, *k) else {
                    return false;
                };
                undo.steps.push(Step::Mains(*k, *sine));
                *sine *= factor;
            }
            Change::Leak(a, b, amperes) => {
                circuit.currents.push(CurrentPart {
                    a: *a,
                    b: *b,
                    drive: Drive {
                        dc: *amperes,
                        says_dc: true,
                        ac: None,
                        wave: None,
                        unscaled: None,
                    },
                });
                undo.steps.push(Step::Current);
            }
            Change::Model(element, model) => {
                let made = circuit.elements[*element].made.clone();
                if model.len() != made.model.len()
                    || !circuit.remake(*element, model, &made.instance)
                {
                    circuit.remake(*element, &made.model, &made.instance);
                    return false;
                }
                undo.steps.push(Step::Model(*element, made.model));
            }
        }
        true
    }

    /// Adds -df for a natural logarithm of the change's number; false if it has none.
    pub fn push(&self, circuit: &Circuit, x: &[f64], at: Unknowns, work: &mut [f64]) -> bool {
        match *self {
            Change::Ohms(k, _) => {
                let r = circuit.resistances[k];
                feed(work, r.a, r.b, (volts(x, r.a) - volts(x, r.b)) / r.ohms);
            }
            Change::Join(a, b, ohms) => feed(work, a, b, (volts(x, a) - volts(x, b)) / ohms),
            Change::Source(k, volts) => work[at.nodes() + k] += volts,
            Change::Leak(a, b, amperes) => feed(work, a, b, -amperes),
            Change::Feed(k, amperes) => {
                let source = &circuit.currents[k];
                feed(work, source.a, source.b, -amperes);
            }
            _ => return false,
        }
        true
    }
}

impl Undo {
    /// Takes everything back.
    pub fn back(self, circuit: &mut Circuit) {
        for step in self.steps.into_iter().rev() {
            match step {
                Step::Ohms(k, ohms) => circuit.resistances[k].ohms = ohms,
                Step::Farads(k, farads) => circuit.capacitances[k].farads = farads,
                Step::Part => circuit.part(),
                Step::Fasten(lead) => circuit.fasten(lead),
                Step::Source(k, volts) => {
                    if let BranchKind::Source(drive) = &mut circuit.branches[k].kind {
                        drive.dc = volts;
                    }
                }
                Step::Feed(k, amperes) => circuit.currents[k].drive.dc = amperes,
                Step::Mains(k, amplitude) => {
                    if let Some(sine) = sine(circuit, k) {
                        *sine = amplitude;
                    }
                }
                Step::Current => {
                    circuit.currents.pop();
                }
                Step::Model(element, model) => {
                    let instance = circuit.elements[element].made.instance.clone();
                    circuit.remake(element, &model, &instance);
                }
            }
        }
    }

    /// A solution of the sound circuit as a start for the one with leads in the air, which has
    /// `nodes` nodes: such a lead starts from the volts of the node that it was on.
    pub fn extended(&self, sound: &[f64], nodes: usize) -> Vec<f64> {
        let before = nodes - 1 - self.loosened.len();
        let mut x = sound[..before].to_vec();
        x.extend(self.loosened.iter().map(|&n| volts(sound, n)));
        x.extend(&sound[before..]);
        x
    }
}
