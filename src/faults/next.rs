//! What to measure next: the point whose reading is expected to tell most (D. V. Lindley, Ann.
//! Math. Stat. 27, 1956, p. 986; from memory).
//!
//! Each hypothesis foretells the next reading as a normal distribution about what the readings so
//! far leave of its tolerances; what a point tells is the entropy of their mixture less the mean
//! of their own entropies, in bits.

use super::bench::Bench;
use super::crew;
use super::evidence::{Evidence, covariance};
use super::hypothesis::Cell;
use super::likelihood::{Factored, log_sum};
use super::node::volts;
use super::point::{Point, Quantity};
use super::rank::{Ranking, Tried};
use super::readings::{Reading, label};
use super::state::State;
use crate::circuit::Node;
use crate::math::fun;
use std::convert::Infallible;

/// A point that was not measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Next {
    /// Where.
    pub point: Point,
    /// What its reading is expected to tell, bits.
    pub gain: f64,
    /// V there in the sound circuit, or ohms where these are measured.
    pub volts: f64,
    /// The most that any likely fault puts there, V.
    pub most: f64,
}

/// Cases that are weighed: hypotheses at one value.
const WEIGHED: usize = 120;
/// What is less likely is not.
const LEAST: f64 = 1e-5;
/// Gauss and Hermite's seven points for a mean over a normal distribution.
const HERMITE: [(f64, f64); 7] = [
    (-3.750_439_717_725_742, 5.482_688_559_722_185e-4),
    (-2.366_759_410_734_541, 3.075_712_396_758_647e-2),
    (-1.154_405_394_739_968, 0.240_123_178_605_012_7),
    (0.0, 0.457_142_857_142_857_1),
    (1.154_405_394_739_968, 0.240_123_178_605_012_7),
    (2.366_759_410_734_541, 3.075_712_396_758_647e-2),
    (3.750_439_717_725_742, 5.482_688_559_722_185e-4),
];
/// Gains within this are equal, bits: then the safer point goes first.
const EQUAL: f64 = 0.05;

