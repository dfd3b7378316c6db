//! What `feedback` puts out: CSV, JSON, the printed table and its warnings.

use super::super::common::{self, Session};
use super::{ElementRow, Findings};
use crate::analysis::natural::Stability;
use crate::measure::gain::{decibels, degrees, size};
use crate::num;
use crate::report::table::{Side, Table};
use num_complex::Complex;
use serde_json::{Value, json};

/// The columns of the CSV.
const HEAD: [&str; 9] = [
    "value_ohm",
    "gain_db",
    "low_hz",
    "high_hz",
    "output_impedance_ohm",
    "loop_gain_db",
    "phase_margin_deg",
    "gain_margin_db",
    "thd_percent",
];

impl ElementRow {
    /// Loop gain and what feedback takes off the gain, both dB.
    fn loop_db(&self) -> Option<(f64, f64)> {
        let around = self.figures.around.as_ref()?;
        let less = Complex::new(1.0, 0.0) + around.ratio;
        Some((decibels(size(around.ratio)), decibels(size(less))))
    }

    fn phase_margin(&self) -> Option<(f64, f64)> {
        self.figures.around.as_ref()?.phase_margin
    }

    fn gain_margin(&self) -> Option<(f64, f64)> {
        self.figures.around.as_ref()?.gain_margin
    }
}

impl Findings {
    /// The contract's columns; what does not exist is empty.
    pub fn csv(&self) -> String {
        let mut writer = csv::Writer::from_writer(Vec::new());
        writer.write_record(HEAD).expect("writing to memory");
        for row in &self.rows {
            let f = &row.figures;
            let cell = |value: Option<f64>| value.map(num::full).unwrap_or_default();
            let value = row.ohms.map_or("open".to_string(), num::full);
            let cells = [
                value,
                num::full(decibels(size(f.gain))),
                cell(f.low_hz),
                cell(f.high_hz),
                num::full(size(f.impedance)),
                cell(row.loop_db().map(|l| l.0)),
                cell(row.phase_margin().map(|m| m.0)),
                cell(row.gain_margin().map(|m| m.0)),
                cell(row.thd.as_ref().ok().copied()),
            ];
            writer.write_record(&cells).expect("writing to memory");
        }
        String::from_utf8(writer.into_inner().expect("memory")).expect("text in, text out")
    }

    /// For the JSON file.
    pub fn record(&self) -> Value {
        json!({
            "title": self.title,
            "element": self.element,
            "source": self.source,
            "probe": self.probe,
            "frequency_hz": self.freq_hz,
            "output_level_v": self.level_v,
            "load": self.load,
            "rows": self.rows.iter().map(|row| {
                let f = &row.figures;
                json!({
                    "value": row.text,
                    "value_ohm": row.ohms,
                    "gain_db": decibels(size(f.gain)),
                    "gain_deg": degrees(f.gain),
                    "low_hz": f.low_hz,
                    "high_hz": f.high_hz,
                    "output_impedance_ohm": size(f.impedance),
                    "output_impedance_deg": degrees(f.impedance),
                    "damping_factor": row.damping,
                    "loop_gain_db": row.loop_db().map(|l| l.0),
                    "loop_gain_deg": f.around.as_ref().map(|l| degrees(l.ratio)),
                    "feedback_db": row.loop_db().map(|l| l.1),
                    "phase_margin_deg": row.phase_margin().map(|m| m.0),
                    "phase_margin_hz": row.phase_margin().map(|m| m.1),
                    "gain_margin_db": row.gain_margin().map(|m| m.0),
                    "gain_margin_hz": row.gain_margin().map(|m| m.1),
                    "stability": word(f.stability),
                    "oscillates_hz": match f.stability {
                        Stability::Oscillates { freq_hz, .. } => Some(freq_hz),
                        _ => None,
                    },
                    "growth_per_s": match f.stability {
                        Stability::Oscillates { growth_per_s, .. }
                        | Stability::RunsAway { growth_per_s } => Some(growth_per_s),
                        _ => None,
                    },
                    "thd_percent": row.thd.as_ref().ok(),
                })
            }).collect::<Vec<_>>(),
        })
    }

