//! What `distortion` puts out as figures: CSV, JSON and the printed table.

use super::{Findings, Measured, ONSETS};
use crate::analysis::natural::grows;
use crate::analysis::periodic::{Method, PeriodicState};
use crate::measure::distortion::{HARMONICS, Intermodulation, Reading};
use crate::num;
use crate::report::csv::Csv;
use crate::report::table::{Side, Table};
use serde_json::{Value, json};

/// Harmonics in the printed table.
const PRINTED: usize = 7;
/// What lies deeper below the fundamental than this is left out of the printed table, dB: it
/// is near what the solution is accurate to.
const DEEP: f64 = 130.0;

impl Findings {
    /// A row for each level; a varied setting is a column in front.
    pub fn csv(&self) -> String {
        let mut csv = Csv::empty();
        let mut write = |row: &[String]| csv.row(row);
        let varied = self
            .measured
            .first()
            .map_or(&[][..], |m| &m.variant.settings);
        let mut head: Vec<String> = varied.iter().map(|s| s.target.clone()).collect();
        head.extend(["level_v", "output_rms_v"].map(str::to_string));
        match self.pair {
            None => {
                head.push("thd_percent".to_string());
                head.extend((1..=HARMONICS).map(|k| format!("h{k}_db")));
                head.extend(self.load.iter().map(|_| "load_w".to_string()));
            }
            Some(_) => {
                head.extend(["imd_percent", "second_percent", "third_percent"].map(str::to_string))
            }
        }
        write(&head);
        for measured in &self.measured {
            let settings = measured.variant.settings.iter();
            let settings: Vec<String> = settings.map(|s| s.value.text.clone()).collect();
            for r in &measured.readings {
                let mut row = settings.clone();
                row.extend([r.level, r.rms, 100.0 * r.thd()].map(num::full));
                row.extend((1..=HARMONICS).map(|k| num::full(r.harmonic_db(k))));
                row.extend(r.load_w.map(num::full));
                write(&row);
            }
            for t in &measured.tones {
                let mut row = settings.clone();
                row.extend([t.level, t.rms].map(num::full));
                row.extend([t.total(), t.second, t.third].map(|x| num::full(100.0 * x)));
                write(&row);
            }
        }
        csv.text()
    }

    /// For the JSON file.
    pub fn record(&self) -> Value {
        let mut record = json!({
            "title": self.title,
            "source": self.source,
            "probe": self.probe,
            "unit": self.unit,
        });
        match self.pair {
            None => record["frequency_hz"] = self.freq_hz.into(),
            Some(pair) => record["two_tones"] = pair.name().into(),
        }
        if let Some(load) = &self.load {
            record["load"] = load.as_str().into();
        }
        match &self.measured[..] {
            [only] if only.variant.settings.is_empty() => merge(&mut record, self.of(only)),
            all => {
                let each = all.iter().map(|m| {
                    let settings: serde_json::Map<String, Value> = m
                        .variant
                        .settings
                        .iter()
                        .map(|s| (s.target.clone(), s.value.text.clone().into()))
                        .collect();
                    let mut one = json!({ "settings": settings });
                    merge(&mut one, self.of(m));
                    one
                });
                record["variants"] = each.collect();
            }
        }
        record
    }

    fn of(&self, measured: &Measured) -> Value {
        let mut record = match self.pair {
            None => {
                json!({ "levels": measured.readings.iter().map(reading).collect::<Vec<_>>() })
            }
            Some(_) => json!({ "levels": measured.tones.iter().map(tones).collect::<Vec<_>>() }),
        };
        if !measured.onsets.is_empty() {
            let one = |(thd, r): (f64, &Option<Reading>)| {
                json!({
                    "thd_percent": 100.0 * thd,
                    "reached": r.as_ref().map(reading),
                })
            };
            record["onsets"] = ONSETS.into_iter().zip(&measured.onsets).map(one).collect();
        }
        record
    }