/// All points of the user's that were not measured, the most telling first, the safer of equals
/// before the others.
pub fn next(bench: &mut Bench, evidence: &Evidence<'_>, ranking: &Ranking) -> Vec<Next> {
    let readings = evidence.readings;
    let measured = |n: Node| {
        readings
            .iter()
            .any(|r| r.point.is_plain() && r.point.a == n && r.point.b == Node::GROUND)
    };
    let nodes = bench.circuit.nodes.iter().enumerate().skip(1);
    // A DC meter has no business where the mains are.
    let alternating = |k: usize| bench.supply.as_ref().is_some_and(|s| s.alternating[k]);
    let mut points: Vec<Point> = nodes
        .filter(|(k, node)| !node.inner && !measured(Node(*k)) && !alternating(*k))
        .map(|(k, _)| Point {
            label: label(&bench.circuit, Node(k), Node::GROUND),
            a: Node(k),
            b: Node::GROUND,
            quantity: Quantity::Volts,
            state: State::Working,
        })
        .collect();
    // Ripple of each reservoir that was not measured.
    let ripple = |node: Node| {
        let measured = |r: &Reading| r.point.quantity.is_ripple() && r.point.a == node;
        (!readings.iter().any(measured)).then(|| Point {
            label: format!("ripple {}", label(&bench.circuit, node, Node::GROUND)),
            a: node,
            b: Node::GROUND,
            quantity: Quantity::Ripple,
            state: State::Working,
        })
    };
    // A rectifier's own resistance has a node inside, where no probe can be held.
    let outputs = bench.supply.iter().flat_map(|s| &s.outputs);
    let outputs = outputs.filter(|o| !bench.circuit.nodes[o.node.0].inner);
    points.extend(
        outputs
            .clone()
            .filter_map(|o| ripple(o.node))
            .collect::<Vec<_>>(),
    );
    // Ohms of each reservoir, with the mains off: what blew a fuse is not found under power.
    let ohms = outputs.map(|o| Point {
        label: label(&bench.circuit, o.node, Node::GROUND).replacen('v', "r", 1),
        a: o.node,
        b: Node::GROUND,
        quantity: Quantity::Ohms,
        state: State::Off,
    });
    let measured = |p: &Point| readings.iter().any(|r| r.point.label == p.label);
    points.extend(ohms.filter(|p| !measured(p)).collect::<Vec<_>>());
    let sound = bench.look(&[], &points, None, false);
    let all = [&evidence.points[..], &points].concat();
    let cases = cases(ranking);
    let go_on = &mut |_: usize, _: usize| Ok::<(), Infallible>(());
    let Ok(each) = crew::each(bench, &cases, go_on, |bench, case| {
        foretell(bench, evidence, ranking, case, &all)
    });
    let pairs = cases.into_iter().zip(each);
    let foretold: Vec<(Case, Vec<(f64, f64)>)> = pairs
        .filter_map(|(case, each)| Some((case, each?)))
        .collect();
    let whole: f64 = foretold.iter().map(|f| f.0.weight).sum();
    let mut found: Vec<Next> = Vec::new();
    for (k, point) in points.into_iter().enumerate() {
        let each: Vec<Part> = foretold
            .iter()
            .map(|(case, each)| Part {
                of: case.judged,
                weight: case.weight / whole,
                mean: each[k].0,
                deviation: each[k].1,
            })
            .collect();
        let most = each.iter().filter(|e| e.weight > 0.01);
        found.push(Next {
            volts: match (point.quantity, &sound) {
                (Quantity::Ohms, Some(sound)) => sound.reads[k],
                _ => volts(&bench.sound, point.a),
            },
            most: most.fold(0.0, |m, e| m.max(e.mean.abs())),
            gain: gain(&each),
            point,
        });
    }
    found.sort_by(|a, b| b.gain.total_cmp(&a.gain));
    // Among equals of the best one the safest goes first, and so on down the list.
    let mut sorted = Vec::with_capacity(found.len());
    while !found.is_empty() {
        let best = found[0].gain;
        let equals = found
            .iter()
            .take_while(|n| best - n.gain < EQUAL.min(0.1 * best + 1e-12));
        let safest = equals
            .enumerate()
            .min_by(|a, b| danger(a.1).total_cmp(&danger(b.1)).then(a.0.cmp(&b.0)));
        let place = safest.map_or(0, |s| s.0);
        sorted.push(found.remove(place));
    }
    sorted
}

/// Volts by which a point is judged dangerous.
fn danger(next: &Next) -> f64 {
    if next.point.quantity == Quantity::Ohms {
        return 0.0;
    }
    next.volts.abs().max(next.most)
}

/// A hypothesis at one value.
struct Case {
    /// Into [`Ranking::judged`].
    judged: usize,
    cell: usize,
    weight: f64,
}

/// The likeliest cases: what a fault of many values foretells is not what its best value does.
fn cases(ranking: &Ranking) -> Vec<Case> {
    let mut all: Vec<Case> = Vec::new();
    for (k, judged) in ranking.judged.iter().enumerate() {
        if judged.probability < LEAST {
            break;
        }
        let cells: Vec<&Tried> = ranking
            .tried
            .iter()
            .filter(|t| Some(t.which) == judged.which && t.log.is_finite())
            .collect();
        // Once a mains cycle was solved, that is the case.
        if cells.len() < 2 || judged.checked {
            all.push(Case {
                judged: k,
                cell: judged.cell,
                weight: judged.probability,
            });
            continue;
        }
        let logs: Vec<f64> = cells.iter().map(|t| t.log).collect();
        let sum = log_sum(&logs);
        all.extend(cells.iter().map(|t| Case {
            judged: k,
            cell: t.cell,
            weight: judged.probability * fun::exp(t.log - sum),
        }));
    }
    all.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    all.truncate(WEIGHED);
    all
}

