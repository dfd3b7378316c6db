//! Where the rows of a table stand in its file.

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
