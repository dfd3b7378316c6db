//! Linear solvers behind the project's trait: ours, two libraries and a plain dense
//! elimination. The test battery and `bench/lu.rs` share them.
//!
//! Each adapter is as kind to its library as its interface allows: the order of columns
//! is found once, and what can be kept from one set of values to the next is kept.

use super::circuits::Matrix;
use gridleak::math::lu::{LinearSolver, Singular, StaticLu};
use rsparse::data::{Nmrc, Sprs, Symb};

/// A solver for matrices of one pattern.
pub type Solver = Box<dyn LinearSolver<f64>>;

/// Makes one for the pattern of a matrix.
pub type New = fn(&Matrix) -> Solver;

/// Name and constructor of each; ours comes first.
pub const SOLVERS: &[(&str, New)] = &[
    ("ours", |m| {
        Box::new(StaticLu::new(m.n, &m.indptr, &m.indices))
    }),
    ("rsparse", |m| Box::new(Rsparse::new(m))),
    ("rlu", |m| Box::new(Rlu::new(m))),
    ("dense", |m| Box::new(Dense::new(m))),
];

/// Both libraries say no more than that there is no pivot.
const SOMEWHERE: Singular = Singular { row: 0, column: 0 };

/// Compressed columns, and the place of each entry in the compressed rows.
fn by_columns(m: &Matrix) -> (Vec<usize>, Vec<usize>, Vec<usize>) {
    let mut columns = vec![Vec::new(); m.n];
    for row in 0..m.n {
        for place in m.indptr[row]..m.indptr[row + 1] {
            columns[m.indices[place]].push((row, place));
        }
    }
    let mut starts = vec![0];
    for column in &columns {
        starts.push(starts[starts.len() - 1] + column.len());
    }
    let (rows, places) = columns.into_iter().flatten().unzip();
    (starts, rows, places)
}

/// rsparse: left-looking elimination that searches anew at every factorisation.
struct Rsparse {
    matrix: Sprs<f64>,
    places: Vec<usize>,
    symbolic: Symb,
    factors: Option<Nmrc<f64>>,
    work: Vec<f64>,
}

/// The diagonal is taken where it is at least this part of the largest candidate.
const RSPARSE_TOLERANCE: f64 = 1e-2;
/// The order from the pattern of A + A': on circuits it fills in less than that of A'A.
const RSPARSE_ORDER: i8 = 0;

impl Rsparse {
    fn new(m: &Matrix) -> Self {
        let (starts, rows, places) = by_columns(m);
        let matrix = Sprs {
            nzmax: rows.len(),
            m: m.n,
            n: m.n,
            p: starts.iter().map(|&s| s as isize).collect(),
            i: rows,
            x: vec![0.0; places.len()],
        };
        Rsparse {
            symbolic: rsparse::sqr(&matrix, RSPARSE_ORDER, false),
            matrix,
            places,
            factors: None,
            work: vec![0.0; m.n],
        }
    }
}

impl LinearSolver<f64> for Rsparse {
    fn factor(&mut self, values: &[f64]) -> Result<(), Singular> {
        for (x, &place) in self.matrix.x.iter_mut().zip(&self.places) {
            *x = values[place];
        }
        // Room as for the last factors and a column more, so that nothing is moved.
        self.symbolic.lnz += self.matrix.n;
        self.symbolic.unz += self.matrix.n;
        self.factors = rsparse::lu(&self.matrix, &mut self.symbolic, RSPARSE_TOLERANCE).ok();
        self.factors.as_ref().map(|_| ()).ok_or(SOMEWHERE)
    }

    fn solve(&mut self, b: &mut [f64]) {
        let factors = self.factors.as_ref().expect("factored");
        let rows = factors.pinv.as_ref().expect("lu permutes rows");
        for (&at, &value) in rows.iter().zip(b.iter()) {
            self.work[at as usize] = value;
        }
        rsparse::lsolve(&factors.l, &mut self.work);
        rsparse::usolve(&factors.u, &mut self.work);
        let columns = self.symbolic.q.as_ref().expect("an order was asked for");
        for (&at, &value) in columns.iter().zip(&self.work) {
            b[at as usize] = value;
        }
    }
}

/// rlu: left-looking elimination; pattern and row order are kept as long as pivots hold.
struct Rlu {
    n: usize,
    starts: Vec<usize>,
    rows: Vec<usize>,
    places: Vec<usize>,
    values: Vec<f64>,
    columns: Vec<usize>,
    reachable: Vec<Vec<usize>>,
    row_order: Vec<usize>,
    row_places: Vec<usize>,
    factors: Option<[rlu::Matrix<usize, f64>; 2]>,
    work: Vec<f64>,
}

impl Rlu {
    fn new(m: &Matrix) -> Self {
        let (starts, rows, places) = by_columns(m);
        let control = amd::Control::default();
        let (columns, ..) = amd::order(m.n, &starts, &rows, &control).expect("a valid pattern");
        Rlu {
            n: m.n,
            starts,
            rows,
            values: vec![0.0; places.len()],
            places,
            columns,
            reachable: vec![],
            row_order: vec![0; m.n],
            row_places: vec![],
            factors: None,
            work: vec![0.0; m.n],
        }
    }

