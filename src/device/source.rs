//! Independent sources: V and I.
//!
//! Source: the time functions of the SPICE 2G6 and SPICE 3 manuals, University
//! of California, Berkeley, section "Independent sources" (from memory).
//! Positive current flows from the + node through the source to the - node.
//!   PULSE(v1 v2 td tr tf pw per)   trapezoids
//!   SIN(vo va freq td theta)       vo + va sin(2 pi freq (t - td)) e^(-theta (t - td))
//!   EXP(v1 v2 td1 tau1 td2 tau2)   rise from td1, fall from td2
//!   PWL(t1 v1 t2 v2 ...)           straight lines
//!   SFFM(vo va fc mdi fs)          vo + va sin(2 pi fc t + mdi sin(2 pi fs t))
//! Every function is continuous, so that a transient meets corners and no jumps.

use crate::math::fun;
use std::f64::consts::TAU;
use std::ops::RangeInclusive;

/// Frequencies that mains have, Hz.
const MAINS_HZ: RangeInclusive<f64> = 40.0..=70.0;

/// A time function with all its numbers, in V or A and s.
#[derive(Debug, Clone, PartialEq)]
pub enum Wave {
    /// Trapezoids.
    Pulse {
        /// Resting value.
        v1: f64,
        /// Pulsed value.
        v2: f64,
        /// Delay, s.
        delay: f64,
        /// Rise, s, > 0.
        rise: f64,
        /// Fall, s, > 0.
        fall: f64,
        /// Width of the top, s.
        width: f64,
        /// Period, s.
        period: f64,
    },
    /// A sine that starts at a delay and may be damped.
    Sin {
        /// Offset.
        offset: f64,
        /// Amplitude.
        amplitude: f64,
        /// Hz.
        freq_hz: f64,
        /// Delay, s.
        delay: f64,
        /// Damping, 1/s.
        damping: f64,
    },
    /// Two exponentials.
    Exp {
        /// First value.
        v1: f64,
        /// Value tended to.
        v2: f64,
        /// Start of the rise, s.
        delay1: f64,
        /// Its time constant, s.
        tau1: f64,
        /// Start of the fall, s.
        delay2: f64,
        /// Its time constant, s.
        tau2: f64,
    },
    /// Corner points, times rising.
    Pwl(Vec<(f64, f64)>),
    /// A frequency-modulated sine.
    Sffm {
        /// Offset.
        offset: f64,
        /// Amplitude.
        amplitude: f64,
        /// Carrier, Hz.
        carrier_hz: f64,
        /// Modulation index.
        index: f64,
        /// Signal, Hz.
        signal_hz: f64,
    },
}

impl Wave {
    /// The value at a time in s.
    pub fn value(&self, t: f64) -> f64 {
        match *self {
            Wave::Pulse {
                v1,
                v2,
                delay,
                rise,
                fall,
                width,
                period,
            } => {
                if t <= delay {
                    return v1;
                }
                let into = (t - delay) % period;
                if into < rise {
                    v1 + (v2 - v1) * into / rise
                } else if into <= rise + width {
                    v2
                } else if into < rise + width + fall {
                    v2 + (v1 - v2) * (into - rise - width) / fall
                } else {
                    v1
                }
            }
            Wave::Sin {
                offset,
                amplitude,
                freq_hz,
                delay,
                damping,
            } => {
                let since = t - delay;
                if since <= 0.0 {
                    return offset;
                }
                let envelope = if damping == 0.0 {
                    1.0
                } else {
                    fun::exp(-damping * since)
                };
                offset + amplitude * fun::sin(TAU * freq_hz * since) * envelope
            }
            Wave::Exp {
                v1,
                v2,
                delay1,
                tau1,
                delay2,
                tau2,
            } => {
                let mut v = v1;
                if t > delay1 {
                    v += (v2 - v1) * (1.0 - fun::exp(-(t - delay1) / tau1));
                }
                if t > delay2 {
                    v += (v1 - v2) * (1.0 - fun::exp(-(t - delay2) / tau2));
                }
                v
            }
            Wave::Pwl(ref points) => {
                let after = points.partition_point(|&(at, _)| at <= t);
                match (after.checked_sub(1).map(|k| points[k]), points.get(after)) {
                    (Some((t0, v0)), Some(&(t1, v1))) => v0 + (v1 - v0) * (t - t0) / (t1 - t0),
                    (Some((_, v)), None) | (None, Some(&(_, v))) => v,
                    (None, None) => 0.0,
                }
            }
            Wave::Sffm {
                offset,
                amplitude,
                carrier_hz,
                index,
                signal_hz,
            } => {
                offset
                    + amplitude
                        * fun::sin(TAU * carrier_hz * t + index * fun::sin(TAU * signal_hz * t))
            }
        }
    }

