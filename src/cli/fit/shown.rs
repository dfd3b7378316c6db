//! What `fit` says of a valve: chart, CSV and record.

use super::given::Findings;
use crate::fit::bottle::{Bottle, State};
use crate::fit::estimate::{Judged, Parameter};
use crate::fit::model;
use crate::fit::problem::counted;
use crate::num::{self, engineering};
use crate::report::csv::Csv;
use crate::report::table::{Side, Table};
use serde_json::json;

/// Readings that the chart shows at most; the CSV has all.
const MOST: usize = 24;

pub(super) fn printed(findings: &Findings<'_>, out: &str) -> String {
    let Findings {
        name,
        from,
        valve,
        found,
    } = findings;
    let mut text = format!(
        "{name}: one {}, as measured, {} from {from}\n\n",
        valve.name,
        counted(found.judged.len(), "reading")
    );
    text += &against_the_type(findings);
    text += &parameters(findings);
    text += &readings(findings);
    text += &format!(
        "off by {:.1} % rms{}",
        100.0 * found.rms,
        model::untold(found)
    );
    if let Some(known) = found.uncertainty() {
        text += &format!(
            "; within these volts the plate current is known to +/- {:.1} % (90 %)",
            100.0 * known
        );
    }
    text.push('\n');
    if out != crate::report::file::STANDARD_OUTPUT {
        text += &format!(
            "\nIn a netlist: `.include {out}`, and {name} in place of {} on the valve's line.\n",
            valve.name
        );
    }
    text + &format!("{}\n", crate::cli::command::SAFETY)
}

/// The parameters that the readings move, and those that are held.
fn parameters(findings: &Findings<'_>) -> String {
    let mut table = Table::new(&[
        ("parameter", Side::Left),
        ("this valve", Side::Right),
        ("90 % from", Side::Right),
        ("to", Side::Right),
        ("the type", Side::Right),
    ]);
    let shown = |v: f64, p: &Parameter| match p.unit {
        "V" => engineering(v, "V", 3),
        _ => num::full(format!("{v:.3e}").parse().unwrap_or(v)),
    };
    let (moved, held): (Vec<_>, Vec<_>) = findings.found.parameters.iter().partition(|p| p.moved);
    for p in moved {
        table.row([
            p.name.to_string(),
            shown(p.value, p),
            shown(p.interval.0, p),
            shown(p.interval.1, p),
            shown(p.typical, p),
        ]);
    }
    let mut text = format!("\n{}", table.text());
    if !held.is_empty() {
        let held: Vec<&str> = held.iter().map(|p| p.name).collect();
        text += &format!(
            "held as in the {}, for the readings say too little of them: {}\n",
            findings.valve.name,
            held.join(" ")
        );
    }
    text
}

/// The readings beside the model, the worst of them where there are many.
fn readings(findings: &Findings<'_>) -> String {
    let found = &findings.found;
    let screen = found.frame().reference.vg2k.is_finite();
    let mut columns = vec![("line", Side::Right), ("plate", Side::Right)];
    if screen {
        columns.push(("screen", Side::Right));
    }
    columns.extend([
        ("grid", Side::Right),
        ("read", Side::Right),
        ("model", Side::Right),
        ("off by", Side::Right),
        ("90 % from", Side::Right),
        ("to", Side::Right),
        ("", Side::Left),
    ]);
    let mut table = Table::new(&columns);
    // The worst, where there are many, in the order of the file.
    let mut order: Vec<usize> = (0..found.judged.len()).collect();
    order.sort_by(|&a, &b| {
        let size = |k: usize| error(&found.judged[k]).abs();
        size(b).total_cmp(&size(a)).then(a.cmp(&b))
    });
    order.truncate(MOST);
    order.sort_unstable();
    for k in order {
        let j = &found.judged[k];
        let s = j.reading.state;
        let mut row = vec![j.reading.line.to_string(), engineering(s.vpk, "V", 4)];
        if screen {
            row.push(engineering(s.vg2k, "V", 4));
        }
        row.extend([
            engineering(s.vgk, "V", 3),
            engineering(j.reading.plate, "A", 4),
            engineering(j.model[0], "A", 4),
            format!("{:+.1} %", 100.0 * error(j)),
            engineering(j.interval.0, "A", 4),
            engineering(j.interval.1, "A", 4),
            match (j.left_out, j.aside) {
                (true, _) => "left out",
                (_, true) => "set aside",
                _ => "",
            }
            .to_string(),
        ]);
        table.row(row);
    }
    let mut text = format!("\n{}", table.text());
    if found.judged.len() > MOST {
        text += &format!("the {MOST} worst of {}\n", found.judged.len());
    }
    text
}

