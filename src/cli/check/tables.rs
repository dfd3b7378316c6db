//! The verdicts as text, CSV and JSON.

use super::checked::Checked;
use super::recording::Recorded;
use crate::report::csv::Csv;
use crate::sheet::verdict::{Mark, Verdict};
use serde_json::json;

/// `subject,expected,found,tolerance,verdict`, a row an expectation.
pub fn csv(checked: &[Checked<'_>], heading: bool) -> String {
    let mut csv = Csv::empty();
    let mut write = |row: [&str; 5]| csv.row(row);
    if heading {
        write(["subject", "expected", "found", "tolerance", "verdict"]);
    }
    for checked in checked {
        match checked {
            Checked::Bad(path, _) => write([path, "", "", "", Mark::Bad.word()]),
            Checked::Case {
                ready, case, done, ..
            } => {
                let name = ready.case_name(case);
                for v in &done.verdicts {
                    let subject = format!("{name}: {}", v.figure);
                    let mark = v.mark.word();
                    write([&subject, &v.expected, &v.found, &v.tolerance, mark]);
                }
            }
        }
    }
    csv.text()
}

/// One object a line: results of several runs merge by concatenation.
pub fn json_lines(checked: &[Checked<'_>]) -> String {
    let mut text = String::new();
    let mut line = |value: serde_json::Value| {
        text += &value.to_string();
        text.push('\n');
    };
    for checked in checked {
        match checked {
            Checked::Bad(path, message) => line(json!({
                "sheet": path,
                "verdict": Mark::Bad.word(),
                "message": message,
            })),
            Checked::Case {
                ready, case, done, ..
            } => {
                for v in &done.verdicts {
                    line(json!({
                        "sheet": ready.path,
                        "case": case.name,
                        "figure": v.figure,
                        "expected": number_or_text(&v.expected),
                        "found": number_or_text(&v.found),
                        "tolerance": v.tolerance,
                        "verdict": v.mark.word(),
                        "expected_text": v.shown_expected,
                        "found_text": v.shown_found,
                        "by": v.by,
                        "message": v.message,
                    }));
                }
            }
        }
    }
    text
}

fn number_or_text(text: &str) -> serde_json::Value {
    match text.parse::<f64>() {
        Ok(number) if number.is_finite() => json!(number),
        _ if text.is_empty() => serde_json::Value::Null,
        _ => json!(text),
    }
}

/// One line a case, then what is wrong, then the count.
pub fn printed(checked: &[Checked<'_>], recorded: &Recorded) -> String {
    let mut text = String::new();
    let mut details = String::new();
    let mut cases = 0;
    let mut sheets_bad = 0;
    let mut counts = [0usize; 6];
    for (at, checked) in checked.iter().enumerate() {
        let Checked::Case {
            ready, case, done, ..
        } = checked
        else {
            if let Checked::Bad(path, _) = checked {
                sheets_bad += 1;
                text += &format!("{:<11}  {path}\n", Mark::Bad.word());
            }
            continue;
        };
        cases += 1;
        let name = ready.case_name(case);
        let wrong: Vec<&Verdict> = done
            .verdicts
            .iter()
            .enumerate()
            .filter(|(k, v)| v.mark != Mark::Ok && !recorded.has(at, *k))
            .map(|(_, v)| v)
            .collect();
        let stored = (0..done.verdicts.len()).filter(|&k| recorded.has(at, k));
        counts[5] += stored.count();
        for (k, v) in done.verdicts.iter().enumerate() {
            // What was stored is counted as that alone.
            counts[v.mark as usize] += usize::from(!recorded.has(at, k));
        }
        let of = done.verdicts.len();
        let figures = if of == 1 { "figure" } else { "figures" };
        // The gravest says how the case went.
        let worst = wrong.iter().map(|v| v.mark).max_by_key(|m| *m as usize);
        text += &match worst {
            None => format!("{:<11}  {name}: {of} {figures}\n", Mark::Ok.word()),
            Some(mark) => format!(
                "{:<11}  {name}: {} of {of} {figures}\n",
                mark.word(),
                wrong.len()
            ),
        };
        if !wrong.is_empty() {
            details += &format!("\n{name}\n");
            for v in wrong {
                details += &format!("  {}\n", line(v));
            }
        }
    }
    for note in &recorded.notes {
        details += &format!("\n{note}");
    }
    if !recorded.notes.is_empty() {
        details.push('\n');
    }
    let figures: usize = counts.iter().sum();
    let marks = [
        Mark::Ok,
        Mark::Off,
        Mark::Missing,
        Mark::NoSolution,
        Mark::Bad,
    ];
    let mut parts: Vec<String> = marks
        .iter()
        .filter(|m| counts[**m as usize] > 0)
        .map(|m| format!("{} {}", counts[*m as usize], m.word()))
        .collect();
    if counts[5] > 0 {
        parts.push(format!("{} stored", counts[5]));
    }
    if sheets_bad > 0 {
        let s = if sheets_bad == 1 { "" } else { "s" };
        parts.push(format!("{sheets_bad} bad sheet{s}"));
    }
    text += &details;
    let many = |n: usize, what: &str| format!("{n} {what}{}", if n == 1 { "" } else { "s" });
    let (cases, figures) = (many(cases, "case"), many(figures, "figure"));
    text + &format!("\n{cases}, {figures}: {}\n", parts.join(", "))
}

/// A verdict that is not ok, on one line.
fn line(v: &Verdict) -> String {
    let tolerance = if v.tolerance.is_empty() {
        String::new()
    } else {
        format!(", tolerance {}", v.tolerance)
    };
    match v.mark {
        Mark::Off => format!(
            "{}: expected {}, found {}{tolerance}: {}",
            v.figure, v.shown_expected, v.shown_found, v.by
        ),
        Mark::Missing => {
            let what = v.message.as_deref().unwrap_or("no value is stored yet");
            if v.shown_found.is_empty() {
                format!("{}: {what}; --record stores it", v.figure)
            } else {
                format!(
                    "{}: {what}; found {}; --record stores it",
                    v.figure, v.shown_found
                )
            }
        }
        _ => format!(
            "{}: {}: {}",
            v.figure,
            v.mark.word(),
            v.message.as_deref().unwrap_or("")
        ),
    }
}