    /// The same function with all its volts or amperes multiplied.
    pub fn scaled(&self, factor: f64) -> Wave {
        let mut wave = self.clone();
        match &mut wave {
            Wave::Pulse { v1, v2, .. } | Wave::Exp { v1, v2, .. } => {
                *v1 *= factor;
                *v2 *= factor;
            }
            Wave::Sin {
                offset, amplitude, ..
            }
            | Wave::Sffm {
                offset, amplitude, ..
            } => {
                *offset *= factor;
                *amplitude *= factor;
            }
            Wave::Pwl(points) => points.iter_mut().for_each(|p| p.1 *= factor),
        }
        wave
    }

    /// The word that a netlist writes it with.
    pub fn word(&self) -> &'static str {
        match self {
            Wave::Pulse { .. } => "PULSE",
            Wave::Sin { .. } => "SIN",
            Wave::Exp { .. } => "EXP",
            Wave::Pwl(_) => "PWL",
            Wave::Sffm { .. } => "SFFM",
        }
    }

    /// What of it can be set by name: how far it goes from where it rests, where it rests, and
    /// for what repeats how often.
    pub fn parameters(&self) -> &'static [&'static str] {
        match self {
            Wave::Pulse { .. } | Wave::Sin { .. } | Wave::Sffm { .. } => {
                &["ampl", "freq", "offset"]
            }
            Wave::Exp { .. } | Wave::Pwl(_) => &["ampl", "offset"],
        }
    }

    /// Sets one of [`parameters`](Self::parameters), in V or A, or Hz. A PULSE and an EXP rest at
    /// their first value and go to their second; a PWL rests at its first point, and its farthest
    /// point is as far away as it goes. The other numbers stay.
    ///
    /// # Errors
    /// What contradicts the other numbers, in a few words.
    pub fn set(&mut self, name: &str, value: f64) -> Result<(), String> {
        let say = crate::num::full;
        if name == "freq" && (value <= 0.0 || !value.is_finite()) {
            return Err(format!(
                "the frequency is {} Hz, expected more than zero",
                say(value)
            ));
        }
        match (self, name) {
            (Wave::Sin { amplitude, .. } | Wave::Sffm { amplitude, .. }, "ampl") => {
                *amplitude = value;
            }
            (Wave::Sin { offset, .. } | Wave::Sffm { offset, .. }, "offset") => *offset = value,
            (Wave::Sin { freq_hz, .. }, "freq") => *freq_hz = value,
            (Wave::Sffm { carrier_hz, .. }, "freq") => *carrier_hz = value,
            (Wave::Pulse { v1, v2, .. } | Wave::Exp { v1, v2, .. }, "ampl") => *v2 = *v1 + value,
            (Wave::Pulse { v1, v2, .. } | Wave::Exp { v1, v2, .. }, "offset") => {
                *v2 += value - *v1;
                *v1 = value;
            }
            (
                Wave::Pulse {
                    rise,
                    fall,
                    width,
                    period,
                    ..
                },
                "freq",
            ) => {
                let least = *rise + *fall + *width;
                if 1.0 / value < least * (1.0 - 1e-12) {
                    return Err(format!(
                        "a period of {} s is shorter than rise, width and fall together, {} s",
                        say(1.0 / value),
                        say(least)
                    ));
                }
                *period = 1.0 / value;
            }
            (Wave::Pwl(points), "offset") => {
                let moved = value - points.first().map_or(0.0, |p| p.1);
                points.iter_mut().for_each(|p| p.1 += moved);
            }
            (Wave::Pwl(points), "ampl") => {
                let rest = points.first().map_or(0.0, |p| p.1);
                let far = points.iter().map(|p| p.1 - rest);
                let far = far.fold(0.0, |a: f64, b| if b.abs() > a.abs() { b } else { a });
                if far == 0.0 {
                    return Err("a PWL that stays at one value has no amplitude to set".into());
                }
                let factor = value / far;
                points
                    .iter_mut()
                    .for_each(|p| p.1 = rest + (p.1 - rest) * factor);
            }
            _ => unreachable!("one of its parameters"),
        }
        Ok(())
    }

    /// The next corner after `t`, s: a transient must step onto it.
    pub fn next_corner(&self, t: f64) -> Option<f64> {
        // A corner this near has been reached: times are sums of rounded numbers.
        let past = t + 1e-12 * t.abs() + 1e-18;
        match *self {
            Wave::Pulse {
                delay,
                rise,
                fall,
                width,
                period,
                ..
            } => {
                let cycle = ((t - delay) / period).floor().max(0.0);
                (0..2).find_map(|more| {
                    let base = delay + (cycle + more as f64) * period;
                    [0.0, rise, rise + width, rise + width + fall]
                        .into_iter()
                        .map(|d| base + d)
                        .find(|&at| at > past)
                })
            }
            Wave::Sin { delay, .. } => (delay > past).then_some(delay),
            Wave::Exp { delay1, delay2, .. } => [delay1.min(delay2), delay1.max(delay2)]
                .into_iter()
                .find(|&at| at > past),
            Wave::Pwl(ref points) => points.iter().map(|p| p.0).find(|&at| at > past),
            Wave::Sffm { .. } => None,
        }
    }

    /// The longest step that cannot miss a cycle, s.
    pub fn longest_step(&self) -> f64 {
        match *self {
            Wave::Sin { freq_hz, .. } => 0.125 / freq_hz.abs(),
            Wave::Sffm {
                carrier_hz,
                index,
                signal_hz,
                ..
            } => 0.125 / (carrier_hz.abs() + index.abs() * signal_hz.abs()),
            _ => f64::INFINITY,
        }
    }
}

