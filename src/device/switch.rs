//! Switches worked by a voltage (S) or by the current of a source (W).
//!
//! Source: the SPICE 3 user's guide (Berkeley, 1993; from memory) names ron, roff,
//! threshold and hysteresis; its abrupt change is smoothed here.
//!
//! Terminals a, b and the control. Current flows in at a and out at b; x is the control
//! (V or A), `on` and `off` are 1/ron and 1/roff:
//!
//! ```text
//! i = g(x) v(a,b)            g = off (on/off)^h(s),  h = 3 s^2 - 2 s^3
//! s = (x - centre)/band + 1/2, held within 0..1
//! centre = vt + vh while off, vt - vh while on
//! ```
//!
//! The band is 1 % of |vt| and at least 10 mV (S), 1 % of |it| and at least 10 uA (W).
//! Derivatives: dg/dx = g ln(on/off) 6 s (1 - s)/band; continuous at both edges.
//!
//! Memory: 0 off, 1 on. At rest, and where the hysteresis is narrower than the band, it flips once
//! x has crossed the whole band of its state, where both states give the same conductance, so
//! nothing jumps. On the move a switch with more hysteresis flips as soon as x enters the band (half
//! a band early): one that pulls its own control back would otherwise come to rest within the band
//! and a relaxation oscillator never fire.
//!
//! W: a law knows no branch currents, so the parts of a `csw` carry the current as the
//! voltage between its last two terminals, 1 V for 1 A; [`SwitchLaw`] is public so that the
//! circuit can put the branch current itself in the place of the second control.
//!
//! Valid for: ron < roff or the other way round. Left out: bounce, capacitance.

use super::kind::{Device, Given, Kind, Param, Part, Pin};
use super::law::{Answer, Law};
use super::role::DeviceRole;
use crate::device::damping;
use crate::device::noise::{Noise, Rest};
use crate::math::fun;

const RON: Param = Param::new("ron", "resistance when on", "ohm", 1.0, 1e-9..=1e15);
const ROFF: Param = Param::new("roff", "resistance when off", "ohm", 1e12, 1e-9..=1e15);
const ON: &[Param] = &[Param::new(
    "on",
    "initial state: 1 on, 0 off",
    "1",
    f64::NAN,
    0.0..=1.0,
)];

/// The voltage-controlled switch.
pub const VOLTAGE: Kind = Kind {
    name: "sw",
    letter: 'S',
    title: "voltage-controlled switch",
    terminals: &["a", "b", "control+", "control-"],
    role: DeviceRole::Switch,
    dc_paths: &[(0, 1)],
    optional: 0,
    model_params: &[
        RON,
        ROFF,
        Param::new("vt", "threshold", "V", 0.0, -1e6..=1e6),
        Param::new("vh", "half the hysteresis", "V", 0.0, 0.0..=1e6),
    ],
    instance_params: ON,
    build: |given| build(given, SwitchLaw::by_voltage(given)),
};

/// The current-controlled switch; see the head of the file for its last two terminals.
pub const CURRENT: Kind = Kind {
    name: "csw",
    letter: 'W',
    title: "current-controlled switch",
    terminals: &["a", "b", "current+", "current-"],
    role: DeviceRole::Switch,
    dc_paths: &[(0, 1)],
    optional: 0,
    model_params: &[
        RON,
        ROFF,
        Param::new("it", "threshold", "A", 0.0, -1e6..=1e6),
        Param::new("ih", "half the hysteresis", "A", 0.0, 0.0..=1e6),
    ],
    instance_params: ON,
    build: |given| build(given, SwitchLaw::by_current(given)),
};

fn build(given: &Given<'_>, law: SwitchLaw) -> Device {
    Device {
        parts: vec![Part::Law {
            controls: vec![(Pin::T(0), Pin::T(1)), (Pin::T(2), Pin::T(3))],
            outputs: vec![(Pin::T(0), Pin::T(1))],
            law: Box::new(law),
        }],
        // Silence means off: then the operating point decides.
        memory: if given.instance("on") >= 0.5 {
            1.0
        } else {
            0.0
        },
        ..Device::default()
    }
}

