//! What a builder meant who wrote more behind a value than a netlist takes: a unit after a space,
//! a tolerance, a rating, a remark.

use crate::num;

/// How remarks are written.
pub(crate) const COMMENTS: &str =
    "comments begin with `*` at the start of a line, or with `;` behind a part";

/// What to write in place of `before found`.
pub(crate) fn hint(before: &str, found: &str, after_comma: bool) -> Option<String> {
    if after_comma {
        let joined = num::comma_hint(&format!("{before},{found}"));
        let general = "a comma separates words; decimals are written with a point";
        return joined.or_else(|| Some(general.to_string()));
    }
    if found.starts_with("//") || found.starts_with(['#', '$', '*', '!']) {
        return Some(COMMENTS.to_string());
    }
    // Only behind a value is it known what the word is for.
    num::parse(before)?;
    let last = before.chars().next_back()?;
    if is_unit(found) && (last.is_ascii_digit() || last == '.') {
        return Some(format!("write `{before}{found}` without the space"));
    }
    if is_unit(found) {
        return Some(format!("write `{before}`: the unit may be left out"));
    }
    let (number, unit) = found.split_at(found.find(|c: char| c.is_alphabetic() || c == '%')?);
    let number = number.trim_start_matches(['\u{b1}', '+', '/', '-']);
    if number.is_empty() {
        return Some("put `;` in front of a remark".to_string());
    }
    num::parse(number)?;
    match unit.to_ascii_lowercase().as_str() {
        "%" => Some(format!(
            "a tolerance goes into the comment: `{before} ; tol={number}%`"
        )),
        "v" | "w" | "kv" | "mw" => Some(format!(
            "a rating goes into the comment: `{before} ; rated={number}{unit}`"
        )),
        _ => None,
    }
}

/// Whether a word is a suffix, a unit or both, as in `k`, `meg`, `uF` and `kOhm`.
fn is_unit(word: &str) -> bool {
    const UNITS: &[&str] = &[
        "", "f", "h", "v", "a", "w", "s", "hz", "ohm", "ohms", "\u{3c9}",
    ];
    const SUFFIXES: &[&str] = &[
        "", "t", "g", "meg", "k", "m", "u", "\u{b5}", "\u{3bc}", "n", "p",
    ];
    // The sign of the ohm is another letter than the capital omega that it looks like.
    let word = word.to_lowercase().replace('\u{2126}', "\u{3c9}");
    let mut units = UNITS.iter().filter_map(|unit| word.strip_suffix(unit));
    !word.is_empty() && units.any(|rest| SUFFIXES.contains(&rest))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_stands_behind_a_value_is_put_where_it_belongs() {
        for (before, found, says) in [
            ("100", "k", "write `100k` without"),
            ("1", "meg", "write `1meg` without"),
            ("4.7", "uF", "write `4.7uF` without"),
            ("1.5", "kOhm", "write `1.5kOhm` without"),
            ("100", "k\u{2126}", "without the space"),
            ("300", "V", "write `300V` without"),
            ("100k", "ohm", "write `100k`: the unit"),
            ("100k", "5%", "`100k ; tol=5%`"),
            ("100k", "\u{b1}5%", "`100k ; tol=5%`"),
            ("47u", "450V", "`47u ; rated=450V`"),
            ("100k", "1W", "`100k ; rated=1W`"),
            ("100k", "metal", "put `;` in front"),
            ("100k", "//", "comments begin with"),
            ("100k", "#", "comments begin with"),
            ("100k", "$", "comments begin with"),
            ("100k", "*metal", "comments begin with"),
        ] {
            let shown = hint(before, found, false).unwrap_or_default();
            assert!(shown.contains(says), "{before} {found}: {shown}");
        }
        assert_eq!(hint("c", "100k", false), None);
        assert_eq!(hint("1k", "5", false), None);
        let shown = hint("1", "5k", true).expect("a hint");
        assert!(shown.contains("`1.5k`"), "{shown}");
        let shown = hint("a", "b", true).expect("a hint");
        assert!(shown.contains("a comma separates words"), "{shown}");
    }
}
