//! Solutions with factors that stay, for right sides of which few entries are given and few unknowns wanted.
//!
//! Right sides are written, and solutions read, in the order of the pivots: no entry is moved. What is
//! nobody's concern is not worked out.

use super::{Scalar, StaticLu};

/// The factors, row after row in the order in which they are needed.
#[derive(Debug, Clone)]
pub struct Sweep<T> {
    /// Pivot step of each row and column of the matrix.
    rows: Vec<usize>,
    columns: Vec<usize>,
    down: Vec<Row>,
    up: Vec<(Row, T)>,
    /// Pivot step and factor.
    entries: Vec<(u32, T)>,
}

/// A row's entries.
#[derive(Debug, Clone, Copy)]
struct Row {
    step: u32,
    from: u32,
    to: u32,
    /// Whether it takes part although not all is wanted.
    wanted: bool,
}

impl<T: Scalar> Sweep<T> {
    /// Of factors; `wanted` are columns of the matrix. None before the first factorisation.
    pub fn new(lu: &StaticLu<T>, wanted: impl Iterator<Item = usize>) -> Option<Self> {
        let plan = lu.plan.as_ref()?;
        let n = plan.row_at.len();
        let inverse = |places: &[u32]| {
            let mut steps = vec![0; n];
            for (step, &place) in places.iter().enumerate() {
                steps[place as usize] = step;
            }
            steps
        };
        let (rows, columns) = (inverse(&plan.row_at), inverse(&plan.column_at));
        let (lower, rest) = plan.values.split_at(plan.lower.len());
        let (upper, per_pivot) = rest.split_at(plan.upper.len());
        let mut entries = Vec::with_capacity(lower.len() + upper.len());
        let mut row = |starts: &[u32], places: &[u32], values: &[T], step: usize| {
            let own = starts[step] as usize..starts[step + 1] as usize;
            let from = entries.len();
            entries.extend(
                places[own.clone()]
                    .iter()
                    .copied()
                    .zip(values[own].iter().copied()),
            );
            Row {
                step: number(step),
                from: number(from),
                to: number(entries.len()),
                wanted: true,
            }
        };
        let down = (0..n).map(|step| row(&plan.l_start, &plan.lower, lower, step));
        // A row without entries stays as it is.
        let mut down: Vec<Row> = down.filter(|row| row.from < row.to).collect();
        let up = (0..n).rev();
        let up = up.map(|step| row(&plan.u_start, &plan.upper, upper, step));
        let up: Vec<Row> = up.collect();
        let mut up: Vec<(Row, T)> = up
            .into_iter()
            .map(|row| (row, per_pivot[row.step as usize]))
            .collect();
        for (row, per_pivot) in &up {
            let own = &mut entries[row.from as usize..row.to as usize];
            // What was solved last comes last, and the pivot is seen to before: all else need not wait.
            own.reverse();
            for (_, x) in own {
                *x = *x * *per_pivot;
            }
        }
        // What is wanted asks for rows that were solved before it.
        let mut asked = vec![false; n];
        for column in wanted {
            asked[columns[column]] = true;
        }
        for (row, _) in up.iter_mut().rev() {
            row.wanted = asked[row.step as usize];
            if row.wanted {
                for &(step, _) in &entries[row.from as usize..row.to as usize] {
                    asked[step as usize] = true;
                }
            }
        }
        in_waves(&mut down, n, |row| *row, &entries);
        in_waves(&mut up, n, |(row, _)| *row, &entries);
        Some(Sweep {
            rows,
            columns,
            down,
            up,
            entries,
        })
    }

    /// Where a row's right side is written.
    pub fn row(&self, row: usize) -> usize {
        self.rows[row]
    }

    /// Where a column's solution is read.
    pub fn column(&self, column: usize) -> usize {
        self.columns[column]
    }

    /// Replaces a right side by the solution, `[n]`; what is not wanted holds nothing of use then, unless
    /// `all` is.
    #[inline(always)]
    pub fn solve(&self, y: &mut [T], all: bool) {
        for row in &self.down {
            y[row.step as usize] = self.left(row, y[row.step as usize], y);
        }
        for (row, per_pivot) in &self.up {
            if row.wanted || all {
                y[row.step as usize] = self.left(row, y[row.step as usize] * *per_pivot, y);
            }
        }
    }

    /// What a row's entries leave of its own.
    #[inline(always)]
    fn left(&self, row: &Row, own: T, y: &[T]) -> T {
        let mut left = own;
        for &(step, x) in &self.entries[row.from as usize..row.to as usize] {
            left -= x * y[step as usize];
        }
        left
    }
}

/// Puts rows side by side that wait for equally many others, one after the other, so that the processor need not
/// finish one before it begins the next; those of one length, so that it foresees where each ends. No sum changes.
fn in_waves<R, T>(rows: &mut [R], n: usize, of: impl Fn(&R) -> Row, entries: &[(u32, T)]) {
    let mut depths = vec![0_u32; n];
    for row in rows.iter().map(&of) {
        let before = entries[row.from as usize..row.to as usize].iter();
        let deepest = before.map(|(step, _)| depths[*step as usize] + 1).max();
        depths[row.step as usize] = deepest.unwrap_or(0);
    }
    rows.sort_by_key(|row| {
        let row = of(row);
        (depths[row.step as usize], row.to - row.from)
    });
}

/// A place as it is kept.
fn number(place: usize) -> u32 {
    u32::try_from(place).expect("fewer than four thousand million")
}

#[cfg(test)]
mod tests {
    use super::super::LinearSolver;
    use super::*;

    /// A ladder's matrix with a voltage source, whose diagonal has a zero.
    #[test]
    fn what_is_wanted_is_solved_as_before() {
        let n = 7;
        let (mut indptr, mut indices, mut values) = (vec![0], vec![], vec![]);
        for row in 0..n {
            for column in 0..n {
                let value = match (row, column) {
                    (0, 1) | (1, 0) => 1.0,
                    (r, c) if r == c && r > 0 => 3.0 + 0.1 * r as f64,
                    (r, c) if r > 0 && c > 0 && usize::abs_diff(r, c) == 1 => {
                        -1.0 - 0.01 * c as f64
                    }
                    _ => continue,
                };
                indices.push(column);
                values.push(value);
            }
            indptr.push(indices.len());
        }
        let mut lu = StaticLu::<f64>::new(n, &indptr, &indices);
        assert!(Sweep::new(&lu, 0..1).is_none());
        lu.factor(&values).unwrap();
        let right: Vec<f64> = (0..n).map(|k| (k * k) as f64 - 3.5).collect();
        let mut expected = right.clone();
        lu.solve(&mut expected);
        let sweep = Sweep::new(&lu, [2, 5].into_iter()).unwrap();
        for all in [false, true] {
            let mut y = vec![0.0; n];
            for (row, value) in right.iter().enumerate() {
                y[sweep.row(row)] = *value;
            }
            sweep.solve(&mut y, all);
            for column in (0..n).filter(|&column| all || column == 2 || column == 5) {
                let off = (y[sweep.column(column)] - expected[column]).abs();
                assert!(off < 1e-14, "{column}: {off:e}");
            }
        }
        assert!(sweep.up.iter().any(|(row, _)| !row.wanted));
    }
}
