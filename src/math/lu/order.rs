//! The order of pivots, chosen once from the values by Markowitz cost with thresholds.

use super::plan::Plan;
use super::scalar::{Scalar, Singular};

/// An entry may be a pivot if it is at least this fraction of its row's largest.
const THRESHOLD: f64 = 1e-2;
/// How many of the shortest rows are searched for the cheapest pivot.
const SEARCH: usize = 4;
/// Chooses the pivot order from the values and lays out the elimination.
pub(super) fn order<T: Scalar>(
    n: usize,
    indptr: &[usize],
    indices: &[usize],
    values: &[T],
) -> Result<Plan<T>, Singular> {
    let mut active = Active::new(n, indptr, indices, values);
    let mut row_at = Vec::with_capacity(n);
    let mut column_at = Vec::with_capacity(n);
    let mut step_of_column = vec![u32::MAX; n];
    let mut step_of_row = vec![u32::MAX; n];
    let mut l_rows: Vec<Vec<u32>> = vec![Vec::new(); n];
    let mut u_rows: Vec<Vec<usize>> = Vec::with_capacity(n);
    for step in 0..n {
        let (row, column) = active.choose()?;
        for touched in active.eliminate(row, column) {
            l_rows[touched].push(step as u32);
        }
        u_rows.push(
            active.rows[row]
                .iter()
                .map(|&(c, _)| c)
                .filter(|&c| c != column)
                .collect(),
        );
        row_at.push(row as u32);
        column_at.push(column as u32);
        step_of_column[column] = step as u32;
        step_of_row[row] = step as u32;
    }
    // From here on everything is counted in pivot steps.
    let mut l_start = vec![0u32];
    let mut lower = Vec::new();
    let mut u_start = vec![0u32];
    let mut upper = Vec::new();
    for i in 0..n {
        lower.extend_from_slice(&l_rows[row_at[i] as usize]);
        l_start.push(lower.len() as u32);
        let mut u: Vec<u32> = u_rows[i].iter().map(|&c| step_of_column[c]).collect();
        u.sort_unstable();
        upper.extend(u);
        u_start.push(upper.len() as u32);
    }
    let (nl, nu) = (lower.len(), upper.len());
    let mut place = vec![u32::MAX; n];
    let mut targets = Vec::new();
    let mut scatter = vec![0u32; indices.len()];
    for i in 0..n {
        let (ls, le) = (l_start[i] as usize, l_start[i + 1] as usize);
        let (us, ue) = (u_start[i] as usize, u_start[i + 1] as usize);
        for e in ls..le {
            place[lower[e] as usize] = e as u32;
        }
        for e in us..ue {
            place[upper[e] as usize] = (nl + e) as u32;
        }
        place[i] = (nl + nu + i) as u32;
        for &k in &lower[ls..le] {
            let (from, upto) = (
                u_start[k as usize] as usize,
                u_start[k as usize + 1] as usize,
            );
            targets.extend(upper[from..upto].iter().map(|&j| place[j as usize]));
        }
        let row = row_at[i] as usize;
        for e in indptr[row]..indptr[row + 1] {
            scatter[e] = place[step_of_column[indices[e]] as usize];
        }
    }
    Ok(Plan {
        row_at,
        column_at,
        scatter,
        l_start,
        lower,
        u_start,
        upper,
        values: vec![T::default(); nl + nu + n],
        targets,
    })
}

/// The part of the matrix that is not yet eliminated.
pub(super) struct Active<T> {
    pub(super) rows: Vec<Vec<(usize, T)>>,
    /// Rows with an entry in each column; may hold rows already used, never lacks one.
    columns: Vec<Vec<usize>>,
    column_count: Vec<usize>,
    /// Unused rows by length.
    by_length: std::collections::BTreeSet<(usize, usize)>,
    used: Vec<bool>,
    done: Vec<bool>,
}

impl<T: Scalar> Active<T> {
    pub(super) fn new(n: usize, indptr: &[usize], indices: &[usize], values: &[T]) -> Self {
        // Rows and columns are scaled to a largest entry of one, so that siemens and
        // plain ratios can be compared when a pivot is chosen.
        let mut rows: Vec<Vec<(usize, T)>> = (0..n)
            .map(|r| {
                let mut row: Vec<(usize, T)> = (indptr[r]..indptr[r + 1])
                    .map(|e| (indices[e], values[e]))
                    .collect();
                row.sort_by_key(|&(c, _)| c);
                scale(&mut row);
                row
            })
            .collect();
        let mut largest = vec![0.0f64; n];
        for &(c, v) in rows.iter().flatten() {
            largest[c] = largest[c].max(v.magnitude());
        }
        for (c, v) in rows.iter_mut().flatten() {
            if largest[*c] > 0.0 {
                *v = *v * T::real(1.0 / largest[*c]);
            }
        }
        let mut columns = vec![Vec::new(); n];
        for (r, row) in rows.iter().enumerate() {
            for &(c, _) in row {
                columns[c].push(r);
            }
        }
        Active {
            column_count: columns.iter().map(Vec::len).collect(),
            by_length: rows
                .iter()
                .enumerate()
                .map(|(r, row)| (row.len(), r))
                .collect(),
            rows,
            columns,
            used: vec![false; n],
            done: vec![false; n],
        }
    }

