//! `--vary`: several versions of a circuit, every combination of the values asked for.

use super::common::Session;
use super::failure::Failure;
use super::settings::{self, name_span};
use crate::circuit::Circuit;
use crate::circuit::params::Setting;
use crate::diag::Span;
use crate::figure::choice;
use crate::limits::Bound;
use std::ffi::OsString;
use std::path::{Path, PathBuf};

/// One version of the circuit.
#[derive(Debug, Clone, Default)]
pub struct Variant {
    /// What is set beyond the common settings.
    pub settings: Vec<Setting>,
}

impl Variant {
    /// The label with a colon, to stand before a remark; empty for the only version.
    pub fn prefix(&self) -> String {
        match self.label() {
            label if label.is_empty() => label,
            label => format!("{label}: "),
        }
    }

    /// `NAME=value` of each setting as typed, `, ` between them; empty without settings.
    pub fn label(&self) -> String {
        let pairs = |s: &Setting| format!("{}={}", s.target, s.value.text);
        self.settings
            .iter()
            .map(pairs)
            .collect::<Vec<_>>()
            .join(", ")
    }

    /// Its own file: `out.wav` becomes `out-NAME=value.wav`. Letters, digits and `._+=-` stay
    /// as typed, anything else becomes `_`.
    pub fn path(&self, out: &Path) -> PathBuf {
        let mut name: OsString = out.file_stem().unwrap_or_default().to_owned();
        for s in &self.settings {
            let pair = format!("-{}={}", s.target, s.value.text);
            let fits = |c: char| c.is_ascii_alphanumeric() || "._+=-".contains(c);
            let plain: String = pair
                .chars()
                .map(|c| if fits(c) { c } else { '_' })
                .collect();
            name.push(plain);
        }
        if let Some(extension) = out.extension() {
            name.push(".");
            name.push(extension);
        }
        if self.settings.is_empty() {
            out.to_owned()
        } else {
            out.with_file_name(name)
        }
    }
}

/// Every combination of the values of all `--vary NAME=a,b,c`, the last option's changing
/// first; one variant without settings if there is no such option.
///
/// # Errors
/// If an option is not of that form. Names and values are judged when the circuit is built.
pub fn variants(session: &mut Session<'_>, circuit: &Circuit) -> Result<Vec<Variant>, Failure> {
    let mut found = vec![Variant::default()];
    let mut names: Vec<String> = Vec::new();
    for text in session.texts("vary") {
        let wrong = |why: &str| {
            Failure::usage(format!("`--vary {text}` {why}"))
                .hint("expected NAME=a,b,c, for example `--vary R5=47k,100k`")
        };
        let (name, values) = text.split_once('=').ok_or_else(|| wrong("has no `=`"))?;
        let name = name.trim();
        let list: Vec<&str> = values.split(',').map(str::trim).collect();
        if name.is_empty() || list.iter().any(|v| v.is_empty()) {
            return Err(wrong("lacks a name or a value"));
        }
        if names.iter().any(|n| n.eq_ignore_ascii_case(name)) {
            return Err(wrong("names what another --vary does"));
        }
        if let Some(k) = (1..list.len()).find(|&k| list[..k].contains(&list[k])) {
            return Err(wrong(&format!("has the value {} twice", list[k])));
        }
        let count = found.len() as f64 * list.len() as f64;
        session
            .guards
            .within(Bound::Versions, count, |count, most| {
                format!("`--vary` asks for {count} versions at once, at most {most} can be")
            })?;
        names.push(name.to_string());
        let line = format!("--vary {text}");
        let file = session.draft.files.add("command line", line.as_str());
        let what = choice::kind(circuit, name);
        let name_span = name_span(file, &line, text, name);
        // Values are found again in the line by counting on from the equals sign.
        let mut start = line.len() - values.len();
        let settings: Vec<Setting> = values
            .split(',')
            .map(|raw| {
                let end = start + raw.len();
                let value = settings::number(raw.trim(), file, start, end);
                let setting = Setting::new(what, name, value, Some(Span::new(file, start, end)));
                start = end + 1;
                setting.named_at(Some(name_span))
            })
            .collect();
        found = found
            .iter()
            .flat_map(|variant| {
                settings.iter().map(|setting| {
                    let mut variant = variant.clone();
                    variant.settings.push(setting.clone());
                    variant
                })
            })
            .collect();
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::circuit::params::What;
    use crate::diag::Files;

    fn variant(pairs: &[(&str, &str)]) -> Variant {
        let file = Files::default().add("command line", "");
        let setting = |&(name, text): &(&str, &str)| {
            Setting::new(What::Value, name, settings::number(text, file, 0, 0), None)
        };
        Variant {
            settings: pairs.iter().map(setting).collect(),
        }
    }

    #[test]
    fn each_file_is_named_after_its_settings() {
        let out = Path::new("some/out.v2.wav");
        for (pairs, expected) in [
            (&[][..], "some/out.v2.wav"),
            (&[("R5", "47k")], "some/out.v2-R5=47k.wav"),
            (
                &[("R5", "4k7"), ("VOL", "3.5")],
                "some/out.v2-R5=4k7-VOL=3.5.wav",
            ),
            (&[("X1.R5", "-1e3/2 µ")], "some/out.v2-X1.R5=-1e3_2__.wav"),
        ] {
            assert_eq!(variant(pairs).path(out), Path::new(expected));
        }
        let plain = variant(&[("R5", "1k")]).path(Path::new("out"));
        assert_eq!(plain, Path::new("out-R5=1k"));
        assert_eq!(
            variant(&[("R5", "1k"), ("VOL", "3")]).label(),
            "R5=1k, VOL=3"
        );
    }
}
