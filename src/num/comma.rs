//! Decimals that are written with a comma.

/// What to write in place of a number whose decimals stand behind a comma, as in `1,5k` and
/// `0,5 %`; none if the text is not one.
pub fn comma_hint(text: &str) -> Option<String> {
    let (whole, rest) = text.trim().split_once(',')?;
    let digits = whole.strip_prefix(['+', '-']).unwrap_or(whole);
    let is_digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    let tail = rest.trim_start_matches(|c: char| c.is_ascii_digit());
    let decimals = &rest[..rest.len() - tail.len()];
    let is_unit = |c: char| c.is_alphabetic() || c == '%' || c == ' ' || c == '\u{b0}';
    (is_digits(digits) && !decimals.is_empty() && tail.chars().all(is_unit))
        .then(|| format!("write `{whole}.{rest}`: decimals take a point, not a comma"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_comma_between_digits_is_a_slip_for_a_point() {
        for (text, shown) in [
            ("1,5k", "`1.5k`"),
            ("0,02", "`0.02`"),
            ("-7,5", "`-7.5`"),
            ("1,9 V", "`1.9 V`"),
            ("0,5W", "`0.5W`"),
            ("0,5 %", "`0.5 %`"),
        ] {
            let hint = comma_hint(text).unwrap_or_default();
            assert!(hint.contains(shown), "{text}: {hint}");
        }
        for text in ["1.5k", "a,b", "1,2,3", ",5", "5,", "2,k", "SIN(0,1)"] {
            assert_eq!(comma_hint(text), None, "{text}");
        }
    }
}
