//! The composite characteristic of a push-pull pair: what `--pair` adds.

use super::super::failure::Failure;
use crate::circuit::Circuit;
use crate::measure::composite::{Full, Member, Pair};
use crate::measure::load_line::{self, State};
use crate::num;

/// Points of a characteristic.
pub(super) const POINTS: usize = 200;

/// A pair as it is shown. Volts are those of the asked valve's plate against its cathode.
pub struct Pushed {
    /// The asked valve and those in parallel, and those against them.
    pub names: (String, String),
    /// From plate to plate, ohm.
    pub raa_ohm: f64,
    /// Signal on the grids, then plate volts and difference of the currents.
    pub curves: Vec<(f64, Vec<(f64, f64)>)>,
    /// The load, plate volts and difference of the currents.
    pub load: Vec<(f64, f64)>,
    /// With the grids driven to their cathodes.
    pub full: Option<Full>,
    /// Volts of the asked valve's grid at rest.
    pub vgk: f64,
    /// Plate volts of the two at rest.
    pub rest: (f64, f64),
    /// Most volts and amperes of the plot.
    pub edges: (f64, f64),
    /// Each valve by itself along the load: plate volts of the asked one, current (the other's
    /// counts down).
    pub paths: [Vec<(f64, f64)>; 2],
    /// Characteristics of the asked valve and of the one against it, each by itself, over all of
    /// the plot.
    pub alone: [Vec<Vec<State>>; 2],
    /// Dissipation limits of the two.
    pub most_w: [Option<f64>; 2],
}

/// Composite curves to each side of the one at rest.
const SIDE: f64 = 4.0;
/// Beyond the drive that brings the grids to their cathodes.
const BEYOND: f64 = 1.0;

/// Finds the pair of a valve and what it does; `grids` and `vsk` are the grid volts of its
/// characteristics and the screen volts.
///
/// # Errors
/// If there is none.
pub fn find(
    circuit: &Circuit,
    valve: &str,
    freq_hz: f64,
    (grids, vsk): (&[f64], f64),
) -> Result<Pushed, Failure> {
    let pair = Pair::find(circuit, valve, freq_hz)?.ok_or_else(|| {
        Failure::usage(format!("`{valve}` is not one of a push-pull pair")).hint(
            "--pair takes a valve whose plate swings against another's, as at the two ends of an \
             output transformer",
        )
    })?;
    let (rest_a, rest_b) = (pair.with[0].rest, pair.against[0].rest);
    let full = pair.full();
    let reach = full.map_or(0.5 * rest_a.vpk, |f| f.grid);
    let step = load_line::round_up(reach / SIDE);
    let most = (BEYOND * reach / step).ceil() as i32;
    let (low, high) = pair.reach();
    let swing = |k: usize| low + (high - low) * k as f64 / POINTS as f64;
    let curve = |e: f64| {
        let all = (0..=POINTS).map(|k| (rest_a.vpk + swing(k), pair.net(e, swing(k))));
        (e, all.collect::<Vec<_>>())
    };
    let curves: Vec<_> = (-most..=most).map(|k| curve(f64::from(k) * step)).collect();
    let standing = pair.net(0.0, 0.0);
    let at = |k: usize| {
        let v = swing(k);
        (rest_a.vpk + v, standing - v / pair.load_ohm())
    };
    let driven: Vec<(f64, f64, f64)> = (0..=POINTS)
        .map(|k| {
            let e = reach * (2.0 * k as f64 / POINTS as f64 - 1.0);
            let (v, _) = pair.at_load(e);
            let sum = |members: &[Member<'_>], sign: f64| -> f64 {
                members.iter().map(|m| m.at(sign * e, sign * v).plate).sum()
            };
            (v, sum(&pair.with, 1.0), sum(&pair.against, -1.0))
        })
        .collect();
    let crest = driven.iter().map(|d| d.1.max(d.2)).fold(0.0, f64::max);
    let amperes = load_line::round_up(1.25 * crest.max(full.map_or(0.0, |f| f.amperes)));
    let names = |side: &[Member<'_>]| {
        let all: Vec<&str> = side.iter().map(|m| m.name.as_str()).collect();
        all.join(" and ")
    };
    let edge = load_line::round_up(rest_a.vpk + rest_b.vpk);
    let alone = [&pair.with[0], &pair.against[0]].map(|member| {
        let volts = |k: usize| edge * k as f64 / POINTS as f64;
        let curve = |&vgk: &f64| {
            let points = (0..=POINTS).map(|k| member.device.at(vgk, volts(k), vsk));
            points.collect()
        };
        grids.iter().map(curve).collect()
    });
    Ok(Pushed {
        alone,
        names: (names(&pair.with), names(&pair.against)),
        raa_ohm: pair.raa_ohm,
        curves,
        load: (0..=POINTS).map(at).collect(),
        full,
        vgk: rest_a.vgk,
        rest: (rest_a.vpk, rest_b.vpk),
        edges: (edge, amperes),
        paths: [
            driven.iter().map(|d| (rest_a.vpk + d.0, d.1)).collect(),
            driven.iter().map(|d| (rest_a.vpk + d.0, -d.2)).collect(),
        ],
        most_w: [&pair.with, &pair.against].map(|side| {
            let watts = side[0].device.most_w?;
            Some(watts * side.len() as f64)
        }),
    })
}

/// What the chart says of it.
pub fn printed(pair: &Pushed) -> String {
    let show = |v: f64, unit: &str| num::engineering(v, unit, 4);
    let mut text = format!(
        "  pair         {} against {}, {} from plate to plate\n  composite    load {}\n",
        pair.names.0,
        pair.names.1,
        show(pair.raa_ohm, "Ω"),
        show(pair.raa_ohm / 4.0, "Ω"),
    );
    if let Some(full) = pair.full {
        text += &format!(
            "  full drive   {} peak on each grid, to the cathode: {} and {} peak, {} into the primary\n",
            show(full.grid, "V"),
            show(full.plate, "V"),
            show(full.amperes, "A"),
            show(full.watts, "W"),
        );
    }
    text
}

/// Its part of the JSON.
pub fn record(pair: &Pushed) -> serde_json::Value {
    let curve = |(e, list): &(f64, Vec<(f64, f64)>)| serde_json::json!({ "signal_volts": e, "points": list });
    serde_json::json!({
        "with": pair.names.0,
        "against": pair.names.1,
        "plate_to_plate_ohm": pair.raa_ohm,
        "load_ohm": pair.raa_ohm / 4.0,
        "full_drive": pair.full.map(|f| serde_json::json!({
            "grid_peak_v": f.grid, "plate_peak_v": f.plate, "peak_a": f.amperes, "watts": f.watts,
        })),
        "composite": pair.curves.iter().map(curve).collect::<Vec<_>>(),
    })
}
