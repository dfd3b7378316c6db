//! How wide letters are in the fonts that viewers use. No font comes along, so this is the widest of the common
//! ones, measured class by class: what fits by this fits.

/// Widths as a part of the height of a letter.
const NARROW: f64 = 0.36;
const BLANK: f64 = 0.32;
const SMALL: f64 = 0.62;
const CAPITAL: f64 = 0.70;
const WIDE: f64 = 0.98;

/// About how wide a text is, px, in letters of `size` px.
pub fn breadth(text: &str, size: f64) -> f64 {
    let parts = text.chars().map(|c| match c {
        ' ' => BLANK,
        'i' | 'j' | 'l' | 'I' | 'f' | 't' | '.' | ',' | ':' | ';' | '\'' | '|' | '(' | ')'
        | '-' | '/' => NARROW,
        'm' | 'w' | 'M' | 'W' | '%' | '@' => WIDE,
        '=' | '+' | '<' | '>' | '−' | '×' | '±' | '_' => 0.84,
        c if c.is_uppercase() => CAPITAL,
        _ => SMALL,
    });
    size * parts.sum::<f64>()
}

/// A text no wider than `most` px: its beginning and an ellipsis where it is longer.
pub fn fitted(text: &str, size: f64, most: f64) -> String {
    if breadth(text, size) <= most {
        return text.to_owned();
    }
    let mut kept: String = text.to_owned();
    while !kept.is_empty() && breadth(&kept, size) + size * WIDE > most {
        kept.pop();
    }
    kept + "…"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_text_is_cut_where_it_no_longer_fits() {
        assert_eq!(fitted("RK", 11.0, 40.0), "RK");
        let cut = fitted("XV1A_FIRST_PREAMP_TRIODE_LEFT_HALF", 11.0, 120.0);
        assert!(cut.ends_with('…') && breadth(&cut, 11.0) <= 120.0, "{cut}");
        assert!(breadth(&cut, 11.0) > 100.0, "{cut}");
        assert_eq!(fitted("WWW", 10.0, 0.0), "…");
    }
}
