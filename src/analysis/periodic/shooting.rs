//! Newton's search for the charges that come back to themselves.
//!
//! One solver serves a signal and the mains: what differs is in [`Tactics`]. Where a correction
//! leads astray, in a mains cycle the next period is left to run by itself: a supply that was
//! thrown far from its charge comes back a good way in one cycle.

use super::krylov::Linear;
use super::mesh::{self, KEPT, Lengths};
use super::monodromy::{Monodromy, NEAR, ROUNDS};
use super::orbit::Orbit;
use super::outcome::{Effort, MOST_STEPS, PeriodicState};
use super::search::{Last, Search, worst};
use super::signal::{Clock, Driving};
use super::spread::Changes;
use super::step::Judged;
use super::tactics::Tactics;
use super::trouble::Trouble;

/// Corrections that no longer shrink on the same mesh are rounding; they are accepted up to
/// this multiple.
const ROUNDED: f64 = 100.0;
/// A movement N times larger than the last period's says that the correction led astray.
const ASTRAY: f64 = 3.0;
/// While the last correction was more than this, a quick search's steps are taken in passing: what
/// they leave over is far less than what the next correction changes.
const IN_PASSING: f64 = 300.0;
/// From the first, a correction, on a mains cycle's mesh is only refined while it has fewer steps than
/// the second: one laid out anew moves every flank a little, and the charges with it by more than what
/// counts as closed.
const REFINED: (f64, usize) = (1e3, 2000);
/// Where steps are divided at once, a mesh is only refined if fewer than one in N still stray
/// too far.
const FEW: usize = 8;
/// ... and the correction was no more than this: farther away all flanks still move.
const ANEW: f64 = 1e4;
/// A cycle that comes back to itself on N meshes in a row does so whatever its flanks look like: a
/// winding between blocked diodes leaps from one potential to another.
const CLOSED_AGAIN: usize = 3;
/// A monodromy worked out where the correction was no more than this, a thousandth of an amplitude,
/// says what grows.
const FRESH: f64 = 1e3;
/// With more charges than these a period's matrix is not made: see [`super::krylov`].
pub(super) const MOST_COLUMNS: usize = 400;
/// Passes after which a quick search for a mains cycle is given up, beside a neighbour and without
/// one, and steps of one: the whole Lapwing takes 14 passes. One of 20 amplifiers of `spread` never
/// ended without.
const QUICK_PASSES: (usize, usize) = (10, 20);
const QUICK_STEPS: usize = 2000;
/// A search beside a neighbour that is off by more than the second after as many passes as the first
/// leads nowhere: of ten, all five that came to an end were nearer by then.
const LOST: (usize, f64) = (3, 1e5);

/// What a search begins with.
struct Beginning {
    charge: Vec<f64>,
    mesh: Vec<f64>,
    /// The neighbour's orbit, and what its period makes of small changes.
    old: Option<Orbit>,
    monodromy: Option<Monodromy>,
}

