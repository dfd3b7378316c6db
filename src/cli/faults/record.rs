//! The answers as CSV and JSON.

use super::words;
use crate::faults::diagnosis::{Answer, Diagnosis};
use crate::faults::hypothesis::Named;
use crate::faults::readings::Reading;
use crate::num;
use crate::report::csv::Csv;
use serde_json::{Value, json};

const HEAD: [&str; 6] = [
    "rank",
    "probability",
    "fault",
    "element",
    "same_readings",
    "misfit",
];

/// The table.
pub fn csv(diagnosis: &Diagnosis) -> String {
    let mut csv = Csv::empty();
    csv.row(HEAD);
    for (k, answer) in diagnosis.answers.iter().enumerate() {
        let cause = &answer.causes[0];
        let row = [
            (k + 1).to_string(),
            num::full(rounded(answer.probability)),
            cause.fault.to_string(),
            cause.element.clone(),
            names(&diagnosis.others(answer)).join("; "),
            num::full(rounded(answer.misfit)),
        ];
        csv.row(row);
    }
    csv.text()
}

fn names(all: &[Named]) -> Vec<String> {
    all.iter().map(Named::to_string).collect()
}

/// Six places: what a probability is worth, and the same on every machine.
fn rounded(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}

/// The causes of an answer one by one.
fn causes(answer: &Answer) -> Vec<Value> {
    let causes = answer.causes.iter().take(CAUSES);
    let each = causes.map(|cause| {
        json!({
            "fault": cause.fault.word(),
            "element": cause.element,
            "lead": cause.lead,
            "value": cause.value,
            "unit": cause.fault.unit(),
            "probability": rounded(cause.probability),
            "what": words::cause(cause),
        })
    });
    each.collect()
}

/// Causes of an answer in the record; their names are all in `same_readings`.
const CAUSES: usize = 20;

/// The record.
pub fn json(title: &str, diagnosis: &Diagnosis, readings: &[Reading]) -> Value {
    let faults = diagnosis.answers.iter().enumerate().map(|(k, answer)| {
        let cause = &answer.causes[0];
        let reads = readings.iter().enumerate().map(|(n, reading)| {
            json!({
                "probe": reading.point.label,
                "read": reading.value,
                "expected": answer.expected[n],
                "deviation": answer.deviation[n],
                "sound": diagnosis.sound.get(n),
            })
        });
        json!({
            "rank": k + 1,
            "probability": rounded(answer.probability),
            "fault": cause.fault.word(),
            "element": cause.element,
            "lead": cause.lead,
            "value": cause.value,
            "unit": cause.fault.unit(),
            "what": words::cause(cause),
            "same_readings": names(&diagnosis.others(answer)),
            "causes": causes(answer),
            "misfit": rounded(answer.misfit),
            "slipped": answer.slipped.map(|n| readings[n].point.label.clone()),
            "reads": reads.collect::<Vec<_>>(),
        })
    });
    let next = diagnosis.next.iter().map(|next| {
        json!({
            "probe": next.point.label,
            "gain": rounded(next.gain),
            "sound": next.volts,
            "caution": words::caution(next),
        })
    });
    json!({
        "title": title,
        "sound": diagnosis.is_sound(),
        "faults": faults.collect::<Vec<_>>(),
        "next": next.collect::<Vec<_>>(),
        "actions": diagnosis.actions.iter().map(|a| json!({
            "action": words::action(a),
            "element": a.element,
            "gain": rounded(a.gain),
            "caution": "switched off, every capacitor discharged and checked",
        })).collect::<Vec<_>>(),
        "not_shown": names(&diagnosis.hidden),
        "tried": diagnosis.tried,
        "unsolved": diagnosis.unsolved,
    })
}