    /// For the terminal.
    pub fn printed(&self) -> String {
        let signal = match self.pair {
            None => hertz(self.freq_hz),
            Some(pair) => pair.name().to_string(),
        };
        let mut text = format!(
            "{}\n{signal} from `{}`, steady state; {}\n",
            self.title, self.source, self.probe
        );
        text += &match self.pair {
            None => self.harmonics(),
            Some(_) => self.intermodulation(),
        };
        text += &self.clipping();
        let effort = |f: &PeriodicState| f.effort.evaluations;
        let found = || self.measured.iter().flat_map(Measured::found);
        let settled = found().any(|f| f.method != Method::Direct);
        text += &format!(
            "{} evaluations of the devices, {} steps a period at most{}\n",
            found().map(effort).sum::<usize>(),
            found().map(|f| f.steps).max().unwrap_or(0),
            if settled {
                "; settled by simulation"
            } else {
                ""
            }
        );
        text
    }

    fn varied(&self) -> bool {
        self.measured.iter().any(|m| !m.variant.settings.is_empty())
    }

    /// A table whose first columns are the variant and the level.
    fn table(&self, columns: &[(&str, Side)]) -> Table {
        let mut all = vec![("peak in", Side::Right), ("rms out", Side::Right)];
        if self.varied() {
            all.insert(0, ("variant", Side::Left));
        }
        all.extend_from_slice(columns);
        Table::new(&all)
    }

    fn start(&self, measured: &Measured, level: f64, rms: f64) -> Vec<String> {
        let mut row = vec![
            num::engineering(level, self.level_unit, 4),
            num::engineering(rms, self.unit, 4),
        ];
        if self.varied() {
            row.insert(0, measured.variant.label());
        }
        row
    }

    fn harmonics(&self) -> String {
        let single = self.measured.iter().all(|m| m.readings.len() == 1);
        let names: Vec<String> = (2..=PRINTED).map(|k| format!("h{k}")).collect();
        let mut columns = vec![("THD", Side::Right), ("of output", Side::Right)];
        columns.push(("h1, dB", Side::Right));
        columns.extend(names.iter().map(|n| (n.as_str(), Side::Right)));
        if self.load.is_some() {
            columns.push(("in load", Side::Right));
        }
        let mut table = self.table(&columns);
        for m in &self.measured {
            for r in &m.readings {
                let mut row = self.start(m, r.level, r.rms);
                row.extend([percent(r.thd()), percent(r.thd_of_output())]);
                row.extend((1..=PRINTED).map(|k| decibels(r, k)));
                row.extend(r.load_w.map(|w| num::engineering(w, "W", 3)));
                table.row(row);
            }
        }
        let mut text = format!("\n{}", table.text());
        text += "  THD: harmonics 2 to 20 relative to the fundamental; of output: relative to all of it\n";
        text += &format!(
            "  (IEC 60268-3). h in dB re 1 {} rms; a blank lies {DEEP:.0} dB or more below h1\n",
            self.unit
        );
        if single {
            for m in &self.measured {
                let r = &m.readings[0];
                let of = match m.variant.label() {
                    label if label.is_empty() => String::new(),
                    label => format!("{label}: "),
                };
                text += &format!(
                    "  {of}{} moves from {} to {}, mean {}\n",
                    self.probe,
                    num::engineering(r.extremes.0, self.unit, 4),
                    num::engineering(r.extremes.1, self.unit, 4),
                    mean(r, self.unit)
                );
            }
        }
        text
    }

    fn intermodulation(&self) -> String {
        let mut table = self.table(&[
            ("distortion", Side::Right),
            ("second order", Side::Right),
            ("third order", Side::Right),
        ]);
        for m in &self.measured {
            for t in &m.tones {
                let mut row = self.start(m, t.level, t.rms);
                row.extend([t.total(), t.second, t.third].map(percent));
                table.row(row);
            }
        }
        let what = match self.pair {
            Some(crate::measure::distortion::Pair::Smpte) => {
                "modulation distortion (IEC 60268-3): 7 kHz +/- 60 Hz and +/- 120 Hz relative to 7 kHz"
            }
            _ => {
                "difference-frequency distortion (IEC 60268-3): 1 kHz, and 18 and 21 kHz, relative to \
                 the sum of both tones"
            }
        };
        format!("\n{}  {what}\n", table.text())
    }

