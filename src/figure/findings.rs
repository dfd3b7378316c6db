//! What is wrong in words with a circuit at rest: what `bias` says, `check` of every case, and
//! `compare` where it changes.

use crate::analysis::small_signal::SmallSignal;
use crate::measure::findings::{self, Finding, STABILITY, Trial, UNJUDGED};
use crate::measure::quiescent::{self, Quiescent};
use crate::measure::stress::Survey;
use crate::parts;
use crate::system::assemble::Assembly;

/// Everything that is found: part by part, and of the whole circuit that it does not stay there. The
/// assembly comes back.
/// The survey, where there is one, adds what is found in its states.
pub fn of<'c>(
    quiescent: &Quiescent,
    mut assembly: Assembly<'c>,
    survey: Option<&Survey>,
) -> (Vec<Finding>, Assembly<'c>) {
    let mut all = findings::backward(assembly.circuit, Some(quiescent), survey);
    all.extend(findings::at_rest(
        &mut assembly,
        &quiescent.x,
        quiescent.mains(),
    ));
    all.extend(findings::dead(&mut assembly, quiescent));
    all.extend(findings::charged(&mut assembly, quiescent));
    all.extend(parts::overloaded(assembly.circuit));
    let (unstable, assembly) = unstable(quiescent, assembly);
    all.extend(unstable);
    // With a signal an open output transformer is no mere matter of the bench.
    if survey.is_some_and(|s| s.states.iter().any(|s| s.sine.is_some())) {
        for finding in &mut all {
            finding.grave |= finding.quantity == findings::NO_LOAD;
        }
    }
    (all, assembly)
}

/// Whether a circuit that stays where it is charted stays with its knobs and switches in other
/// positions too. Of one that does not, or is not judged, `known` says so, and nothing is added.
pub fn elsewhere(
    quiescent: &Quiescent,
    assembly: &mut Assembly<'_>,
    known: &[Finding],
    trial: &Trial<'_>,
) -> Vec<Finding> {
    let is_judged = |f: &Finding| [STABILITY, UNJUDGED].contains(&f.quantity);
    if known.iter().any(is_judged) {
        return Vec::new();
    }
    findings::elsewhere(quiescent, assembly, trial)
}

/// Only that the circuit does not stay there, if it does not. The assembly comes back.
pub fn unstable<'c>(quiescent: &Quiescent, assembly: Assembly<'c>) -> (Vec<Finding>, Assembly<'c>) {
    let mut assembly = quiescent::with_swings(assembly, &quiescent.found);
    let mut small = SmallSignal::new(&mut assembly, &quiescent.x);
    let found = findings::unstable(&mut small);
    (found.into_iter().collect(), assembly)
}
