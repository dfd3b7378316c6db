//! Measured values written into the text of a sheet; comments and layout stay.

use super::expect::{Expectation, Want};
use super::read::Sheet;
use crate::audio::clip::Clip;
use crate::diag::Span;
use std::ops::Range;

/// What a case would store.
#[derive(Debug, Clone, PartialEq)]
pub enum NewValue {
    /// A number with its unit.
    Amount(String),
    /// Levels of a sound, dB.
    Levels {
        /// Of its bands.
        bands: Vec<String>,
        /// Of its envelope.
        envelope: Vec<String>,
    },
    /// A text file.
    Text {
        /// Its name, as the sheet has it.
        file: String,
        /// What goes in.
        text: String,
    },
    /// A sound file.
    Sound {
        /// Its name, as the sheet has it.
        file: String,
        /// What goes in, in volts.
        clip: Clip,
    },
}

/// A value that is to be stored.
#[derive(Debug, Clone, Copy)]
pub struct Change<'a> {
    /// The expectation, by number.
    pub expectation: usize,
    /// The case.
    pub case: &'a str,
    /// The value.
    pub new: &'a NewValue,
}

/// Lists are broken at this width.
const WIDTH: usize = 96;

/// The text of a sheet with values stored in it. `cases_of` gives the names of the cases that
/// an expectation is for.
pub fn rewrite(
    text: &str,
    sheet: &Sheet,
    changes: &[Change<'_>],
    cases_of: impl Fn(usize) -> Vec<String>,
) -> String {
    let mut edits: Vec<(Range<usize>, String)> = Vec::new();
    for (k, expectation) in sheet.expectations.iter().enumerate() {
        let amounts: Vec<(&str, &str)> = changes
            .iter()
            .filter(|c| c.expectation == k)
            .filter_map(|c| match c.new {
                NewValue::Amount(text) => Some((c.case, text.as_str())),
                _ => None,
            })
            .collect();
        if !amounts.is_empty() {
            values(text, expectation, &amounts, &cases_of(k), &mut edits);
        }
        let levels = changes
            .iter()
            .filter(|c| c.expectation == k)
            .find_map(|c| match c.new {
                NewValue::Levels { bands, envelope } => Some((bands, envelope)),
                _ => None,
            });
        if let (
            Some((bands, envelope)),
            Want::Fingerprint {
                bands: b,
                envelope: e,
            },
        ) = (levels, &expectation.want)
        {
            let place = |stored: &Option<(Vec<f64>, Span)>| stored.as_ref().map(|s| s.1);
            for (key, levels, at) in [("bands", bands, place(b)), ("envelope", envelope, place(e))]
            {
                put(text, expectation, key, list(levels), at, &mut edits);
            }
        }
    }
    // From the end, so that places before stay what they are; what is inserted at one place
    // stays in order.
    edits.sort_by_key(|e| (e.0.start, e.0.end));
    let mut out = text.to_string();
    for (range, new) in edits.into_iter().rev() {
        out.replace_range(range, &new);
    }
    out
}

/// Stores an expectation's values: cases and their amounts.
fn values(
    text: &str,
    expectation: &Expectation,
    amounts: &[(&str, &str)],
    cases: &[String],
    edits: &mut Vec<(Range<usize>, String)>,
) {
    let Want::Value {
        all,
        by_case,
        table,
    } = &expectation.want
    else {
        return;
    };
    let new_of = |case: &str| amounts.iter().find(|a| a.0 == case).map(|a| a.1);
    for (case, _, amount) in by_case {
        if let Some(new) = new_of(case) {
            edits.push((range(amount.span), quoted(new)));
        }
    }
    let added: Vec<(&str, &str)> = amounts
        .iter()
        .filter(|a| !by_case.iter().any(|c| c.0 == a.0))
        .copied()
        .collect();
    if added.is_empty() {
        return;
    }
    if let Some(table) = table {
        let braces = text.as_bytes().get(table.start as usize) == Some(&b'{');
        let last = by_case.iter().map(|c| c.2.span.end as usize).max();
        for (case, new) in added {
            let pair = format!("{} = {}", quoted(case), quoted(new));
            match (braces, last) {
                (true, Some(last)) => edits.push((last..last, format!(", {pair}"))),
                (true, None) => {
                    let inside = table.start as usize + 1;
                    edits.push((inside..inside, format!(" {pair} ")));
                }
                (false, last) => {
                    let end = end_of_line(text, last.unwrap_or(table.end as usize));
                    edits.push((end..end, format!("\n{pair}")));
                }
            }
        }
        return;
    }
    // One value where all cases agree, else a table of them; cases that are within tolerance
    // of the one value there was keep it.
    let every: Vec<(&str, Option<&str>)> = cases
        .iter()
        .map(|case| {
            let old = all.as_ref().map(|a| a.text.as_str());
            (case.as_str(), new_of(case).or(old))
        })
        .collect();
    let first = added[0].1;
    let alike = every.iter().all(|(_, v)| v.is_none_or(|v| v == first));
    let pairs = || {
        every
            .iter()
            .filter_map(|(case, v)| Some(format!("{} = {}", quoted(case), quoted((*v)?))))
    };
    let inline = || format!("{{ {} }}", pairs().collect::<Vec<_>>().join(", "));
    match all {
        _ if alike => {
            let at = all.as_ref().map(|a| a.span);
            put(text, expectation, "value", quoted(first), at, edits);
        }
        Some(old) => edits.push((range(old.span), inline())),
        None if expectation.braces => {
            put(text, expectation, "value", inline(), None, edits);
        }
        None => {
            // A table of its own reads better in a version history than one long line.
            let end = end_of_line(text, expectation.end);
            let lines: Vec<String> = pairs().collect();
            let block = format!("\n[expect.value]\n{}", lines.join("\n"));
            edits.push((end..end, block));
        }
    }
}

/// Replaces a key's value, or adds the key below the figure.
fn put(
    text: &str,
    expectation: &Expectation,
    key: &str,
    value: String,
    at: Option<Span>,
    edits: &mut Vec<(Range<usize>, String)>,
) {
    match at {
        Some(span) => edits.push((range(span), value)),
        None if expectation.braces => {
            let end = expectation.figure_span.end as usize;
            edits.push((end..end, format!(", {key} = {value}")));
        }
        None => {
            let end = end_of_line(text, expectation.figure_span.end as usize);
            let start = text[..expectation.figure_span.start as usize]
                .rfind('\n')
                .map_or(0, |n| n + 1);
            let line = &text[start..];
            let indent = &line[..line.len() - line.trim_start_matches([' ', '\t']).len()];
            edits.push((end..end, format!("\n{indent}{key} = {value}")));
        }
    }
}

fn range(span: Span) -> Range<usize> {
    span.start as usize..span.end as usize
}

/// The end of the line that a place is in, before its line break.
fn end_of_line(text: &str, at: usize) -> usize {
    let end = text[at..].find('\n').map_or(text.len(), |n| at + n);
    match text[..end].ends_with('\r') {
        true if end > at => end - 1,
        _ => end,
    }
}

/// A basic string of TOML.
fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\""))
}

