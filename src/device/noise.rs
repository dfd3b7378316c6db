//! Noise currents of devices.
//!
//! ```text
//! thermal   4 k T g                 J. B. Johnson, H. Nyquist, Physical Review 32, 1928
//! shot      2 q I                   W. Schottky, Annalen der Physik 57, 1918
//! flicker   white (1 + corner/f), or kf I^af / f as in SPICE 2 and 3 (Berkeley manuals)
//! ```
//!
//! Densities are one-sided, A^2/Hz. Valves, where space charge smooths the shot noise, and
//! partition noise: B. J. Thompson, D. O. North and W. A. Harris, "Fluctuations in
//! space-charge-limited currents at moderately high frequencies", RCA Review 4 and 5,
//! 1940 and 1941; as equivalent resistances W. A. Harris, "Fluctuations in vacuum tube
//! amplifiers and input systems", RCA Review 5, 1941. All from memory:
//!
//! ```text
//! triode    Req = 2.5/gm
//! pentode   Req = Ip/(Ip + Is) (2.5/gm + 20 Is/gm^2)
//! ```
//!
//! Both follow from two currents: that of the cathode, 4 k T0 2.5 gm with T0 = 290 K and gm
//! of all electrodes together, never more than 2 q I, shared among the electrodes like the
//! current itself; and that of partition, 2 q Ip Is/(Ip + Is) from plate to screen.
//! Left out: induced grid noise (radio frequencies), microphony, hum, excess noise of
//! resistors, ion current.

/// Boltzmann's constant, J/K (CODATA 2018).
const K: f64 = 1.380649e-23;
/// Elementary charge, C (CODATA 2018).
const Q: f64 = 1.602176634e-19;
/// The temperature that equivalent noise resistances refer to, K.
const T0: f64 = 290.0;
/// Where the flicker noise of a valve meets its white noise unless the model says, Hz.
/// Oxide cathodes differ by more than ten times either way from one sample to the next
/// (common practice, no published source): a place to start from and no promise.
pub const VALVE_CORNER_HZ: f64 = 1e3;

/// A device at rest: what its law answered at the operating point.
#[derive(Debug, Clone, Copy)]
pub struct Rest<'a> {
    /// Control values.
    pub u: &'a [f64],
    /// Output currents, A.
    pub i: &'a [f64],
    /// di/du, row by row.
    pub g: &'a [f64],
    /// Degrees Celsius.
    pub celsius: f64,
}

/// A noise current, correlated with nothing else.
#[derive(Debug, Clone, PartialEq)]
pub struct Noise {
    /// `thermal`, `shot`, `grid`, `partition`.
    pub kind: &'static str,
    /// Outputs it flows through, with the part of it that does.
    pub through: Vec<(usize, f64)>,
    /// At high frequencies, A^2/Hz.
    pub white: f64,
    /// What is added at 1 Hz, A^2/Hz; it falls with 1/f.
    pub flicker: f64,
}

impl Noise {
    /// Of a conductance in siemens.
    pub fn thermal(output: usize, siemens: f64, celsius: f64) -> Self {
        Noise {
            kind: "thermal",
            through: vec![(output, 1.0)],
            white: thermal(siemens, celsius),
            flicker: 0.0,
        }
    }

    /// Of a current that comes in single electrons.
    pub fn shot(kind: &'static str, output: usize, amperes: f64) -> Self {
        Noise {
            kind,
            through: vec![(output, 1.0)],
            white: shot(amperes),
            flicker: 0.0,
        }
    }

    /// The same with flicker noise kf I^af / f.
    pub fn with_flicker(mut self, kf: f64, af: f64, amperes: f64) -> Self {
        if kf > 0.0 && amperes != 0.0 {
            self.flicker = kf * crate::math::fun::pow(amperes.abs(), af);
        }
        self
    }
}

/// 4 k T g, A^2/Hz.
pub fn thermal(siemens: f64, celsius: f64) -> f64 {
    4.0 * K * (celsius + 273.15) * siemens.abs()
}

fn shot(amperes: f64) -> f64 {
    2.0 * Q * amperes.abs()
}

/// Shot noise of a cathode smoothed by space charge, shared by electrodes with these
/// currents (output, A) and the slopes of all of them together to the grid (S); and the
/// partition noise between the first two.
pub fn space_charge(electrodes: &[(usize, f64)], gm: f64, corner_hz: f64) -> Vec<Noise> {
    let total: f64 = electrodes.iter().map(|e| e.1).sum();
    if total.is_nan() || total <= 0.0 {
        return Vec::new();
    }
    let white = (4.0 * K * T0 * 2.5 * gm.max(0.0)).min(shot(total));
    let mut found = vec![Noise {
        kind: "shot",
        through: electrodes.iter().map(|&(o, i)| (o, i / total)).collect(),
        white,
        flicker: corner_hz * white,
    }];
    if let [(first, plate), (second, screen)] = *electrodes {
        found.push(Noise {
            kind: "partition",
            through: vec![(first, 1.0), (second, -1.0)],
            white: shot(plate * screen / total),
            flicker: 0.0,
        });
    }
    found
}

