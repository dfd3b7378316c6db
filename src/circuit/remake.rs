//! Other values in a bound circuit: nodes, parts and their order stay, so that equations,
//! pattern and pivot order stay too.

use super::network::{Branch, BranchKind, Circuit, First, Piece};
use crate::device::source::Drive;
use crate::device::{Given, Part};

impl Circuit {
    /// Gives an element with a model other parameters (in the order of its kind's tables).
    /// False, with nothing promised of its values, if they make other parts than it had: a
    /// capacitance that came to nothing, say.
    pub fn remake(&mut self, element: usize, model: &[f64], instance: &[f64]) -> bool {
        let Some(kind) = self.elements[element].kind else {
            return false;
        };
        let built = (kind.build)(&Given {
            kind,
            model,
            instance,
            celsius: self.celsius,
        });
        let mut at = self.elements[element].made.first;
        for part in built.parts {
            let fits = match part {
                Part::Resistance(_, _, ohms) => {
                    at.resistance += 1;
                    put(self.resistances.get_mut(at.resistance - 1), |r| {
                        r.ohms = ohms
                    })
                }
                Part::Capacitance(_, _, 0.0) => true,
                Part::Capacitance(_, _, farads) => {
                    at.capacitance += 1;
                    put(self.capacitances.get_mut(at.capacitance - 1), |c| {
                        c.farads = farads;
                    })
                }
                Part::Winding(winding) => self.rewind(&mut at, winding.henries, winding.ohms, {
                    winding.core.map(|(_, turns)| turns)
                }),
                Part::Transfer { siemens, .. } => {
                    at.gain += 1;
                    put(self.gains.get_mut(at.gain - 1), |g| g.gain = siemens)
                }
                Part::Law { law, .. } => {
                    at.law += 1;
                    put(self.laws.get_mut(at.law - 1), |l| l.law = law.into())
                }
            };
            if !fits {
                return false;
            }
        }
        true
    }

    /// A winding's numbers, in the order in which they were bound.
    fn rewind(&mut self, at: &mut First, henries: f64, ohms: f64, turns: Option<f64>) -> bool {
        at.branch += 1;
        let kind = self.branches.get_mut(at.branch - 1).map(|b| &mut b.kind);
        let fits = match kind {
            Some(BranchKind::Inductance(h)) if henries > 0.0 => {
                *h = henries;
                true
            }
            Some(BranchKind::Controlled) => henries <= 0.0,
            _ => false,
        };
        let mut gain = |value: f64| {
            at.gain += 1;
            put(self.gains.get_mut(at.gain - 1), |g| g.gain = value)
        };
        fits && (ohms == 0.0 || gain(ohms)) && turns.is_none_or(|t| gain(t) && gain(t))
    }

    /// Gives a resistor, capacitor or inductor another value; false if it has none. Couplings
    /// of an inductor keep their factor.
    pub fn revalue(&mut self, element: usize, value: f64) -> bool {
        let Some(port) = self.elements[element].ports.first() else {
            return false;
        };
        if self.elements[element].kind.is_some() || self.elements[element].value.is_none() {
            return false;
        }
        match port.piece {
            Piece::Resistance(k) => self.resistances[k].ohms = value,
            Piece::Capacitance(k) => self.capacitances[k].farads = value,
            Piece::Branch(k) => {
                let BranchKind::Inductance(henries) = &mut self.branches[k].kind else {
                    return false;
                };
                let before = std::mem::replace(henries, value);
                let mine = |&(a, b, _): &(Branch, Branch, f64)| a.0 == k || b.0 == k;
                let factor = (value / before).sqrt();
                for mutual in self.mutuals.iter_mut().filter(|m| mine(m)) {
                    mutual.2 *= factor;
                }
            }
            _ => return false,
        }
        self.elements[element].value = Some(value);
        true
    }

    /// What drives a source.
    pub fn drive_of(&mut self, element: usize) -> Option<&mut Drive> {
        match self.elements[element].ports.first()?.piece {
            Piece::Branch(k) => match &mut self.branches[k].kind {
                BranchKind::Source(drive) => Some(drive),
                _ => None,
            },
            Piece::Current(k) => Some(&mut self.currents[k].drive),
            _ => None,
        }
    }
}

fn put<T>(place: Option<&mut T>, change: impl FnOnce(&mut T)) -> bool {
    place.map(change).is_some()
}
