//! Pictures of what is off: expected and found overlaid.

use super::super::failure::Failure;
use super::checked::Checked;
use crate::figure::bench::Across;
use crate::report::file::{FileProblem, Outputs};
use crate::report::plot::{self, Trace};
use std::path::Path;

/// Stages a picture for every curve and sound that is off, named after case and figure.
pub fn stage(outputs: &mut Outputs, folder: &Path, checked: &[Checked<'_>]) -> Result<(), Failure> {
    let mut made = false;
    for checked in checked {
        let Checked::Case {
            ready, case, done, ..
        } = checked
        else {
            continue;
        };
        for verdict in &done.verdicts {
            for overlay in &verdict.overlays {
                if !made {
                    std::fs::create_dir_all(folder).map_err(|e| FileProblem::new(folder, e))?;
                    made = true;
                }
                let traces = [
                    Trace::new("expected", overlay.unit, overlay.expected.clone()),
                    Trace::new("found", overlay.unit, overlay.found.clone()),
                ];
                let title = if case.name.is_empty() {
                    verdict.figure.clone()
                } else {
                    format!("{} [{}]", verdict.figure, case.name)
                };
                let (picture, what) = match overlay.across {
                    Across::Time => (plot::waveforms(&title, &overlay.x, &traces), "time"),
                    Across::Frequency => (plot::spectrum(&title, &overlay.x, &traces), "frequency"),
                };
                let name = format!("{} {} {what}", ready.case_name(case), verdict.figure);
                outputs.text(&folder.join(file_name(&name)), &picture)?;
            }
        }
    }
    Ok(())
}

/// Letters, digits and `._=-` stay; anything else becomes one `_`.
fn file_name(text: &str) -> String {
    let mut name = String::new();
    for c in text.chars() {
        if c.is_ascii_alphanumeric() || "._=-".contains(c) {
            name.push(c);
        } else if !name.ends_with('_') && !name.is_empty() {
            name.push('_');
        }
    }
    // File systems take 255 bytes.
    name.truncate(200);
    name + ".svg"
}