    /// Whether every pivot is more than this part of its column: the library does not look.
    fn sound(factors: &[rlu::Matrix<usize, f64>; 2], least: f64) -> bool {
        factors[1].iter().all(|column| {
            let pivot = column.last().map_or(0.0, |&(_, v)| v.abs());
            let largest = column.iter().fold(0.0, |m: f64, &(_, v)| m.max(v.abs()));
            pivot.is_finite() && pivot > least * largest
        })
    }

    fn again(&mut self) -> bool {
        let (lower, upper) = rlu::lu_redecomposition::<usize, f64, usize>(
            self.n,
            &self.rows,
            &self.starts,
            &self.values,
            &self.reachable,
            Some(&self.row_order),
            Some(&self.columns),
            true,
        );
        let factors = [lower, upper];
        let sound = Rlu::sound(&factors, 1e-9);
        self.factors = Some(factors);
        sound
    }
}

impl LinearSolver<f64> for Rlu {
    fn factor(&mut self, values: &[f64]) -> Result<(), Singular> {
        for (x, &place) in self.values.iter_mut().zip(&self.places) {
            *x = values[place];
        }
        if self.factors.is_some() && self.again() {
            return Ok(());
        }
        self.factors = None;
        self.reachable.clear();
        let (lower, upper, rows) = rlu::lu_decomposition::<usize, f64, usize>(
            self.n,
            &self.rows,
            &self.starts,
            &self.values,
            Some(&self.columns),
            Some(&mut self.reachable),
            Some(&mut self.row_order),
            true,
        );
        self.row_places = rows
            .into_iter()
            .collect::<Option<_>>()
            .expect("every row placed");
        let factors = [lower, upper];
        if !Rlu::sound(&factors, 1e-15) {
            return Err(SOMEWHERE);
        }
        self.factors = Some(factors);
        Ok(())
    }

    fn solve(&mut self, b: &mut [f64]) {
        let [lower, upper] = self.factors.as_ref().expect("factored");
        for (&at, &value) in self.row_places.iter().zip(b.iter()) {
            self.work[at] = value;
        }
        rlu::lsolve(lower, &mut self.work);
        rlu::usolve(upper, &mut self.work);
        for (&at, &value) in self.columns.iter().zip(&self.work) {
            b[at] = value;
        }
    }
}

/// Rows of a square array, the largest pivot of each column: the plainest there is.
struct Dense {
    n: usize,
    places: Vec<usize>,
    array: Vec<f64>,
    order: Vec<usize>,
    work: Vec<f64>,
}

impl Dense {
    fn new(m: &Matrix) -> Self {
        let row = |r: usize| m.indices[m.indptr[r]..m.indptr[r + 1]].iter();
        Dense {
            n: m.n,
            places: (0..m.n)
                .flat_map(|r| row(r).map(move |c| r * m.n + c))
                .collect(),
            array: vec![0.0; m.n * m.n],
            order: vec![],
            work: vec![0.0; m.n],
        }
    }
}

impl LinearSolver<f64> for Dense {
    fn factor(&mut self, values: &[f64]) -> Result<(), Singular> {
        let n = self.n;
        self.array.fill(0.0);
        for (&place, &value) in self.places.iter().zip(values) {
            self.array[place] = value;
        }
        self.order = (0..n).collect();
        for k in 0..n {
            let size = |row: &usize| self.array[row * n + k].abs();
            let best = (k..n)
                .max_by(|&a, &b| size(&a).total_cmp(&size(&b)))
                .expect("rows");
            if !size(&best).is_normal() {
                return Err(Singular { row: k, column: k });
            }
            if best != k {
                let (above, below) = self.array.split_at_mut(best * n);
                above[k * n..(k + 1) * n].swap_with_slice(&mut below[..n]);
                self.order.swap(best, k);
            }
            let (above, below) = self.array.split_at_mut((k + 1) * n);
            let pivot_row = &above[k * n..];
            for row in below.chunks_exact_mut(n) {
                let factor = row[k] / pivot_row[k];
                row[k] = factor;
                if factor != 0.0 {
                    for (x, p) in row[k + 1..].iter_mut().zip(&pivot_row[k + 1..]) {
                        *x -= factor * p;
                    }
                }
            }
        }
        Ok(())
    }

    fn solve(&mut self, b: &mut [f64]) {
        let n = self.n;
        for (k, row) in self.array.chunks_exact(n).enumerate() {
            let known: f64 = row[..k].iter().zip(&self.work).map(|(a, y)| a * y).sum();
            self.work[k] = b[self.order[k]] - known;
        }
        for (k, row) in self.array.chunks_exact(n).enumerate().rev() {
            let known: f64 = row[k + 1..]
                .iter()
                .zip(&b[k + 1..])
                .map(|(a, x)| a * x)
                .sum();
            b[k] = (self.work[k] - known) / row[k];
        }
    }
}