/// What a case foretells at the points behind the readings: mean and deviation.
fn foretell(
    bench: &mut Bench,
    evidence: &Evidence<'_>,
    ranking: &Ranking,
    case: &Case,
    points: &[Point],
) -> Option<Vec<(f64, f64)>> {
    let judged = &ranking.judged[case.judged];
    let cell = judged
        .which
        .map(|w| &ranking.hypotheses[w].cells[case.cell]);
    let changes = cell.map_or(&[][..], |c| &c.changes);
    let widths = cell.map_or([0.0; 2], Cell::widths);
    let mut seen = bench.look(changes, points, Some(&judged.seen), true)?;
    let n = evidence.readings.len();
    let outputs = bench.supply.iter().flat_map(|s| &s.outputs);
    for (output, swing) in outputs.zip(&judged.swings) {
        let ripple = |p: &Point| p.quantity == Quantity::Ripple && p.a == output.node;
        if let Some(k) = points[n..].iter().position(ripple) {
            seen.set_ripple(n + k, *swing);
        }
    }
    let meter = &evidence.meter;
    let rows: Vec<Vec<f64>> = (0..points.len())
        .map(|k| meter.row(&seen, k, widths))
        .collect();
    let known = Factored::new(covariance(&rows[..n], &evidence.own(&seen)), n)?;
    let mut off = evidence.off(&seen.reads);
    if let Some(slipped) = judged.fit.slipped {
        off[slipped] = 0.0;
    }
    known.solve(&mut off);
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let each = (n..points.len()).map(|k| {
        let with: Vec<f64> = (0..n).map(|i| dot(&rows[i], &rows[k])).collect();
        let mut weighted = with.clone();
        known.solve(&mut weighted);
        let mean = seen.reads[k] + dot(&with, &off);
        let noise = fun::hypot(meter.coming(seen.reads[k]), seen.doubt[k]);
        let square = dot(&rows[k], &rows[k]) + noise * noise - dot(&with, &weighted);
        (mean, square.max(noise * noise).sqrt())
    });
    Some(each.collect())
}

/// A case's reading at a point.
struct Part {
    /// Its hypothesis.
    of: usize,
    weight: f64,
    mean: f64,
    deviation: f64,
}

/// Parts whose readings are looked at beyond this many deviations count for nothing.
const FAR: f64 = 9.0;

/// What a reading is expected to tell of the hypothesis, bits: entropy of the mixture less the mean
/// entropy of each hypothesis' own mixture.
fn gain(parts: &[Part]) -> f64 {
    let mut own: Vec<(usize, f64)> = Vec::new();
    for part in parts {
        match own.iter_mut().find(|o| o.0 == part.of) {
            Some(o) => o.1 += part.weight,
            None => own.push((part.of, part.weight)),
        }
    }
    let mut sum = 0.0;
    for part in parts {
        let mine = own.iter().find(|o| o.0 == part.of).map_or(1.0, |o| o.1);
        for (z, share) in HERMITE {
            let x = part.mean + z * part.deviation;
            let (mut whole, mut of_own) = (0.0, 0.0);
            for other in parts {
                let z = (x - other.mean) / other.deviation;
                if z.abs() > FAR {
                    continue;
                }
                let density = other.weight / other.deviation * fun::exp(-0.5 * z * z);
                whole += density;
                if other.of == part.of {
                    of_own += density;
                }
            }
            sum += part.weight * share * fun::ln(of_own / mine / whole);
        }
    }
    (sum / std::f64::consts::LN_2).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two equal hypotheses far apart are told by one bit, alike ones by none.
    #[test]
    fn a_reading_that_parts_two_equals_tells_a_bit() {
        let part = |of: usize, weight: f64, mean: f64| Part {
            of,
            weight,
            mean,
            deviation: 1.0,
        };
        let far = gain(&[part(0, 0.5, 0.0), part(1, 0.5, 100.0)]);
        let alike = gain(&[part(0, 0.5, 3.0), part(1, 0.5, 3.0)]);
        // Two values of one hypothesis are nothing to learn about.
        let one = gain(&[part(0, 0.5, 0.0), part(0, 0.5, 100.0)]);
        assert!((far - 1.0).abs() < 1e-6, "{far}");
        assert!(alike < 1e-9 && one < 1e-9, "{alike} {one}");
    }
}