/// A list of numbers, broken into lines.
fn list(numbers: &[String]) -> String {
    let mut lines = vec![String::new()];
    for number in numbers {
        let line = lines.last_mut().expect("one at least");
        if !line.is_empty() && line.len() + number.len() + 4 > WIDTH {
            lines.push(String::new());
        }
        let line = lines.last_mut().expect("one at least");
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(number);
        line.push(',');
    }
    match lines.len() {
        1 => format!("[{}]", lines[0].trim_end_matches(',')),
        _ => format!("[\n  {}\n]", lines.join("\n  ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diag::Files;
    use crate::sheet::read;

    /// The sheet's text after these amounts of its expectations were stored, which must be a
    /// sheet again.
    fn stored(text: &str, changes: &[(usize, &str, &str)]) -> String {
        let parse = |text: &str| {
            let mut sources = Files::default();
            let file = sources.add("t", text);
            read(file, &sources).unwrap_or_else(|e| panic!("{e:#?} in\n{text}"))
        };
        let sheet = parse(text);
        let values: Vec<NewValue> = changes
            .iter()
            .map(|c| NewValue::Amount(c.2.to_string()))
            .collect();
        let changes: Vec<Change<'_>> = changes
            .iter()
            .zip(&values)
            .map(|(c, new)| Change {
                expectation: c.0,
                case: c.1,
                new,
            })
            .collect();
        let cases = sheet.cases.iter().map(|c| c.name.clone());
        let cases: Vec<String> = cases.collect();
        let out = rewrite(text, &sheet, &changes, |_| cases.clone());
        parse(&out);
        out
    }

    const HEAD: &str = "# A comment.\nnetlist = 'a.cir' # another\n";

    #[test]
    fn a_missing_value_goes_below_its_figure() {
        let text =
            format!("{HEAD}[[expect]]\n  figure = 'v(a)' # here\n  tolerance = '1 %'\n# the end\n");
        let expected = text.replace("# here\n", "# here\n  value = \"5 V\"\n");
        assert_eq!(stored(&text, &[(0, "", "5 V")]), expected);
    }

    #[test]
    fn a_changed_value_is_replaced_where_it_stands() {
        let text = format!(
            "{HEAD}[[expect]]\nvalue = '4 V'   # was\nfigure = 'v(a)'\ntolerance = '1 %'\n"
        );
        let expected = text.replace("'4 V'", "\"5 V\"");
        assert_eq!(stored(&text, &[(0, "", "5 V")]), expected);
    }

    #[test]
    fn cases_get_a_table() {
        let text = format!(
            "{HEAD}[[vary]]\nR1 = [1, 2]\n[[expect]]\nfigure = 'v(a)'\ntolerance = '1 %' # t\n\n\
             [[expect]]\nfigure = 'v(b)'\ntolerance = 1\n"
        );
        let out = stored(&text, &[(0, "R1=1", "5 V"), (0, "R1=2", "6 V")]);
        let table = "# t\n[expect.value]\n\"R1=1\" = \"5 V\"\n\"R1=2\" = \"6 V\"\n\n";
        assert_eq!(out, text.replace("# t\n\n", table));
        // A third one later.
        let wider = out.replace("[1, 2]", "[1, 2, 3]");
        let again = stored(&wider, &[(0, "R1=3", "7 V"), (0, "R1=1", "4 V")]);
        let expected = wider
            .replace("= \"6 V\"\n", "= \"6 V\"\n\"R1=3\" = \"7 V\"\n")
            .replace("5 V", "4 V");
        assert_eq!(again, expected);
    }

    #[test]
    fn cases_that_agree_share_one_value() {
        let text = format!(
            "{HEAD}vary = [{{ R1 = [1, 2] }}]\nexpect = [{{ figure = 'v(a)', tolerance = 1 }}]\n"
        );
        let out = stored(&text, &[(0, "R1=1", "5 V"), (0, "R1=2", "5 V")]);
        assert_eq!(out, text.replace("'v(a)'", "'v(a)', value = \"5 V\""));
        // One of them moves on: the other keeps what it had.
        let out = stored(&out, &[(0, "R1=2", "6 V")]);
        let table = "{ \"R1=1\" = \"5 V\", \"R1=2\" = \"6 V\" }";
        assert_eq!(
            out,
            text.replace("'v(a)'", &format!("'v(a)', value = {table}"))
        );
    }

    #[test]
    fn long_lists_are_broken() {
        let numbers: Vec<String> = (0..40).map(|k| format!("-{k}.25")).collect();
        let text = list(&numbers);
        assert!(text.lines().all(|l| l.len() <= WIDTH), "{text}");
        assert_eq!(text.lines().count(), 6);
        assert_eq!(list(&numbers[..2]), "[-0.25, -1.25]");
    }
}