/// All that drives one source.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Drive {
    /// Value for the operating point, V or A.
    pub dc: f64,
    /// Whether the line or a setting says `DC`, so that it is not a rule that gave `dc`.
    pub says_dc: bool,
    /// Small-signal magnitude and phase (degrees), if it takes part.
    pub ac: Option<(f64, f64)>,
    /// Time function, if it has one.
    pub wave: Option<Wave>,
    /// Of mains that were scaled the peak that the line gives, V.
    pub unscaled: Option<f64>,
}

impl Drive {
    /// The frequency of a sine that may be the mains, Hz: 40 to 70 Hz, undamped, and without a DC
    /// value of its own, which is a builder's way to say what the source is worth at rest.
    pub fn mains_hz(&self) -> Option<f64> {
        match self.wave {
            Some(Wave::Sin {
                amplitude,
                freq_hz,
                damping,
                ..
            }) if !self.says_dc && amplitude != 0.0 && damping == 0.0 => {
                MAINS_HZ.contains(&freq_hz).then_some(freq_hz)
            }
            _ => None,
        }
    }

    /// Scales the mains to a percentage; whether it is the mains.
    pub fn scale_mains(&mut self, percent: f64) -> bool {
        if self.mains_hz().is_none() || self.ac.is_some() {
            return false;
        }
        if let Some(Wave::Sin { amplitude, .. }) = &mut self.wave {
            self.unscaled.get_or_insert(*amplitude);
            *amplitude *= percent / 100.0;
        }
        true
    }

