//! What a sample costs in `render`, beside the least that any way of solving could do:
//! the laws of the circuit's devices answered twice a step (once at the inner point of
//! the step, once at its end), without equations, iterations or resampling. The laws are
//! answered as `render` does it, triodes together; `one by one` is what that saves. Below,
//! how long it takes until the first sample is asked for.

#[path = "../tests/common/circuits.rs"]
mod circuits;
#[path = "../tests/common/fidelity.rs"]
mod fidelity;
mod side_by_side;

use circuits::{built, preamp};
use gridleak::analysis::operating_point;
use gridleak::audio::clip::Clip;
use gridleak::audio::phrase::phrase;
use gridleak::audio::play::{self, PlaySettings, Played};
use gridleak::audio::steps::Steps;
use gridleak::circuit::{Circuit, Piece};
use gridleak::device::{Answer, Banks, Enlisted, TRIODE_ANSWERS, WIDTH};
use gridleak::math::resample::{Decimator, Interpolator};
use gridleak::system::assemble::Driven;
use gridleak::system::probe::Observable;
use side_by_side::{compare, quick};
use std::hint::black_box;
use std::time::Instant;

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
    let head = ["one by one", "resampling", "render"].map(|h| format!("{h:>21}"));
    println!(
        "circuit              n laws  law calls a step  playing speed{}",
        head.concat()
    );
    row("one triode", built(&preamp(1)), "a2");
    row("four triodes", built(&preamp(4)), "a5");
    for name in ["overdrive_cascade", "preamp"] {
        let path = format!("netlists/lapwing/{name}.cir");
        row(name, fidelity::circuit(&path, None), "out");
    }
    row("two output valves", built(OUTPUT_STAGE), "out");
    let power_amp = fidelity::circuit("netlists/lapwing/power_amp.cir", None);
    row("power_amp", power_amp, "tap8");
    for name in ["overdrive_cascade", "preamp"] {
        ready(name);
    }
}

/// How long until a netlist is ready to play.
fn ready(name: &str) {
    let path = format!("netlists/lapwing/{name}.cir");
    let silence = Clip {
        samples: vec![],
        ..phrase(RATE_HZ)
    };
    let mut circuit = fidelity::circuit(&path, None);
    let mut best = [f64::INFINITY; 2];
    for _ in 0..if quick() { 1 } else { 15 } {
        let begun = Instant::now();
        circuit = fidelity::circuit(&path, None);
        best[0] = best[0].min(begun.elapsed().as_secs_f64());
        let probe = Observable::voltage(&circuit, circuit.node("out").expect("a node"));
        let begun = Instant::now();
        black_box(render(&circuit, &probe, &silence));
        best[1] = best[1].min(begun.elapsed().as_secs_f64());
    }
    println!(
        "{name}, {} unknowns: read and built in {:.1} ms, point found, compiled and silence played in {:.1} ms",
        circuit.unknowns(),
        1e3 * best[0],
        1e3 * best[1],
    );
}

fn row(name: &str, circuit: Circuit, out: &str) {
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
        &mut || laws_alone(&circuit, 2 * OVERSAMPLE * length, true),
        &mut || laws_alone(&circuit, 2 * OVERSAMPLE * length, false),
        &mut || resampling(&clip),
        &mut || played = render(&circuit, &probe, &clip),
    ];
    let (seconds, ratios) = compare(if quick() { 1 } else { 31 }, ways);
    let sound = length as f64 / f64::from(RATE_HZ);
    println!(
        "{name:<18}{:>4}{:>5}{:>19.2}{:>15.2}{:>21}{:>21}{:>21}",
        circuit.unknowns(),
        circuit.laws.len(),
        played.evaluations as f64 / played.steps as f64,
        sound / (seconds * ratios[3].best),
        ratios[1],
        ratios[2],
        ratios[3],
    );
}

fn render(circuit: &Circuit, probe: &Observable, clip: &Clip) -> Played {
    let source = circuit.element("VIN").expect("the input");
    let Piece::Branch(branch) = source.ports[0].piece else {
        panic!("a voltage source has a branch");
    };
    let settings = PlaySettings {
        driven: Driven::Voltage(branch),
        rest: 0.0,
        full_scale: 0.3,
        steps: Steps::fine(OVERSAMPLE),
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
fn laws_alone(circuit: &Circuit, times: usize, together: bool) {
    let (point, mut assembly) =
        operating_point::dc(circuit).unwrap_or_else(|none| panic!("{none}"));
    let mut banks = Banks::default();
    let mut packs = vec![];
    let mut singles = vec![];
    let (mut screens, mut valves) = (vec![], vec![]);
    let mut triodes = 0;
    for (part, at) in circuit.laws.iter().zip(assembly.currents(&point.x)) {
        let enlisted = banks.enlist(part.law.as_ref()).filter(|_| together);
        if enlisted == Some(Enlisted::OutputValve) {
            if valves.len() % WIDTH == 0 {
                screens.push([[0.0; WIDTH]; 3]);
            }
            let pack = screens.last_mut().expect("just pushed");
            for (row, u) in pack.iter_mut().zip(&at.u) {
                row[valves.len() % WIDTH] = *u;
            }
            valves.push(part);
        } else if enlisted == Some(Enlisted::Triode) {
            if triodes % WIDTH == 0 {
                packs.push([[at.u[0]; WIDTH], [at.u[1]; WIDTH]]);
            }
            let pack = packs.last_mut().expect("just pushed");
            pack[0][triodes % WIDTH] = at.u[0];
            pack[1][triodes % WIDTH] = at.u[1];
            triodes += 1;
        } else {
            singles.push((part, at.u.clone(), at.u));
        }
    }
    let rest = packs.clone();
    let mut out = vec![[[0.0; WIDTH]; TRIODE_ANSWERS]; packs.len()];
    let arch = pulp::Arch::new();
    let (mut i, mut q) = ([0.0; 8], [0.0; 8]);
    let (mut g, mut c) = ([0.0; 64], [0.0; 64]);
    for time in 0..times {
        let moved = 0.01 * ((time * 7 % 64) as f64 - 32.0);
        for (pack, rest) in packs.iter_mut().zip(&rest) {
            pack[0] = rest[0].map(|v| v + moved);
        }
        arch.dispatch(Together {
            banks: &banks,
            u: &packs,
            out: &mut out,
            screens: &screens,
            moved,
        });
        black_box(&out);
        for (part, rest, u) in &mut singles {
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

/// The bank's answers in the processor's best instructions.
struct Together<'a> {
    banks: &'a Banks,
    u: &'a [[[f64; WIDTH]; 2]],
    out: &'a mut [[[f64; WIDTH]; TRIODE_ANSWERS]],
    /// Output valves, and how far they are moved.
    screens: &'a [[[f64; WIDTH]; 3]],
    moved: f64,
}

impl pulp::WithSimd for Together<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _simd: S) {
        self.banks.triodes.answer(self.u, self.out);
        for (pack, screens) in self.screens.iter().enumerate() {
            let [vpk, vg2k, vgk] = screens;
            let u = [vpk.map(|v| v + self.moved), *vg2k, *vgk];
            black_box(self.banks.output_valves.answer(pack, &u));
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
