//! Mains that are not what the supply is made for, or that nothing is solved with.

use super::finding::{Finding, show};
use crate::analysis::mains::{self, AtRest, Mains};
use crate::circuit::{Circuit, Element};
use crate::device::role::DeviceRole;
use std::f64::consts::SQRT_2;

/// How far the mains may be from what a primary is wound for, and its flux above what its core is made for (common
/// practice, no published source: mains keep within 10 %).
const OFF: f64 = 0.15;
/// A sine written by its rms in place of its peak is this part of it, more or less.
const BY_RMS: std::ops::Range<f64> = 0.65..0.76;

/// Sines that feed a supply and are left at rest: it is judged without them.
pub(super) fn unfed(circuit: &Circuit, mains: Option<&Mains>) -> Vec<Finding> {
    let found = mains::unfed(circuit, mains).into_iter();
    let told = found.map(|source| {
        let volts = show(source.peak_v, "V");
        let why = match source.why {
            AtRest::Dc => "its line or `--set` gives a DC value; leave that out".to_string(),
            AtRest::Ac => "its line gives an AC value, as a signal's does; leave that out".to_string(),
            AtRest::Damped => "it dies away".to_string(),
            AtRest::Frequency(hz) => match mains {
                Some(mains) => format!("it has {} and the mains {}", show(hz, "Hz"), show(mains.freq_hz, "Hz")),
                None => format!("the mains have 40 to 70 Hz, and it has {}", show(hz, "Hz")),
            },
        };
        Finding {
            subject: source.name,
            quantity: "current",
            text: format!(
                "a sine of {volts} that is not taken as the mains: all that it feeds is judged without it ({why})"
            ),
            grave: true,
        }
    });
    told.collect()
}

/// What is wrong with a circuit's mains, before anything is solved.
pub fn supply(circuit: &Circuit) -> Vec<Finding> {
    let mains = mains::find(circuit);
    let mut found = unfed(circuit, mains.as_ref());
    found.extend(misfits(circuit, mains.as_ref()));
    found
}

/// Mains transformers on other mains than they are made for.
pub(super) fn misfits(circuit: &Circuit, mains: Option<&Mains>) -> Vec<Finding> {
    let Some(mains) = mains else {
        return Vec::new();
    };
    let all = circuit.elements.iter();
    let transformers = all.filter(|e| e.role() == Some(DeviceRole::MainsTransformer));
    transformers
        .filter_map(|element| {
            let text = misfit(circuit, mains, element)?;
            Some(Finding {
                subject: element.name.clone(),
                quantity: "primary rms current",
                text,
                grave: true,
            })
        })
        .collect()
}

fn misfit(circuit: &Circuit, mains: &Mains, element: &Element) -> Option<String> {
    let volts = element.needed("primary voltage")?;
    let hz = element.needed("mains frequency")?;
    let peak = mains::primary_peak(circuit, mains, element)?;
    let rms = peak / SQRT_2;
    let part = rms / volts;
    let flux = part * hz / mains.freq_hz;
    if (1.0 - OFF..=1.0 + OFF).contains(&part) && flux <= 1.0 + OFF {
        return None;
    }
    let is = format!(
        "the mains are {} rms at {}, its primary is wound for {} at {}",
        show(rms, "V"),
        show(mains.freq_hz, "Hz"),
        show(volts, "V"),
        show(hz, "Hz")
    );
    Some(match part {
        _ if BY_RMS.contains(&part) => format!(
            "{is}: SIN takes the peak, {} for {} rms",
            show(volts * SQRT_2, "V"),
            show(volts, "V")
        ),
        _ if flux > 1.0 + OFF => {
            format!("{is}: its core carries {flux:.2} times the flux that it is made for")
        }
        _ => is,
    })
}