    fn clipping(&self) -> String {
        if self.measured.iter().all(|m| m.onsets.is_empty()) {
            return String::new();
        }
        let mut table = Table::new(&{
            let mut columns = vec![
                ("THD of", Side::Right),
                ("from peak in", Side::Right),
                ("rms out", Side::Right),
            ];
            if self.load.is_some() {
                columns.push(("in load", Side::Right));
            }
            if self.varied() {
                columns.insert(0, ("variant", Side::Left));
            }
            columns
        });
        for m in &self.measured {
            for (ratio, onset) in ONSETS.iter().zip(&m.onsets) {
                let mut row = vec![format!("{:.0}%", 100.0 * ratio)];
                if self.varied() {
                    row.insert(0, m.variant.label());
                }
                match onset {
                    Some(r) => {
                        row.push(num::engineering(r.level, self.level_unit, 4));
                        row.push(num::engineering(r.rms, self.unit, 4));
                        row.extend(r.load_w.map(|w| num::engineering(w, "W", 3)));
                    }
                    None => row.push("not met".to_string()),
                }
                table.row(row);
            }
        }
        format!(
            "\nWhere clipping begins (distortion-limited output, IEC 60268-3)\n{}",
            table.text()
        )
    }
}

/// The mean; one that is nothing beside the signal reads nothing.
fn mean(r: &Reading, unit: &str) -> String {
    if r.mean.abs() < 1e-5 * r.rms {
        format!("0 {unit}")
    } else {
        num::engineering(r.mean, unit, 4)
    }
}

/// A frequency with no more digits than it has.
pub fn hertz(f: f64) -> String {
    let shortest = (3..=9).find(|&digits| {
        let rounded: f64 = format!("{:.*e}", digits - 1, f).parse().unwrap_or(f);
        (rounded / f - 1.0).abs() < 1e-12
    });
    num::engineering(f, "Hz", shortest.unwrap_or(9))
}

/// Per cent with three digits, four decimals at most.
fn percent(ratio: f64) -> String {
    let percent = 100.0 * ratio;
    let decimals = match percent {
        p if p.is_nan() => return "none".to_string(),
        p if p >= 100.0 => 0,
        p if p >= 10.0 => 1,
        p if p >= 1.0 => 2,
        p if p >= 0.1 => 3,
        _ => 4,
    };
    format!("{percent:.decimals$}%")
}

fn decibels(reading: &Reading, order: usize) -> String {
    let db = reading.harmonic_db(order);
    if db.is_finite() && db > reading.harmonic_db(1) - DEEP {
        format!("{db:.1}")
    } else {
        String::new()
    }
}

fn reading(r: &Reading) -> Value {
    let harmonics = (1..=HARMONICS).map(|k| r.harmonic_db(k));
    json!({
        "level": r.level,
        "output_rms": r.rms,
        "output_mean": r.mean,
        "output_lowest": r.extremes.0,
        "output_highest": r.extremes.1,
        "thd_percent": 100.0 * r.thd(),
        "thd_of_output_percent": 100.0 * r.thd_of_output(),
        "harmonics_db": harmonics.collect::<Vec<_>>(),
        "load_w": r.load_w,
        "solution": solution(&r.found),
    })
}

fn tones(t: &Intermodulation) -> Value {
    json!({
        "level": t.level,
        "output_rms": t.rms,
        "lower_tone_rms": t.tones.0,
        "upper_tone_rms": t.tones.1,
        "imd_percent": 100.0 * t.total(),
        "second_percent": 100.0 * t.second,
        "third_percent": 100.0 * t.third,
        "solution": solution(&t.found),
    })
}

fn solution(found: &PeriodicState) -> Value {
    let periods = match found.method {
        Method::Direct => None,
        Method::Settled { periods } => Some(periods),
    };
    json!({
        "method": if periods.is_some() { "settled by simulation" } else { "direct" },
        "periods_simulated": periods,
        "stable": found.growth.map(|g| !grows(g)),
        "steps": found.steps,
        "evaluations": found.effort.evaluations,
        "passes": found.effort.passes,
    })
}

fn merge(into: &mut Value, more: Value) {
    if let (Value::Object(into), Value::Object(more)) = (into, more) {
        into.extend(more);
    }
}
