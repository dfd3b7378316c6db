//! What the past, the sources and a guess of the laws' outputs make of a step.
//!
//! Of a small circuit matrices are made beforehand that lead from all of these to all that is read. They
//! are dense, though. Beyond some fifty unknowns the linear equations, whose factors are as sparse as the
//! circuit, are solved at each step in less time than the matrices take to be fetched.

use super::lengths::STAGES;
use super::linear::Linear;
use super::recipe::Recipe;
use super::rows::{Places, Rows};
use crate::math::lu::Sweep;
use crate::math::panels::{HEIGHT, Panels};
use crate::math::radau_pair;
use crate::math::sparse_panels::SparsePanels;
use num_complex::Complex;

/// Multiplying takes longer where there are more columns of panels than this for each entry of the
/// factors. (The preamp has 2.8 and the power amplifier 2.5, which take as long or 7 % longer by elimination;
/// the overdrive cascade has 1.9, the whole amplifier 5.5.)
const COLUMNS: usize = 3;
/// Up to this many columns matrices stay in the fastest cache of a processor, 32 kB.
const CACHED: usize = 512;

/// How they are found.
#[derive(Debug)]
pub(super) enum Past {
    /// By matrices.
    Multiplied {
        /// What the states (first columns) and the moving sources at each stage do to the rows.
        lead: SparsePanels,
        /// What the laws' outputs take from the rows beyond the controls.
        ends: SparsePanels,
    },
    /// By the equations themselves, and what outputs beyond their guess take from the rows beyond the
    /// controls.
    Eliminated { swept: Box<Swept>, ends: Ends },
}

/// The equations, and where all that enters and leaves them stands in the order of their pivots; ground stands
/// behind them.
#[derive(Debug)]
pub(super) struct Swept {
    sweep: Sweep<Complex<f64>>,
    /// What a charge that both stages hold, joined, adds to the right side, 1/s.
    rate: Complex<f64>,
    /// What the charge at the start adds to it, 1/s.
    start: Complex<f64>,
    states: Vec<usize>,
    /// Source, place, part.
    sources: Vec<(usize, usize, f64)>,
    /// Where each output enters and leaves, and whether it is a charge.
    outputs: Vec<(usize, usize, bool)>,
    controls: Vec<(usize, usize)>,
    stored: Vec<(usize, usize, f64)>,
    watched: Vec<usize>,
    besides: Vec<usize>,
}

impl Swept {
    pub fn new(recipe: &Recipe<'_>, linear: &Linear) -> Self {
        let n = recipe.n;
        let both = recipe
            .controls
            .iter()
            .flat_map(|&(plus, minus)| [plus, minus]);
        let held = recipe.stored.iter().map(|&(_, column, _)| column);
        let read = both.chain(held).chain(recipe.watched.iter().copied());
        let sweep = linear.sweep(read.filter(|&column| column < n));
        let row = |row: usize| if row < n { sweep.row(row) } else { n };
        let column = |column: usize| if column < n { sweep.column(column) } else { n };
        let drives = recipe.drives.iter().enumerate();
        Swept {
            rate: linear.rate,
            start: linear.start,
            states: recipe.states.iter().map(|&k| row(k)).collect(),
            sources: drives
                .flat_map(|(number, drive)| {
                    let entries = drive.entries.iter();
                    entries.map(move |&(at, part)| (number, row(at), part))
                })
                .collect(),
            outputs: recipe
                .outputs
                .iter()
                .map(|output| (row(output.plus), row(output.minus), output.charge))
                .collect(),
            controls: recipe
                .controls
                .iter()
                .map(|&(plus, minus)| (column(plus), column(minus)))
                .collect(),
            stored: recipe
                .stored
                .iter()
                .map(|&(state, at, c)| (state, column(at), c))
                .collect(),
            watched: recipe.watched.iter().map(|&k| column(k)).collect(),
            besides: recipe.besides.iter().map(|&k| column(k)).collect(),
            sweep,
        }
    }

