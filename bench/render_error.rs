//! What a render gets wrong on music, and what it costs: 0.2 s of the built-in phrase through
//! the Lapwing's circuits, at the factors given, beside the same at 32 times the rate.
//!
//! `cargo bench --bench render_error -- cascade 4 8`. The error is taken below 20 kHz: all of
//! it, and what is left of it when the best filter of 33 taps has explained what it can (a
//! change of tone). The finer render is kept in the target folder; delete it there when the
//! laws or the method change.

#[path = "../tests/common/fidelity.rs"]
mod fidelity;

use gridleak::audio::clip::Clip;
use gridleak::audio::phrase::phrase;
use gridleak::audio::play::{self, PlaySettings, Played};
use gridleak::audio::steps::Steps;
use gridleak::circuit::Circuit;
use gridleak::math::dense;
use gridleak::system::probe::Observable;
use std::path::Path;

const RATE_HZ: u32 = 48_000;
/// Where the phrase is taken, samples: the strings are ringing.
const FROM: usize = 48_000;
/// What goes before, faded in, and what is measured, samples.
const LEAD: usize = 2_400;
const MEASURED: usize = 7_200;
const FINEST: usize = 32;
const TAPS: usize = 33;

/// Name, netlist, switches, node, peak volts.
type Case = (
    &'static str,
    &'static str,
    &'static [(&'static str, f64)],
    &'static str,
    f64,
);
const CASES: &[Case] = &[
    ("cascade", "overdrive_cascade", &[], "out", 0.3),
    ("preamp", "preamp", &[("CHANNEL", 1.0)], "out", 0.3),
    ("power_amp", "power_amp", &[], "tap8", 4.0),
    ("amp", "amp", &[("CHANNEL", 1.0)], "tap8", 0.3),
];

fn main() {
    let words: Vec<String> = std::env::args()
        .skip(1)
        .filter(|a| a != "--bench")
        .collect();
    let mut factors: Vec<usize> = words.iter().filter_map(|w| w.parse().ok()).collect();
    if factors.is_empty() {
        factors.push(4);
    }
    println!("circuit    times   error dB  less tone  law calls  divided %  us a step  s a s");
    for case in CASES {
        if words.iter().any(|w| CASES.iter().any(|c| c.0 == w))
            && !words.iter().any(|w| case.0 == w)
        {
            continue;
        }
        let path = format!("netlists/lapwing/{}.cir", case.1);
        let circuit = fidelity::switched(&path, case.2);
        let fine = finest(&circuit, case);
        for &factor in &factors {
            let begun_s = processor_s();
            let (found, played) = render(&circuit, case, factor);
            let took_s = processor_s() - begun_s;
            let steps = played.steps as f64;
            let [all, rest] = errors(&found, &fine);
            println!(
                "{:<10}{factor:>6}{all:>11.1}{rest:>11.1}{:>11.2}{:>11.2}{:>11.2}{:>7.2}",
                case.0,
                played.evaluations as f64 / steps,
                100.0 * played.divided as f64 / steps,
                1e6 * took_s / steps,
                took_s * f64::from(RATE_HZ) / (LEAD + MEASURED) as f64,
            );
        }
    }
}

/// Seconds of processor that this thread has had (Linux).
fn processor_s() -> f64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    let nanoseconds = text.split(' ').next().and_then(|t| t.parse::<f64>().ok());
    nanoseconds.map_or(f64::NAN, |ns| 1e-9 * ns)
}

/// The render that the others are held against.
fn finest(circuit: &Circuit, case: &Case) -> Vec<f64> {
    let kept = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("render_error_{}", case.0));
    if let Ok(text) = std::fs::read_to_string(&kept) {
        return text.lines().map(|l| l.parse().expect("a number")).collect();
    }
    let (fine, _) = render(circuit, case, FINEST);
    let text: Vec<String> = fine.iter().map(f64::to_string).collect();
    std::fs::write(&kept, text.join("\n")).expect("the target folder");
    fine
}

fn render(circuit: &Circuit, case: &Case, oversample: usize) -> (Vec<f64>, Played) {
    let probe = Observable::voltage(circuit, circuit.node(case.3).expect("a node"));
    let whole = phrase(RATE_HZ);
    let mut samples = whole.samples[FROM..FROM + LEAD + MEASURED].to_vec();
    for (n, x) in samples[..LEAD].iter_mut().enumerate() {
        *x *= n as f64 / LEAD as f64;
    }
    let settings = PlaySettings {
        driven: fidelity::driven(circuit),
        rest: 0.0,
        full_scale: case.4,
        steps: Steps::fine(oversample),
    };
    let mut out = vec![];
    let receive = |samples: &[f64]| -> Result<(), ()> {
        out.extend_from_slice(samples);
        Ok(())
    };
    let clip = Clip { samples, ..whole };
    let played = play::play(circuit, &probe, &mut clip.stream(), &settings, &[], receive)
        .unwrap_or_else(|stopped| panic!("{stopped:?}"));
    (out, played)
}

/// The error below 20 kHz over the sound, in dB: all of it, and what no filter explains.
fn errors(found: &[f64], fine: &[f64]) -> [f64; 2] {
    const SIDE: usize = TAPS / 2;
    let difference: Vec<f64> = found.iter().zip(fine).map(|(a, b)| a - b).collect();
    let (wrong, right) = (band(&difference), band(fine));
    let kept = LEAD..LEAD + MEASURED - 100;
    let (mut matrix, mut filter) = (vec![0.0; TAPS * TAPS], vec![0.0; TAPS]);
    for n in kept.clone() {
        let row = &right[n - SIDE..=n + SIDE];
        for (k, x) in row.iter().enumerate() {
            filter[k] += x * wrong[n];
            for (entry, y) in matrix[k * TAPS..].iter_mut().zip(row) {
                *entry += x * y;
            }
        }
    }
    for k in 0..TAPS {
        matrix[k * (TAPS + 1)] *= 1.0 + 1e-12;
    }
    assert!(dense::solve_columns(&mut matrix, &mut filter));
    let (mut signal, mut all, mut rest) = (0.0, 0.0, 0.0);
    for n in kept {
        let row = &right[n - SIDE..=n + SIDE];
        let explained: f64 = row.iter().zip(&filter).map(|(x, c)| x * c).sum();
        signal += right[n] * right[n];
        all += wrong[n] * wrong[n];
        rest += (wrong[n] - explained).powi(2);
    }
    [all, rest].map(|e: f64| 10.0 * (e / signal).log10())
}

/// What lies below 20 kHz.
fn band(signal: &[f64]) -> Vec<f64> {
    const REACH: i64 = 90;
    let taps: Vec<f64> = (-REACH..=REACH)
        .map(|k| {
            let t = k as f64;
            let w = std::f64::consts::PI * t / (REACH + 1) as f64;
            let window =
                0.35875 + 0.48829 * w.cos() + 0.14128 * (2.0 * w).cos() + 0.01168 * (3.0 * w).cos();
            let x = 2.0 * std::f64::consts::PI * t * 21_000.0 / f64::from(RATE_HZ);
            window
                * if k == 0 {
                    2.0 * 21e3 / f64::from(RATE_HZ)
                } else {
                    x.sin() / (std::f64::consts::PI * t)
                }
        })
        .collect();
    (0..signal.len() as i64)
        .map(|n| {
            (-REACH..=REACH)
                .filter_map(|k| {
                    Some(taps[(k + REACH) as usize] * signal.get(usize::try_from(n - k).ok()?)?)
                })
                .sum()
        })
        .collect()
}
