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
    names.any(|name| name.trim().trim_matches('"').eq_ignore_ascii_case(column))
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
