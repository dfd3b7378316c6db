//! `scope`: waveforms over time.

use super::command::Command;
use super::common::{Session, number_option, unstable_words};
use super::failure::Failure;
use super::interrupt;
use super::outcome::Outcome;
use crate::analysis::mains;
use crate::analysis::transient::{self, Effort, Run};
use crate::circuit::bind::Timing;
use crate::circuit::held::{contradictions, unread_initial_values};
use crate::circuit::{Circuit, Node};
use crate::figure::{driven_source, timing};
use crate::limits::Bound;
use crate::num::{self, Role};
use crate::report::file::FileProblem;
use crate::report::plot::{self, Trace};
use crate::report::progress::Progress;
use crate::report::table::{Side, Table};
use crate::system::probe::Observable;
use clap::{Arg, ArgAction, ArgMatches};
use ndarray::{Array2, Axis};
use serde_json::json;
use std::io::{BufWriter, Write};
use std::path::Path;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "scope",
    about: "Transient: waveforms of the probes over time",
    options,
    run,
};

fn options(command: clap::Command) -> clap::Command {
    command
        .arg(number_option("stop", "T", "Last time, s"))
        .arg(number_option("step", "T", "Output interval, s"))
        .arg(number_option("from", "T", "First output time, s"))
        .arg(
            Arg::new("warm")
                .long("warm")
                .action(ArgAction::SetTrue)
                .help("Start with a supply fed from the mains charged, its ripple under way"),
        )
        .arg(
            Arg::new("plot")
                .long("plot")
                .value_name("PATH")
                .help("Draw the waveforms as SVG"),
        )
}

/// What a figure takes, bytes: kept and drawn, and as JSON (measured on 2 million figures).
const KEPT: f64 = 24.0;
const AS_JSON: f64 = 200.0;

/// Rows in a cycle: fewer than the first do not show what it looks like, the second do.
const ROWS: (f64, f64) = (4.0, 50.0);

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let mut session = Session::open(matches)?;
    let mut run = times(&session)?;
    run.warm = session.flag("warm");
    let timing = Timing {
        step_s: run.step_s,
        stop_s: run.stop_s,
    };
    let circuit = session.circuit(timing)?;
    if !run.from_initial_values {
        let wrong = contradictions(&circuit);
        if !wrong.is_empty() {
            return Err(session.failed(wrong));
        }
        session.warn(unread_initial_values(&circuit).as_slice());
    }
    let mut probes = session.probes(&circuit, &["tran"])?;
    if probes.is_empty() {
        probes = every_node(&circuit);
    }
    let figures = run.rows() as f64 * (probes.len() + 1) as f64;
    let as_json = if session.json().is_some() {
        AS_JSON
    } else {
        0.0
    };
    session.guards.room_for_figures(figures, KEPT + as_json)?;
    // Outputs are staged first: what cannot be written is reported before the work, not after.
    let mut outputs = session.guards.outputs();
    let csv_path = session.csv();
    let csv_file = csv_path.as_deref().map(|p| outputs.stage(p)).transpose()?;
    let plot_path = session.text("plot").map(Path::new);
    let plot_file = plot_path.map(|p| outputs.stage(p)).transpose()?;

    let mut times = Vec::with_capacity(run.rows());
    let mut waves = Array2::<f64>::zeros((run.rows(), probes.len()));
    let progress = Progress::new("scope", run.stop_s, session.quiet);
    let mut steps = 0.0;
    let effort = transient::run(
        &circuit,
        &run,
        &probes,
        |t, values| {
            for (to, from) in waves
                .index_axis_mut(Axis(0), times.len())
                .iter_mut()
                .zip(values)
            {
                *to = *from;
            }
            times.push(t);
            Ok(())
        },
        |t| {
            progress.at(t);
            steps += 1.0;
            session.guards.within(Bound::Steps, steps, |_, most| {
                format!("more than {most} steps, at {}", num::engineering(t, "s", 4))
            })?;
            interrupt::check()
        },
    )??;
    drop(progress);
    // Here it is what the waves themselves show. A supply that fills stands nowhere yet.
    if mains::find(&circuit).is_none()
        && let Some(words) = unstable_words("", &circuit)
    {
        session.note(&words);
    }
    if let Some(words) = too_far_apart(&circuit, run.step_s) {
        session.note(&words);
    }

    if let (Some(file), Some(path)) = (csv_file, csv_path.as_deref()) {
        write_csv(file, &times, &waves, &probes).map_err(|e| FileProblem::new(path, e))?;
    }
    if let (Some(mut file), Some(path)) = (plot_file, plot_path) {
        let traces: Vec<Trace> = probes
            .iter()
            .enumerate()
            .map(|(k, p)| Trace::new(p.label.clone(), p.kind.unit(), waves.column(k).to_vec()))
            .collect();
        file.write_all(plot::waveforms(circuit.title.trim(), &times, &traces).as_bytes())
            .map_err(|e| FileProblem::new(path, e))?;
    }
    let summary: Vec<Summary> = probes
        .iter()
        .enumerate()
        .map(|(k, p)| Summary::of(p, waves.column(k).iter().copied()))
        .collect();
    session.finish(
        outputs,
        || record(&circuit, &run, &times, &waves, &summary, effort),
        || printed(&circuit, &run, &summary, effort),
    )?;
    Ok(Outcome::Done)
}