impl Search<'_> {
    /// From a neighbour, or from rest on an even mesh.
    fn beginning(
        &mut self,
        driving: Driving<'_>,
        start: Option<Last>,
    ) -> Result<Beginning, Trouble> {
        if let Some(last) = start {
            return Ok(Beginning {
                charge: last.charge,
                mesh: last.orbit.times.clone(),
                old: Some(last.orbit),
                monodromy: last.monodromy,
            });
        }
        self.stepper.assembly.memory.clone_from(&self.rest.memory);
        let Clock { period_s, .. } = driving.clock;
        let cycles = period_s / driving.shortest_s();
        let steps = (cycles * self.tactics.first).round() as usize;
        if steps > MOST_STEPS {
            return Err(Trouble::TooLong { steps });
        }
        Ok(Beginning {
            charge: self.rest.charge.clone(),
            mesh: mesh::even(period_s, steps),
            old: None,
            monodromy: None,
        })
    }

    /// Newton's step, `[state]`, V or A, by what a period makes of small changes, which first takes in
    /// what this pass carried of `changes`; none if the step is not finite.
    fn correction(
        &self,
        known: &mut Option<Monodromy>,
        (changes, carried): (&Changes, Vec<f64>),
        moved: &[f64],
        scale: &[f64],
    ) -> Option<Vec<f64>> {
        let counts = self.tactics.counts;
        let monodromy = match known {
            Some(known) => {
                known.renew(changes, carried, (scale, counts));
                known
            }
            none => none.insert(Monodromy::whole(carried, scale, counts)),
        };
        monodromy.correction(moved, self.keeps)
    }

    /// Seeks the steady state by Newton; none if that does not lead there.
    pub fn newton<E>(
        &mut self,
        driving: Driving<'_>,
        start: Option<Last>,
        effort: &mut Effort,
        poll: &mut impl FnMut() -> Result<(), E>,
    ) -> Result<Result<Option<PeriodicState>, E>, Trouble> {
        let tactics = self.tactics;
        let cycle = driving.shortest_s();
        let mut lengths = Lengths::new(cycle / tactics.least, !self.stepper.state.is_empty());
        lengths.by_time = tactics.quick && tactics.mains;
        let Beginning {
            mut charge,
            mut mesh,
            mut old,
            monodromy: near,
        } = self.beginning(driving, start)?;
        let mut trust = Trust {
            moved: f64::INFINITY,
            part: 1.0,
        };
        // What the last pass was corrected by, and whether this one has its mesh.
        let (mut last_off, mut kept) = (f64::INFINITY, false);
        let mut closed_before = 0;
        let beside = old.is_some();
        let state = self.stepper.state.len();
        let matrix_free = state > MOST_COLUMNS;
        let mut monodromy = near.filter(|_| !matrix_free);
        let hurried = tactics.quick && tactics.mains;
        let passes = match (hurried, beside) {
            (true, true) => QUICK_PASSES.0,
            (true, false) => QUICK_PASSES.1,
            (false, _) => tactics.passes,
        };
        let mut looser = if beside {
            1.0
        } else {
            tactics.looser(f64::INFINITY)
        };
        let mut grown = None;
        for made in 0..passes {
            if let Err(e) = poll() {
                return Ok(Err(e));
            }
            let lost = beside && made >= LOST.0 && last_off > LOST.1;
            if hurried && (lost || mesh.len() > QUICK_STEPS) {
                break;
            }
            let memory = self.stepper.assembly.memory.clone();
            let mut tolerance = self.tolerance(old.as_ref());
            tolerance.iter_mut().for_each(|t| *t *= looser);
            let changes = match &monodromy {
                _ if matrix_free => Changes::Columns(Vec::new()),
                Some(m) => m.due(state),
                None => Changes::Columns((0..state).collect()),
            };
            let columns = changes.columns();
            let in_passing = tactics.quick && old.is_some() && last_off > IN_PASSING;
            let mut pass = self.pass(
                &driving,
                (&mesh, &charge),
                old.as_ref(),
                Judged {
                    tolerance: &tolerance,
                    looser: if tactics.divides { looser } else { 1.0 },
                    in_passing,
                },
                &changes,
                effort,
            )?;
            let tolerance = self.tolerance(Some(&pass.orbit));
            let mut errors =
                mesh::errors(&pass.orbit, &tolerance, &self.stepper.differential, lengths);
            let error = errors.iter().copied().fold(0.0, f64::max);
            let scale = self.scale(&pass.orbit, &pass.weights);
            let carried = std::mem::take(&mut pass.monodromy);
            let step = if matrix_free {
                let mut linear =
                    Linear::new(&mut self.stepper, driving, &pass.orbit, memory.clone());
                match linear.correction(&pass.moved, &scale, poll) {
                    Ok(step) => step,
                    Err(e) => return Ok(Err(e)),
                }
            } else {
                let carried = (&changes, carried);
                self.correction(&mut monodromy, carried, &pass.moved, &scale)
            };
            let Some(step) = step else {
                break;
            };
            let off = worst(&step, &scale);
            let same_memory = memory == self.stepper.assembly.memory;
            closed_before = if off <= 1.0 { closed_before + 1 } else { 0 };
            let fine = error <= 2.0 * KEPT
                || mesh.len() > MOST_STEPS
                || tactics.leaps && closed_before >= CLOSED_AGAIN;
            // Seconds of settling in a millisecond's period: rounding comes back a thousandfold.
            let fresh = columns > 0 || state == 0 || matrix_free;
            let stuck = fresh && kept && trust.part == 1.0 && off > ROUNDS * last_off;
            let rounding = stuck && off <= ROUNDED;
            let moved = worst(&pass.moved, &scale);
            let closed = (off <= 1.0 || rounding) && fine && same_memory && !in_passing;
            let whole = monodromy.as_ref().filter(|_| columns == state);
            if let Some(m) = whole.filter(|_| !tactics.mains && (closed || off <= FRESH)) {
                grown = Some(m.growth());
            }
            if closed && matrix_free && !tactics.mains {
                let mut linear =
                    Linear::new(&mut self.stepper, driving, &pass.orbit, memory.clone());
                grown = match linear.largest(poll) {
                    Ok(largest) => largest.map(|m| m.norm_sqr().sqrt()),
                    Err(e) => return Ok(Err(e)),
                };
            }
            if closed && (tactics.mains || grown.is_some() || matrix_free) {
                let m = monodromy.filter(|_| tactics.mains || tactics.quick);
                return Ok(Ok(Some(PeriodicState {
                    growth: grown,
                    error,
                    ..self.keep(&driving, charge, pass.orbit, m)
                })));
            }
            let applied = if tactics.mains && moved > ASTRAY * trust.moved {
                charge.clone_from(&pass.end);
                trust.moved = moved;
                pass.moved.clone()
            } else {
                // On another mesh everything moves, which is not the correction's fault.
                let anew = tactics.divides && !kept && off <= ANEW;
                let certain = tactics.mains || anew || tactics.quick && off <= NEAR;
                let part = trust.part(moved, certain);
                for ((&k, s), w) in self.stepper.state.iter().zip(&step).zip(&pass.weights) {
                    charge[k] += part * w * s;
                }
                step.into_iter().map(|s| part * s).collect()
            };
            if let Some(m) = &mut monodromy {
                if tactics.quick {
                    m.applied(applied, scale);
                    m.decide(off, last_off, (fresh, kept), same_memory);
                }
                let asks = !tactics.mains && grown.is_none() && off <= FRESH;
                if !tactics.quick || asks {
                    m.renew_all();
                }
            }
            last_off = off;
            // A mains cycle's mesh is laid out by what this pass was allowed: by what the next one is,
            // the whole Lapwing took a pass more.
            let before = std::mem::replace(&mut looser, tactics.looser(off));
            if tactics.divides {
                looser = looser.min(before);
            }
            let allowed = if tactics.mains { before } else { looser };
            kept = error <= KEPT * allowed;
            if !kept {
                errors.iter_mut().for_each(|e| *e /= allowed);
                let near = off <= REFINED.0 && allowed == 1.0;
                mesh = next_mesh(&tactics, &pass.orbit, &errors, lengths, (off, near));
            } else if tactics.divides {
                mesh.clone_from(&pass.orbit.times);
            }
            old = Some(pass.orbit);
        }
        Ok(Ok(None))
    }
}

