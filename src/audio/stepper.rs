//! The compiled circuit: one step of Radau IIA a sample, more at a corner, fewer where all is smooth.
//!
//! Everything is counted from the operating point. The linear parts, and the laws'
//! slopes at that point with them, are one matrix J that is factored once for a step
//! size. What is left of the laws, y(u) less those slopes, acts through the few columns
//! of J^-1 that lead from the laws' outputs to their controls u. What the past adds to a
//! stage is a vector h with an entry for each row of the equations that holds charge. So
//! a stage solves
//!
//! ```text
//! u = P h - K y(u)     w = Q h - S y     out = R h - T y
//! ```
//!
//! with Newton on u alone (nodal DK method: D. T. Yeh, thesis, Stanford 2009, ch. 3;
//! M. Holters and U. Zoelzer, DAFx-11; from memory). w are the charges that the next h is
//! made of, out the unknowns somebody reads; the six matrices are compiled (`tables`), as
//! two that hold P, Q, R and K, S, T row under row. Of a large circuit P, Q and R are not made:
//! the equations themselves are solved with what the laws are guessed to give (`past`). Keeping the
//! slopes in J makes it regular also where only valves hold a node in place.
//!
//! Where Newton does not settle, or its first correction tells of a corner within the step,
//! the step is halved, as often as it must be; tables for shorter steps
//! are compiled when first needed. Where guesses, the source and what is heard are smooth enough, a step takes two
//! or four samples, and a cubic through the ends of steps gives the sound between (`ends`). The whole step is compiled for several instruction sets
//! and the processor's best is taken when the circuit is compiled; as no sum changes its
//! order and no product is joined to one, all give the same bits.

mod answers;
mod blocks;
mod ends;
mod lengths;
mod linear;
mod local;
mod past;
mod predict;
mod reading;
mod recipe;
mod rows;
mod state;
mod straight;
mod tables;
mod wave;
mod work;

use crate::device::WIDTH;
use crate::math::lu::Singular;
use crate::math::radau_pair;
use crate::system::assemble::{Assembly, Driven};
use ends::Ends;
pub use lengths::LONGEST;
use lengths::{LENGTHS, STAGES, WHOLE, length, samples};
use pulp::{Arch, Simd, WithSimd};
pub use reading::REACHED;
use reading::Reading;
use recipe::Recipe;
pub use recipe::{Underway, Watched};
pub use state::Stuck;
use state::{FADE, State};
use tables::Tables;
use wave::Wave;
pub use wave::{AHEAD, END, INNER};

/// Parts of one step at most that turn out to be too long: three corners in it, halved as far as it goes,
/// take some 50. Without an end a circuit that never settles would go on for 2^18 parts.
const FAILED: u32 = 2_000;

/// How far off a guess may be, as a part of the control's swing, before a step is divided: as a rule, of samples at
/// 4 times the usual rates, and where corners are passed coarsely. At four times as much errors are some 6 dB larger
/// and a fifth of the work is saved, whatever else is done with a step.
const FINE: f64 = 7.5e-4;
const LESS_FINE: f64 = 1.5e-3;
const COARSE: f64 = 6e-3;

/// A guess for a step twice as long is taken to be as much further off, as a part of what it may be: 32 times where
/// all is smooth (16 times in volts, as it is a polynomial of degree three, and half as much is allowed). At 32
/// errors on music are 1.5 dB larger and no law calls are saved; at 128 they are 1.3 dB smaller for 1 % more.
const LONGER: f64 = 64.0;

/// In a step twice as long a cubic strays as much further from what is heard.
const LONGER_HEARD: f64 = 16.0;

/// Steps of several samples take sines up to this, rad a step, as smooth where corners are about: what the
/// method errs for one (its cube over 72) is then as little heard as what corners leave. Errors on music grow by
/// 0 to 1 dB; at twice as much by 8.
const SMOOTH: f64 = 0.19;
/// The same in coarse steps: aliases stay the same, the error is 3 dB larger, 5 % of the time is saved.
const LESS_SMOOTH: f64 = 0.25;

/// Up to this long, s, shorter samples ask for more: a finer factor is asked for the sake of less error.
const RATE_S: f64 = 1.0 / 192e3;
/// Samples longer than this are too long as it is: at once and twice 48 kHz, with guesses further off, hum of
/// microvolts no longer repeated itself to a hundredth.
const LONG_S: f64 = 1.5 * RATE_S;

/// How long corners are about: a quarter of a second. Where there are none a sound is exact to -120 dB and more,
/// which longer steps would spoil (10 mV, 1 kHz, times 8: -130 dB, -106 with long steps).
const ROUGH_FADE: f64 = 0.99998;

