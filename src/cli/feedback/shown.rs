//! What `feedback` puts out: CSV, JSON, the printed table and its warnings.

use super::super::common::Session;
use super::findings::{Findings, Judged};
use crate::analysis::natural::Stability;
use crate::measure::gain::{decibels, degrees, size};
use crate::num;
use crate::report::csv::Csv;
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

impl Judged {
    /// Loop gain and return difference, both dB.
    fn loop_db(&self) -> Option<(f64, f64)> {
        let around = self.figures.around.as_ref()?;
        let difference = Complex::new(1.0, 0.0) + around.ratio;
        Some((decibels(size(around.ratio)), decibels(size(difference))))
    }

    /// What the element takes off the gain, dB: less than the return difference says where the
    /// element loads what it joins.
    fn lost_db(&self) -> Option<f64> {
        let lost = size(self.figures.without?) / size(self.figures.gain);
        (lost.is_finite() && lost > 0.0).then(|| decibels(lost))
    }

    /// What is wrong with the loop, if its feedback is positive.
    fn positive(&self) -> Option<&'static str> {
        self.figures.around.as_ref().filter(|a| a.is_positive())?;
        Some(if self.transformer {
            "positive feedback: exchange the ends of the transformer's primary"
        } else {
            "positive feedback: what comes back adds to the signal"
        })
    }

    pub fn phase_margin(&self) -> Option<(f64, f64)> {
        self.figures.around.as_ref()?.phase_margin
    }

    pub fn gain_margin(&self) -> Option<(f64, f64)> {
        self.figures.around.as_ref()?.gain_margin
    }
}

impl Findings {
    /// The contract's columns; what does not exist is empty.
    pub fn csv(&self) -> String {
        let mut csv = Csv::empty();
        csv.row(HEAD);
        for row in &self.rows {
            let cell = |value: Option<f64>| value.map(num::full).unwrap_or_default();
            let mut cells = vec![row.ohms.map_or("open".to_string(), num::full)];
            match &row.found {
                Ok(judged) => {
                    let f = &judged.figures;
                    cells.extend([
                        num::full(decibels(size(f.gain))),
                        cell(f.low_hz),
                        cell(f.high_hz),
                        num::full(size(f.impedance)),
                        cell(judged.loop_db().map(|l| l.0)),
                        cell(judged.phase_margin().map(|m| m.0)),
                        cell(judged.gain_margin().map(|m| m.0)),
                        cell(judged.thd.as_ref().ok().copied()),
                    ]);
                }
                Err(_) => cells.resize(HEAD.len(), String::new()),
            }
            csv.row(&cells);
        }
        csv.text()
    }

    /// For the JSON file.
    pub fn record(&self) -> Value {
        let rows = self.rows.iter().map(|row| {
            let mut record = match &row.found {
                Ok(judged) => judged.record(),
                Err(why) => json!({ "failed": why }),
            };
            record["value"] = row.text.clone().into();
            record["value_ohm"] = row.ohms.into();
            record
        });
        json!({
            "title": self.title,
            "element": self.element,
            "source": self.source,
            "probe": self.probe,
            "frequency_hz": self.freq_hz,
            "output_level_v": self.level_v,
            "load": self.load,
            "rows": rows.collect::<Vec<_>>(),
        })
    }

    /// For the terminal.
    pub fn printed(&self) -> String {
        let mut text = format!(
            "{}\n`{}` in the feedback path; `{}` to {}, at {}\n\n",
            self.title,
            self.element,
            self.source,
            self.probe,
            hertz(self.freq_hz),
        );
        let below = format!("re {} from", hertz(self.freq_hz));
        let mut columns = vec![
            (self.element.as_str(), Side::Left),
            ("gain", Side::Right),
            ("gain lost", Side::Right),
            ("-3 dB from", Side::Right),
            ("to", Side::Right),
            (&below, Side::Right),
            ("to", Side::Right),
            ("impedance", Side::Right),
            ("loop gain", Side::Right),
            ("return difference", Side::Right),
            ("phase margin", Side::Right),
            ("gain margin", Side::Right),
            ("THD", Side::Right),
            ("", Side::Left),
        ];
        if self.load.is_some() {
            columns.insert(8, ("damping", Side::Right));
        }
        let mut table = Table::new(&columns);
        for row in &self.rows {
            let mut cells = vec![row.text.clone()];
            match &row.found {
                Ok(judged) => cells.extend(judged.cells(self.load.is_some())),
                Err(_) => {
                    cells.resize(columns.len() - 1, String::new());
                    cells.push("no solution".to_string());
                }
            }
            table.row(cells);
        }
        text += &table.text();
        text += &format!(
            "  -3 dB: below the peak between 20 Hz and 20 kHz, as in `response`; re {0}: 3 dB below \
             the gain at {0}\n  (low_hz and high_hz of the CSV); searched from 1 mHz to 1 GHz\n",
            hertz(self.freq_hz)
        );
        text += &format!(
            "  gain lost: what taking the resistor out would give back at {}, at the same bias;\n  \
             return difference: 1 + return ratio of its loop; margins: 1 mHz to 1 GHz\n",
            hertz(self.freq_hz)
        );
        text += &format!(
            "  THD: where the output is {} rms\n",
            num::engineering(self.level_v, "V", 3)
        );
        text
    }