/// What rows pass over that come less than [`ROWS`] times in a cycle of the fastest sine.
fn too_far_apart(circuit: &Circuit, step_s: f64) -> Option<String> {
    let sines = driven_source::sources(circuit)
        .into_iter()
        .filter_map(|s| driven_source::own_sine(&s.drive).map(|(freq_hz, _)| (freq_hz, s.name)));
    let (freq_hz, name) = sines.max_by(|a, b| a.0.total_cmp(&b.0))?;
    let rows = 1.0 / (freq_hz * step_s);
    (rows < ROWS.0).then(|| {
        format!(
            "a row every {} is {rows:.2} rows a cycle of `{name}` ({}): what lies between them, peaks \
             included, is in no figure and no plot; for {} rows a cycle give a `--step` of {}",
            num::engineering(step_s, "s", 3),
            num::engineering(freq_hz, "Hz", 3),
            ROWS.1,
            num::engineering(1.0 / (freq_hz * ROWS.1), "s", 3)
        )
    })
}

/// The times asked for, by options or by the netlist's `.tran` line.
fn times(session: &Session<'_>) -> Result<Run, Failure> {
    let stop = session.positive("stop", Role::Time)?;
    let step = session.positive("step", Role::Time)?;
    let from = session.number("from", Role::Time)?;
    timing::run(&session.draft.netlist, stop, step, from).map_err(|wrong| match wrong {
        timing::BadTimes::Missing(what) => Failure::usage(format!(
            "no `--{what}` is given, and the netlist has no .tran line"
        ))
        .hint("for example `--stop 20m --step 10u`"),
        timing::BadTimes::NotPositive => {
            Failure::usage("step and stop must be more than zero").into()
        }
        timing::BadTimes::From(from, stop) => Failure::usage(format!(
            "`--from` is {} s, expected 0 to {} s",
            num::full(from),
            num::full(stop)
        ))
        .into(),
    })
}

fn every_node(circuit: &Circuit) -> Vec<Observable> {
    (1..circuit.nodes.len())
        .filter(|&k| !circuit.nodes[k].inner)
        .map(|k| Observable::voltage(circuit, Node(k)))
        .collect()
}

fn write_csv(
    file: std::fs::File,
    times: &[f64],
    waves: &Array2<f64>,
    probes: &[Observable],
) -> std::io::Result<()> {
    let mut writer = csv::Writer::from_writer(BufWriter::new(file));
    writer.write_field("time_s")?;
    for probe in probes {
        writer.write_field(&probe.label)?;
    }
    writer.write_record(None::<&[u8]>)?;
    for (t, row) in times.iter().zip(waves.rows()) {
        writer.write_field(num::full(*t))?;
        for value in row {
            writer.write_field(num::full(*value))?;
        }
        writer.write_record(None::<&[u8]>)?;
    }
    writer.flush()
}

/// A wave in a few figures.
struct Summary {
    label: String,
    unit: &'static str,
    lowest: f64,
    highest: f64,
    mean: f64,
    rms: f64,
}

impl Summary {
    fn of(probe: &Observable, values: impl Iterator<Item = f64> + Clone) -> Self {
        let n = values.clone().count().max(1) as f64;
        let mean = values.clone().sum::<f64>() / n;
        Summary {
            label: probe.label.clone(),
            unit: probe.kind.unit(),
            lowest: values.clone().fold(f64::INFINITY, f64::min),
            highest: values.clone().fold(f64::NEG_INFINITY, f64::max),
            mean,
            rms: (values.map(|v| (v - mean) * (v - mean)).sum::<f64>() / n).sqrt(),
        }
    }
}

fn record(
    circuit: &Circuit,
    run: &Run,
    times: &[f64],
    waves: &Array2<f64>,
    summary: &[Summary],
    effort: Effort,
) -> serde_json::Value {
    json!({
        "title": circuit.title,
        "from_s": run.from_s,
        "step_s": run.step_s,
        "stop_s": run.stop_s,
        "effort": {
            "steps": effort.steps,
            "rejected": effort.rejected,
            "unsettled": effort.unsettled,
            "iterations": effort.iterations,
        },
        "time_s": times,
        "probes": summary.iter().enumerate().map(|(k, s)| json!({
            "probe": s.label,
            "unit": s.unit,
            "lowest": s.lowest,
            "highest": s.highest,
            "mean": s.mean,
            "rms_without_dc": s.rms,
            "values": waves.column(k).to_vec(),
        })).collect::<Vec<_>>(),
    })
}

fn printed(circuit: &Circuit, run: &Run, summary: &[Summary], effort: Effort) -> String {
    let mut table = Table::new(&[
        ("probe", Side::Left),
        ("lowest", Side::Right),
        ("highest", Side::Right),
        ("swing", Side::Right),
        ("mean", Side::Right),
        ("rms without DC", Side::Right),
    ]);
    for s in summary {
        let show = |v: f64| num::engineering(v, s.unit, 4);
        table.row([
            s.label.clone(),
            show(s.lowest),
            show(s.highest),
            show(s.highest - s.lowest),
            show(s.mean),
            show(s.rms),
        ]);
    }
    format!(
        "{}\n{} to {}, a row every {}: {} rows; {} inner steps, {} taken back\n\n{}",
        circuit.title.trim(),
        num::engineering(run.from_s, "s", 3),
        num::engineering(run.stop_s, "s", 3),
        num::engineering(run.step_s, "s", 3),
        run.rows(),
        effort.steps,
        effort.rejected + effort.unsettled,
        table.text()
    )
}