    /// All unknowns that are read, the laws giving `y`; those that are read now and then as well if `look` says so.
    #[inline(always)]
    fn solve(&self, start: &mut Start, y: &[f64], look: bool) {
        let right = &mut start.joined[..];
        right.fill(Complex::default());
        let (charges, sources) = start.lead.split_at(self.states.len());
        for (&row, charge) in self.states.iter().zip(charges) {
            right[row] = self.start * charge;
        }
        let (first, second) = sources.split_at(sources.len() / STAGES);
        for &(source, row, part) in &self.sources {
            right[row] += radau_pair::join([first[source], second[source]]) * part;
        }
        let (first, second) = y.split_at(self.outputs.len());
        for ((&(plus, minus, charge), &first), &second) in
            self.outputs.iter().zip(first).zip(second)
        {
            let mut value = radau_pair::join([first, second]);
            if charge {
                value *= self.rate;
            }
            right[plus] -= value;
            right[minus] += value;
        }
        let ground = right.len() - 1;
        self.sweep.solve(&mut right[..ground], look);
        right[ground] = Complex::default();
    }
}

/// What outputs take from rows.
#[derive(Debug)]
pub(super) enum Ends {
    /// Those that move anything, one by one.
    Each(Panels),
    /// All of them, where each acts on few.
    All(SparsePanels),
}

/// What a step begins with, and room for a solution.
#[derive(Debug, Clone)]
pub(super) struct Start {
    /// Charges of the states, then the moving sources at each stage.
    pub lead: Vec<f64>,
    /// All unknowns, both stages joined, in the order of the pivots; then ground.
    joined: Vec<Complex<f64>>,
}

impl Start {
    pub fn new(recipe: &Recipe<'_>) -> Self {
        Start {
            lead: vec![0.0; recipe.states.len() + STAGES * recipe.drives.len()],
            joined: vec![Complex::default(); recipe.n + 1],
        }
    }
}

impl Past {
    /// The cheaper way. `reach` is what the laws' outputs take from all rows, `ends` the same from those
    /// beyond the controls without what is nothing.
    pub fn new(
        recipe: &Recipe<'_>,
        linear: Linear,
        lead: SparsePanels,
        reach: Panels,
        ends: SparsePanels,
        is_slim: bool,
    ) -> Self {
        let of = Rows::of(recipe);
        let (controls, needed) = (of.first_state() / HEIGHT, of.needed());
        let columns =
            lead.kept_of(0..needed) + controls * reach.columns() + ends.kept_of(controls..needed);
        if columns <= CACHED.max(COLUMNS * linear.entries()) {
            return Past::Multiplied { lead, ends };
        }
        let ends = if is_slim {
            Ends::All(ends)
        } else {
            Ends::Each(reach)
        };
        let swept = Box::new(Swept::new(recipe, &linear));
        Past::Eliminated { swept, ends }
    }

    /// The controls at both stages; whether with what laws that give `y` take from them, which is to be
    /// taken yet otherwise. `look` where all rows are asked for later. (A closure that does so would not get the
    /// processor's best instructions.)
    #[inline(always)]
    pub fn controls(
        &self,
        recipe: &Recipe<'_>,
        start: &mut Start,
        y: &[f64],
        look: bool,
        rows: &mut [[f64; HEIGHT]],
    ) -> bool {
        match self {
            Past::Multiplied { lead, .. } => {
                let panels = STAGES * recipe.controls.len() / HEIGHT;
                lead.multiply(&start.lead, 0..panels, rows);
                false
            }
            Past::Eliminated { swept, .. } => {
                swept.solve(start, y, look);
                let (first, second) = rows.as_flattened_mut().split_at_mut(recipe.controls.len());
                let to = first.iter_mut().zip(second);
                for ((first, second), &(plus, minus)) in to.zip(&swept.controls) {
                    [*first, *second] = radau_pair::part(start.joined[plus] - start.joined[minus]);
                }
                true
            }
        }
    }

    /// The rows beyond the controls, `panels` of them, the laws giving `y`; after [`Past::controls`].
    #[inline(always)]
    pub fn rest(
        &self,
        recipe: &Recipe<'_>,
        start: &Start,
        laws: Beyond<'_>,
        panels: std::ops::Range<usize>,
        rows: &mut [[f64; HEIGHT]],
    ) {
        match self {
            Past::Multiplied { lead, ends } => {
                lead.multiply(&start.lead, panels.clone(), rows);
                ends.subtract(laws.y, panels, rows);
            }
            Past::Eliminated { swept, ends } => {
                let flat = rows.as_flattened_mut();
                let of = Rows::of(recipe);
                let places = Places {
                    stored: &swept.stored,
                    watched: &swept.watched,
                    besides: &swept.besides,
                };
                of.read(places, &start.joined, panels.end, flat);
                let end = &laws.guess[(STAGES - 1) * recipe.outputs.len()..];
                for &(state, output, sign) in &recipe.charged {
                    flat[of.first_state() + state] += sign * end[output];
                }
                match ends {
                    Ends::Each(ends) => {
                        ends.subtract_columns(laws.significant, laws.dy, panels, rows);
                    }
                    Ends::All(ends) => ends.subtract(laws.dy, panels, rows),
                }
            }
        }
    }
}

