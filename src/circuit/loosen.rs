//! Leads taken off and nodes joined in a bound circuit, and all put back: what a dry joint, a
//! bridge of solder or a leaking part does.
//!
//! New nodes and parts stand behind all others and are taken away in the opposite order, so that
//! the numbers of everything that was there stay as they were.

use super::network::{Circuit, First, Node, NodeName, Piece, Resistance, Sense, Sink};
use crate::device::{Given, Part, Pin};

/// A lead that was taken off.
#[derive(Debug)]
pub struct Loosened {
    element: usize,
    terminal: usize,
    from: Node,
    places: Vec<Place>,
}

/// An end of one of the element's parts.
#[derive(Debug, Clone, Copy)]
enum Place {
    Resistance(usize, bool),
    Capacitance(usize, bool),
    Branch(usize, bool),
    Current(usize, bool),
    Sense(usize, bool),
    Sink(usize, bool),
    Control(usize, usize, bool),
    Output(usize, usize, bool),
}

impl Circuit {
    /// Takes one lead of an element off its node; the lead is then a node of its own, the last.
    /// None if the element has no such lead, or is not a part.
    pub fn loosen(&mut self, element: usize, terminal: usize) -> Option<Loosened> {
        let from = *self.elements[element].terminals.get(terminal)?;
        let places = self.places(element, terminal);
        if places.is_empty() {
            return None;
        }
        self.nodes.push(NodeName {
            name: format!("{}#{}", self.elements[element].name, terminal + 1),
            inner: true,
        });
        let to = Node(self.nodes.len() - 1);
        places.iter().for_each(|&place| self.fix(place, to));
        self.elements[element].terminals[terminal] = to;
        Some(Loosened {
            element,
            terminal,
            from,
            places,
        })
    }

    /// Solders the lead that was taken off last to its node again.
    pub fn fasten(&mut self, lead: Loosened) {
        for &place in &lead.places {
            self.fix(place, lead.from);
        }
        self.elements[lead.element].terminals[lead.terminal] = lead.from;
        self.nodes.pop();
    }

    /// Joins two nodes by a resistance, ohms; [`Circuit::part`] takes the last one away.
    pub fn join(&mut self, a: Node, b: Node, ohms: f64) -> usize {
        self.resistances.push(Resistance { a, b, ohms });
        self.resistances.len() - 1
    }

    /// Takes the resistance away that was joined last.
    pub fn part(&mut self) {
        self.resistances.pop();
    }

    /// The laws of an element.
    pub fn laws_of(&self, element: usize) -> Vec<usize> {
        let mut laws: Vec<usize> = Vec::new();
        for port in &self.elements[element].ports {
            if let Piece::Law(law, _) = port.piece
                && !laws.contains(&law)
            {
                laws.push(law);
            }
        }
        laws
    }

    /// All ends of the element's parts at one of its terminals.
    fn places(&self, element: usize, terminal: usize) -> Vec<Place> {
        let found = &self.elements[element];
        let Some(kind) = found.kind else {
            let first = terminal == 0;
            return match found.ports.first().map(|p| p.piece) {
                Some(Piece::Resistance(k)) => vec![Place::Resistance(k, first)],
                Some(Piece::Capacitance(k)) => vec![Place::Capacitance(k, first)],
                Some(Piece::Branch(k)) if terminal < 2 => vec![Place::Branch(k, first)],
                Some(Piece::Current(k)) => vec![Place::Current(k, first)],
                _ => Vec::new(),
            };
        };
        let built = (kind.build)(&Given {
            kind,
            model: &found.made.model,
            instance: &found.made.instance,
            celsius: self.celsius,
        });
        let pin = Pin::T(terminal);
        let mut at: First = found.made.first;
        let mut places = Vec::new();
        let mut note = |a: Pin, b: Pin, make: &dyn Fn(bool) -> Place| {
            if a == pin {
                places.push(make(true));
            }
            if b == pin {
                places.push(make(false));
            }
        };
        for part in &built.parts {
            match part {
                Part::Resistance(p, q, _) => {
                    let k = at.resistance;
                    at.resistance += 1;
                    note(*p, *q, &|first| Place::Resistance(k, first));
                }
                Part::Capacitance(_, _, 0.0) => {}
                Part::Capacitance(p, q, _) => {
                    let k = at.capacitance;
                    at.capacitance += 1;
                    note(*p, *q, &|first| Place::Capacitance(k, first));
                }
                Part::Winding(winding) => {
                    let k = at.branch;
                    at.branch += 1;
                    at.gain += usize::from(winding.ohms != 0.0);
                    at.gain += if winding.core.is_some() { 2 } else { 0 };
                    note(winding.from, winding.to, &|first| Place::Branch(k, first));
                }
                Part::Transfer { sense, sink, .. } => {
                    let k = at.gain;
                    at.gain += 1;
                    note(sense.0, sense.1, &|first| Place::Sense(k, first));
                    note(sink.0, sink.1, &|first| Place::Sink(k, first));
                }
                Part::Law {
                    controls, outputs, ..
                } => {
                    let k = at.law;
                    at.law += 1;
                    for (n, (p, q)) in controls.iter().enumerate() {
                        note(*p, *q, &|first| Place::Control(k, n, first));
                    }
                    for (n, (p, q)) in outputs.iter().enumerate() {
                        note(*p, *q, &|first| Place::Output(k, n, first));
                    }
                }
            }
        }
        places
    }

    fn fix(&mut self, place: Place, to: Node) {
        let put = |a: &mut Node, b: &mut Node, first: bool| {
            *(if first { a } else { b }) = to;
        };
        match place {
            Place::Resistance(k, first) => {
                let r = &mut self.resistances[k];
                put(&mut r.a, &mut r.b, first);
            }
            Place::Capacitance(k, first) => {
                let c = &mut self.capacitances[k];
                put(&mut c.a, &mut c.b, first);
            }
            Place::Branch(k, first) => {
                let b = &mut self.branches[k];
                put(&mut b.a, &mut b.b, first);
            }
            Place::Current(k, first) => {
                let c = &mut self.currents[k];
                put(&mut c.a, &mut c.b, first);
            }
            Place::Sense(k, first) => {
                if let Sense::Voltage(a, b) = &mut self.gains[k].sense {
                    put(a, b, first);
                }
            }
            Place::Sink(k, first) => {
                if let Sink::Current(a, b) = &mut self.gains[k].sink {
                    put(a, b, first);
                }
            }
            Place::Control(k, n, first) => {
                if let Sense::Voltage(a, b) = &mut self.laws[k].controls[n] {
                    put(a, b, first);
                }
            }
            Place::Output(k, n, first) => {
                if let Sink::Current(a, b) = &mut self.laws[k].outputs[n] {
                    put(a, b, first);
                }
            }
        }
    }
}