/// How much of Newton's corrections is taken: less after one that led astray.
#[derive(Debug)]
struct Trust {
    /// The largest movement in the last period, in multiples of what counts as closed.
    moved: f64,
    part: f64,
}

impl Trust {
    fn part(&mut self, moved: f64, whole: bool) -> f64 {
        self.part = if whole {
            1.0
        } else if moved > 4.0 * self.moved {
            (0.5 * self.part).max(0.1)
        } else {
            (2.0 * self.part).min(1.0)
        };
        self.moved = moved;
        self.part
    }
}

/// The mesh of the next pass, by the errors on this one's: refined where little of it strays too
/// far, else laid out anew. `off` is what the correction was, `near` whether it was small.
fn next_mesh(
    tactics: &Tactics,
    orbit: &Orbit,
    errors: &[f64],
    lengths: Lengths,
    (off, near): (f64, bool),
) -> Vec<f64> {
    let refines = if tactics.divides {
        let over = errors.iter().filter(|&&e| e > KEPT).count();
        FEW * over < errors.len() && off <= ANEW
    } else {
        let small = !tactics.mains || orbit.steps() < REFINED.1;
        lengths.by_time && near && small
    };
    if refines {
        mesh::refined(orbit, errors, lengths)
    } else {
        mesh::adapted(orbit, errors, lengths, MOST_STEPS)
    }
}