    /// For the terminal.
    pub fn printed(&self) -> String {
        let hertz = |f: f64| num::engineering(f, "Hz", 3);
        let decibels_of = |v: f64| format!("{:.2} dB", v + 0.0);
        let none = || "none".to_string();
        let mut text = format!(
            "{}\n`{}` in the feedback path; `{}` to {}, at {}\n\n",
            self.title,
            self.element,
            self.source,
            self.probe,
            hertz(self.freq_hz),
        );
        let mut columns = vec![
            (self.element.as_str(), Side::Left),
            ("gain", Side::Right),
            ("feedback", Side::Right),
            ("-3 dB from", Side::Right),
            ("to", Side::Right),
            ("impedance", Side::Right),
            ("loop gain", Side::Right),
            ("phase margin", Side::Right),
            ("gain margin", Side::Right),
            ("THD", Side::Right),
            ("", Side::Left),
        ];
        if self.load.is_some() {
            columns.insert(6, ("damping", Side::Right));
        }
        let mut table = Table::new(&columns);
        for row in &self.rows {
            let f = &row.figures;
            let absent = |shown: Option<String>| match f.around {
                Some(_) => shown.unwrap_or_else(none),
                None => String::new(),
            };
            let mut cells = vec![
                row.text.clone(),
                decibels_of(decibels(size(f.gain))),
                absent(row.loop_db().map(|l| decibels_of(l.1))),
                f.low_hz.map_or_else(none, hertz),
                f.high_hz.map_or_else(none, hertz),
                num::engineering(size(f.impedance), "Ω", 3),
                absent(row.loop_db().map(|l| match l.0.is_finite() {
                    true => decibels_of(l.0),
                    false => none(),
                })),
                absent(
                    row.phase_margin()
                        .map(|m| format!("{:.1}° at {}", m.0, hertz(m.1))),
                ),
                absent(
                    row.gain_margin()
                        .map(|m| format!("{:.1} dB at {}", m.0, hertz(m.1))),
                ),
                match row.thd {
                    Ok(percent) => format!("{} %", num::engineering(percent, "", 3)),
                    Err(_) => none(),
                },
                match f.stability {
                    Stability::Stable => String::new(),
                    Stability::Unknown => "stability unknown".to_string(),
                    _ => "UNSTABLE".to_string(),
                },
            ];
            if self.load.is_some() {
                let shown = row.damping.map(|d| num::engineering(d, "", 3));
                cells.insert(6, shown.unwrap_or_default());
            }
            table.row(cells);
        }
        text += &table.text();
        text += "  feedback: what the loop takes off the gain, 1 + return ratio; margins: 1 mHz to 1 GHz\n";
        text += &format!(
            "  THD: where the output is {} rms\n",
            num::engineering(self.level_v, "V", 3)
        );
        text
    }

    /// What is told beyond the figures.
    pub fn warn(&self, session: &Session<'_>) {
        if session.quiet {
            return;
        }
        for row in &self.rows {
            let of = format!("with {}={}", self.element, row.text);
            match row.figures.stability {
                Stability::Oscillates { freq_hz, .. } => common::tell(&format!(
                    "warning: {of} the circuit is unstable: it would oscillate near {}; its other \
                     figures say nothing\n",
                    num::engineering(freq_hz, "Hz", 3)
                )),
                Stability::RunsAway { .. } => common::tell(&format!(
                    "warning: {of} the circuit is unstable: it would run away from its bias \
                     point; its other figures say nothing\n"
                )),
                Stability::Unknown => session.note(&format!(
                    "{of} the circuit is too large to be judged for stability"
                )),
                Stability::Stable => {}
            }
        }
        for row in &self.rows {
            if let Err(Some(why)) = &row.thd {
                session.note(&format!(
                    "with {}={} there is no THD: {why}",
                    self.element, row.text
                ));
            }
        }
    }
}

fn word(stability: Stability) -> &'static str {
    match stability {
        Stability::Stable => "stable",
        Stability::Oscillates { .. } => "oscillates",
        Stability::RunsAway { .. } => "runs away",
        Stability::Unknown => "unknown",
    }
}
