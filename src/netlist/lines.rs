//! Lines into statements.

/// The bytes of the next statement with its continuations, and `at` moved behind it. A `+` with no
/// statement before it is a statement of its own.
///
/// Every line is looked at twice at most, or a million comments would take for ever.
pub(crate) fn next_statement(text: &str, at: &mut usize) -> Option<(usize, usize)> {
    let (start, mut end) = loop {
        let (line, next) = line(text, *at)?;
        *at = next;
        if !silent(&text[line.0..line.1]) {
            break line;
        }
    };
    let mut ahead = *at;
    while let Some((range, next)) = line(text, ahead) {
        let words = &text[range.0..range.1];
        ahead = next;
        if words.starts_with('+') {
            end = range.1;
            *at = next;
        } else if !silent(words) {
            break;
        }
    }
    Some((start, end))
}

/// The line at a byte without the blanks around it, and where the next begins.
pub(crate) fn line(text: &str, at: usize) -> Option<((usize, usize), usize)> {
    let rest = text.get(at..).filter(|rest| !rest.is_empty())?;
    let length = rest.find('\n').unwrap_or(rest.len());
    let words = rest[..length].trim_end();
    let start = at + words.len() - words.trim_start().len();
    let next = (at + length + 1).min(text.len());
    Some(((start, at + words.len()), next))
}

/// Whether a line (without blanks around it) says nothing.
fn silent(line: &str) -> bool {
    line.is_empty() || line.starts_with(['*', ';'])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn statements(text: &str) -> Vec<&str> {
        let mut at = 0;
        std::iter::from_fn(|| next_statement(text, &mut at))
            .map(|(start, end)| &text[start..end])
            .collect()
    }

    #[test]
    fn continuations_reach_over_comments_and_empty_lines() {
        assert_eq!(
            statements("* c\n\n R1 a \r\n*x\n\n\t+ b 1k\n*y\nR2\n;\n"),
            ["R1 a \r\n*x\n\n\t+ b 1k", "R2"]
        );
        assert_eq!(statements("+ 1\n+ 2\nR1"), ["+ 1\n+ 2", "R1"]);
        assert!(statements("").is_empty() && statements("\n \n*").is_empty());
    }
}
