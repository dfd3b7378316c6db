//! `noise`: the hiss at a probe.

use super::command::Command;
use super::common::{PendingText, Session};
use super::driven_source;
use super::failure::Failure;
use super::frequencies::{self, Asked};
use super::one_probe::one_probe;
use super::outcome::Outcome;
use crate::analysis::natural;
use crate::analysis::small_signal::{SmallSignal, no_solution};
use crate::circuit::Circuit;
use crate::circuit::bind::Timing;
use crate::math::lu::Singular;
use crate::measure::noise::{self, Density, Listener, Total};
use crate::measure::quiescent;
use crate::num;
use crate::report::csv::Csv;
use crate::report::plot::{self, Trace};
use crate::report::progress::Progress;
use crate::report::table::{Side, Table};
use crate::system::assemble::Driven;
use crate::system::probe::{Observable, ProbeKind};
use clap::{Arg, ArgMatches};
use serde_json::{Value, json};
use std::path::Path;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "noise",
    about: "Hiss at a probe: density, totals, and which parts it comes from",
    options,
    run,
};

fn options(command: clap::Command) -> clap::Command {
    frequencies::options(command)
        .arg(driven_source::option(
            "The source at which the equivalent input noise is given; without it the one with \
             an AC value, if there is one",
        ))
        .arg(
            Arg::new("plot")
                .long("plot")
                .value_name("PATH")
                .help("Draw the density over frequency as SVG"),
        )
}

/// Contributors that are printed.
const PRINTED: usize = 10;

/// All that the command found.
struct Findings {
    title: String,
    celsius: f64,
    probe: String,
    source: Option<String>,
    /// `V` or `A`, of the source.
    source_unit: &'static str,
    frequencies_hz: Vec<f64>,
    band_hz: (f64, f64),
    densities: Vec<Density>,
    total: Total,
}

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let mut session = Session::open(matches)?;
    let asked = frequencies::asked(&session)?;
    let mut outputs = session.guards.outputs();
    let table = PendingText::stage(&mut outputs, session.csv().as_deref())?;
    let plot = PendingText::stage(&mut outputs, session.text("plot").map(Path::new))?;

    let findings = found(&mut session, asked)?;

    if let Some(table) = table {
        table.fill(&findings.csv())?;
    }
    if let Some(plot) = plot {
        plot.fill(&findings.drawn())?;
    }
    session.finish(outputs, || findings.record(), || findings.printed())?;
    Ok(Outcome::Done)
}

fn found(session: &mut Session<'_>, asked: Asked) -> Result<Findings, Failure> {
    let circuit = session.circuit(Timing::default())?;
    session.warn_of_supply(&circuit);
    let probe = probe(session, &circuit)?;
    let with_ac = circuit.drives().filter(|d| d.ac.is_some()).count();
    let source = if session.text("source").is_some() || with_ac == 1 {
        Some(driven_source::named(
            session,
            &circuit,
            "which source is the input?",
        )?)
    } else {
        None
    };
    let driven = source.as_ref().map(|s| s.1);
    // The total is integrated last: it takes about as many frequencies as a curve.
    let whole = 2.0 * asked.rows_hz.len() as f64;
    let progress = Progress::new("noise", whole, session.quiet);
    let (x, mut assembly) = quiescent::at_rest(&circuit)?;
    let pickup = probe.pickup(&mut assembly, &x).expect("a voltage has one");
    let origins = noise::origins(&mut assembly, &x);
    let mut small = SmallSignal::new(&mut assembly, &x);
    session.warn_unstable("", natural::stability(&mut small));
    let mut listener = Listener::new(&mut small, &pickup, &origins, driven);
    let mut heard = || -> Result<(Vec<Density>, Total), Singular> {
        let each = asked.rows_hz.iter().map(|&f| {
            progress.one_more();
            listener.density(f)
        });
        let densities = each.collect::<Result<_, _>>()?;
        let (low, high) = asked.band_hz;
        Ok((densities, listener.total(low, high)?))
    };
    let (densities, total) = heard().map_err(|s| no_solution(&circuit, s))?;
    Ok(Findings {
        title: circuit.title.trim().to_string(),
        celsius: circuit.celsius,
        probe: probe.label,
        source_unit: driven.map_or("V", Driven::unit),
        source: source.map(|s| s.0),
        frequencies_hz: asked.rows_hz,
        band_hz: asked.band_hz,
        densities,
        total,
    })
}

/// The one voltage that is listened to.
fn probe(session: &mut Session<'_>, circuit: &Circuit) -> Result<Observable, Failure> {
    let probe = one_probe(session, circuit, &[&["noise", "ac"], &["tran"]], "noise")?;
    if probe.kind != ProbeKind::Voltage {
        return Err(Failure::usage(format!(
            "`{}`: noise is heard as a voltage, expected v(...)",
            probe.label
        ))
        .into());
    }
    Ok(probe)
}

impl Findings {
    fn input(&self, density: &Density) -> f64 {
        density.output.sqrt() / density.gain
    }