/// A guess up to this far off, as a part of what it may be, calls for half the step; beyond, a quarter.
const HALF_WILL_DO: f64 = 16.0;

/// Outputs of a block, at both stages, beyond which it is wide: those of 24 triodes. (A hundred that
/// all act on each other: minutes for 0.1 s of sound.)
const WIDE: usize = 96;

/// A circuit compiled for a step size, and its state.
#[derive(Debug)]
pub struct Compiled<'c> {
    recipe: Recipe<'c>,
    step_s: f64,
    tables: Vec<Option<Tables>>,
    groups: Vec<Vec<usize>>,
    state: State,
    /// What is listened to, and what lies between the ends of divided steps.
    reading: Reading,
    arch: Arch,
    /// Controls of one law.
    now: Vec<f64>,
    /// Length of the next step to begin with.
    level: usize,
    /// Whether a step may take several samples at once.
    may_be_long: bool,
    /// What is listened to at the ends of steps.
    ends: Ends,
    /// The driven source's swing, V or A.
    swing: f64,
    /// What counts as smooth where corners are about, rad a step.
    smooth: f64,
    /// Whether steps had to be divided of late: 1 at once, fading.
    rough: f64,
    /// Evaluations of all laws.
    pub evaluations: u64,
    /// Steps that had to be divided.
    pub divided: u64,
}

impl<'c> Compiled<'c> {
    /// Compiles a circuit at its operating point `x`, for steps of `step_s`. The driven
    /// source rests at its value there; `watched` unknowns can be read.
    ///
    /// # Errors
    /// If the circuit with its slopes at that point is singular.
    pub fn new(
        assembly: &mut Assembly<'c>,
        x: &[f64],
        step_s: f64,
        driven: Driven,
        watched: Watched<'_>,
    ) -> Result<Self, Singular> {
        let recipe = Recipe::new(assembly, x, driven, watched, None);
        Self::of(recipe, assembly, x, step_s)
    }

    /// Compiles a circuit that is on its way. Everything is counted from `x`, which need not
    /// be an operating point: what the equations miss there goes on as a constant source.
    ///
    /// # Errors
    /// If the circuit with its slopes at `x` is singular.
    pub fn underway(
        assembly: &mut Assembly<'c>,
        x: &[f64],
        step_s: f64,
        driven: Driven,
        watched: Watched<'_>,
        from: &Underway<'_>,
    ) -> Result<Self, Singular> {
        let recipe = Recipe::new(assembly, x, driven, watched, Some(from));
        let part = |now: &[f64], rest: &[f64]| -> Vec<f64> {
            now.iter().zip(rest).map(|(now, rest)| now - rest).collect()
        };
        let rest = x;
        let (x, q) = (part(from.x, x), part(from.q, &assembly.q));
        let mut compiled = Self::of(recipe, assembly, rest, step_s)?;
        compiled.state.place(&compiled.recipe, &x, &q);
        Ok(compiled)
    }

    fn of(
        mut recipe: Recipe<'c>,
        assembly: &Assembly<'c>,
        x: &[f64],
        step_s: f64,
    ) -> Result<Self, Singular> {
        let mut first = Tables::new(&recipe, step_s, WHOLE, None)?;
        let far = local::far(&recipe, &first.reach);
        let still = recipe.still(&first.moved);
        if !far.is_empty() {
            recipe.localise(assembly, x, &far);
        }
        if !still.is_empty() {
            recipe.retire(&still);
        }
        if !(far.is_empty() && still.is_empty()) {
            first = Tables::new(&recipe, step_s, WHOLE, None)?;
        }
        let groups = first.blocks.groups();
        let mut tables: Vec<Option<Tables>> = (0..LENGTHS).map(|_| None).collect();
        tables[WHOLE] = Some(first);
        let mut state = State::new(&recipe);
        state.surprise = if (RATE_S..LONG_S).contains(&step_s) {
            LESS_FINE
        } else {
            FINE
        };
        Ok(Compiled {
            state,
            reading: Reading::default(),
            recipe,
            step_s,
            tables,
            groups,
            arch: Arch::new(),
            now: Vec::new(),
            level: WHOLE,
            may_be_long: false,
            ends: Ends::default(),
            swing: 0.0,
            smooth: SMOOTH,
            rough: 0.0,
            evaluations: 0,
            divided: 0,
        })
    }

    /// Whether laws act on their neighbours alone, so that a step's work grows with the circuit
    /// rather than with its square.
    pub fn is_slim(&self) -> bool {
        self.whole().near.is_some()
    }

