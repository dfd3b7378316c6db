//! What `spread` came to, as JSON.

use super::asked::Asked;
use super::board::Board;
use super::extremes::Corners;
use super::one;
use super::work::{Shares, Tally};
use crate::tolerance::list::{Origin, Shape};
use crate::tolerance::statistics::wilson;
use serde_json::{Value, json};

/// The record.
pub fn record(
    asked: &Asked<'_>,
    board: &Board,
    tally: &Tally,
    shares: &Shares,
    corners: &Option<Corners>,
) -> Value {
    let variables = &asked.plan.variables;
    let varies = variables.all.iter().map(|v| {
        json!({
            "name": v.name,
            "part": variables.parts[v.part],
            "kind": v.class.name(),
            "drawn": v.drawn.is_finite().then_some(v.drawn),
            "low": v.range.low,
            "high": v.range.high,
            "unit": v.unit.unwrap_or("1"),
            "from": match v.origin {
                Origin::Default(from) => from,
                Origin::Line => "line",
                Origin::Option => "option",
            },
        })
    });
    let figures = board.columns.iter().enumerate().map(|(k, column)| {
        let s = &tally.summaries[k];
        let quantiles = s.quantiles(&[0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99]);
        let (low, high, counts) = s.histogram(50);
        let end = |(value, run): (f64, u64)| {
            (s.count > 0).then(|| {
                // The figure was measured, so that its own circuit's trimmers could be set.
                let settings = one::options(asked, run).unwrap_or_default();
                json!({ "value": value, "run": run, "settings": settings })
            })
        };
        json!({
            "figure": column.name,
            "unit": column.unit,
            "drawn": board.nominal[k],
            "count": s.count,
            "missing": s.missing,
            "why_missing": tally.why[k].as_ref().map(|w| json!({ "run": w.0, "why": w.1 })),
            "mean": finite(s.mean),
            "deviation": finite(s.deviation()),
            "quantiles": {
                "1": finite(quantiles[0]), "5": finite(quantiles[1]), "25": finite(quantiles[2]),
                "50": finite(quantiles[3]), "75": finite(quantiles[4]), "95": finite(quantiles[5]),
                "99": finite(quantiles[6]),
            },
            "least": end(s.least),
            "greatest": end(s.most),
            "histogram": { "from": finite(low), "to": finite(high), "counts": counts },
            "shares": share(asked, shares, k),
            "corners": corners.as_ref().map(|all| {
                let ends: Vec<Value> = all[k].iter().map(|found| json!(found.as_ref().map(|f| {
                    let at = variables.all.iter().zip(&f.corner);
                    let at: serde_json::Map<String, Value> = at
                        .map(|(v, &up)| {
                            let end = if up { v.ends().1 } else { v.ends().0 };
                            (v.name.clone(), json!(end))
                        })
                        .collect();
                    json!({ "value": f.figure, "measured": f.measured, "at": at })
                }))).collect();
                json!({ "least": ends[0], "greatest": ends[1] })
            }),
        })
    });
    let met = |passed: u64| {
        let (part, low, high) = wilson(passed, tally.runs);
        json!({ "amplifiers": passed, "part": finite(part), "low": low, "high": high })
    };
    let passed = asked.is_sheet().then(|| {
        let each = board.expectations.iter().zip(&tally.passed);
        let each: Vec<Value> = each
            .map(|(name, &n)| json!({ "expectation": name, "met": met(n) }))
            .collect();
        json!({ "each": each, "all": met(tally.passed_all) })
    });
    json!({
        "title": asked.title,
        "seed": asked.seed,
        "runs": asked.runs,
        "first": asked.range.start,
        "last": asked.range.end - 1,
        "shape": match asked.plan.shape {
            Shape::Uniform => "uniform",
            Shape::Normal => "normal",
        },
        "varies": varies.collect::<Vec<_>>(),
        "figures": figures.collect::<Vec<_>>(),
        "expectations": passed,
    })
}

fn finite(x: f64) -> Option<f64> {
    x.is_finite().then_some(x)
}

fn share(asked: &Asked<'_>, shares: &Shares, column: usize) -> Value {
    let parts = &asked.plan.variables.parts;
    match shares {
        Shares::None => Value::Null,
        Shares::Straight(found) => json!(found.get(column).map(|(own, rest)| {
            let own = parts.iter().zip(own);
            let own: Vec<Value> = own
                .map(|(p, s)| json!({ "part": p, "own": s.part, "own_error": s.error }))
                .collect();
            json!({ "parts": own, "rest": rest.part, "rest_error": rest.error })
        })),
        Shares::Exact(found) => json!(found.get(column).map(|all| {
            let all = parts.iter().zip(all);
            let all: Vec<Value> = all
                .map(|(p, (f, t))| {
                    json!({
                        "part": p, "own": f.part, "own_error": f.error,
                        "total": t.part, "total_error": t.error,
                    })
                })
                .collect();
            json!({ "parts": all })
        })),
    }
}