/// A conductance between a and b that depends on one control.
/// Controls: v(a,b) in V, x in V or A; output: the current from a to b in A.
#[derive(Debug, Clone)]
pub struct SwitchLaw {
    off: f64,
    /// At the other edge of the band.
    on: f64,
    ln_ratio: f64,
    threshold: f64,
    hysteresis: f64,
    band: f64,
}

impl SwitchLaw {
    /// The law of an S element; x in volts.
    pub fn by_voltage(given: &Given<'_>) -> Self {
        Self::new(given, "vt", "vh", 10e-3)
    }

    /// The law of a W element; x in amperes.
    pub fn by_current(given: &Given<'_>) -> Self {
        Self::new(given, "it", "ih", 10e-6)
    }

    fn new(given: &Given<'_>, threshold: &str, hysteresis: &str, least: f64) -> Self {
        let threshold = given.model(threshold);
        let off = 1.0 / given.model("roff");
        let ln_ratio = fun::ln(given.model("roff") / given.model("ron"));
        SwitchLaw {
            off,
            on: off * fun::exp(ln_ratio),
            ln_ratio,
            threshold,
            hysteresis: given.model(hysteresis),
            band: (0.01 * threshold.abs()).max(least),
        }
    }

    /// Middle of the band in a state.
    fn centre(&self, memory: f64) -> f64 {
        if memory >= 0.5 {
            self.threshold - self.hysteresis
        } else {
            self.threshold + self.hysteresis
        }
    }

    /// Place in the band: 0 and 1 are its edges.
    fn place(&self, x: f64, memory: f64) -> f64 {
        (x - self.centre(memory)) / self.band + 0.5
    }

    /// Conductance and its derivative to the control.
    fn conductance(&self, x: f64, memory: f64) -> (f64, f64) {
        let s = self.place(x, memory).clamp(0.0, 1.0);
        // Mostly it rests, and an exponential would be half the cost of answering.
        if s == 0.0 || s == 1.0 {
            return (if s == 0.0 { self.off } else { self.on }, 0.0);
        }
        let g = self.off * fun::exp(self.ln_ratio * s * s * (3.0 - 2.0 * s));
        (g, g * self.ln_ratio * 6.0 * s * (1.0 - s) / self.band)
    }
}

impl Law for SwitchLaw {
    fn controls(&self) -> usize {
        2
    }

    fn outputs(&self) -> usize {
        1
    }

    fn answer(&self, u: &[f64], memory: f64, out: &mut Answer<'_>) {
        damping::bounded(u, out, |u, out| {
            let (g, slope) = self.conductance(u[1], memory);
            out.i[0] = g * u[0];
            out.g[0] = g;
            out.g[1] = slope * u[0];
        });
    }

    fn noise(&self, rest: &Rest<'_>) -> Vec<Noise> {
        vec![Noise::thermal(0, rest.g[0], rest.celsius)]
    }

    fn bent_by(&self) -> Option<usize> {
        Some(1)
    }

    /// A leap over the band stops at its middle first; out of the band a quarter at a time.
    /// Otherwise a switch inside a loop would be on and off in turn and Newton never see why.
    fn damp(&self, u: &mut [f64], last: &[f64], memory: f64) {
        let (from, to) = (self.place(last[1], memory), self.place(u[1], memory));
        let at = |s: f64| self.centre(memory) + (s - 0.5) * self.band;
        if (0.0..=1.0).contains(&from) {
            if (to - from).abs() > 0.25 {
                u[1] = at(from + 0.25_f64.copysign(to - from));
            }
        } else if (from < 0.0) != (to < 0.5) {
            u[1] = at(0.5);
        }
    }

    fn remembers(&self) -> bool {
        true
    }

