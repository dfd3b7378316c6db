//! Whether a circuit stays where it is charted with its knobs and switches in other positions, and
//! every part within its ratings.
//!
//! An amplifier that is stable with PRESENCE at 3 may oscillate with PRESENCE at 10, and nobody
//! plays it at 3 alone. Each position is an operating point sought from the one at rest and the
//! natural frequencies about it: some ten milliseconds.
//!
//! On the mains every position has a cycle of its own, which takes twenty times as long. There
//! it is first tried on an average: rectifiers conduct as they do on the average of the cycle at
//! rest, with what else flows on the average put in as direct current, so that the average of the
//! cycle is its exact solution. What looks unstable there, or near a rating, is solved as it is
//! before it is said.

use super::finding::{ELSEWHERE, Finding, UNJUDGED, named};
use super::positions::{Position, positions};
use super::ratings::{self, Past, Rated};
use super::stability::advice;
use crate::analysis::natural::{self, Stability};
use crate::analysis::operating_point;
use crate::analysis::small_signal::SmallSignal;
use crate::circuit::{Circuit, CurrentPart, Gain, Node};
use crate::device::source::Drive;
use crate::math::parallel;
use crate::measure::chart::ChartRow;
use crate::measure::quiescent::{self, AtRest, Quiescent};
use crate::system::assemble::{Assembly, SourceState};
use std::f64::consts::TAU;

/// Positions that are tried, in thousands of millions of the operations that their natural
/// frequencies take: some four seconds on one processor. No real amplifier comes near.
const MOST_GIGA: f64 = 5.0;
/// Operations for the natural frequencies of N stores: this times N^3 (Golub and Van Loan,
/// Matrix Computations, for the values of a full matrix by Francis's steps; from memory).
const OPERATIONS: f64 = 10.0;
/// How the circuit is tried.
pub struct Trial<'t> {
    /// On how many threads.
    pub threads: usize,
    /// The mains in per cent of what the netlist says, beside what they are: none if they are
    /// not varied.
    pub mains_percent: &'t [f64],
    /// Asked now and then whether to break off.
    pub stopped: &'t (dyn Fn() -> bool + Sync),
}

/// What one position came to.
enum Came {
    Stable,
    Unstable(Stability),
    /// It has no solution.
    Unsolved,
}

/// What is said of positions in which a circuit that stays where it stands does not stay: one
/// line for those that any player finds, one for those that may be none, and one for those that
/// have no solution. Then a line for each part that a position puts past a rating. `assembly` is that of the circuit at rest, its swings noted.
pub fn elsewhere(
    quiescent: &Quiescent,
    assembly: &mut Assembly<'_>,
    trial: &Trial<'_>,
) -> Vec<Finding> {
    let circuit = assembly.circuit;
    let all = positions(circuit);
    if all.is_empty() && trial.mains_percent.is_empty() {
        return Vec::new();
    }
    let small = SmallSignal::new(assembly, &quiescent.x);
    let stores = natural::stores(&small) as f64;
    let giga = OPERATIONS * stores * stores * stores * all.len() as f64 / 1e9;
    if giga > MOST_GIGA {
        return vec![finding(
            UNJUDGED,
            format!(
                "not judged for stability, nor its parts for their ratings, with its knobs and switches in \
                 other positions: there are {} of them, and {stores} capacitances, inductances and pieces of iron store energy in it",
                all.len()
            ),
            false,
        )];
    }
    let still = Still::new(quiescent, assembly);
    let average = match still.mains_hz {
        Some(_) => still.stands(&[]).map_or_else(Vec::new, |(_, rows)| rows),
        None => Vec::new(),
    };
    let rated = Rated::new(quiescent, assembly, average);
    let jobs: Vec<Job<'_>> = all
        .iter()
        .map(Job::Position)
        .chain(trial.mains_percent.iter().map(|&p| Job::Mains(p)))
        .collect();
    let tried = parallel::map(&jobs, trial.threads, |job| {
        if (trial.stopped)() {
            return (Came::Stable, Vec::new());
        }
        match job {
            Job::Position(position) => {
                let (came, estimate) = still.tried(circuit, position);
                let there = changed(unaudited(circuit), &position.changes);
                (came, rated.over(quiescent, &there, estimate.as_deref()))
            }
            Job::Mains(percent) => (cycle_of(&with_mains(circuit, *percent)), Vec::new()),
        }
    });
    let (came, over): (Vec<Came>, Vec<Vec<ChartRow>>) = tried.into_iter().unzip();
    let mut found = told(&jobs, &came);
    let past = all.iter().zip(over);
    let past: Vec<Past<'_>> = past
        .map(|(position, rows)| Past { position, rows })
        .collect();
    found.extend(ratings::told(circuit, &past));
    found
}