    /// What is reported beyond the figures.
    pub fn warn(&self, session: &Session<'_>) {
        for row in &self.rows {
            let of = format!("with {}={}", self.element, row.text);
            let judged = match &row.found {
                Ok(judged) => judged,
                Err(why) => {
                    session.warning(&format!("{of} there are no figures: {why}"));
                    continue;
                }
            };
            if let Some(positive) = judged.positive() {
                session.warning(&format!("{of} {positive}"));
            }
            match judged.figures.stability {
                Stability::Oscillates { freq_hz, .. } => session.warning(&format!(
                    "{of} the circuit is unstable: it would oscillate near {}; its other \
                     figures say nothing",
                    num::engineering(freq_hz, "Hz", 3)
                )),
                Stability::RunsAway { .. } => session.warning(&format!(
                    "{of} the circuit is unstable: it would run away from its bias \
                     point; its other figures say nothing"
                )),
                Stability::Unknown => session.note(&format!(
                    "{of} the circuit is too large to be judged for stability"
                )),
                Stability::Stable if judged.negative => session.warning(&format!(
                    "{of} there is no damping factor: the output's own resistance is \
                     negative"
                )),
                Stability::Stable => {}
            }
            if let Err(Some(why)) = &judged.thd {
                session.note(&format!("{of} there is no THD: {why}"));
            }
        }
    }
}

impl Judged {
    /// The cells of the printed table behind the value.
    fn cells(&self, damping: bool) -> Vec<String> {
        let decibels_of = |v: f64| format!("{:.2} dB", v + 0.0);
        let none = || "none".to_string();
        let f = &self.figures;
        let absent = |shown: Option<String>| match f.around {
            Some(_) => shown.unwrap_or_else(none),
            None => String::new(),
        };
        let margin =
            |margin: (f64, f64), unit| format!("{:.1}{unit} at {}", margin.0, hertz(margin.1));
        let mut cells = vec![
            decibels_of(decibels(size(f.gain))),
            self.lost_db().map(decibels_of).unwrap_or_default(),
            f.band.and_then(|b| b.low_hz).map_or_else(none, hertz),
            f.band.and_then(|b| b.high_hz).map_or_else(none, hertz),
            f.low_hz.map_or_else(none, hertz),
            f.high_hz.map_or_else(none, hertz),
            num::engineering(size(f.impedance), "Ω", 3),
            absent(self.loop_db().map(|l| {
                if l.0.is_finite() {
                    decibels_of(l.0)
                } else {
                    none()
                }
            })),
            absent(self.loop_db().map(|l| decibels_of(l.1))),
            absent(self.phase_margin().map(|m| margin(m, "°"))),
            absent(self.gain_margin().map(|m| margin(m, " dB"))),
            match self.thd {
                Ok(percent) => format!("{} %", num::engineering(percent, "", 3)),
                Err(_) => none(),
            },
            match f.stability {
                Stability::Stable => String::new(),
                Stability::Unknown => "stability unknown".to_string(),
                _ => "UNSTABLE".to_string(),
            },
        ];
        if damping {
            let shown = self.damping.map(|d| num::engineering(d, "", 3));
            cells.insert(7, shown.unwrap_or_else(none));
        }
        cells
    }

    fn record(&self) -> Value {
        let f = &self.figures;
        json!({
            "gain_db": decibels(size(f.gain)),
            "gain_deg": degrees(f.gain),
            "gain_lost_db": self.lost_db(),
            "low_hz": f.low_hz,
            "high_hz": f.high_hz,
            "peak_low_hz": f.band.and_then(|b| b.low_hz),
            "peak_high_hz": f.band.and_then(|b| b.high_hz),
            "output_impedance_ohm": size(f.impedance),
            "output_impedance_deg": degrees(f.impedance),
            "damping_factor": self.damping,
            "loop_gain_db": self.loop_db().map(|l| l.0),
            "loop_gain_deg": f.around.as_ref().map(|l| degrees(l.ratio)),
            "feedback_db": self.loop_db().map(|l| l.1),
            "positive_feedback": f.around.as_ref().map(|a| a.is_positive()),
            "phase_margin_deg": self.phase_margin().map(|m| m.0),
            "phase_margin_hz": self.phase_margin().map(|m| m.1),
            "gain_margin_db": self.gain_margin().map(|m| m.0),
            "gain_margin_hz": self.gain_margin().map(|m| m.1),
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
            "thd_percent": self.thd.as_ref().ok(),
        })
    }
}

pub fn hertz(f: f64) -> String {
    num::engineering(f, "Hz", 3)
}

fn word(stability: Stability) -> &'static str {
    match stability {
        Stability::Stable => "stable",
        Stability::Oscillates { .. } => "oscillates",
        Stability::RunsAway { .. } => "runs away",
        Stability::Unknown => "unknown",
    }
}