    /// Whether too many laws act on each other both ways: to solve them together costs the cube of
    /// their number, more than all else. Rows, in which each acts on few, are solved law after law.
    pub fn is_wide(&self) -> bool {
        self.whole().blocks.widest() > WIDE
    }

    /// The tables of a whole step.
    fn whole(&self) -> &Tables {
        self.tables[WHOLE].as_ref().expect("compiled first")
    }

    /// Says what is listened to: a sum of watched unknowns with signs. From now on a step may take several
    /// samples at once where nothing but the driven source moves fast.
    pub fn listen(&mut self, signs: Vec<(usize, f64)>) {
        self.reading.signs = signs;
        self.may_be_long = self.recipe.is_slow();
    }

    /// What is listened to at the end of the last step, and what that step, if it was divided, adds to
    /// the end before its start, its start, its end and the next.
    pub fn heard(&self) -> (f64, [f64; REACHED]) {
        let now = self.reading.of(self.state.watched(&self.recipe));
        (now, self.reading.between)
    }

    /// What was listened to some samples before the end of the last step, which took more than these.
    pub fn heard_before(&self, samples: usize) -> f64 {
        self.ends.before(samples)
    }

    /// Whether steps are divided late at corners.
    pub fn pass_corners(&mut self, coarse: bool) {
        if coarse {
            self.state.surprise = COARSE;
            self.smooth = LESS_SMOOTH;
        }
    }

    /// Sets the time the circuit is at, s: other sources that move are read from there.
    pub fn set_time(&mut self, time_s: f64) {
        self.state.time_s = time_s;
    }

    /// One step of at most `room` samples, the driven source (counted from its rest) going through `drive`:
    /// start and inner point of the sample's step before, of this one, and so on. How many samples it took.
    ///
    /// # Errors
    /// If not even the shortest part of a sample could be solved.
    pub fn step(&mut self, drive: &[f64; AHEAD], room: usize) -> Result<usize, Stuck> {
        let start_s = self.state.time_s;
        self.reading.between = [0.0; REACHED];
        self.swing = (FADE * self.swing).max(drive[END].abs());
        while self.level <= WHOLE {
            let taken = samples(self.level);
            if self.level < WHOLE && !self.is_calm(drive, room) {
                self.level += 1;
                continue;
            }
            self.compile(self.level)?;
            match self.advance(self.level, wave::stages(drive, taken)) {
                Ok(surprise) => {
                    self.state.time_s = start_s + taken as f64 * self.step_s;
                    self.adapt(surprise);
                    return Ok(taken);
                }
                Err(stuck) => {
                    self.level = finer(self.level, stuck.surprise);
                    self.rough = 1.0;
                }
            }
        }
        self.divided += 1;
        let start = self.reading.moment(&self.state, &self.recipe, self.step_s);
        self.reading.open(start);
        self.parts(&Wave::through(drive), start_s)?;
        let end = self.reading.moment(&self.state, &self.recipe, self.step_s);
        self.reading.close(end);
        self.ends.push(end[0], 1);
        self.state.time_s = start_s + self.step_s;
        Ok(1)
    }

    /// Whether a step that is longer than a sample can be tried.
    fn is_calm(&self, drive: &[f64; AHEAD], room: usize) -> bool {
        let taken = samples(self.level);
        self.may_be_long
            && taken <= room
            && wave::strays(drive, taken) <= self.smooth() * self.swing
    }

    /// Makes the next step longer where this one, and what is heard of it, would have come out well in a longer
    /// one too; shorter where what is heard of a long one did not.
    fn adapt(&mut self, surprise: f64) {
        let taken = samples(self.level);
        let now = self.reading.of(self.state.watched(&self.recipe));
        self.ends.push(now, taken);
        self.rough *= ROUGH_FADE;
        if taken == 1 && !(self.may_be_long && surprise * LONGER < 1.0) {
            return;
        }
        let heard = self.ends.surprise() / self.smooth();
        if heard > 1.0 {
            self.level = (self.level + 1).min(WHOLE);
        } else if self.level > 0 && surprise * LONGER < 1.0 && heard * LONGER_HEARD < 1.0 {
            self.level -= 1;
        }
    }

    /// How far a cubic may stray in a long step, as a part of the swing.
    fn smooth(&self) -> f64 {
        let rate = (self.step_s / RATE_S).min(1.0);
        let rad = self.smooth * (rate * rate * rate) * self.rough;
        (rad * rad) * (rad * rad)
    }

    /// A step of the tables' length; how far off its guess was, as a part of what it may be.
    fn advance(&mut self, level: usize, drive: [f64; 2]) -> Result<f64, Stuck> {
        let surprise = self.arch.dispatch(Advance {
            state: &mut self.state,
            recipe: &self.recipe,
            table: self.tables[level].as_ref().expect("compiled before"),
            drive,
            evaluations: &mut self.evaluations,
        })?;
        self.remember();
        Ok(surprise)
    }

