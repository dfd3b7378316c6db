//! Plain text tables for the terminal.

/// Which side a column keeps to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Words.
    Left,
    /// Numbers.
    Right,
}

/// A table: a head and rows of as many cells.
#[derive(Debug, Clone)]
pub struct Table {
    sides: Vec<Side>,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// With column heads.
    pub fn new(columns: &[(&str, Side)]) -> Self {
        Table {
            sides: columns.iter().map(|c| c.1).collect(),
            rows: vec![columns.iter().map(|c| c.0.to_string()).collect()],
        }
    }

    /// Adds a row.
    pub fn row<S: Into<String>>(&mut self, cells: impl IntoIterator<Item = S>) {
        let mut row: Vec<String> = cells.into_iter().map(Into::into).collect();
        row.resize(self.sides.len(), String::new());
        self.rows.push(row);
    }

    /// Adds a row whose words are broken over lines where a column has a width; of none, 0.
    pub fn row_within<S: Into<String>>(
        &mut self,
        cells: impl IntoIterator<Item = S>,
        widths: &[usize],
    ) {
        let cells = cells.into_iter().map(Into::into).enumerate();
        let broken: Vec<Vec<String>> = cells
            .map(|(c, cell)| match widths.get(c) {
                Some(&width) if width > 0 => broken(&cell, width),
                _ => vec![cell],
            })
            .collect();
        let lines = broken.iter().map(Vec::len).max().unwrap_or(0);
        for k in 0..lines {
            let cell = |lines: &Vec<String>| lines.get(k).cloned().unwrap_or_default();
            self.row(broken.iter().map(cell));
        }
    }

    /// Whether there is no row below the head.
    pub fn is_empty(&self) -> bool {
        self.rows.len() < 2
    }

    /// The sides of the columns.
    pub fn sides(&self) -> &[Side] {
        &self.sides
    }

    /// Head and rows.
    pub fn rows(&self) -> &[Vec<String>] {
        &self.rows
    }

    /// The text, each line indented by two blanks, of a table that is not printed now;
    /// [`Table::text`] is for one that is.
    pub fn lines(&self) -> String {
        let width: Vec<usize> = (0..self.sides.len())
            .map(|c| {
                self.rows
                    .iter()
                    .map(|r| r[c].chars().count())
                    .max()
                    .unwrap_or(0)
            })
            .collect();
        let mut text = String::new();
        for row in &self.rows {
            let mut line = String::from(" ");
            for (c, cell) in row.iter().enumerate() {
                let pad = " ".repeat(width[c] - cell.chars().count());
                line.push(' ');
                match self.sides[c] {
                    Side::Left => line += &format!("{cell}{pad}"),
                    Side::Right => line += &format!("{pad}{cell}"),
                }
                line.push(' ');
            }
            text += line.trim_end();
            text.push('\n');
        }
        text
    }
}

/// A text in lines that are no wider, broken between words.
pub fn broken(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let last = lines.last_mut().expect("never empty");
        if last.is_empty() {
            last.push_str(word);
        } else if last.chars().count() + 1 + word.chars().count() <= width {
            last.push(' ');
            last.push_str(word);
        } else {
            lines.push(word.to_string());
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_cells_are_broken_between_words() {
        let mut table = Table::new(&[("n", Side::Right), ("parts", Side::Left)]);
        table.row_within(["2", "R1 R2 R300"], &[0, 6]);
        table.row_within(["1", ""], &[0, 6]);
        assert_eq!(table.text(), "  n  parts\n  2  R1 R2\n     R300\n  1\n");
    }

    #[test]
    fn columns_line_up() {
        let mut table = Table::new(&[("node", Side::Left), ("volts", Side::Right)]);
        table.row(["plate", "172.3 V"]);
        table.row(["k", "1.6 V"]);
        assert_eq!(
            table.text(),
            "  node     volts\n  plate  172.3 V\n  k        1.6 V\n"
        );
    }
}