/// Model over reading, less one.
fn error(j: &Judged) -> f64 {
    if j.reading.plate > 0.0 {
        j.model[0] / j.reading.plate - 1.0
    } else {
        0.0
    }
}

/// Current, gm, mu and plate resistance at the type's test point beside those of the type.
fn against_the_type(findings: &Findings<'_>) -> String {
    let frame = findings.found.frame();
    let state = frame.reference;
    let mine = findings.found.bottle();
    let typical = Bottle::new(frame.kind, &frame.values);
    let (current, interval) = findings.found.current(state);
    let mut text = format!(
        "  at {} on the plate{}, grid {}:\n",
        engineering(state.vpk, "V", 3),
        if state.vg2k.is_finite() {
            " and the screen"
        } else {
            ""
        },
        engineering(state.vgk, "V", 3),
    );
    let mut table = Table::new(&[
        ("", Side::Left),
        ("this valve", Side::Right),
        ("90 %", Side::Left),
        ("the type", Side::Right),
        ("differs by", Side::Right),
    ]);
    let mut row = |what: &str, unit: &str, (a, b): (f64, f64), sure: String| {
        table.row([
            format!("  {what}"),
            engineering(a, unit, 3),
            sure,
            engineering(b, unit, 3),
            // Without a minus before zero.
            format!("{:+.0} %", (100.0 * (a / b - 1.0)).round() + 0.0),
        ]);
    };
    let sure = format!(
        "{} to {}",
        engineering(interval.0, "A", 3),
        engineering(interval.1, "A", 3)
    );
    row("plate current", "A", (current, typical.at(state)[0]), sure);
    row(
        "gm",
        "S",
        (mine.gm(state), typical.gm(state)),
        String::new(),
    );
    let rp = |b: &Bottle| {
        let step = 0.01;
        let at = |vpk: f64| b.at(State { vpk, ..state })[0];
        2.0 * step / (at(state.vpk + step) - at(state.vpk - step))
    };
    row(
        "plate resistance",
        "Ω",
        (rp(&mine), rp(&typical)),
        String::new(),
    );
    text += &table.text();
    text
}

pub(super) fn csv(findings: &Findings<'_>) -> String {
    let mut csv = Csv::empty();
    let mut row = |cells: [String; 10]| csv.row(cells);
    row([
        "line",
        "vpk",
        "vgk",
        "vg2k",
        "plate_current",
        "model_plate_current",
        "low",
        "high",
        "model_screen_current",
        "left_out",
    ]
    .map(String::from));
    let screen = findings.found.frame().reference.vg2k.is_finite();
    for j in &findings.found.judged {
        let s = j.reading.state;
        row([
            j.reading.line.to_string(),
            num::full(s.vpk),
            num::full(s.vgk),
            num::full(s.vg2k),
            num::full(j.reading.plate),
            num::full(j.model[0]),
            num::full(j.interval.0),
            num::full(j.interval.1),
            if screen {
                num::full(j.model[1])
            } else {
                String::new()
            },
            if j.counts() { "0" } else { "1" }.to_string(),
        ]);
    }
    csv.text()
}

pub(super) fn record(findings: &Findings<'_>) -> serde_json::Value {
    let found = &findings.found;
    let state = |s: &State| json!({ "vpk": s.vpk, "vgk": s.vgk, "vg2k": s.vg2k.is_finite().then_some(s.vg2k) });
    json!({
        "name": findings.name,
        "type": findings.valve.name,
        "from": findings.from,
        "parameters": found.parameters.iter().map(|p| json!({
            "name": p.name,
            "value": p.value,
            "low": p.interval.0,
            "high": p.interval.1,
            "type": p.typical,
            "held": !p.moved,
        })).collect::<Vec<_>>(),
        "readings": found.judged.iter().map(|j| json!({
            "line": j.reading.line,
            "at": state(&j.reading.state),
            "plate_current": j.reading.plate,
            "screen_current": j.reading.screen,
            "model_plate_current": j.model[0],
            "model_screen_current": findings.found.frame().reference.vg2k.is_finite().then_some(j.model[1]),
            "low": j.interval.0,
            "high": j.interval.1,
            "left_out": !j.counts(),
        })).collect::<Vec<_>>(),
        "contradictions": model::remarks(found),
        "rms_percent": 100.0 * found.rms,
        "current_known_to_percent": found.uncertainty().map(|known| 100.0 * known),
    })
}
