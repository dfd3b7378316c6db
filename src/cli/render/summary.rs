//! What `render` says about the sounds it made.

use super::clip;
use super::job::{Job, Made, Plan, Scale};
use crate::audio::level::{self, Level, SILENCE_V};
use crate::audio::steps::Steps;
use crate::num;
use crate::report::csv::Csv;
use crate::report::table::{Side, Table};
use serde_json::{Value, json};

/// All that was made.
pub struct Summary<'a> {
    /// What all have in common.
    pub plan: &'a Plan,
    /// Hz.
    pub rate_hz: u32,
    /// One for each file.
    pub made: &'a [(Job, Made)],
}

impl Summary<'_> {
    /// For the JSON file.
    pub fn record(&self) -> Value {
        let (job, made) = &self.made[0];
        let mut record = json!({
            "title": job.circuit.title,
            "source": job.source,
            "probe": job.probe.label,
            "rate_hz": self.rate_hz,
            "samples": made.played.samples,
            "input_volts": self.plan.input_volts,
            "clip_peak_dbfs": (made.clip.peak() > 0.0).then(|| level::decibels(made.clip.peak())),
            "unit": job.probe.kind.unit(),
            "normalised": self.plan.scale == Scale::Peak,
        });
        if job.label.is_empty() {
            merge(&mut record, figures(made));
        } else {
            let each = self.made.iter().map(|(job, made)| {
                let settings: serde_json::Map<String, Value> = job
                    .label
                    .split(", ")
                    .filter_map(|pair| pair.split_once('='))
                    .map(|(name, value)| (name.to_string(), value.into()))
                    .collect();
                let mut one = json!({
                    "settings": settings,
                    "file": job.out.display().to_string(),
                });
                merge(&mut one, figures(made));
                one
            });
            record["variants"] = each.collect();
        }
        record
    }

    /// The sounds' levels as CSV, the subject being the sound's file.
    pub fn csv(&self) -> String {
        let mut csv = Csv::empty();
        let mut write = |row: [&str; 4]| csv.row(row);
        write(["subject", "quantity", "value", "unit"]);
        for (job, made) in self.made {
            let (file, unit) = (job.out.display().to_string(), job.probe.kind.unit());
            let loudness = made.loudness_lufs.unwrap_or(f64::NAN);
            let mut rows = vec![
                (
                    "clip peak",
                    made.clip.peak() * self.plan.input_volts,
                    job.driven.unit(),
                ),
                ("peak", made.at_probe.peak(), unit),
                ("rms", made.at_probe.rms(), unit),
            ];
            if self.plan.cabinet.is_some() {
                rows.push(("peak through the cabinet", made.level.peak(), unit));
                rows.push(("rms through the cabinet", made.level.rms(), unit));
            }
            rows.extend([
                ("full scale", 1.0 / made.gain, unit),
                ("loudness", loudness, "LUFS"),
                ("oversampling", made.oversample.steps.factor as f64, ""),
            ]);
            for (quantity, value, unit) in rows {
                write([&file, quantity, &num::full(value), unit]);
            }
        }
        csv.text()
    }

    /// For the terminal.
    pub fn printed(&self) -> String {
        let (job, made) = &self.made[0];
        let seconds = made.played.samples as f64 / f64::from(self.rate_hz);
        let mut text = format!(
            "{}\n{} ({seconds:.2} s at {} Hz) drives `{}`, {} peak at full scale{}\n",
            job.circuit.title.trim(),
            self.plan.input.name(),
            self.rate_hz,
            job.source,
            num::engineering(self.plan.input_volts, job.driven.unit(), 3),
            clip::own_peak(self.plan, job, &made.clip)
        );
        if job.label.is_empty() {
            text += &self.one(job, made)
        } else {
            text += &self.several()
        }
        text
    }

    fn one(&self, job: &Job, made: &Made) -> String {
        let volts = |v: f64| num::engineering(v, job.probe.kind.unit(), 4);
        let levels =
            |level: &Level| format!("peak {}, rms {}", volts(level.peak()), volts(level.rms()));
        let behind = match self.plan.cabinet {
            Some(_) => format!("\nthrough the cabinet: {}", levels(&made.level)),
            None => String::new(),
        };
        let mut text = format!(
            "{}: {}{behind}; full scale of the file is {}{}\n",
            job.probe.label,
            levels(&made.at_probe),
            volts(1.0 / made.gain),
            match self.plan.scale {
                Scale::Peak if made.level.peak() <= SILENCE_V => " (silence, written as it is)",
                Scale::Peak => " (peak at -1 dBFS)",
                _ => "",
            }
        );
        if let Some(lufs) = made.loudness_lufs {
            text += &format!("loudness of the file {lufs:.1} LUFS\n");
        }
        text += &format!(
            "computed at {} times the sample rate{}\n",
            made.oversample.steps.factor,
            if made.oversample.steps.coarse {
                ", in coarse steps"
            } else {
                ""
            }
        );
        if made.played.general {
            text += SLOW;
        }
        text
    }

    fn several(&self) -> String {
        let mut table = Table::new(&[
            ("variant", Side::Left),
            ("peak", Side::Right),
            ("rms", Side::Right),
            ("full scale", Side::Right),
            ("loudness", Side::Right),
            ("oversampled", Side::Left),
            ("file", Side::Left),
        ]);
        for (job, made) in self.made {
            let volts = |v: f64| num::engineering(v, job.probe.kind.unit(), 4);
            table.row([
                job.label.clone(),
                volts(made.at_probe.peak()),
                volts(made.at_probe.rms()),
                volts(1.0 / made.gain),
                made.loudness_lufs
                    .map_or(String::new(), |lufs| format!("{lufs:.1} LUFS")),
                oversampled(made.oversample.steps),
                job.out.display().to_string(),
            ]);
        }
        let mut text = format!("{}:\n{}", self.made[0].0.probe.label, table.text());
        if self.made.iter().any(|(_, made)| made.played.general) {
            text += SLOW;
        }
        if self.plan.cabinet.is_some() {
            text += "peak and rms are those of the probe, full scale is that of the sound through the cabinet\n";
        }
        if self.plan.scale == Scale::Peak {
            text += "each file's peak is at -1 dBFS; with --output-volts they keep their differences in level\n";
        }
        text
    }
}

