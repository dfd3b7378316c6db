//! Which way to a steady state is tried after which.

use super::apart;
use super::outcome::{Effort, PeriodicState};
use super::search::{Last, Search};
use super::shooting::MOST_COLUMNS;
use super::signal::Driving;
use super::tactics::KEEPS;
use super::trouble::Trouble;

/// Where the quick search fails beside the mains, it is approached with errors N times larger, at
/// these parts of the signal: a supply that sags takes Newton far from its start.
const APPROACH: (f64, [f64; 2]) = (10.0, [0.5, 1.0]);

impl Search<'_> {
    /// The steady state, sought from a neighbour or else from rest.
    pub fn seek<E>(
        &mut self,
        driving: Driving<'_>,
        known: Option<Last>,
        effort: &mut Effort,
        poll: &mut impl FnMut() -> Result<(), E>,
    ) -> Result<Result<PeriodicState, E>, Trouble> {
        if self.tactics.quick {
            let state = self.stepper.state.len();
            let near = known.map(|last| Last {
                monodromy: last.monodromy.and_then(|m| m.of_neighbour(state, true)),
                ..last
            });
            for start in near.map(Some).into_iter().chain([None]) {
                match self.newton(driving, start, effort, poll) {
                    Ok(Err(stopped)) => return Ok(Err(stopped)),
                    Ok(Ok(Some(found))) => return Ok(Ok(found)),
                    Ok(Ok(None)) | Err(_) => (),
                }
            }
            let quick = self.tactics;
            self.tactics = quick.patient();
            let found = self.gradually(driving, effort, poll);
            self.tactics = quick;
            return found;
        }
        self.sought(driving, known, effort, poll)
    }

    /// By Newton, with switches open for good behind which charges stand: from now on, if that is what
    /// it took; otherwise what was `restless` before.
    fn apart<E>(
        &mut self,
        driving: Driving<'_>,
        effort: &mut Effort,
        poll: &mut impl FnMut() -> Result<(), E>,
        restless: Trouble,
    ) -> Result<Result<PeriodicState, E>, Trouble> {
        let Search { stepper, keeps, .. } = self;
        let switches = apart::switches(stepper.assembly.circuit, &stepper.state);
        let again = !stepper.assembly.is_whole() || stepper.state.len() > MOST_COLUMNS;
        if switches.is_empty() || again {
            return Err(restless);
        }
        stepper.assembly.take_out(switches);
        *keeps = KEEPS;
        match self.newton(driving, None, effort, poll) {
            Ok(Ok(Some(found))) => Ok(Ok(found)),
            Ok(Err(stopped)) => Ok(Err(stopped)),
            Ok(Ok(None)) | Err(_) => {
                self.stepper.assembly.put_back();
                self.keeps = 0.0;
                Err(restless)
            }
        }
    }

    /// Step by step from rest to the whole signal.
    fn gradually<E>(
        &mut self,
        driving: Driving<'_>,
        effort: &mut Effort,
        poll: &mut impl FnMut() -> Result<(), E>,
    ) -> Result<Result<PeriodicState, E>, Trouble> {
        let (accuracy, tactics) = (self.accuracy, self.tactics);
        self.accuracy.relative *= APPROACH.0;
        self.tactics.closed *= APPROACH.0;
        let mut known = None;
        let mut stopped = None;
        for part in APPROACH.1 {
            let signal = driving.signal.times(part);
            let nearer = Driving {
                signal: &signal,
                ..driving
            };
            // What fails here is reported where the signal itself fails.
            if let Ok(Err(e)) = self.newton(nearer, known.clone(), effort, poll) {
                stopped = Some(e);
                break;
            }
            known = self.last.take().or(known);
        }
        (self.accuracy, self.tactics) = (accuracy, tactics);
        match stopped {
            Some(e) => Ok(Err(e)),
            None => self.sought(driving, known, effort, poll),
        }
    }

    /// By Newton, or else by running period after period; from a known start, or else from rest.
    fn sought<E>(
        &mut self,
        driving: Driving<'_>,
        known: Option<Last>,
        effort: &mut Effort,
        poll: &mut impl FnMut() -> Result<(), E>,
    ) -> Result<Result<PeriodicState, E>, Trouble> {
        let again = known.is_some();
        let found = match self.newton(driving, known, effort, poll) {
            Ok(Ok(Some(found))) => Ok(Ok(found)),
            Ok(Ok(None)) => match self.settle(driving, effort, poll) {
                Err(restless) => self.apart(driving, effort, poll, restless),
                found => found,
            },
            Ok(Err(stopped)) => Ok(Err(stopped)),
            Err(trouble) => Err(trouble),
        };
        match found {
            // The start was to blame, perhaps, and not the circuit: once more from rest.
            Err(_) if again => self.sought(driving, None, effort, poll),
            found => found,
        }
    }
}
