//! Many amplifiers of one drawing: what one costs over what its valves alone would, a thousand of
//! them as a whole, and two cores over one.

mod side_by_side;

use gridleak::analysis::operating_point;
use gridleak::audio::clip::Clip;
use gridleak::circuit::Circuit;
use gridleak::circuit::bind::Timing;
use gridleak::circuit::params::Overrides;
use gridleak::circuit::read::Draft;
use gridleak::cli;
use gridleak::device::Answer;
use gridleak::diag::Files;
use gridleak::figure::bench::Clips;
use gridleak::figure::{Figure, Words};
use gridleak::netlist;
use gridleak::system::assemble::SourceState;
use gridleak::tolerance::list::{Shape, Variables};
use gridleak::tolerance::measure::{Around, Plan, Setup};
use gridleak::tolerance::rest::Varied;
use gridleak::tolerance::sample::{Order, Sampler};
use side_by_side::{compare, quick};
use std::hint::black_box;
use std::time::Instant;

/// Four triodes.
const CASCADE: &str = "netlists/lapwing/overdrive_cascade.cir";
const PREAMP: &str = "netlists/lapwing/preamp.cir";
/// Amplifiers of one measurement.
const RUNS: u64 = 4000;

struct NoClips;

impl Clips for NoClips {
    fn clip(&self, _: &str) -> Result<Clip, String> {
        Err("none".into())
    }
}

fn built(path: &str) -> (netlist::statement::Netlist, Circuit, Files) {
    let mut draft = Draft::file(path);
    let built = draft.build(&Overrides::default(), Timing::default());
    let circuit = built.expect("a circuit").circuit;
    (draft.netlist, circuit, draft.files)
}

fn main() {
    one_over_its_valves();
    whole_process();
}

/// One amplifier at rest over its laws answered once, one by one, times the least iterations.
fn one_over_its_valves() {
    let (netlist, circuit, mut files) = built(CASCADE);
    let node = circuit.nodes[circuit.nodes.len() / 2].name.clone();
    let text = format!("v({node})");
    let file = files.add("figure", text.as_str());
    let figure = Figure::parse(&text, Words::whole(file, &text)).expect("a figure");
    let never = || false;
    let around = Around {
        sources: &files,
        clips: &NoClips,
        stopped: &never,
    };
    let made = Setup::new(netlist, vec![], None, vec![figure], &[], &[], around);
    let plan = Plan::new(vec![made.expect("a setup").0], Shape::Uniform);
    let mut worker = plan.worker(around);
    assert!(worker.is_quick());

    // Newton's least: from the drawing's own rest to a varied amplifier's.
    let variables = Variables::of(&circuit, &[]).expect("variables");
    let mut varied = Varied::new(circuit, variables).expect("a solution");
    let mut sampler = Sampler::new(&varied.variables, 1, Order::Chance, Shape::Uniform);
    let mut numbers = vec![0.0; varied.variables.draws.len()];
    let mut values = varied.variables.nominal();
    let mut iterations = 0;
    for run in 0..20 {
        sampler.values(&varied.variables, run, &mut numbers, &mut values);
        varied.put(&values);
        let mut assembly = gridleak::system::assemble::Assembly::new(&varied.circuit);
        let ask = SourceState::DC;
        let point = operating_point::near(&mut assembly, ask, &varied.nominal);
        iterations += point.expect("a solution").iterations;
    }
    let iterations = iterations as f64 / 20.0;
    let laws = &varied.circuit.laws;
    let assembly = gridleak::system::assemble::Assembly::new(&varied.circuit);
    let at: Vec<Vec<f64>> = (0..laws.len())
        .map(|k| assembly.law_currents(k, &varied.nominal).u)
        .collect();
    let room = |n: usize| vec![0.0; n];
    let (mut i, mut q, mut g, mut c) = (room(8), room(8), room(64), room(64));
    let mut once = || {
        for (law, u) in laws.iter().zip(&at) {
            let mut answer = Answer {
                i: &mut i,
                q: &mut q,
                g: &mut g,
                c: &mut c,
            };
            law.law.answer(u, 0.0, &mut answer);
        }
        black_box(&i);
    };
    let least = iterations.round().max(1.0) as u64;
    let mut sampler = Sampler::new(&plan.variables, 1, Order::Chance, Shape::Uniform);
    let draws = plan.variables.draws.len();
    let mut amplifiers = || {
        for first in (0..RUNS).step_by(64) {
            let numbers: Vec<Vec<f64>> = (first..first + 64)
                .map(|run| {
                    let mut numbers = vec![0.0; draws];
                    sampler.numbers(run, &mut numbers);
                    numbers
                })
                .collect();
            black_box(worker.batch(&numbers));
        }
    };
    let begun = Instant::now();
    amplifiers();
    let micro = begun.elapsed().as_secs_f64() * 1e6 / RUNS.next_multiple_of(64) as f64;
    let mut valves = || {
        for _ in 0..RUNS.next_multiple_of(64) * least {
            once();
        }
    };
    let mut ways: [&mut dyn FnMut(); 2] = [&mut valves, &mut amplifiers];
    let (_, ratios) = compare(if quick() { 1 } else { 7 }, &mut ways);
    println!("one amplifier of {CASCADE} at rest, {micro:.1} us, over its laws one by one");
    println!(
        "times Newton's least, {iterations:.1} iterations: {}",
        ratios[1]
    );
}

/// A thousand, from reading the netlist to the last row; on one core and on two.
fn whole_process() {
    let run = |runs: &str, threads: &str| {
        let words = [
            "gridleak",
            "spread",
            PREAMP,
            "--quiet",
            "--csv",
            "/dev/null",
            "--runs",
        ];
        let figure = ["--figure", "v(plate1)", "--figure", "plate current of XV3B"];
        let more = [runs, "--threads", threads];
        let all = words.iter().chain(&more).chain(&figure);
        cli::run(all.map(|w| (*w).into()));
    };
    let begun = Instant::now();
    run("1000", "2");
    println!("1000 of {PREAMP}: {:.2} s", begun.elapsed().as_secs_f64());
    let many = if quick() { "2000" } else { "40000" };
    let mut ways: [&mut dyn FnMut(); 2] = [&mut || run(many, "2"), &mut || run(many, "1")];
    let (_, ratios) = compare(if quick() { 1 } else { 5 }, &mut ways);
    println!("{many} on one core over two: {}", ratios[1]);
}
