//! The composite characteristic of a push-pull pair: what `--pair` adds.

use super::super::failure::Failure;
use super::super::plane::plane;
use super::drawn;
use super::{CAUTION, Findings, POINTS};
use crate::circuit::Circuit;
use crate::measure::composite::{Full, Member, Pair};
use crate::measure::load_line::{self, Device, State};
use crate::num;
use crate::report::svg::{Svg, length, points};

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
    rest: (f64, f64),
    /// Most volts and amperes of the plot.
    edges: (f64, f64),
    /// Each valve by itself along the load: plate volts of the asked one, current (the other's
    /// counts down).
    alone: [Vec<(f64, f64)>; 2],
    /// Dissipation limits of the two.
    most_w: [Option<f64>; 2],
}

/// Composite curves to each side of the one at rest.
const SIDE: f64 = 4.0;
/// Beyond the drive that brings the grids to their cathodes.
const BEYOND: f64 = 1.0;

/// Finds the pair of a valve and what it does.
///
/// # Errors
/// If there is none.
pub fn find(circuit: &Circuit, valve: &str, freq_hz: f64) -> Result<Pushed, Failure> {
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
    Ok(Pushed {
        names: (names(&pair.with), names(&pair.against)),
        raa_ohm: pair.raa_ohm,
        curves,
        load: (0..=POINTS).map(at).collect(),
        full,
        vgk: rest_a.vgk,
        rest: (rest_a.vpk, rest_b.vpk),
        edges: (load_line::round_up(rest_a.vpk + rest_b.vpk), amperes),
        alone: [
            driven.iter().map(|d| (rest_a.vpk + d.0, d.1)).collect(),
            driven.iter().map(|d| (rest_a.vpk + d.0, -d.2)).collect(),
        ],
        most_w: [&pair.with, &pair.against].map(|side| {
            let watts = side[0].device.most_w?;
            Some(watts * side.len() as f64)
        }),
    })
}

/// The characteristics of the asked valve and of the one against it, each by itself, over the
/// whole plot.
pub fn alone(circuit: &Circuit, pair: &Pushed, found: &Findings) -> [Vec<Vec<State>>; 2] {
    let volts = |k: usize| pair.edges.0 * k as f64 / POINTS as f64;
    [&pair.names.0, &pair.names.1].map(|names| {
        let first = names.split(' ').next().unwrap_or_default();
        let element = circuit.element(first);
        let Some(device) = element.and_then(|e| Device::new(circuit, e)) else {
            return Vec::new();
        };
        let curve = |&vgk: &f64| {
            let points = (0..=POINTS).map(|k| device.at(vgk, volts(k), found.vsk));
            points.collect()
        };
        found.family.grids.iter().map(curve).collect()
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

const SIZE: (f64, f64) = (900.0, 700.0);
const FIELD: (f64, f64, f64, f64) = (80.0, 70.0, 830.0, 560.0);

/// The plot: the asked valve's characteristics upright, the other's below them turned by half a
/// turn, so that what both do at one moment stands on one vertical; over them the composite.
pub fn plot(found: &Findings, pair: &Pushed, alone: &[Vec<Vec<State>>; 2]) -> String {
    let title = format!("{}: {} against {}", found.title, pair.names.0, pair.names.1);
    let mut svg = Svg::new(SIZE.0, SIZE.1, &title, drawn::STYLE);
    let (w, h) = (length(SIZE.0), length(SIZE.1));
    svg.element("rect", &[("class", "paper"), ("width", &w), ("height", &h)]);
    let (x0, y0, x1, y1) = FIELD;
    let (volts, amperes) = pair.edges;
    let place = |v: f64, i: f64| {
        let x = x0 + (x1 - x0) * v / volts;
        let y = y1 - (y1 - y0) * (i + amperes) / (2.0 * amperes);
        (x, y)
    };
    svg.words("title", "start", (x0, 32.0), &title);
    if found.has_screen {
        let screen = format!("screen {} at rest", num::engineering(found.vsk, "V", 3));
        svg.words("small", "end", (x1, 32.0), &screen);
    }
    let line = |svg: &mut Svg, class: &str, list: &[(f64, f64)]| {
        let raised: Vec<(f64, f64)> = list.iter().map(|p| (p.0, p.1 + amperes)).collect();
        let inside = drawn::clipped(&raised, volts, 2.0 * amperes);
        let inside: Vec<(f64, f64)> = inside
            .into_iter()
            .map(|p| place(p.0, p.1 - amperes))
            .collect();
        if inside.len() > 1 {
            svg.element(
                "polyline",
                &[("class", class), ("points", &points(inside.clone()))],
            );
        }
    };
    let milliamperes = |part: f64| {
        let shown = num::engineering(1e3 * (2.0 * part - 1.0) * amperes, "%", 3);
        drawn::trimmed(&shown).trim_end_matches('%').to_string()
    };
    let lettered = |part: f64| drawn::trimmed(&format!("{:.1}", part * volts));
    plane(&mut svg, FIELD, 10.0, lettered, milliamperes);
    line(&mut svg, "frame", &[(0.0, 0.0), (volts, 0.0)]);
    let whole = pair.rest.0 + pair.rest.1;
    for curve in &alone[0] {
        let list: Vec<(f64, f64)> = curve.iter().map(|s| (s.vpk, s.plate)).collect();
        line(&mut svg, "own", &list);
    }
    for curve in &alone[1] {
        let list: Vec<(f64, f64)> = curve.iter().map(|s| (whole - s.vpk, -s.plate)).collect();
        line(&mut svg, "own", &list);
    }
    for (k, watts) in pair.most_w.iter().enumerate() {
        let Some(watts) = watts else { continue };
        let at = |n: usize| {
            let v = volts * (n as f64 + 1.0) / (POINTS as f64 + 1.0);
            match k {
                0 => (v, watts / v),
                _ => (whole - v, -watts / v),
            }
        };
        let list: Vec<(f64, f64)> = (0..=POINTS).map(at).collect();
        line(&mut svg, "limit", &list);
    }
    for (e, list) in &pair.curves {
        line(&mut svg, "composite", list);
        // Curves of drive upwards are lettered at the right, the others, which end in a bundle there,
        // at the left.
        let (v, i) = match *e >= 0.0 {
            true => list[list.len() - 1],
            false => list[0],
        };
        if i.abs() >= amperes {
            continue;
        }
        let sign = if *e > 0.0 { "+" } else { "" };
        let words = format!("{sign}{}", drawn::trimmed(&num::engineering(*e, "V", 3)));
        let (x, y) = place(v.min(volts), i);
        match *e >= 0.0 {
            true => svg.words("small", "start", (x + 5.0, y + 4.0), &words),
            false => svg.words("small", "start", (x + 5.0, y + 13.0), &words),
        }
    }
    for alone in &pair.alone {
        line(&mut svg, "path", alone);
    }
    line(&mut svg, "signal", &pair.load);
    let (x, y) = place(pair.rest.0, 0.0);
    let (x, y) = (length(x), length(y));
    let dot = [("class", "point"), ("cx", &x), ("cy", &y), ("r", "4.5")];
    svg.element("circle", &dot);
    let ohms = num::engineering(pair.raa_ohm / 4.0, "Ω", 3);
    let key = [
        ("composite", "composite, by grid signal".to_string()),
        ("signal", format!("load {ohms}")),
        ("path", "each valve's path".to_string()),
        ("limit", "plate dissipation".to_string()),
        ("own", "valves alone".to_string()),
    ];
    drawn::key(&mut svg, &key, x0, 622.0);
    drawn::caution(&mut svg, CAUTION, x0, 652.0);
    svg.finish()
}