    /// The value at a time, s; before 0 it stands still.
    pub fn value(&self, t: f64) -> f64 {
        self.wave.as_ref().map_or(self.dc, |w| w.value(t.max(0.0)))
    }

    /// Whether it stands still or is an undamped sine of at most a frequency, Hz.
    pub fn is_slower_than(&self, most_hz: f64) -> bool {
        match self.wave {
            None => true,
            Some(Wave::Sin {
                freq_hz, damping, ..
            }) => damping == 0.0 && freq_hz.abs() <= most_hz,
            Some(_) => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pulse_passes_through_its_corners() {
        let pulse = Wave::Pulse {
            v1: 0.0,
            v2: 2.0,
            delay: 1.0,
            rise: 1.0,
            fall: 1.0,
            width: 2.0,
            period: 10.0,
        };
        for (t, v) in [
            (0.0, 0.0),
            (1.5, 1.0),
            (3.0, 2.0),
            (4.5, 1.0),
            (6.0, 0.0),
            (11.5, 1.0),
        ] {
            assert!((pulse.value(t) - v).abs() < 1e-12, "{t}");
        }
        let mut corners = vec![];
        let mut t = 0.0;
        for _ in 0..6 {
            t = pulse.next_corner(t).unwrap();
            corners.push(t);
        }
        assert_eq!(corners, [1.0, 2.0, 4.0, 5.0, 11.0, 12.0]);
    }

    #[test]
    fn a_wave_keeps_its_other_numbers_when_one_is_set() {
        let mut pulse = Wave::Pulse {
            v1: 1.0,
            v2: 3.0,
            delay: 0.0,
            rise: 1e-3,
            fall: 1e-3,
            width: 1e-3,
            period: 1.0,
        };
        assert_eq!(pulse.set("offset", 5.0), Ok(()));
        assert_eq!((pulse.value(0.0), pulse.value(1.5e-3)), (5.0, 7.0));
        assert_eq!(pulse.set("ampl", -1.0), Ok(()));
        assert_eq!((pulse.value(0.0), pulse.value(1.5e-3)), (5.0, 4.0));
        assert!(pulse.set("freq", 1e3).unwrap_err().contains("shorter"));
        assert_eq!(pulse.set("freq", 100.0), Ok(()));
        assert_eq!(pulse.value(11.5e-3), 4.0);
        let mut line = Wave::Pwl(vec![(0.0, 1.0), (1.0, 3.0), (2.0, 0.0)]);
        assert_eq!(line.set("ampl", 4.0), Ok(()));
        assert_eq!((line.value(1.0), line.value(2.0)), (5.0, -1.0));
    }

    #[test]
    fn the_other_waves_hold_their_published_values() {
        let sin = Wave::Sin {
            offset: 1.0,
            amplitude: 2.0,
            freq_hz: 50.0,
            delay: 0.01,
            damping: 0.0,
        };
        assert_eq!(sin.value(0.0), 1.0);
        assert!((sin.value(0.015) - 3.0).abs() < 1e-12);
        let exp = Wave::Exp {
            v1: 0.0,
            v2: 1.0,
            delay1: 0.0,
            tau1: 1.0,
            delay2: 1e9,
            tau2: 1.0,
        };
        assert!((exp.value(1.0) - (1.0 - (-1f64).exp())).abs() < 1e-15);
        let pwl = Wave::Pwl(vec![(1.0, 0.0), (2.0, 4.0)]);
        assert_eq!(
            [pwl.value(0.0), pwl.value(1.25), pwl.value(9.0)],
            [0.0, 1.0, 4.0]
        );
    }
}
