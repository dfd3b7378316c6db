//! The circuit's name at the head of charts, plots and drawings, with what was set for them; and the case
//! of a sheet before what is of it.

use crate::circuit::params::{MAINS, Overrides};

/// The title, and in brackets the settings of the command line: a chart that is kept must say
/// what it is of. Of several settings of one thing the last counts.
pub fn heading(title: &str, settings: &Overrides) -> String {
    let title = title.trim();
    let mut words: Vec<(String, String)> = Vec::new();
    for setting in settings.list() {
        let key = setting.target.to_lowercase();
        let shown = if key == MAINS {
            format!("mains {} %", setting.value.text)
        } else {
            format!("{}={}", setting.target, setting.value.text)
        };
        words.retain(|(known, _)| *known != key);
        words.push((key, shown));
    }
    if words.is_empty() {
        return title.to_string();
    }
    let shown: Vec<String> = words.into_iter().map(|w| w.1).collect();
    format!("{title} ({})", shown.join("; "))
        .trim_start()
        .to_string()
}

/// A figure, or anything else, of a sheet's case: `[hot] voltage of plate1`; by itself where the case has
/// no name.
pub fn in_case(case: &str, what: &str) -> String {
    if case.is_empty() {
        what.to_string()
    } else {
        format!("[{case}] {what}")
    }
}
