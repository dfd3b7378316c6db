//! --record: what is missing is stored, what changed only when asked.

use super::super::failure::Failure;
use super::super::sheet_folder::SheetFolder;
use super::checked::Checked;
use crate::report::file::{FileProblem, Outputs};
use crate::report::wav::{Format, WavProblem, WavWriter};
use crate::sheet::record::{Change, NewValue, rewrite};
use crate::sheet::run::Ready;
use crate::sheet::verdict::{Mark, Verdict};
use std::collections::BTreeSet;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

/// What was stored.
#[derive(Debug, Default)]
pub struct Recorded {
    /// Case and verdict, by number.
    which: BTreeSet<(usize, usize)>,
    /// A line for each, with the difference.
    pub notes: Vec<String>,
}

impl Recorded {
    /// Whether this verdict's value was stored.
    pub fn has(&self, case: usize, verdict: usize) -> bool {
        self.which.contains(&(case, verdict))
    }
}

/// Stages the sheets and files that change.
pub fn stage(
    outputs: &mut Outputs,
    checked: &[Checked<'_>],
    overwrite: bool,
) -> Result<Recorded, Failure> {
    let mut recorded = Recorded::default();
    let mut files: BTreeSet<PathBuf> = BTreeSet::new();
    // Cases of one sheet stand together.
    let mut at = 0;
    while at < checked.len() {
        let Checked::Case { ready, .. } = &checked[at] else {
            at += 1;
            continue;
        };
        let mut changes: Vec<Change<'_>> = Vec::new();
        let mut end = at;
        while let Some(Checked::Case {
            ready: same,
            beside,
            case,
            expected,
            done,
        }) = checked.get(end)
        {
            if !std::ptr::eq(*same, *ready) {
                break;
            }
            for (k, verdict) in done.verdicts.iter().enumerate() {
                let Some(new) = verdict.new.as_ref().filter(|_| verdict.mark != Mark::Ok) else {
                    continue;
                };
                let name = format!("{}: {}", ready.case_name(case), verdict.figure);
                if verdict.mark == Mark::Off && !overwrite {
                    let note = match new {
                        NewValue::Amount(text) => format!("{name}: --overwrite would store {text}"),
                        _ => format!("{name}: --overwrite would store it"),
                    };
                    recorded.notes.push(note);
                    continue;
                }
                match new {
                    NewValue::Amount(_) | NewValue::Levels { .. } => changes.push(Change {
                        expectation: expected[k],
                        case: &case.name,
                        new,
                    }),
                    NewValue::Text { file, .. } | NewValue::Sound { file, .. } => {
                        // Two cases with one file cannot both be right.
                        if !files.insert(beside.path(file)) {
                            let note = format!(
                                "{name}: `{file}` was stored for another case; put {{case}} in \
                                 its name"
                            );
                            recorded.notes.push(note);
                            continue;
                        }
                        file_of(outputs, beside, new)?;
                    }
                }
                recorded.which.insert((end, k));
                recorded
                    .notes
                    .push(format!("{name}: {}", difference(verdict, new)));
            }
            end += 1;
        }
        if !changes.is_empty() {
            sheet(outputs, ready, &changes)?;
        }
        at = end;
    }
    Ok(recorded)
}

/// What is written in place of what.
fn difference(verdict: &Verdict, new: &NewValue) -> String {
    let (new, by) = match new {
        NewValue::Amount(text) => (text.clone(), String::new()),
        NewValue::Levels { bands, envelope } => (
            format!("{} bands and {} levels", bands.len(), envelope.len()),
            verdict.shown_found.clone(),
        ),
        NewValue::Text { file, .. } | NewValue::Sound { file, .. } => {
            (format!("`{file}`"), verdict.shown_found.clone())
        }
    };
    let by = if by.is_empty() || verdict.mark == Mark::Missing {
        String::new()
    } else {
        format!(" ({by})")
    };
    match verdict.mark {
        Mark::Missing => format!("stored {new}"),
        _ => format!("stored {new} in place of {}{by}", verdict.shown_expected),
    }
}

fn sheet(outputs: &mut Outputs, ready: &Ready, changes: &[Change<'_>]) -> Result<(), Failure> {
    let text = ready.sources.shared_text(ready.sheet.file);
    let cases_of = |k: usize| {
        let all = ready.sheet.cases.iter();
        all.filter(|case| ready.expected_in(case, |_| true).contains(&k))
            .map(|case| case.name.clone())
            .collect()
    };
    let new = rewrite(&text, &ready.sheet, changes, cases_of);
    let path = Path::new(&ready.path);
    let written = outputs.stage_own(path)?.write_all(new.as_bytes());
    Ok(written.map_err(|e| FileProblem::new(path, e))?)
}

fn file_of(outputs: &mut Outputs, beside: &SheetFolder, new: &NewValue) -> Result<(), Failure> {
    match new {
        NewValue::Text { file, text } => {
            let path = beside.path(file);
            let mut target = outputs.stage_own(&path)?;
            let written = target.write_all(text.as_bytes());
            written.map_err(|e| FileProblem::new(&path, e))?;
        }
        NewValue::Sound { file, clip } => {
            let path = beside.path(file);
            let target = outputs.stage_own(&path)?;
            let bad = |e: WavProblem| match e {
                WavProblem::Write(e) => Failure::from(FileProblem::new(&path, e)),
                e => Failure::usage(format!("`{}`: {e}", path.display())).into(),
            };
            let sink = BufWriter::new(target);
            let mut writer = WavWriter::new(sink, clip.rate_hz, Format::Float32).map_err(bad)?;
            writer.write(&clip.samples).map_err(bad)?;
            let (_, mut sink) = writer.finish().map_err(bad)?;
            sink.flush().map_err(|e| FileProblem::new(&path, e))?;
        }
        NewValue::Amount(_) | NewValue::Levels { .. } => {}
    }
    Ok(())
}