/// Shot noise of a vacuum diode: 4 k 0.644 Tk g with the cathode at Tk = 1000 K (North, as
/// above), never more than 2 q I.
pub fn vacuum_diode(output: usize, amperes: f64, siemens: f64, corner_hz: f64) -> Noise {
    let white = (4.0 * K * 0.644 * 1000.0 * siemens.abs()).min(shot(amperes));
    Noise {
        kind: "shot",
        through: vec![(output, 1.0)],
        white,
        flicker: corner_hz * white,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::trial::{Sample, answer};

    fn of(law: &dyn crate::device::Law, u: &[f64]) -> (Vec<Noise>, Vec<f64>, Vec<f64>) {
        let a = answer(law, u, 0.0);
        let rest = Rest {
            u,
            i: &a.i,
            g: &a.g,
            celsius: 27.0,
        };
        (law.noise(&rest), a.i.to_vec(), a.g.to_vec())
    }

    /// Harris 1941 (from memory): the plate's noise over gm is that of 2.5/gm at 290 K.
    #[test]
    fn a_triode_has_its_equivalent_resistance() {
        let law = Sample::of("triode").law(0);
        let (found, i, g) = of(law.as_ref(), &[200.0, -1.0]);
        let shot = &found[0];
        let ohms = shot.white / (4.0 * K * T0 * g[1] * g[1]);
        assert!((ohms * g[1] / 2.5 - 1.0).abs() < 1e-12, "{ohms}");
        assert!(shot.white < 2.0 * Q * i[0], "smoothed");
        assert_eq!(shot.flicker, VALVE_CORNER_HZ * shot.white);
        // Where the slope is steep for the current nothing smooths it: 2 q I is the most.
        let found = space_charge(&[(0, 1e-6)], 1e-3, 0.0);
        assert_eq!(found[0].white, 2.0 * Q * 1e-6);
    }

    /// Harris 1941 (from memory): Ip/(Ip + Is) (2.5/gm + 20 Is/gm^2), where 20 stands for
    /// q/(2 k T0) = 20.0, and gm is the plate's; exact where the screen's slope goes with its
    /// current.
    #[test]
    fn a_pentode_adds_partition_noise() {
        let (plate, screen, gm) = (10e-3, 2e-3, 5e-3);
        let all = gm * (plate + screen) / plate;
        let found = space_charge(&[(0, plate), (1, screen)], all, 0.0);
        let at_plate: f64 = found
            .iter()
            .map(|n| n.white * n.through[0].1 * n.through[0].1)
            .sum();
        let ohms = at_plate / (4.0 * K * T0 * gm * gm);
        let expected = plate / (plate + screen) * (2.5 / gm + 20.0 * screen / (gm * gm));
        assert!((ohms / expected - 1.0).abs() < 2e-3, "{ohms} {expected}");
        // What leaves one electrode arrives at the other: the cathode knows no partition.
        assert_eq!(found[1].through.iter().map(|t| t.1).sum::<f64>(), 0.0);
    }

    /// A junction at 1 mA: 2 q I is half the thermal noise of its slope q I/(k T).
    #[test]
    fn a_diode_has_half_the_noise_of_its_slope() {
        let law = Sample::of("d").law(0);
        let (found, _, g) = of(law.as_ref(), &[0.65]);
        let ratio = found[0].white / thermal(g[0], 27.0);
        assert!((ratio - 0.5).abs() < 1e-6, "{ratio}");
    }

    #[test]
    fn every_law_of_the_registry_answers_without_nonsense() {
        for sample in crate::device::sets::samples() {
            for part in sample.device().parts {
                let crate::device::Part::Law { law, .. } = part else {
                    continue;
                };
                for volts in [-50.0, -0.5, 0.0, 0.6, 30.0, 300.0] {
                    let u = vec![volts; law.controls()];
                    for noise in of(law.as_ref(), &u).0 {
                        let name = sample.kind.name;
                        assert!(noise.white >= 0.0 && noise.white.is_finite(), "{name}");
                        assert!(noise.flicker >= 0.0 && noise.flicker.is_finite(), "{name}");
                        assert!(noise.through.iter().all(|t| t.0 < law.outputs()), "{name}");
                        assert!(noise.through.iter().all(|t| t.1.is_finite()), "{name}");
                    }
                }
            }
        }
    }
}