/// What is tried.
enum Job<'p> {
    Position(&'p Position),
    Mains(f64),
}

impl Job<'_> {
    fn words(&self) -> String {
        match self {
            Job::Position(position) => position.words.clone(),
            Job::Mains(percent) => format!("the mains at {percent} %"),
        }
    }

    fn is_sure(&self) -> bool {
        match self {
            Job::Position(position) => position.is_sure,
            Job::Mains(_) => true,
        }
    }

    fn doubt(&self) -> &'static str {
        match self {
            Job::Position(position) => position.doubt,
            Job::Mains(_) => "",
        }
    }
}

fn finding(quantity: &'static str, text: String, grave: bool) -> Finding {
    Finding {
        subject: "circuit".to_string(),
        quantity,
        text,
        grave,
    }
}

/// The lines for what came of all jobs.
fn told(jobs: &[Job<'_>], came: &[Came]) -> Vec<Finding> {
    let mut found = Vec::new();
    for is_sure in [true, false] {
        let unstable: Vec<(&Job<'_>, Stability)> = jobs
            .iter()
            .zip(came)
            .filter_map(|(job, came)| match came {
                Came::Unstable(how) if job.is_sure() == is_sure => Some((job, *how)),
                _ => None,
            })
            .collect();
        let Some(&(_, first)) = unstable.first() else {
            continue;
        };
        let each = |(job, how): &(&Job<'_>, Stability)| {
            let doubt = match job.doubt() {
                "" => String::new(),
                doubt => format!(" ({doubt})"),
            };
            let what = how.trouble().unwrap_or_default();
            format!("with {} {what}{doubt}", job.words())
        };
        let mut text = named(unstable.iter().map(each).collect());
        if is_sure {
            text = format!("{text}; {}", advice(first));
        }
        found.push(finding(
            ELSEWHERE,
            format!("unstable at other settings: {text}"),
            is_sure,
        ));
    }
    let unsolved = jobs.iter().zip(came);
    let unsolved: Vec<String> = unsolved
        .filter(|(job, came)| job.is_sure() && matches!(came, Came::Unsolved))
        .map(|(job, _)| format!("with {}", job.words()))
        .collect();
    if !unsolved.is_empty() {
        let text = format!(
            "not judged for stability {}: no solution was found there",
            named(unsolved)
        );
        found.push(finding(UNJUDGED, text, false));
    }
    found
}

/// A circuit at rest in which direct current alone flows: as it is, or on the average of its
/// mains' cycle.
struct Still {
    circuit: Circuit,
    /// Laws that stand as gains in it.
    straight: Vec<usize>,
    memory: Vec<f64>,
    leaks: Vec<usize>,
    x: Vec<f64>,
    /// Of the mains, Hz, if it is an average.
    mains_hz: Option<f64>,
    /// Whether what is slower than the mains means nothing in the average: it grows at rest
    /// there, and in the cycle it does not.
    misleads: bool,
}

impl Still {
    fn new(quiescent: &Quiescent, assembly: &Assembly<'_>) -> Self {
        let mut still = Still {
            circuit: unaudited(assembly.circuit),
            straight: Vec::new(),
            memory: assembly.memory.clone(),
            leaks: assembly.leaks.clone(),
            x: quiescent.x.clone(),
            mains_hz: None,
            misleads: false,
        };
        if let AtRest::Cycle(mains, _) = &quiescent.found {
            still.mains_hz = Some(mains.freq_hz);
            still.average(assembly);
            still.misleads = !matches!(still.stands(&[]), Some((Stability::Stable, _)));
        }
        still
    }

    /// Turns the rectifiers into what they conduct on the average, and puts in as direct current
    /// what else flows then.
    fn average(&mut self, assembly: &Assembly<'_>) {
        let slopes = assembly.switching.iter().flat_map(|s| &s.slopes);
        for (law, mean) in slopes {
            self.straight.push(*law);
            let part = &self.circuit.laws[*law];
            let width = part.controls.len();
            let gains = mean.iter().enumerate().map(|(k, &gain)| Gain {
                sense: part.controls[k % width],
                sink: part.outputs[k / width],
                gain,
            });
            let gains: Vec<Gain> = gains.collect();
            self.circuit.gains.extend(gains);
        }
        // Mains whose line gives an offset and no DC stand at that on the average, as at rest.
        let over = {
            let mut own = self.assembly(&self.circuit);
            own.evaluate(&self.x, SourceState::DC, 0.0, false);
            own.f
        };
        let nodes = self.circuit.nodes.len();
        self.circuit
            .currents
            .extend((1..nodes).map(|node| CurrentPart {
                a: Node(node),
                b: Node::GROUND,
                drive: Drive {
                    dc: -over[node - 1],
                    ..Drive::default()
                },
            }));
    }

    fn assembly<'c>(&self, circuit: &'c Circuit) -> Assembly<'c> {
        let mut assembly = Assembly::new(circuit);
        assembly.memory.copy_from_slice(&self.memory);
        for &law in &self.straight {
            assembly.unplugged[law] = true;
        }
        for &node in &self.leaks {
            assembly.leak(node);
        }
        assembly
    }

    /// Whether it stays where it stands with other resistances, and, of the average of a mains cycle, what
    /// its rated figures are there; none if it stands nowhere.
    fn stands(&self, changes: &[(usize, f64)]) -> Option<(Stability, Vec<ChartRow>)> {
        let circuit = changed(self.circuit.clone(), changes);
        let mut assembly = self.assembly(&circuit);
        let point = operating_point::near(&mut assembly, SourceState::DC, &self.x).ok()?;
        let rows = match self.mains_hz {
            Some(_) => ratings::estimated(&mut assembly, &point.x),
            None => Vec::new(),
        };
        let mut small = SmallSignal::new(&mut assembly, &point.x);
        Some((natural::stability(&mut small), rows))
    }

    /// What comes of a position of `circuit`, which is the one that this was made of, and its rated
    /// figures by the average of a mains cycle, if there is one and it has a solution.
    fn tried(&self, circuit: &Circuit, position: &Position) -> (Came, Option<Vec<ChartRow>>) {
        let found = self.stands(&position.changes);
        let (found, rows) = found.map_or((None, None), |(how, rows)| (Some(how), Some(rows)));
        let Some(mains_hz) = self.mains_hz else {
            return (came(found), None);
        };
        let is_fast = |how: Stability| match how {
            Stability::Oscillates {
                freq_hz,
                growth_per_s,
            } => freq_hz.max(growth_per_s / TAU) >= mains_hz,
            Stability::RunsAway { growth_per_s } => growth_per_s / TAU >= mains_hz,
            Stability::Stable | Stability::Unknown => false,
        };
        let came = match found {
            Some(Stability::Stable | Stability::Unknown) => Came::Stable,
            Some(how) if self.misleads && !is_fast(how) => Came::Stable,
            _ => cycle_of(&changed(unaudited(circuit), &position.changes)),
        };
        (came, rows)
    }
}

fn came(found: Option<Stability>) -> Came {
    match found {
        None => Came::Unsolved,
        Some(how) if how.trouble().is_some() => Came::Unstable(how),
        Some(_) => Came::Stable,
    }
}

/// What comes of a circuit as it is.
fn cycle_of(circuit: &Circuit) -> Came {
    came(
        quiescent::at_rest(circuit)
            .ok()
            .map(|(x, mut assembly)| natural::stability(&mut SmallSignal::new(&mut assembly, &x))),
    )
}

/// What is tried beside what was asked for is not entered in an audit.
fn unaudited(circuit: &Circuit) -> Circuit {
    let mut own = circuit.clone();
    own.ledger = None;
    own
}

fn changed(mut circuit: Circuit, changes: &[(usize, f64)]) -> Circuit {
    for &(k, ohms) in changes {
        circuit.resistances[k].ohms = ohms;
    }
    circuit
}

fn with_mains(circuit: &Circuit, percent: f64) -> Circuit {
    let mut own = unaudited(circuit);
    own.scale_mains(percent);
    own
}