/// What the laws give in the end.
pub(super) struct Beyond<'a> {
    pub y: &'a [f64],
    /// What they were guessed to give, and `y` less that.
    pub guess: &'a [f64],
    pub dy: &'a [f64],
    /// The outputs that give anything else.
    pub significant: &'a [usize],
}

#[cfg(test)]
mod tests {
    use super::super::lengths::WHOLE;
    use super::super::recipe::Watched;
    use super::super::tables::Tables;
    use super::*;
    use crate::analysis::operating_point;
    use crate::circuit::Circuit;
    use crate::system::assemble::Driven;

    /// A valve, a coil, and a diode that stores charge.
    const CIRCUIT: &str = "t\nVIN in 0 DC 0 AC 1\nVB top 0 300\nRIN in g 68k\nXV1 p g k 12AX7\nRA top p 100k\n\
        RK k 0 1.5k\nCK k 0 22u\nCO p o 22n\nRO o 0 1meg\nL1 o m 2\nD1 m 0 DJ\nRM m 0 47k\n\
        .model DJ D(IS=1n CJO=40p TT=1u)\n";

    #[test]
    fn matrices_and_elimination_give_the_same() {
        let circuit = Circuit::from_text(CIRCUIT).unwrap();
        let (point, mut assembly) = operating_point::dc(&circuit).unwrap();
        let all: Vec<usize> = (0..point.x.len()).collect();
        let watched = Watched {
            always: &all[..3],
            besides: &all,
        };
        let driven = Driven::Voltage(0);
        let recipe = Recipe::new(&mut assembly, &point.x, driven, watched, None);
        assert!(!recipe.charged.is_empty());
        let step_s = 1.0 / 192e3;
        let table = Tables::new(&recipe, step_s, WHOLE, None).unwrap();
        let Past::Multiplied { ends, .. } = &table.past else {
            panic!("a small circuit");
        };
        let eliminated = Past::Eliminated {
            swept: Box::new(Swept::new(&recipe, &Linear::new(&recipe, step_s).unwrap())),
            ends: Ends::All(ends.clone()),
        };
        let some = |count: usize, size: f64| -> Vec<f64> {
            let one = |k: usize| size * ((k * 7 % 11) as f64 - 4.0);
            (0..count).map(one).collect()
        };
        let guess = some(STAGES * recipe.outputs.len(), 1e-5);
        let dy = some(guess.len(), 3e-6);
        let y: Vec<f64> = guess
            .iter()
            .zip(&dy)
            .map(|(guess, dy)| guess + dy)
            .collect();
        let of = Rows::of(&recipe);
        let [expected, found] = [&table.past, &eliminated].map(|past| {
            let mut start = Start::new(&recipe);
            start.lead = some(start.lead.len(), 1e-9);
            let mut rows = vec![[0.0; HEIGHT]; of.panels()];
            let controls = 0..of.first_state() / HEIGHT;
            if !past.controls(&recipe, &mut start, &guess, true, &mut rows) {
                table.reach.subtract(&guess, controls.clone(), &mut rows);
            }
            let laws = Beyond {
                y: &y,
                guess: &guess,
                dy: &dy,
                significant: &[],
            };
            past.rest(&recipe, &start, laws, controls.end..of.panels(), &mut rows);
            rows
        });
        let size = |k: usize| {
            if (of.first_state()..of.first_watched()).contains(&k) {
                1e-9
            } else {
                1.0
            }
        };
        let rows = expected.as_flattened().iter().zip(found.as_flattened());
        for (k, (expected, found)) in rows.enumerate() {
            let off = (expected - found).abs();
            assert!(
                off <= 1e-9 * (size(k) + expected.abs()),
                "{k}: {expected} {found}"
            );
        }
    }
}
