//! What a sample costs in `render`, beside the least that any way of solving could do:
//! the laws of the circuit's devices answered twice a step (once at the inner point of
//! the step, once at its end), without equations, iterations or resampling.

#[path = "../tests/common/circuits.rs"]
mod circuits;
mod side_by_side;
#[path = "../tests/common/solvers.rs"]
mod solvers;

use circuits::{built, preamp};
use gridleak::analysis::operating_point;
use gridleak::audio::clip::Clip;
use gridleak::audio::phrase::phrase;
use gridleak::audio::play::{self, Played, Settings};
use gridleak::circuit::{Circuit, Piece};
use gridleak::device::Answer;
use gridleak::math::resample::{Decimator, Interpolator};
use gridleak::system::assemble::Driven;
use gridleak::system::probe::Observable;
use side_by_side::{compare, quick};
use std::hint::black_box;

const RATE_HZ: u32 = 48_000;
const OVERSAMPLE: usize = 8;
/// A push-pull pair and what feeds it, without the transformer's core.
const OUTPUT_STAGE: &str = "Push-pull output stage
VIN in 0 DC 0 AC 1
RIN in 0 1meg
E1 up 0 in 0 40
E2 down 0 in 0 -40
C1 up g1 100n
C2 down g2 100n
RG1 g1 bias 220k
RG2 g2 bias 220k
VBIAS bias 0 -37
VB raa 0 400
RS raa ct 100
CS ct 0 47u
XV1 p1 s1 g1 0 6L6GC
XV2 p2 s2 g2 0 6L6GC
RS1 ct s1 470
RS2 ct s2 470
LA ct p1 20
LB p2 ct 20
LS out 0 78m
K1 LA LB 0.999
K2 LA LS 0.999
K3 LB LS 0.999
RL out 0 8
.end
";

fn main() {
    println!("a sample at {RATE_HZ} Hz times {OVERSAMPLE}; time over the laws alone, twice a step");
    let head = ["resampling", "render"].map(|h| format!("{h:>25}"));
    println!(
        "circuit              n laws  law calls a step  playing speed{}",
        head.concat()
    );
    row("one triode", &preamp(1), "a2");
    row("four triodes", &preamp(4), "a5");
    row("two pentodes", OUTPUT_STAGE, "out");
}

fn row(name: &str, text: &str, out: &str) {
    let circuit = built(text);
    let probe = Observable::voltage(&circuit, circuit.node(out).expect("a node"));
    let whole = phrase(RATE_HZ);
    let length = if quick() { 100 } else { 1_500 };
    let clip = Clip {
        // Where the strings are already ringing.
        samples: whole.samples[48_000..48_000 + length].to_vec(),
        ..whole
    };
    let mut played = Played::default();
    let ways: &mut [&mut dyn FnMut()] = &mut [
        &mut || laws_alone(&circuit, 2 * OVERSAMPLE * length),
        &mut || resampling(&clip),
        &mut || played = render(&circuit, &probe, &clip),
    ];
    let (seconds, ratios) = compare(if quick() { 1 } else { 31 }, ways);
    let sound = length as f64 / f64::from(RATE_HZ);
    println!(
        "{name:<16}{:>6}{:>5}{:>19.2}{:>15.2}{:>25}{:>25}",
        circuit.unknowns(),
        circuit.laws.len(),
        played.evaluations as f64 / played.steps as f64,
        sound / (seconds * ratios[2].best),
        ratios[1],
        ratios[2],
    );
}

fn render(circuit: &Circuit, probe: &Observable, clip: &Clip) -> Played {
    let source = circuit.element("VIN").expect("the input");
    let Piece::Branch(branch) = source.ports[0].piece else {
        panic!("a voltage source has a branch");
    };
    let settings = Settings {
        driven: Driven::Voltage(branch),
        rest: 0.0,
        full_scale: 0.3,
        oversample: OVERSAMPLE,
    };
    let mut stream = clip.stream();
    let receive = |samples: &[f64]| -> Result<(), ()> {
        black_box(samples);
        Ok(())
    };
    play::play(circuit, probe, &mut stream, &settings, &[], receive)
        .unwrap_or_else(|stopped| panic!("{stopped:?}"))
}

/// Answers of all laws near the operating point, moving a little so that no branch is free.
fn laws_alone(circuit: &Circuit, times: usize) {
    let (point, mut assembly) =
        operating_point::dc(circuit).unwrap_or_else(|none| panic!("{none}"));
    let rest: Vec<Vec<f64>> = assembly
        .currents(&point.x)
        .into_iter()
        .map(|c| c.u)
        .collect();
    let mut u = rest.clone();
    let (mut i, mut q) = ([0.0; 8], [0.0; 8]);
    let (mut g, mut c) = ([0.0; 64], [0.0; 64]);
    for time in 0..times {
        let moved = 0.01 * ((time * 7 % 64) as f64 - 32.0);
        for ((part, rest), u) in circuit.laws.iter().zip(&rest).zip(&mut u) {
            let (rows, columns) = (part.law.outputs(), part.law.controls());
            u[0] = rest[0] + moved;
            let mut answer = Answer {
                i: &mut i[..rows],
                q: &mut q[..rows],
                g: &mut g[..rows * columns],
                c: &mut c[..rows * columns],
            };
            answer.i.fill(0.0);
            answer.q.fill(0.0);
            answer.g.fill(0.0);
            answer.c.fill(0.0);
            part.law.answer(u, part.memory, &mut answer);
            black_box(&answer);
        }
    }
}

fn resampling(clip: &Clip) {
    let (mut fast, mut out) = (vec![], vec![]);
    let mut up = Interpolator::new(OVERSAMPLE);
    let mut down = Decimator::new(OVERSAMPLE);
    for block in clip.samples.chunks(4096) {
        fast.clear();
        up.push(block, &mut fast);
        down.push(&fast, &mut out);
    }
    fast.clear();
    up.finish(&mut fast);
    down.push(&fast, &mut out);
    down.finish(&mut out);
    black_box(&out);
}
