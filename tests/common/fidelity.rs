//! How well a render keeps to the solution of the circuit's equations.
//!
//! The circuit gets A sin(2 pi f t) sin^2(pi t/T), which begins and ends smoothly: once as
//! sources in the netlist, solved by the transient with a local error of 1e-9, and once as
//! a clip that is rendered. The transient's answer is taken at 16 times the clip's rate and
//! brought down by the same filter, so that only what is heard is compared.

#![allow(dead_code)]

use gridleak::analysis::transient::{self, Accuracy, Run};
use gridleak::audio::clip::Clip;
use gridleak::audio::play::{self, PlaySettings, Played};
use gridleak::audio::steps::Steps;
use gridleak::circuit::{Circuit, Piece, params};
use gridleak::diag::{FileId, Span};
use gridleak::math::resample::Decimator;
use gridleak::netlist::statement::Value;
use gridleak::system::assemble::Driven;
use gridleak::system::probe::Observable;
use std::f64::consts::PI;
use std::ops::Range;
use std::path::Path;

pub const RATE_HZ: u32 = 48_000;
const FINE: usize = 16;

/// A burst.
#[derive(Debug, Clone, Copy)]
pub struct Burst {
    pub volts: f64,
    pub freq_hz: f64,
    pub seconds: f64,
}

impl Burst {
    pub fn clip(&self) -> Clip {
        let samples = (self.seconds * f64::from(RATE_HZ)).round() as usize;
        let at = |n: usize| {
            let t = n as f64 / f64::from(RATE_HZ);
            (2.0 * PI * self.freq_hz * t).sin() * (PI * t / self.seconds).sin().powi(2)
        };
        Clip {
            rate_hz: RATE_HZ,
            channels: 1,
            samples: (0..samples).map(at).collect(),
        }
    }

    /// Sources that give the same at the node `in`.
    pub fn sources(&self) -> String {
        format!(
            "VTONE tone 0 SIN(0 {} {})\nVFADE fade 0 SIN(0 1 {})\nBIN in 0 V=v(tone)*v(fade)*v(fade)\n",
            self.volts,
            self.freq_hz,
            0.5 / self.seconds
        )
    }
}

/// A netlist of the repository, `VIN` replaced by other lines if any are given.
pub fn circuit(path: &str, sources: Option<&str>) -> Circuit {
    let root = repository();
    let text = std::fs::read_to_string(root.join(path)).expect("in the repository");
    let text: String = text
        .lines()
        .map(|line| match sources {
            Some(statements) if line.starts_with("VIN ") => statements.to_owned(),
            _ => format!("{line}\n"),
        })
        .collect();
    built(&root.join(path), &text)
}

/// A netlist of the repository with switches set.
pub fn switched(path: &str, switches: &[(&str, f64)]) -> Circuit {
    let root = repository();
    let text = std::fs::read_to_string(root.join(path)).expect("in the repository");
    let mut settings = params::Overrides::default();
    for (name, at) in switches {
        let value = Value {
            number: *at,
            text: at.to_string(),
            span: Span::new(FileId(0), 0, 0),
        };
        settings.push(params::Setting::new(
            params::What::Switch,
            *name,
            value,
            None,
        ));
    }
    built_with(&root.join(path), &text, &settings)
}

/// The circuit of a text that stands for the file at `path`.
pub fn built(path: &Path, text: &str) -> Circuit {
    built_with(path, text, &params::Overrides::default())
}

/// The same with settings.
pub fn built_with(path: &Path, text: &str, settings: &params::Overrides) -> Circuit {
    let folder = tempfile::tempdir().expect("a folder");
    let from = path.parent().expect("a folder");
    for entry in std::fs::read_dir(from).expect("a folder").flatten() {
        if entry.path().extension().is_some_and(|e| e == "cir") {
            std::fs::copy(entry.path(), folder.path().join(entry.file_name())).expect("a copy");
        }
    }
    let own = folder.path().join("own.cir");
    std::fs::write(&own, text).expect("a file");
    Circuit::from_file_with(own, settings).unwrap()
}

/// The source `VIN`.
pub fn driven(circuit: &Circuit) -> Driven {
    let source = circuit.element("VIN").expect("the input");
    let Piece::Branch(branch) = source.ports[0].piece else {
        panic!("a voltage source has a branch");
    };
    Driven::Voltage(branch)
}

/// The clip at its rate through the circuit, from `v(out)`.
pub fn render(circuit: &Circuit, clip: &Clip, volts: f64, oversample: usize) -> (Vec<f64>, Played) {
    render_at(circuit, "out", clip, volts, oversample)
}

