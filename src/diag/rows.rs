//! Tables that people write, and where their rows stand in the file.

/// A table as spreadsheets and editors write it.
///
/// Commas, semicolons or tabs stand between the values; where it is not commas, numbers may have
/// them, as half of Europe writes numbers. Lines that begin with # are comments.
pub struct Table<'t> {
    /// Its text without the byte-order mark.
    pub text: &'t str,
    /// Whether a comma in a number is its point.
    pub decimal_commas: bool,
    /// Reads the heading and the rows, which may be of any length.
    pub reader: csv::Reader<&'t [u8]>,
}

/// Two columns have one name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TwoColumns;

impl<'t> Table<'t> {
    /// The table of a text; none if it has no heading.
    pub fn of(text: &'t str) -> Option<Self> {
        let separator = separator(heading(text)?);
        let text = text.trim_start_matches(MARK);
        let reader = csv::ReaderBuilder::new()
            .flexible(true)
            .comment(Some(COMMENT))
            .delimiter(separator as u8)
            .trim(csv::Trim::All)
            .from_reader(text.as_bytes());
        Some(Table {
            text,
            decimal_commas: separator != ',',
            reader,
        })
    }
}

/// The byte-order mark that some editors put before a text.
const MARK: char = '\u{feff}';
/// What a comment begins with.
pub const COMMENT: u8 = b'#';

/// The first line that is neither blank nor a comment.
fn heading(text: &str) -> Option<&str> {
    let mut lines = text.trim_start_matches(MARK).lines();
    let is_said = |l: &&str| !l.trim().is_empty() && !l.as_bytes().starts_with(&[COMMENT]);
    lines.find(is_said)
}

/// What stands between the values of a table.
fn separator(heading: &str) -> char {
    let found = [';', '\t'].into_iter().find(|&c| heading.contains(c));
    found.unwrap_or(',')
}

/// What stands between the values of a text that may have no heading.
pub fn separator_of(text: &str) -> char {
    heading(text).map_or(',', separator)
}

/// Whether the heading of a text has a column.
pub fn has_column(text: &str, column: &str) -> bool {
    let Some(heading) = heading(text) else {
        return false;
    };
    let mut names = heading.split(separator(heading));
    names.any(|name| worth(name.trim().trim_matches('"'), column).is_some())
}

/// Where a column stands, if the heading has it.
///
/// # Errors
/// If two columns have the name, so that either may be meant.
pub fn column(head: &csv::StringRecord, name: &str) -> Result<Option<usize>, TwoColumns> {
    let named = |(_, found): &(usize, &str)| found.eq_ignore_ascii_case(name);
    let mut found = head.iter().enumerate().filter(named);
    match (found.next(), found.next()) {
        (Some(_), Some(_)) => Err(TwoColumns),
        (first, _) => Ok(first.map(|(place, _)| place)),
    }
}

/// Where a column of volts or amperes stands, if the heading has it, and what a bare number in it is
/// worth: the heading may name the unit, as `plate_current (mA)`.
///
/// # Errors
/// If two columns have the name, so that either may be meant.
pub fn measured(head: &csv::StringRecord, name: &str) -> Result<Option<(usize, f64)>, TwoColumns> {
    let named = |(place, found)| worth(found, name).map(|worth| (place, worth));
    let mut found = head.iter().enumerate().filter_map(named);
    match (found.next(), found.next()) {
        (Some(_), Some(_)) => Err(TwoColumns),
        (first, _) => Ok(first),
    }
}

/// What a bare number below a heading is worth, V or A, if the heading is a column's name: by itself, or
/// with a unit of its kind behind it, in brackets or after a blank, a comma, a stroke or `_`.
fn worth(heading: &str, name: &str) -> Option<f64> {
    let is_name = |stem: &str| stem.replace(' ', "_").eq_ignore_ascii_case(name);
    if is_name(heading) {
        return Some(1.0);
    }
    let bare = heading.strip_suffix([')', ']']).unwrap_or(heading);
    let (stem, unit) = bare.rsplit_once(['(', '[', ' ', ',', '/', '_'])?;
    if !is_name(stem.trim_end_matches([' ', ','])) {
        return None;
    }
    let base = if name.ends_with("current") { "A" } else { "V" };
    let scales = match name {
        // What a meter showed has its last digit in volts.
        "value" => &[("", 1.0)][..],
        _ => &[("", 1.0), ("k", 1e3), ("m", 1e-3), ("u", 1e-6)],
    };
    let unit = unit.trim().replace(['\u{b5}', '\u{3bc}'], "u");
    let of = |&(prefix, _): &(&str, f64)| unit.eq_ignore_ascii_case(&format!("{prefix}{base}"));
    scales.iter().find(|s| of(s)).map(|s| s.1)
}

