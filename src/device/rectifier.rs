//! Vacuum rectifier with two plates and one cathode.
//!
//! Source: the three-halves-power law of Child (1911) and Langmuir (1913) for each plate,
//! rounded off at zero volts like the grid current of Dempwolf and Zoelzer, DAFx-11, 2011
//! (both from memory).
//!
//! Terminals plate1, plate2, cathode; each current flows in at its plate and out at the
//! cathode; volts, amperes. For each plate:
//!
//! ```text
//! i = perv (ln(1 + exp(cs v))/cs)^ex
//! di/dv = ex i / (ln(1 + exp(cs v))/cs) / (1 + exp(-cs v))
//! ```
//!
//! At 0 V this leaves perv (ln 2/cs)^ex, some microamperes, as emission does in truth.
//! Overflow: `fun::softplus`; beyond `damping::REACH` the law stands still.
//!
//! Fit `perv` from the data sheet's drop: 5Y3GT-like, 125 mA at 50 V: 125e-3/50^1.5 = 3.5e-4.
//! Valid for: plates below emission saturation. Left out: saturation, warming up, sparks.
//! A valve with one plate ties both plates together and halves perv.

use super::kind::{Device, Given, Kind, Param, Part, Pin, Readout};
use super::law::{Answer, Law};
use super::role::DeviceRole;
use crate::device::base;
use crate::device::damping;
use crate::device::noise::{self, Noise, Rest};
use crate::device::valve;
use crate::math::fun;

const PARAMS: &[Param] = &[
    Param::required("perv", "perveance of one plate", "A/V^ex", 1e-9..=1e3),
    Param::new("ex", "exponent", "1", 1.5, 1.0..=3.0),
    Param::new("cs", "sharpness at zero volts", "1/V", 20.0, 0.1..=1e3),
    Param::new("pivmax", "inverse voltage, most", "V", f64::NAN, 0.0..=1e6),
    Param::new(
        "ipmax",
        "peak plate current, most",
        "A",
        f64::NAN,
        0.0..=1e3,
    ),
    Param::new("idcmax", "direct current, most", "A", f64::NAN, 0.0..=1e3),
    Param::new("cmax", "first capacitor, most", "F", f64::NAN, 0.0..=1.0),
    Param::new(
        "rsmin",
        "resistance before each plate, least",
        "ohm",
        f64::NAN,
        0.0..=1e6,
    ),
    valve::VHKMAX,
    base::BASE,
    base::VH,
    base::IH,
];

/// The rectifier valve.
pub const KIND: Kind = Kind {
    name: "rectifier",
    letter: 'X',
    title: "vacuum rectifier, two plates",
    terminals: &["plate1", "plate2", "cathode"],
    role: DeviceRole::RectifierValve,
    dc_paths: &[(0, 2), (1, 2)],
    optional: 0,
    model_params: PARAMS,
    instance_params: &[],
    build,
};

fn build(given: &Given<'_>) -> Device {
    let plate = |n: usize| {
        let port = vec![(Pin::T(n), Pin::T(2))];
        Part::Law {
            controls: port.clone(),
            outputs: port,
            law: Box::new(Plate {
                perv: given.model("perv"),
                ex: given.model("ex"),
                cs: given.model("cs"),
            }),
        }
    };
    Device {
        parts: vec![plate(0), plate(1)],
        readings: vec![
            Readout {
                name: "plate 1 current",
                output: (0, 0),
            },
            Readout {
                name: "plate 2 current",
                output: (1, 0),
            },
        ],
        limits: given.limits(&[
            ("pivmax", "inverse voltage"),
            ("ipmax", "peak plate current"),
            ("idcmax", "direct current"),
            ("cmax", "reservoir"),
            ("vhkmax", "heater-cathode voltage"),
        ]),
        needs: given.limits(&[("rsmin", "source resistance")]),
        ..Device::default()
    }
}

/// Control v plate to cathode; output the plate's current.
#[derive(Debug)]
struct Plate {
    perv: f64,
    ex: f64,
    cs: f64,
}

impl Law for Plate {
    fn controls(&self) -> usize {
        1
    }

    fn outputs(&self) -> usize {
        1
    }

    #[inline]
    fn answer(&self, u: &[f64], _memory: f64, out: &mut Answer<'_>) {
        damping::bounded(u, out, |u, out| {
            let (soft, slope) = fun::softplus(self.cs * u[0]);
            let drive = soft / self.cs;
            // The quotient may vanish before `soft` does.
            if drive > 0.0 {
                let i = self.perv * fun::power(drive, self.ex);
                out.i[0] = i;
                out.g[0] = self.ex * i / drive * slope;
            }
        });
    }

    fn noise(&self, rest: &Rest<'_>) -> Vec<Noise> {
        let corner = noise::VALVE_CORNER_HZ;
        vec![noise::vacuum_diode(0, rest.i[0], rest.g[0], corner)]
    }
}

#[cfg(test)]
mod tests {
    use crate::device::trial::{Sample, answer};

    /// Child's law: eight times the current at four times the voltage (from memory).
    #[test]
    fn current_follows_the_three_halves_power() {
        let law = Sample::of("rectifier").model("perv", 3.5e-4).law(0);
        let i = |v: f64| answer(law.as_ref(), &[v], 0.0).i[0];
        assert!((i(80.0) / i(20.0) - 8.0).abs() < 1e-9);
        assert!((i(50.0) - 3.5e-4 * 50f64.powf(1.5)).abs() < 1e-9);
    }

    #[test]
    fn almost_nothing_flows_backward() {
        let law = Sample::of("rectifier").model("perv", 3.5e-4).law(0);
        assert!(answer(law.as_ref(), &[-1.0], 0.0).i[0] < 1e-15);
        assert_eq!(answer(law.as_ref(), &[-1400.0], 0.0).i[0], 0.0);
        assert!(answer(law.as_ref(), &[0.0], 0.0).i[0] < 5e-6);
    }

    /// On its way down the law passes the smallest numbers there are.
    #[test]
    fn the_backward_current_dies_away_in_numbers() {
        let law = Sample::of("rectifier").model("perv", 3.5e-4).law(0);
        for k in 0..=2_000_000 {
            let volts = -1e-3 * f64::from(k);
            let a = answer(law.as_ref(), &[volts], 0.0);
            assert!(
                a.i[0].is_finite() && a.g[0].is_finite(),
                "{a:?} at {volts} V"
            );
        }
    }
}
