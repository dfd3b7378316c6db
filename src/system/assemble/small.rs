//! Each law by itself at a solution, and what small changes about it obey.

use super::{Assembly, SOCKET_S, SourceState};
use crate::device::{Answer, Law};

/// What a law says at a solution.
#[derive(Debug, Clone)]
pub struct LawCurrents {
    /// Control values.
    pub u: Vec<f64>,
    /// Output currents, A.
    pub i: Vec<f64>,
    /// di/du, row by row.
    pub g: Vec<f64>,
    /// dq/du, row by row.
    pub c: Vec<f64>,
}

impl LawCurrents {
    /// Those of a law without current at these controls.
    fn none(u: Vec<f64>, outputs: usize) -> Self {
        LawCurrents {
            i: vec![0.0; outputs],
            g: vec![0.0; u.len() * outputs],
            c: vec![0.0; u.len() * outputs],
            u,
        }
    }

    /// What a law with N outputs says at these controls.
    pub fn of(law: &dyn Law, u: Vec<f64>, memory: f64, outputs: usize) -> Self {
        let mut found = LawCurrents::none(u, outputs);
        let mut answer = Answer {
            i: &mut found.i,
            q: &mut vec![0.0; outputs],
            g: &mut found.g,
            c: &mut found.c,
        };
        law.answer(&found.u, memory, &mut answer);
        found
    }
}

impl Assembly<'_> {
    /// The laws' answers at a solution: all outputs' currents, one law after the other.
    pub fn currents(&mut self, x: &[f64]) -> Vec<LawCurrents> {
        (0..self.wiring.len())
            .map(|index| self.law_currents(index, x))
            .collect()
    }

    /// One law's currents and incremental charges at a solution.
    pub fn law_currents(&self, index: usize, x: &[f64]) -> LawCurrents {
        let wiring = &self.wiring[index];
        let controls = wiring.controls.iter();
        let u = controls.map(|columns| columns.iter().map(|&(c, sign)| sign * x[c]).sum());
        let (u, outputs) = (u.collect(), wiring.outputs.len());
        if self.unplugged[index] {
            LawCurrents::none(u, outputs)
        } else {
            let law = self.circuit.laws[index].law.as_ref();
            LawCurrents::of(law, u, self.memory[index], outputs)
        }
    }

    /// The derivatives G = df/dx and C = dq/dx at `x`, each in the order of the pattern: what
    /// small changes about a solution obey.
    pub fn slopes(&mut self, x: &[f64]) -> (Vec<f64>, Vec<f64>) {
        let (mut g, mut c) = (self.g_linear.clone(), self.c_linear.clone());
        self.evaluations += 1;
        for index in 0..self.wiring.len() {
            if self.unplugged[index] {
                // As in `evaluate`: a winding between pulled rectifiers is still to be somewhere.
                let nodes = self.node_diagonal.len();
                let rows = self.wiring[index].outputs.iter().flatten();
                for &(row, _) in rows.filter(|w| w.0 < nodes) {
                    g[self.node_diagonal[row]] += SOCKET_S;
                }
                continue;
            }
            let law = self.small_currents(index, x);
            for stamp in &self.wiring[index].stamps {
                let e = stamp.entry as usize;
                g[stamp.place as usize] += stamp.sign * law.g[e];
                c[stamp.place as usize] += stamp.sign * law.c[e];
            }
        }
        (g, c)
    }

    /// One law's currents, and its slopes for small changes: see [`Assembly::switching`].
    fn small_currents(&self, index: usize, x: &[f64]) -> LawCurrents {
        let mut law = self.law_currents(index, x);
        let mut switching = self.switching.iter().flat_map(|s| &s.slopes);
        if !self.unplugged[index]
            && let Some((_, mean)) = switching.find(|(law, _)| *law == index)
        {
            law.g.clone_from(mean);
        }
        law
    }

    /// Evaluates for small changes of direct current about `x`: the Jacobian is G.
    pub fn evaluate_small(&mut self, x: &[f64]) {
        self.evaluate(x, SourceState::DC, 0.0, false);
        let switching = self.switching.iter().flat_map(|s| &s.slopes);
        for (index, mean) in switching.filter(|(law, _)| !self.unplugged[*law]) {
            let now = self.law_currents(*index, x).g;
            for stamp in &self.wiring[*index].stamps {
                let e = stamp.entry as usize;
                self.jacobian[stamp.place as usize] += stamp.sign * (mean[e] - now[e]);
            }
        }
    }

    /// Takes one law's slopes at `x` out of the Jacobian of the last evaluation for small changes,
    /// as if its device were pulled from its socket.
    pub fn unplug_from_jacobian(&mut self, index: usize, x: &[f64]) {
        let g = self.small_currents(index, x).g;
        for stamp in &self.wiring[index].stamps {
            self.jacobian[stamp.place as usize] -= stamp.sign * g[stamp.entry as usize];
        }
    }

    /// The controls of a law as derivatives over time: the same combination of dx/dt.
    pub fn control_rates(&self, index: usize, rates: &[f64]) -> Vec<f64> {
        self.wiring[index]
            .controls
            .iter()
            .map(|columns| columns.iter().map(|&(c, sign)| sign * rates[c]).sum())
            .collect()
    }
}
