//! The plots of `distortion`.

use super::{Findings, Measured, ONSETS};
use crate::measure::distortion::HARMONICS;
use crate::num;
use crate::report::plot::{self, Mark, Side, Trace};

impl Findings {
    /// Output over distortion against level; the harmonics if there is one level, as SVG.
    pub fn drawn(&self) -> String {
        let mut levels = self.levels.clone();
        let between = self.measured.iter().flat_map(|m| m.drawn());
        levels.extend(between.map(|r| r.level));
        levels.sort_by(f64::total_cmp);
        levels.dedup();
        if self.pair.is_none() && self.is_one_level() {
            return self.harmonic_bars();
        }
        let place = |level: f64| levels.iter().position(|&l| l == level);
        let mut traces = Vec::new();
        let mut marks = Vec::new();
        let column = |values: &mut dyn Iterator<Item = (f64, f64)>| {
            let mut column = vec![f64::NAN; levels.len()];
            for (level, value) in values {
                if let Some(k) = place(level) {
                    column[k] = value;
                }
            }
            column
        };
        let several = self.measured.len() > 1;
        let name = |m: &Measured, plain: &str| {
            if several {
                m.variant.label()
            } else {
                plain.to_string()
            }
        };
        for m in &self.measured {
            let readings = m.drawn().map(|r| (r.level, r.rms));
            let tones = m.tones.iter().map(|t| (t.level, t.rms));
            let unit = format!("{} rms", self.unit);
            let values = column(&mut readings.chain(tones));
            traces.push(Trace::new(name(m, &self.probe), unit, values));
        }
        for m in self.measured.iter().filter(|_| self.load.is_some()) {
            let watts = m.drawn().filter_map(|r| Some((r.level, r.load_w?)));
            let load = self.load.as_deref().unwrap_or_default();
            let plain = format!("into {load}");
            let values = column(&mut watts.filter(|w| w.1 > 0.0));
            traces.push(Trace::new(name(m, &plain), "W", values));
        }
        for m in &self.measured {
            if self.pair.is_none() {
                for (ratio, onset) in ONSETS.iter().zip(&m.onsets) {
                    marks.extend(onset.iter().filter(|_| !several).map(|r| Mark {
                        trace: traces.len(),
                        at: r.level,
                        value: 100.0 * ratio,
                        label: format!(
                            "{:.0} % at {}",
                            100.0 * ratio,
                            num::engineering(r.level, self.level_unit, 3)
                        ),
                        side: Side::Right,
                    }));
                }
                let thd = m.drawn().map(|r| (r.level, 100.0 * r.thd()));
                traces.push(Trace::new(
                    name(m, "THD"),
                    "%",
                    column(&mut thd.filter(|t| t.1 > 0.0)),
                ));
                continue;
            }
            let mut imd =
                |plain: &str, figure: fn(&crate::measure::distortion::Intermodulation) -> f64| {
                    let all = m.tones.iter().map(|t| (t.level, 100.0 * figure(t)));
                    traces.push(Trace::new(
                        name(m, plain),
                        "%",
                        column(&mut all.into_iter()),
                    ));
                };
            if several {
                imd("", |t| t.total())
            } else {
                imd("second order", |t| t.second);
                imd("third order", |t| t.third);
                imd("both", |t| t.total());
            }
        }
        plot::over_level(&self.heading(), &levels, self.level_unit, &traces, &marks)
    }

    fn is_one_level(&self) -> bool {
        self.levels.iter().all(|l| *l == self.levels[0])
    }

    fn harmonic_bars(&self) -> String {
        let names: Vec<String> = (1..=HARMONICS).map(|k| k.to_string()).collect();
        let traces: Vec<Trace> = self
            .measured
            .iter()
            .filter_map(|m| {
                let r = m.readings.first()?;
                let values = (1..=HARMONICS).map(|k| r.harmonic_db(k)).collect();
                Some(Trace::new(m.variant.label(), "dB", values))
            })
            .collect();
        let level = self.levels.first().copied().unwrap_or(0.0);
        let title = format!(
            "{}; {} in",
            self.heading(),
            num::engineering(level, self.level_unit, 3)
        );
        let unit = format!("dB re 1 {} rms", self.unit);
        plot::bars(&title, "harmonic", &names, &unit, &traces)
    }

    fn heading(&self) -> String {
        let signal = match self.pair {
            None => super::shown::hertz(self.freq_hz),
            Some(pair) => pair.name().to_string(),
        };
        format!("{}: {}, {signal}", self.title, self.probe)
    }
}