    fn next_memory(&self, u: &[f64], memory: f64) -> f64 {
        let s = self.place(u[1], memory);
        if 2.0 * self.hysteresis >= self.band {
            return match (memory < 0.5, s) {
                (true, s) if s > 0.0 => 1.0,
                (false, s) if s < 1.0 => 0.0,
                _ => memory,
            };
        }
        self.next_memory_at_rest(u, memory)
    }

    fn next_memory_at_rest(&self, u: &[f64], memory: f64) -> f64 {
        let s = self.place(u[1], memory);
        if memory < 0.5 && s >= 1.0 {
            1.0
        } else if memory >= 0.5 && s <= 0.0 {
            0.0
        } else {
            memory
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::device::trial::{Bench, Sample, answer};

    fn switch() -> Sample {
        Sample::of("sw")
            .model("vt", 2.0)
            .model("vh", 0.5)
            .model("ron", 10.0)
            .model("roff", 1e9)
    }

    /// SPICE 3 user's guide (from memory): on above vt + vh, off below vt - vh.
    #[test]
    fn it_turns_on_and_off_at_its_two_thresholds() {
        let law = switch().law(0);
        let ohms = |x: f64, memory: f64| 1.0 / answer(law.as_ref(), &[1.0, x], memory).i[0];
        let near = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-9;
        assert!(near(ohms(2.45, 0.0), 1e9) && near(ohms(2.55, 0.0), 10.0));
        assert!(near(ohms(1.55, 1.0), 10.0) && near(ohms(1.45, 1.0), 1e9));
        assert!(near(ohms(2.5, 0.0), 1e5), "log-middle of the band");
    }

    #[test]
    fn conductance_is_continuous_through_the_flip() {
        for (from, x) in [(0.0, 2.5 + 0.5 * 0.02), (1.0, 1.5 - 0.5 * 0.02)] {
            let law = switch().law(0);
            let x: f64 = x;
            let beyond = x + if from == 0.0 { 1e-12 } else { -1e-12 };
            let to = law.next_memory(&[0.0, beyond], from);
            assert_ne!(from, to);
            let a = answer(law.as_ref(), &[1.0, beyond], from);
            let b = answer(law.as_ref(), &[1.0, beyond], to);
            assert!((a.i[0] / b.i[0] - 1.0).abs() < 1e-9);
            assert_eq!(
                law.next_memory(&[0.0, 2.0], from),
                from,
                "between them it stays"
            );
        }
    }

    #[test]
    fn a_leap_stops_in_the_band_and_gets_out_of_it_again() {
        let law = switch().law(0);
        let mut last = vec![0.0, 0.0];
        for steps in 1.. {
            let mut u = vec![0.0, 10.0];
            law.damp(&mut u, &last, 0.0);
            if steps == 1 {
                assert!((u[1] - 2.5).abs() < 1e-12);
            }
            last = u;
            if last[1] == 10.0 {
                break;
            }
            assert!(steps < 6);
        }
    }

    #[test]
    fn the_state_it_wakes_up_in_is_on_the_statement() {
        assert_eq!(switch().device().memory, 0.0);
        assert_eq!(switch().instance("on", 1.0).device().memory, 1.0);
    }

    /// A switch that pulls its own control down rests inside its band; plain Newton finds it.
    #[test]
    fn a_switch_inside_its_own_loop_settles_in_the_band() {
        let mut bench = Bench::new(1);
        bench.source(0, 5.0, 1e3);
        let own = Sample::of("sw").model("vt", 2.0).model("roff", 1e6);
        bench.device(own.device(), &[Some(0), None, Some(0), None]);
        let (v, steps) = bench.solve();
        assert!((1.99..2.01).contains(&v[0]), "{v:?}");
        assert!(steps < 40, "{steps} steps");
    }

    #[test]
    fn the_current_switch_has_its_own_band() {
        let law = Sample::of("csw").model("it", 1e-3).law(0);
        let g = |x: f64| answer(law.as_ref(), &[1.0, x], 0.0).i[0];
        assert!(g(0.99e-3) < 1.1e-12 && (g(1.01e-3) - 1.0).abs() < 1e-9);
    }
}