/// The same from another node.
pub fn render_at(
    circuit: &Circuit,
    node: &str,
    clip: &Clip,
    volts: f64,
    oversample: usize,
) -> (Vec<f64>, Played) {
    let probe = Observable::voltage(circuit, circuit.node(node).expect("a node"));
    let settings = PlaySettings {
        driven: driven(circuit),
        rest: 0.0,
        full_scale: volts,
        steps: Steps::fine(oversample),
    };
    let mut out = vec![];
    let receive = |samples: &[f64]| -> Result<(), ()> {
        out.extend_from_slice(samples);
        Ok(())
    };
    let played = play::play(circuit, &probe, &mut clip.stream(), &settings, &[], receive)
        .unwrap_or_else(|stopped| panic!("{stopped:?}"));
    (out, played)
}

/// The burst by the transient, sample by sample at the clip's rate, DC at rest taken off.
pub fn reference(path: &str, burst: &Burst, relative: f64) -> Vec<f64> {
    reference_at(path, "out", burst, relative)
}

/// The same at another node.
pub fn reference_at(path: &str, node: &str, burst: &Burst, relative: f64) -> Vec<f64> {
    let circuit = circuit(path, Some(&burst.sources()));
    let probe = Observable::voltage(&circuit, circuit.node(node).expect("a node"));
    let step_s = 1.0 / (f64::from(RATE_HZ) * FINE as f64);
    let run = Run {
        accuracy: Accuracy {
            relative,
            volts: relative,
            amperes: relative * 1e-3,
        },
        ..Run::new(0.0, step_s, burst.seconds)
    };
    let mut fine = vec![];
    let keep = |_: f64, values: &[f64]| -> Result<(), ()> {
        fine.push(values[0]);
        Ok(())
    };
    transient::run(&circuit, &run, &[probe], keep, |_| Ok(()))
        .unwrap_or_else(|none| panic!("{none}"))
        .expect("kept");
    let rest = fine[0];
    down(FINE, fine.into_iter().map(|v| v - rest).collect())
}

/// A wave at `times` the clip's rate brought down to it.
pub fn down(times: usize, fine: Vec<f64>) -> Vec<f64> {
    let mut down = Decimator::new(times);
    let mut out = vec![];
    down.push(&fine, &mut out);
    down.finish(&mut out);
    out
}

/// RMS of the difference over the RMS of the second, in dB. Both ends, where the filters of
/// one side have heard what was before the burst, are left out.
pub fn error_db(found: &[f64], expected: &[f64]) -> f64 {
    over(found, expected, 64..found.len().min(expected.len()) - 64)
}

/// The same from the first sample to the last that both have.
pub fn difference_db(found: &[f64], expected: &[f64]) -> f64 {
    over(found, expected, 0..found.len().min(expected.len()))
}

/// The same of some samples; of none (a bench that only shows that it runs) no number.
fn over(found: &[f64], expected: &[f64], kept: Range<usize>) -> f64 {
    let power = |f: &dyn Fn(usize) -> f64| kept.clone().map(|k| f(k).powi(2)).sum::<f64>();
    10.0 * (power(&|k| found[k] - expected[k]) / power(&|k| expected[k])).log10()
}

/// Energy of what is not a harmonic of the tone, below 20 kHz, over the tone's fundamental, in
/// dB: what folding brings back. `tone` lasts a whole number of periods at the clip's rate and
/// the circuit repeats itself in it.
pub fn alias_db(tone: &[f64], freq_hz: f64) -> f64 {
    let (rate, n) = (f64::from(RATE_HZ), tone.len() as f64);
    let amplitude = |hz: f64| {
        let (mut re, mut im) = (0.0, 0.0);
        for (k, v) in tone.iter().enumerate() {
            let (sin, cos) = (2.0 * PI * hz * k as f64 / rate).sin_cos();
            re += v * cos;
            im += v * sin;
        }
        2.0 * re.hypot(im) / n
    };
    let step_hz = rate / n;
    let mut folded = 0.0;
    for bin in 1..(20e3 / step_hz) as usize {
        let hz = bin as f64 * step_hz;
        if (hz / freq_hz - (hz / freq_hz).round()).abs() > 1e-9 {
            folded += amplitude(hz).powi(2);
        }
    }
    10.0 * (folded / amplitude(freq_hz).powi(2)).log10()
}

/// A sine of N seconds.
pub fn sine(freq_hz: f64, seconds: f64) -> Clip {
    let samples = (seconds * f64::from(RATE_HZ)).round() as usize;
    let at = |n: usize| (2.0 * PI * freq_hz * n as f64 / f64::from(RATE_HZ)).sin();
    Clip {
        rate_hz: RATE_HZ,
        channels: 1,
        samples: (0..samples).map(at).collect(),
    }
}

/// The folder of the repository, whichever package this is built into.
fn repository() -> &'static Path {
    let mut folders = Path::new(env!("CARGO_MANIFEST_DIR")).ancestors();
    let whole = folders.find(|folder| folder.join("netlists").is_dir());
    whole.expect("netlists in a folder above")
}