    /// The cheapest pivot that is large enough, among the shortest rows.
    pub(super) fn choose(&self) -> Result<(usize, usize), Singular> {
        let mut best: Option<(usize, f64, usize, usize)> = None;
        let mut searched = 0;
        for &(length, r) in &self.by_length {
            let open = |&&(c, _): &&(usize, T)| !self.done[c];
            let largest = self.rows[r]
                .iter()
                .filter(open)
                .map(|&(_, v)| v.magnitude())
                .fold(0.0, f64::max);
            // A row that is nothing but rounding dust cannot give a pivot.
            if largest < 1e-30 || !largest.is_finite() {
                continue;
            }
            for &(c, v) in self.rows[r].iter().filter(open) {
                // Judged by its row alone, a pivot may be a speck in its column, and the
                // smaller unknowns lose their digits.
                let tallest = self.columns[c]
                    .iter()
                    .filter(|&&r| !self.used[r])
                    .filter_map(|&r| {
                        let row = &self.rows[r];
                        let at = row.binary_search_by_key(&c, |e| e.0).ok()?;
                        Some(row[at].1.magnitude())
                    })
                    .fold(0.0, f64::max);
                let size = v.magnitude() / largest.max(tallest);
                if size < THRESHOLD {
                    continue;
                }
                let cost = (length - 1) * (self.column_count[c] - 1);
                if best.is_none_or(|(old, s, ..)| cost < old || (cost == old && size > s)) {
                    best = Some((cost, size, r, c));
                }
            }
            searched += 1;
            // The shortest rows may have none that is fit; the largest entry of all is always.
            if (searched >= SEARCH && best.is_some()) || matches!(best, Some((0, ..))) {
                break;
            }
        }
        match best {
            Some((_, _, r, c)) => Ok((r, c)),
            None => Err(Singular {
                row: self.by_length.iter().next().map_or(0, |&(_, r)| r),
                column: self.done.iter().position(|&d| !d).unwrap_or(0),
            }),
        }
    }

    /// Eliminates a column with a pivot row; the rows that were changed.
    fn eliminate(&mut self, pivot_row: usize, column: usize) -> Vec<usize> {
        self.by_length
            .remove(&(self.rows[pivot_row].len(), pivot_row));
        self.used[pivot_row] = true;
        let pivot_entries = std::mem::take(&mut self.rows[pivot_row]);
        let pivot = pivot_entries
            .iter()
            .find(|&&(c, _)| c == column)
            .map(|&(_, v)| v)
            .expect("the pivot is in its row");
        let mut touched: Vec<usize> = std::mem::take(&mut self.columns[column])
            .into_iter()
            .filter(|&r| !self.used[r])
            .collect();
        touched.sort_unstable();
        for &r in &touched {
            self.by_length.remove(&(self.rows[r].len(), r));
            let old = std::mem::take(&mut self.rows[r]);
            let factor = old
                .iter()
                .find(|&&(c, _)| c == column)
                .map(|&(_, v)| v / pivot)
                .expect("the column list is exact for unused rows");
            let mut merged = Vec::with_capacity(old.len() + pivot_entries.len());
            let (mut a, mut b) = (old.iter().peekable(), pivot_entries.iter().peekable());
            loop {
                match (a.peek(), b.peek()) {
                    (Some(&&(ca, va)), Some(&&(cb, vb))) if ca == cb => {
                        if ca != column {
                            merged.push((ca, va - factor * vb));
                        }
                        a.next();
                        b.next();
                    }
                    (Some(&&(ca, va)), other) if other.is_none_or(|&&(cb, _)| ca < cb) => {
                        merged.push((ca, va));
                        a.next();
                    }
                    (_, Some(&&(cb, vb))) => {
                        merged.push((cb, -(factor * vb)));
                        self.columns[cb].push(r);
                        self.column_count[cb] += 1;
                        b.next();
                    }
                    (_, None) => break,
                }
            }
            self.by_length.insert((merged.len(), r));
            self.rows[r] = merged;
        }
        for &(c, _) in &pivot_entries {
            self.column_count[c] -= 1;
        }
        self.done[column] = true;
        self.rows[pivot_row] = pivot_entries;
        touched
    }
}

fn scale<T: Scalar>(row: &mut [(usize, T)]) {
    let largest = row.iter().map(|&(_, v)| v.magnitude()).fold(0.0, f64::max);
    if largest > 0.0 && largest.is_finite() {
        for (_, v) in row {
            *v = *v * T::real(1.0 / largest);
        }
    }
}