    fn csv(&self) -> String {
        let mut csv = Csv::empty();
        let mut write = |row: &[String]| csv.row(row);
        let mut head = vec![
            "frequency_hz".to_string(),
            format!("{}.v_per_rthz", self.probe),
        ];
        let unit = self.source_unit.to_lowercase();
        head.extend(self.source.iter().map(|s| format!("{s}.{unit}_per_rthz")));
        write(&head);
        for (f, density) in self.frequencies_hz.iter().zip(&self.densities) {
            let mut row = vec![num::full(*f), num::full(density.output.sqrt())];
            if self.source.is_some() {
                row.push(num::full(self.input(density)));
            }
            write(&row);
        }
        csv.text()
    }

    fn record(&self) -> Value {
        let total = &self.total;
        let densities = self.densities.iter();
        let mut record = json!({
            "title": self.title,
            "celsius": self.celsius,
            "probe": self.probe,
            "from_hz": self.band_hz.0,
            "to_hz": self.band_hz.1,
            "output_v_rms": total.output_rms,
            "output_dbu": noise::dbu(total.output_rms),
            "a_weighted_v_rms": total.weighted_rms,
            "a_weighted_dbu": noise::dbu(total.weighted_rms),
            "source": self.source,
            "input_rms": total.input_rms,
            "input_a_weighted_rms": total.input_weighted_rms,
            "parts": total.parts.iter().map(|p| json!({
                "element": p.element,
                "kind": p.kind,
                "output_v_rms": p.output_rms,
                "share_percent": self.share(p.output_rms),
            })).collect::<Vec<_>>(),
            "frequency_hz": self.frequencies_hz,
            "output_v_per_rthz": densities.map(|d| d.output.sqrt()).collect::<Vec<_>>(),
        });
        if self.source.is_some() {
            let input = self.densities.iter().map(|d| self.input(d));
            record["input_per_rthz"] = input.collect::<Vec<_>>().into();
        }
        record
    }

    /// Of the noise power over the band, percent.
    fn share(&self, output_rms: f64) -> f64 {
        let part = output_rms / self.total.output_rms;
        100.0 * part * part
    }

    fn drawn(&self) -> String {
        let output = self.densities.iter().map(|d| d.output.sqrt()).collect();
        let mut traces = vec![Trace::new(self.probe.clone(), "V/√Hz", output)];
        if let Some(source) = &self.source {
            let input = self.densities.iter().map(|d| self.input(d)).collect();
            let unit = format!("{}/√Hz", self.source_unit);
            traces.push(Trace::new(format!("referred to {source}"), unit, input));
        }
        plot::spectrum(&self.title, &self.frequencies_hz, &traces)
    }

    fn printed(&self) -> String {
        let hertz = |f: f64| num::engineering(f, "Hz", 3);
        let (low, high) = self.band_hz;
        let mut text = format!(
            "{}\nnoise at {}, {} to {}, {} C\n",
            self.title,
            self.probe,
            hertz(low),
            hertz(high),
            num::full(self.celsius),
        );
        let total = &self.total;
        let mut table = Table::new(&[
            ("", Side::Left),
            ("plain", Side::Right),
            ("", Side::Right),
            ("A-weighted", Side::Right),
            ("", Side::Right),
        ]);
        let volts = |v: f64| num::engineering(v, "V", 3);
        let dbu = |v: f64| {
            if v > 0.0 {
                format!("{:.1} dBu", noise::dbu(v))
            } else {
                String::new()
            }
        };
        table.row([
            format!("at {}", self.probe),
            volts(total.output_rms),
            dbu(total.output_rms),
            volts(total.weighted_rms),
            dbu(total.weighted_rms),
        ]);
        if let Some(source) = &self.source {
            let mut row = vec![format!("as if from {source}")];
            for rms in [total.input_rms, total.input_weighted_rms] {
                let shown = |rms| num::engineering(rms, self.source_unit, 3);
                row.push(rms.map_or("none".to_string(), shown));
                row.push(match self.source_unit {
                    "V" => rms.map_or(String::new(), dbu),
                    _ => String::new(),
                });
            }
            table.row(row);
        }
        text += &format!("\n{}", table.text());
        text += "  rms over the band; A-weighted by IEC 61672-1; 0 dBu is 0.7746 V\n";
        let mut parts = Table::new(&[
            ("largest parts", Side::Left),
            ("noise", Side::Left),
            ("at the probe", Side::Right),
            ("share", Side::Right),
        ]);
        for part in total.parts.iter().take(PRINTED) {
            parts.row([
                part.element.clone(),
                part.kind.to_string(),
                volts(part.output_rms),
                format!("{:.1} %", self.share(part.output_rms)),
            ]);
        }
        if !parts.is_empty() {
            text += &format!("\n{}", parts.text());
        }
        text += "  flicker noise and what heaters, mains and real valves add differ from sample to \
                 sample\n";
        text
    }
}