/// Why it took so long.
const SLOW: &str = "computed by the general solver, several times slower: the circuit is large, or too many valves act \
                    on each other both ways; parts that are not heard can be left out of the netlist\n";

/// Steps as a table has them.
fn oversampled(steps: Steps) -> String {
    let coarse = if steps.coarse { ", coarse" } else { "" };
    format!("{} x{coarse}", steps.factor)
}

fn figures(made: &Made) -> Value {
    json!({
        "oversample": made.oversample.steps.factor,
        "coarse": made.oversample.steps.coarse,
        "alias_estimate_db": made.oversample.estimate.map(|e| e.aliases_db),
        "tone_error_db": made.oversample.estimate.map(|e| e.tone_db),
        "peak": made.at_probe.peak(),
        "rms": made.at_probe.rms(),
        "sound_peak": made.level.peak(),
        "sound_rms": made.level.rms(),
        "full_scale": 1.0 / made.gain,
        "loudness_lufs": made.loudness_lufs,
        "beyond_full_scale": made.written.beyond_full_scale,
        "effort": {
            "steps": made.played.steps,
            "divided": made.played.divided,
            "evaluations": made.played.evaluations,
            "general": made.played.general,
        },
    })
}

fn merge(into: &mut Value, more: Value) {
    if let (Value::Object(into), Value::Object(more)) = (into, more) {
        into.extend(more);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A fixed bug: the table said "4-coarse x".
    #[test]
    fn coarse_steps_read_well_in_a_table() {
        assert_eq!(oversampled(Steps::coarse()), "4 x, coarse");
        assert_eq!(oversampled(Steps::fine(8)), "8 x");
    }
}
