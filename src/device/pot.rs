//! Potentiometer with a taper.
//!
//! Source: the exponential taper is common practice and
//! stands for the two straight pieces that makers print; no published source.
//!
//! Terminals top, wiper, bottom. The knob runs 0..10; with x = knob/10 the fraction of the
//! track between bottom and wiper is
//!
//! ```text
//! linear   f(x) = x
//! audio    f(x) = (b^x - 1)/(b - 1)
//! reverse  f(x) = 1 - audio(1 - x)
//! ```
//!
//! b follows from the fraction `mid` at half way: (b^0.5 - 1)/(b - 1) = 1/(b^0.5 + 1) = mid,
//! so b = ((1 - mid)/mid)^2; at mid = 0.5 the audio taper is the linear one. Bottom to wiper
//! is r f, wiper to top r (1 - f), each at least 1 ohm, as the end of a real track.

use super::kind::{Device, Given, Kind, Param, Part, Pin};
use super::role::DeviceRole;
use crate::math::fun;

/// Tapers, as on the model's line.
const TAPERS: &[&str] = &["linear", "audio", "reverse"];

const PARAMS: &[Param] = &[
    Param::required("r", "resistance of the track", "ohm", 1.0..=1e12),
    Param::words("taper", "law of the track", TAPERS, 0),
    Param::new(
        "mid",
        "fraction at half way, audio and reverse",
        "1",
        0.15,
        1e-3..=0.999,
    ),
];

const INSTANCE: &[Param] = &[Param::new("knob", "position", "1", 5.0, 0.0..=10.0)];

/// The potentiometer.
pub const KIND: Kind = Kind {
    name: "pot",
    letter: 'X',
    title: "potentiometer",
    terminals: &["top", "wiper", "bottom"],
    role: DeviceRole::Pot,
    dc_paths: &[(0, 1), (1, 2)],
    optional: 0,
    model_params: PARAMS,
    instance_params: INSTANCE,
    build,
};

/// What remains at the end of a track, ohm.
const END: f64 = 1.0;

fn build(given: &Given<'_>) -> Device {
    let (low, high) = Track::of(given).halves(given.instance("knob"));
    Device {
        parts: vec![
            Part::Resistance(Pin::T(1), Pin::T(2), low),
            Part::Resistance(Pin::T(0), Pin::T(1), high),
        ],
        ..Device::default()
    }
}

/// A pot's track: what the knob's position makes of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Track {
    ohms: f64,
    taper: usize,
    mid: f64,
}

impl Track {
    /// The track of a pot's model.
    pub fn of(given: &Given<'_>) -> Self {
        Track {
            ohms: given.model("r"),
            taper: given.model("taper") as usize,
            mid: given.model("mid"),
        }
    }

    /// Ohms of the whole track.
    pub fn ohms(&self) -> f64 {
        self.ohms
    }

    /// Its taper in a word, as on the model's line.
    pub fn taper(&self) -> &'static str {
        TAPERS[self.taper]
    }

    /// Ohms from bottom to wiper and from wiper to top, with the knob at 0..=10.
    pub fn halves(&self, knob: f64) -> (f64, f64) {
        let (r, x, mid) = (self.ohms, knob / 10.0, self.mid);
        // The rest is worked out on its own, not as 1 - f, so that both ends are exact.
        let (f, rest) = match self.taper {
            0 => (x, 1.0 - x),
            1 => (audio(x, mid), 1.0 - audio(x, mid)),
            _ => (1.0 - audio(1.0 - x, mid), audio(1.0 - x, mid)),
        };
        ((r * f).max(END), (r * rest).max(END))
    }
}

/// The audio taper at x in 0..=1.
fn audio(x: f64, mid: f64) -> f64 {
    let ln_b = 2.0 * fun::ln((1.0 - mid) / mid);
    // Where b is 1 the quotient is 0/0 and its limit is x.
    if ln_b.abs() < 1e-9 {
        x
    } else {
        fun::exp_m1(x * ln_b) / fun::exp_m1(ln_b)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::trial::Sample;

    /// Bottom to wiper and wiper to top, in ohms.
    fn halves(taper: f64, mid: f64, knob: f64) -> (f64, f64) {
        let device = Sample::of("pot")
            .model("r", 1e6)
            .model("taper", taper)
            .model("mid", mid)
            .instance("knob", knob)
            .device();
        match device.parts[..] {
            [Part::Resistance(_, _, low), Part::Resistance(_, _, high)] => (low, high),
            _ => panic!("a pot is two resistances"),
        }
    }

    #[test]
    fn one_ohm_remains_at_the_ends() {
        for taper in [0.0, 1.0, 2.0] {
            assert_eq!(halves(taper, 0.15, 0.0), (1.0, 1e6));
            assert_eq!(halves(taper, 0.15, 10.0), (1e6, 1.0));
        }
    }

    #[test]
    fn half_way_is_what_mid_says() {
        let near = |a: f64, b: f64| (a - b).abs() < 1e-6 * b;
        assert!(near(halves(0.0, 0.15, 5.0).0, 500e3));
        assert!(near(halves(1.0, 0.15, 5.0).0, 150e3));
        assert!(near(halves(1.0, 0.1, 5.0).0, 100e3));
        assert!(near(halves(2.0, 0.15, 5.0).0, 850e3));
        assert!(near(halves(2.0, 0.15, 5.0).1, 150e3));
    }

    /// The contract's formula with b = 81 for mid = 0.1, at x = 0.7, by hand: b^0.7 = 3^2.8.
    #[test]
    fn the_audio_taper_is_the_contracts() {
        let expected = 1e6 * (3f64.powf(2.8) - 1.0) / 80.0;
        assert!((halves(1.0, 0.1, 7.0).0 - expected).abs() < 1e-3);
        // Half and half is linear.
        assert!((halves(1.0, 0.5, 3.0).0 - 300e3).abs() < 1e-3);
        assert!((halves(1.0, 0.5 + 1e-7, 3.0).0 - 300e3).abs() < 1.0);
    }
}