    /// A sample's step in parts, as short as it takes: each begins where one of its length could.
    #[cold]
    fn parts(&mut self, wave: &Wave, start_s: f64) -> Result<(), Stuck> {
        let whole = length(WHOLE);
        let (mut done, mut failed) = (0, 0);
        while done < whole {
            let level = self.level;
            self.compile(level)?;
            let s = |part: f64| (done as f64 + part * length(level) as f64) / whole as f64;
            self.state.time_s = start_s + s(0.0) * self.step_s;
            match self.advance(level, radau_pair::NODES.map(|node| wave.at(s(node)))) {
                Ok(mut surprise) => {
                    self.reading.add(&self.state, &self.recipe, s(0.0), s(1.0));
                    done += length(level);
                    while self.level > WHOLE
                        && done.is_multiple_of(length(self.level - 1))
                        && surprise * LONGER < 1.0
                    {
                        self.level -= 1;
                        surprise *= LONGER;
                    }
                }
                Err(stuck) => {
                    failed += 1;
                    if level + 1 == LENGTHS || failed > FAILED {
                        return Err(stuck);
                    }
                    self.level = finer(level, stuck.surprise);
                }
            }
        }
        Ok(())
    }

    /// Sees to the tables of a length.
    fn compile(&mut self, level: usize) -> Result<(), Stuck> {
        if self.tables[level].is_none() {
            let made = Tables::new(&self.recipe, self.step_s, level, Some(&self.groups));
            self.tables[level] = Some(made.map_err(|singular| Stuck {
                unknown: singular.column,
                surprise: f64::INFINITY,
            })?);
        }
        Ok(())
    }

    /// Moves the laws' discrete states on; triodes have none.
    fn remember(&mut self) {
        for k in 0..self.recipe.remembering.len() {
            let law = self.recipe.remembering[k];
            self.now.clear();
            for &k in &self.recipe.laws[law].controls {
                self.now
                    .push(self.recipe.u[k] + self.state.control(&self.recipe, k));
            }
            let place = &mut self.recipe.laws[law];
            place.memory = place.law.next_memory(&self.now, place.memory);
        }
    }

    /// The watched unknowns now, counted from the operating point.
    pub fn watched(&self) -> &[f64] {
        self.state.watched(&self.recipe)
    }

    /// The length of the last step, or of the last part of one that was divided, s: what rates are taken over.
    pub fn last_s(&self) -> f64 {
        self.state.step_s()
    }

    /// The watched unknowns' rates now, 1/s.
    pub fn rates(&self) -> impl Iterator<Item = f64> {
        self.state.rates(&self.recipe)
    }

    /// Whether the steps to come work out the unknowns that are read now and then.
    pub fn look(&mut self, look: bool) {
        self.state.look = look;
    }

    /// The unknowns that are read now and then, counted from the operating point, and their rates,
    /// 1/s, if they were looked for at the last two steps.
    pub fn besides(&self) -> (&[f64], impl Iterator<Item = f64>) {
        let (state, recipe) = (&self.state, &self.recipe);
        (state.besides(recipe), state.besides_rates(recipe))
    }

    /// The discrete states that may have moved, each with its law's number in the circuit.
    pub fn memory(&self) -> impl Iterator<Item = (usize, f64)> {
        let remembering = self.recipe.remembering.iter();
        remembering.map(|&law| {
            let place = &self.recipe.laws[law];
            (place.number, place.memory)
        })
    }
}

/// The length to try next where a guess was that far off.
fn finer(level: usize, surprise: f64) -> usize {
    let by = if surprise < HALF_WILL_DO { 1 } else { 2 };
    (level + by).min(LENGTHS - 1)
}

/// A step in the processor's best instruction set.
struct Advance<'a, 'c> {
    state: &'a mut State,
    recipe: &'a Recipe<'c>,
    table: &'a Tables,
    drive: [f64; 2],
    evaluations: &'a mut u64,
}

impl WithSimd for Advance<'_, '_> {
    type Output = Result<f64, Stuck>;

    #[inline(always)]
    fn with_simd<S: Simd>(self, _simd: S) -> Self::Output {
        let (state, recipe, table) = (self.state, self.recipe, self.table);
        if S::F64_LANES < STAGES * WIDTH {
            state.advance::<false>(recipe, table, self.drive, self.evaluations)
        } else {
            state.advance::<true>(recipe, table, self.drive, self.evaluations)
        }
    }
}
