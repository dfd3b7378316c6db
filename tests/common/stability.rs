//! The verdict on a circuit's stability beside what a run of it shows: the run's solver shares no
//! code with the eigenvalues.

use gridleak::analysis::natural::{self, Stability};
use gridleak::analysis::operating_point;
use gridleak::analysis::small_signal::SmallSignal;
use gridleak::analysis::transient::{self, Run};
use gridleak::circuit::{Circuit, Node};
use gridleak::system::probe::Observable;
use std::convert::Infallible;

/// The largest distance of any node from its start, in four equal parts of a run.
fn strays(circuit: &Circuit, stop_s: f64) -> Result<[f64; 4], String> {
    let nodes = (1..circuit.nodes.len()).filter(|&k| !circuit.nodes[k].inner);
    let probes: Vec<Observable> = nodes
        .map(|k| Observable::voltage(circuit, Node(k)))
        .collect();
    let mut run = Run::new(0.0, stop_s / 4000.0, stop_s);
    // Growth is to be seen, not a waveform.
    run.accuracy.relative = 1e-4;
    run.accuracy.volts = 1e-6;
    let (mut start, mut parts) = (Vec::new(), [0.0f64; 4]);
    let row = |t: f64, values: &[f64]| {
        if start.is_empty() {
            start = values.to_vec();
        }
        let part = ((4.0 * t / stop_s) as usize).min(3);
        for (value, start) in values.iter().zip(&start) {
            parts[part] = parts[part].max((value - start).abs());
        }
        Ok::<(), Infallible>(())
    };
    let Ok(_) = transient::run(circuit, &run, &probes, row, |_| Ok::<(), Infallible>(()))
        .map_err(|no| no.to_string())?;
    Ok(parts)
}

/// Less is not taken for growth, V.
const SEEN_V: f64 = 1e-4;

/// By its natural frequencies.
pub fn verdict(circuit: &Circuit) -> Stability {
    let (point, mut assembly) = operating_point::dc(circuit).unwrap_or_else(|no| panic!("{no}"));
    natural::stability(&mut SmallSignal::new(&mut assembly, &point.x))
}

/// Whether it is unstable. Follows the circuit long enough for the growth in question to show, or
/// for what dies away to be seen dying; the error is a verdict that the run does not share.
pub fn agrees(circuit: &Circuit) -> Result<bool, String> {
    let found = verdict(circuit);
    let stop_s = match found {
        Stability::Oscillates { growth_per_s, .. } | Stability::RunsAway { growth_per_s } => {
            (16.0 / growth_per_s).clamp(400e-6, 2.0)
        }
        _ => 40e-3,
    };
    let [first, .., third, last] = strays(circuit, stop_s)?;
    // Below this it is the solver's own noise.
    let grew = last > SEEN_V && (last > 1.5 * first || last > 0.5 && last > 0.3 * third);
    let unstable = !matches!(found, Stability::Stable);
    if grew != unstable || matches!(found, Stability::Unknown) {
        return Err(format!(
            "{found:?}, but the run strays by {first:e} .. {third:e} {last:e} V in {stop_s} s"
        ));
    }
    Ok(unstable)
}
