//! One valve by itself: its law at given volts.

use crate::device::{Answer, Given, Kind, Law, Part};

/// Volts against the cathode.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct State {
    /// Plate.
    pub vpk: f64,
    /// Screen; not a number where there is none.
    pub vg2k: f64,
    /// Grid.
    pub vgk: f64,
}

/// Plate and screen current, A; a triode's screen current is 0.
pub type Currents = [f64; 2];

/// Whether a valve of this kind has a plate, a grid and a cathode.
pub fn fits(kind: &Kind) -> bool {
    ["plate", "grid", "cathode"]
        .iter()
        .all(|t| kind.terminals.contains(t))
        && kind.terminals.len() <= 4
}

/// Whether it has a screen.
pub fn has_screen(kind: &Kind) -> bool {
    kind.terminals.contains(&"screen")
}

/// A valve: a law with its parameters.
#[derive(Debug)]
pub struct Bottle {
    law: Box<dyn Law>,
    has_screen: bool,
}

impl Bottle {
    /// The valve of a kind that [`fits`], with model parameters in the order of the kind.
    ///
    /// # Panics
    /// If the kind has no law.
    pub fn new(kind: &'static Kind, values: &[f64]) -> Bottle {
        let instance: Vec<f64> = kind.instance_params.iter().map(|p| p.default).collect();
        let device = (kind.build)(&Given {
            kind,
            model: values,
            instance: &instance,
            celsius: 27.0,
        });
        let law = device.parts.into_iter().find_map(|part| match part {
            Part::Law { law, .. } => Some(law),
            _ => None,
        });
        Bottle {
            law: law.expect("a valve has a law"),
            has_screen: has_screen(kind),
        }
    }

    /// Plate and screen current at some volts.
    pub fn at(&self, state: State) -> Currents {
        let [plate, screen, _] = self.answer(state);
        [plate, screen]
    }

    /// Mutual conductance at some volts, S.
    pub fn gm(&self, state: State) -> f64 {
        self.answer(state)[2]
    }

    fn answer(&self, state: State) -> [f64; 3] {
        let triode = [state.vpk, state.vgk];
        let pentode = [state.vpk, state.vg2k, state.vgk];
        let u = if self.has_screen {
            &pentode[..]
        } else {
            &triode[..]
        };
        let (mut i, mut q) = ([0.0; 3], [0.0; 3]);
        let (mut g, mut c) = ([0.0; 9], [0.0; 9]);
        let outputs = self.law.outputs();
        let slopes = outputs * u.len();
        let mut answer = Answer {
            i: &mut i[..outputs],
            q: &mut q[..outputs],
            g: &mut g[..slopes],
            c: &mut c[..slopes],
        };
        self.law.answer(u, 0.0, &mut answer);
        [
            i[0],
            if self.has_screen { i[1] } else { 0.0 },
            g[u.len() - 1],
        ]
    }
}
