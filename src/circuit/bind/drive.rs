//! What sources do over time, with the published defaults.

use super::*;

impl Binder<'_> {
    pub(super) fn drive(
        &mut self,
        path: &str,
        drive: &crate::netlist::statement::Drive,
        role: Role,
    ) -> Drive {
        let wave =
            drive
                .wave
                .as_ref()
                .and_then(|w| match wave(w.shape, &numbers(&w.args), self.timing) {
                    Ok(wave) => Some(wave),
                    Err(what) => {
                        let problem = CircuitProblem::BadWave {
                            name: path.to_string(),
                            what,
                        };
                        self.problems.push(problem.at(w.span));
                        None
                    }
                });
        let wave = wave.map(|wave| self.set_wave(path, wave, role));
        let mut setting = self.settings.parameter(path, "dc");
        let bare = self.settings.value(path);
        if let Some(bare) = bare.filter(|b| b.is_after(setting)) {
            // A bare value is the DC value. Of a source with a waveform it would take away what it
            // is there for, unless the line says that it has a value at rest besides.
            match &wave {
                Some(wave) if drive.dc.is_none() && drive.ac.is_none() => {
                    let problem = CircuitProblem::WaveValue {
                        name: path.to_string(),
                        shape: wave.word(),
                        known: wave.parameters(),
                    };
                    self.problems.push(problem.at(bare.span));
                }
                Some(wave) => {
                    let problem = CircuitProblem::WaveStays {
                        name: path.to_string(),
                        shape: wave.word(),
                    };
                    self.problems.push(problem.warn_at(bare.span));
                    setting = Some(bare);
                }
                None => setting = Some(bare),
            }
        }
        let dc = match setting {
            Some(s) => self.number(s, role),
            None => match (&drive.dc, &wave) {
                (Some(dc), _) => dc.number,
                (None, Some(wave)) => wave.value(0.0),
                (None, None) => 0.0,
            },
        };
        let mut ac = drive.ac;
        if let Some(s) = self.settings.parameter(path, "ac") {
            ac = Some((self.number(s, role), ac.map_or(0.0, |a| a.1)));
        }
        let says_dc = setting.is_some() || drive.dc.is_some();
        let mut drive = Drive {
            dc,
            says_dc,
            ac,
            wave,
            unscaled: None,
        };
        if drive.mains_hz().is_some()
            && drive.ac.is_none()
            && let Some(setting) = self.settings.value(params::MAINS)
        {
            let percent = setting.value.number;
            if (params::LEAST_MAINS..=params::MOST_MAINS).contains(&percent) {
                drive.scale_mains(percent);
            } else {
                let problem = CircuitProblem::MainsRange {
                    found: setting.value.text.clone(),
                };
                self.problems.push(problem.at(setting.span));
            }
        }
        drive
    }

    /// A waveform with what is set of it by name.
    pub(super) fn set_wave(&mut self, path: &str, mut wave: Wave, role: Role) -> Wave {
        for &name in wave.parameters() {
            let Some(setting) = self.settings.parameter(path, name) else {
                continue;
            };
            let role = if name == "freq" {
                Role::Frequency
            } else {
                role
            };
            let value = self.number(setting, role);
            let set = if value.is_nan() {
                Err(format!("`{}` is not a number", setting.value.text))
            } else {
                wave.set(name, value)
            };
            if let Err(what) = set {
                let name = path.to_string();
                self.problems
                    .push(CircuitProblem::BadWave { name, what }.at(setting.span));
            }
        }
        wave
    }
}

/// A line's numbers as a time function, with the published defaults.
pub(super) fn wave(shape: Shape, n: &[f64], timing: Timing) -> Result<Wave, String> {
    let at = |k: usize| n.get(k).copied();
    // A zero stands for the default, as published.
    let or = |k: usize, default: f64| at(k).filter(|&x| x != 0.0).unwrap_or(default);
    let need = |k: usize, what: &str| at(k).ok_or_else(|| format!("expected {what}"));
    let positive = |x: f64, what: &str| {
        if x > 0.0 && x.is_finite() {
            Ok(x)
        } else {
            Err(format!(
                "{what} is {}, expected more than zero",
                crate::num::full(x)
            ))
        }
    };
    Ok(match shape {
        Shape::Pulse => {
            let rise = positive(or(3, timing.step_s), "the rise time")?;
            let fall = positive(or(4, timing.step_s), "the fall time")?;
            let width = positive(or(5, timing.stop_s), "the width")?;
            let period = positive(or(6, timing.stop_s.max(rise + width + fall)), "the period")?;
            if period < (rise + width + fall) * (1.0 - 1e-12) {
                return Err("the period is shorter than rise, width and fall together".into());
            }
            Wave::Pulse {
                v1: need(0, "a first value")?,
                v2: need(1, "a second value")?,
                delay: at(2).unwrap_or(0.0).max(0.0),
                rise,
                fall,
                width,
                period,
            }
        }
        Shape::Sin => Wave::Sin {
            offset: need(0, "an offset")?,
            amplitude: need(1, "an amplitude")?,
            freq_hz: positive(or(2, 1.0 / timing.stop_s), "the frequency")?,
            delay: at(3).unwrap_or(0.0),
            damping: at(4).unwrap_or(0.0),
        },
        Shape::Exp => {
            let delay1 = at(2).unwrap_or(0.0);
            Wave::Exp {
                v1: need(0, "a first value")?,
                v2: need(1, "a second value")?,
                delay1,
                tau1: positive(or(3, timing.step_s), "the rise time constant")?,
                delay2: at(4).unwrap_or(delay1 + timing.step_s),
                tau2: positive(or(5, timing.step_s), "the fall time constant")?,
            }
        }
        Shape::Pwl => {
            if n.is_empty() || n.len() % 2 == 1 {
                return Err("expected pairs of time and value".into());
            }
            let points: Vec<(f64, f64)> = n.chunks(2).map(|p| (p[0], p[1])).collect();
            if let Some(k) = points.windows(2).position(|w| w[1].0 <= w[0].0) {
                return Err(format!(
                    "times must rise: {} s does not come after {} s",
                    crate::num::full(points[k + 1].0),
                    crate::num::full(points[k].0)
                ));
            }
            Wave::Pwl(points)
        }
        Shape::Sffm => Wave::Sffm {
            offset: need(0, "an offset")?,
            amplitude: need(1, "an amplitude")?,
            carrier_hz: positive(or(2, 1.0 / timing.stop_s), "the carrier frequency")?,
            index: at(3).unwrap_or(0.0),
            signal_hz: positive(or(4, 1.0 / timing.stop_s), "the signal frequency")?,
        },
    })
}