/// A number of a table as `num` reads it: with a decimal point, the minus that keyboards have, and
/// nothing between it and its unit.
pub fn pointed(written: &str, decimal_commas: bool) -> String {
    let signed = written.replace('\u{2212}', "-");
    let text = if decimal_commas || has_decimal_comma(&signed) {
        signed.replace(',', ".")
    } else {
        signed
    };
    match text.find(char::is_alphabetic) {
        Some(unit) => format!("{}{}", text[..unit].trim_end(), &text[unit..]),
        None => text,
    }
}

/// Whether a cell between commas has a decimal comma: some spreadsheets write it in quotes. `1,100`
/// may be eleven hundred, and is left to be refused.
fn has_decimal_comma(text: &str) -> bool {
    let Some((whole, part)) = text.split_once(',') else {
        return false;
    };
    let digits = part.bytes().take_while(u8::is_ascii_digit).count();
    let is_thousands = digits == 3 && whole.trim_start_matches(['-', '+']) != "0";
    digits > 0 && !is_thousands && !part.contains([',', '.'])
}

/// The line of a record, from 1. A record's own position is where the one before it ended: blank
/// lines between, and those that begin with the sign of a comment if there is one, are passed here.
pub fn line_of(text: &str, record: &csv::StringRecord, comment: Option<u8>) -> usize {
    let bytes = text.as_bytes();
    let start = record.position().map_or(0, |p| p.byte() as usize);
    let (before, after) = bytes.split_at(start.min(bytes.len()));
    let skipped = after.split(|&b| b == b'\n').take_while(|line| {
        line.trim_ascii().is_empty() || comment.is_some_and(|sign| line.starts_with(&[sign]))
    });
    1 + before.iter().filter(|&&b| b == b'\n').count() + skipped.count()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_heading_may_name_its_unit() {
        for (heading, name, scale) in [
            ("VPK", "vpk", Some(1.0)),
            ("Vpk (V)", "vpk", Some(1.0)),
            ("Plate current", "plate_current", Some(1.0)),
            ("vpk/kV", "vpk", Some(1e3)),
            ("vpk, V", "vpk", Some(1.0)),
            ("Plate current [mA]", "plate_current", Some(1e-3)),
            ("plate_current_mA", "plate_current", Some(1e-3)),
            ("plate_current (\u{b5}A)", "plate_current", Some(1e-6)),
            ("plate_current (W)", "plate_current", None),
            ("plate_current (mV)", "plate_current", None),
            ("vpk (mA)", "vpk", None),
            ("value (V)", "value", Some(1.0)),
            ("value (mV)", "value", None),
            ("vpk 2", "vpk", None),
            ("(V)", "vpk", None),
        ] {
            assert_eq!(worth(heading, name), scale, "{heading}");
        }
    }

    #[test]
    fn numbers_are_read_as_spreadsheets_write_them() {
        for (written, commas, read) in [
            ("\u{2212}2,0", true, "-2.0"),
            ("1,1 mA", true, "1.1mA"),
            ("250\u{a0}V", false, "250V"),
            // Between commas a cell with one was in quotes.
            ("-2,0", false, "-2.0"),
            ("0,001", false, "0.001"),
            ("1,1 m", false, "1.1m"),
            // Eleven hundred or one and a tenth; a million.
            ("1,100", false, "1,100"),
            ("1,000,000", false, "1,000,000"),
            ("1.2e-3", false, "1.2e-3"),
            ("little", false, "little"),
        ] {
            assert_eq!(pointed(written, commas), read, "{written}");
        }
    }

    #[test]
    fn blank_lines_and_comments_count() {
        let text = "a,b\n\n1,2\n# aside\n\n3,4\r\n\r\n5,6\n";
        let mut reader = csv::ReaderBuilder::new()
            .comment(Some(b'#'))
            .from_reader(text.as_bytes());
        let lines: Vec<usize> = reader
            .records()
            .map(|r| line_of(text, &r.expect("a record"), Some(b'#')))
            .collect();
        assert_eq!(lines, [3, 6, 8]);
        let text = "a\n# one\n\n2\n";
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let lines: Vec<usize> = reader
            .records()
            .map(|r| line_of(text, &r.expect("a record"), None))
            .collect();
        assert_eq!(lines, [2, 4]);
    }
}
