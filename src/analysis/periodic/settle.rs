//! The fallback: period after period until nothing moves any more.

use super::mesh::{self, KEPT, Lengths};
use super::orbit::Orbit;
use super::outcome::{Effort, MOST_STEPS, Method, PeriodicState};
use super::search::{Search, worst};
use super::signal::Driving;
use super::spread::Changes;
use super::step::Judged;
use super::trouble::Trouble;

/// Periods that are integrated at most.
const PERIODS: usize = 400;

impl Search<'_> {
    /// Integrates period after period from rest until nothing moves any more.
    pub fn settle<E>(
        &mut self,
        driving: Driving<'_>,
        effort: &mut Effort,
        poll: &mut impl FnMut() -> Result<(), E>,
    ) -> Result<Result<PeriodicState, E>, Trouble> {
        let (period_s, cycle) = (driving.clock.period_s, driving.shortest_s());
        let lengths = Lengths::new(cycle / self.tactics.least, !self.stepper.state.is_empty());
        let steps = (period_s / cycle * self.tactics.first).round() as usize;
        self.stepper.assembly.memory.clone_from(&self.rest.memory);
        let mut mesh = mesh::even(period_s, steps);
        let mut charge = self.rest.charge.clone();
        let mut old: Option<Orbit> = None;
        let mut restless = (String::new(), f64::INFINITY, "V", 0);
        for period in 1..=PERIODS {
            if let Err(e) = poll() {
                return Ok(Err(e));
            }
            let tolerance = self.tolerance(old.as_ref());
            let pass = self.pass(
                &driving,
                (&mesh, &charge),
                old.as_ref(),
                Judged::exactly(&tolerance),
                &Changes::Columns(Vec::new()),
                effort,
            )?;
            let tolerance = self.tolerance(Some(&pass.orbit));
            let errors = mesh::errors(&pass.orbit, &tolerance, &self.stepper.differential, lengths);
            let error = errors.iter().copied().fold(0.0, f64::max);
            let scale = self.scale(&pass.orbit, &pass.weights);
            charge.clone_from(&pass.end);
            if worst(&pass.moved, &scale) <= 10.0 && error <= 2.0 * KEPT {
                return Ok(Ok(PeriodicState {
                    method: Method::Settled { periods: period },
                    error,
                    ..self.keep(&driving, charge, pass.orbit, None)
                }));
            }
            let size = |k: &usize| pass.moved[*k].abs() / scale[*k];
            let most = (0..scale.len()).max_by(|a, b| size(a).total_cmp(&size(b)));
            if let Some(k) = most {
                let assembly = &self.stepper.assembly;
                let row = self.stepper.state[k];
                let name = assembly.unknowns.name(assembly.circuit, row);
                let unit = if row < assembly.unknowns.nodes() {
                    "V"
                } else {
                    "A"
                };
                restless = (name, pass.moved[k].abs(), unit, row);
            }
            if error > KEPT {
                mesh = mesh::adapted(&pass.orbit, &errors, lengths, MOST_STEPS);
            }
            old = Some(pass.orbit);
        }
        Err(Trouble::NotPeriodic {
            periods: PERIODS,
            place: restless.0,
            moves: restless.1,
            unit: restless.2,
            unknown: restless.3,
        })
    }
}
