//! Plain text tables for the terminal.

use std::ops::Range;

/// Which side a column keeps to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Words.
    Left,
    /// Numbers.
    Right,
}

/// Blanks before a column.
const GAP: usize = 2;
/// And before what goes on below a row.
const FURTHER_IN: usize = 6;

/// A table: a head and rows of as many cells.
#[derive(Debug, Clone)]
pub struct Table {
    sides: Vec<Side>,
    rows: Vec<Vec<String>>,
    /// Whether a row of the text is a line of the row before it.
    continues: Vec<bool>,
}

impl Table {
    /// With column heads.
    pub fn new(columns: &[(&str, Side)]) -> Self {
        Table {
            sides: columns.iter().map(|c| c.1).collect(),
            rows: vec![columns.iter().map(|c| c.0.to_string()).collect()],
            continues: vec![false],
        }
    }

    /// Adds a row.
    pub fn row<S: Into<String>>(&mut self, cells: impl IntoIterator<Item = S>) {
        let mut row: Vec<String> = cells.into_iter().map(Into::into).collect();
        row.resize(self.sides.len(), String::new());
        self.rows.push(row);
        self.continues.push(false);
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
            self.continues[self.rows.len() - 1] = k > 0;
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

    /// Head and rows, each in one piece where [`Table::row_within`] broke it: a cell's lines end
    /// with a line feed.
    pub fn whole_rows(&self) -> Vec<Vec<String>> {
        let mut whole: Vec<Vec<String>> = Vec::new();
        for (row, &continues) in self.rows.iter().zip(&self.continues) {
            match whole.last_mut().filter(|_| continues) {
                None => whole.push(row.clone()),
                Some(before) => {
                    let cells = before.iter_mut().zip(row);
                    for (cell, more) in cells.filter(|(_, more)| !more.is_empty()) {
                        *cell += &format!("\n{more}");
                    }
                }
            }
        }
        whole
    }

    /// The text, each line indented by two blanks, of a table that is not printed now;
    /// [`Table::text`] is for one that is.
    pub fn lines(&self) -> String {
        let widths = self.widths();
        let all = 0..self.sides.len();
        let lines = self
            .rows
            .iter()
            .map(|row| self.line(row, &widths, all.clone()));
        lines.map(|line| line + "\n").collect()
    }

    /// The same in lines of at most so many characters, where it can be: what does not fit beside
    /// the first columns of a row goes on below them, further in. The words of the last column
    /// stay beside the others in each row that has room for them.
    pub fn folded(&self, wide: usize) -> String {
        let widths = self.widths();
        let whole = self.lines();
        if whole.lines().all(|line| line.chars().count() <= wide) {
            return whole;
        }
        let last = self.sides.len() - 1;
        let has_words = self.sides[last] == Side::Left && last > 0;
        let columns = if has_words { last } else { last + 1 };
        // Columns that fit beside each other.
        let mut folds: Vec<Range<usize>> = Vec::new();
        let mut used = 0;
        for (c, width) in widths.iter().take(columns).enumerate() {
            match folds.last_mut() {
                Some(fold) if used + GAP + width <= wide => {
                    fold.end = c + 1;
                    used += GAP + width;
                }
                _ => {
                    let before = if folds.is_empty() { GAP } else { FURTHER_IN };
                    folds.push(c..c + 1);
                    used = before + width;
                }
            }
        }
        let mut text = String::new();
        let starts = (0..self.rows.len()).filter(|&r| !self.continues[r]);
        for start in starts {
            let more = self.continues[start + 1..]
                .iter()
                .take_while(|c| **c)
                .count();
            let rows = &self.rows[start..=start + more];
            let mut lines: Vec<String> = Vec::new();
            // Where the lines of the last columns begin.
            let mut last_fold = 0;
            for (k, fold) in folds.iter().enumerate() {
                last_fold = lines.len();
                let before = if k == 0 { 0 } else { FURTHER_IN - GAP };
                let own = rows.iter().map(|row| self.line(row, &widths, fold.clone()));
                let own = own.filter(|line| !line.is_empty());
                lines.extend(own.map(|line| " ".repeat(before) + &line));
            }
            if has_words {
                let cells = rows.iter().map(|row| row[last].as_str());
                let words = cells.collect::<Vec<_>>().join(" ");
                let place = used + GAP;
                match lines
                    .get_mut(last_fold)
                    .filter(|_| place + words.trim().chars().count() <= wide)
                {
                    _ if words.trim().is_empty() => {}
                    Some(line) => {
                        let pad = place.saturating_sub(line.chars().count());
                        *line += &(" ".repeat(pad) + words.trim());
                    }
                    None => {
                        let before = " ".repeat(FURTHER_IN);
                        let words = broken(&words, wide.saturating_sub(FURTHER_IN));
                        lines.extend(words.into_iter().map(|w| format!("{before}{w}")));
                    }
                }
            }
            text.extend(lines.into_iter().map(|line| line + "\n"));
        }
        text
    }

    fn widths(&self) -> Vec<usize> {
        let widest = |c: usize| self.rows.iter().map(|r| r[c].chars().count()).max();
        (0..self.sides.len())
            .map(|c| widest(c).unwrap_or(0))
            .collect()
    }

    /// Some columns of a row.
    fn line(&self, row: &[String], widths: &[usize], columns: Range<usize>) -> String {
        let mut line = String::new();
        for c in columns {
            let pad = " ".repeat(widths[c] - row[c].chars().count());
            let (before, after) = match self.sides[c] {
                Side::Left => ("", pad.as_str()),
                Side::Right => (pad.as_str(), ""),
            };
            line += &format!("{}{before}{}{after}", " ".repeat(GAP), row[c]);
        }
        line.trim_end().to_string()
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
        assert_eq!(
            table.whole_rows(),
            [["n", "parts"], ["2", "R1 R2\nR300"], ["1", ""]]
        );
    }

    /// The verdict of a wide table had been at the start of the terminal's next line.
    #[test]
    fn what_does_not_fit_goes_on_below_its_row() {
        let heads = ["valve", "plate", "rated", "verdict"];
        let sides = [Side::Left, Side::Right, Side::Right, Side::Left];
        let columns: Vec<(&str, Side)> = heads.into_iter().zip(sides).collect();
        let mut table = Table::new(&columns);
        table.row(["XV8A", "1.34 mA", "1.00 W", "ok"]);
        table.row([
            "XV4",
            "16.4 mA",
            "12.0 W",
            "OVER: vpk, vg2k, grid circuit resistance",
        ]);
        assert_eq!(
            table.folded(42),
            "  valve    plate   rated  verdict\n\
             \x20 XV8A   1.34 mA  1.00 W  ok\n\
             \x20 XV4    16.4 mA  12.0 W\n\
             \x20     OVER: vpk, vg2k, grid circuit\n\
             \x20     resistance\n"
        );
        assert_eq!(
            table.folded(20),
            "  valve    plate\n\
             \x20      rated\n\
             \x20     verdict\n\
             \x20 XV8A   1.34 mA\n\
             \x20     1.00 W  ok\n\
             \x20 XV4    16.4 mA\n\
             \x20     12.0 W\n\
             \x20     OVER: vpk,\n\
             \x20     vg2k, grid\n\
             \x20     circuit\n\
             \x20     resistance\n"
        );
        assert_eq!(table.folded(200), table.lines());
        let mut parts = Table::new(&[
            ("n", Side::Right),
            ("parts", Side::Left),
            ("note", Side::Left),
        ]);
        parts.row_within(["2", "R1 R2 R300", "of metal film, quiet"], &[0, 6, 9]);
        assert_eq!(
            parts.folded(18),
            "  n  parts  note\n  2  R1 R2\n     R300\n      of metal\n      film, quiet\n"
        );
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
