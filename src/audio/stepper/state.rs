//! Where a compiled circuit is, and how a step moves it on.

use super::answers::evaluate;
use super::blocks::BlockStep;
use super::lengths::{LENGTHS, STAGES, length};
use super::past::{Beyond, Ends, Past, Start};
use super::predict::History;
use super::recipe::Recipe;
use super::rows::Rows;
use super::straight::straight;
use super::tables::Tables;
use super::work::Work;
use crate::device::{TRIODE_ANSWERS, WIDTH};
use crate::math::aligned::Aligned;
use crate::math::panels::HEIGHT;
use crate::math::radau_pair;

/// Newton iterations before a step is divided.
const ITERATIONS: usize = 12;
/// No further evaluation once no control moves by more than this many times what a guess may be off: what such
/// a step leaves over is the laws' curvature along it. So the second evaluation is for parts of a step, which may
/// be further off, and for what is narrow. With a tenth of it errors on music are the same.
const SETTLED: f64 = 2.0;
/// The same of what is narrow, as a part of the volts below.
const NARROWLY: f64 = 2e-3;
/// The most that counts as the swing of a law that is answered by itself, V: a diode blocks
/// hundreds of volts and bends within a tenth of one. Without this the supply's rectifiers never
/// settled.
const NARROW_V: f64 = 0.25;
/// The same for a resistance that is moved: what the blocks leave out of each other is all that
/// is missing there, and a turned knob must be heard and nothing else.
const MOVED_V: f64 = 0.0025;
/// The same for a valve's grid, which bends within some tenths of a volt however far it is driven: what 4 mV
/// leave over is below the 1e-4 V that the audit accepts. At 10 mV it found a grid current that was 1.2e-3 of
/// itself off. Also for its screen and plate, which bend it less by its amplification, but the plate's own current
/// turns as sharply near 0 V; elsewhere they may step by more (`straight`).
const VALVE_V: f64 = 2.0;
/// How much of a control's swing is remembered from step to step: some 50 ms.
pub(super) const FADE: f64 = 0.9999;
/// The least swing that counts, V. With 0.1 what a quiet signal's steps leave over spoils it: the power
/// amplifier at a tenth of its output needed times 8 for what times 4 does so.
const LEAST_SWING_V: f64 = 0.02;
/// Up to this many outputs at both stages, taking all is cheaper than looking which matter.
const FEW_OUTPUTS: usize = 32;
/// A step beyond this is no way to a solution, V.
const WILD_V: f64 = 1e4;

/// No step, however short, could be solved.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stuck {
    /// The unknown whose law would not settle.
    pub unknown: usize,
    /// How far off the guess was, as a part of what it may be; infinite where nothing was found.
    pub surprise: f64,
}

/// Where the circuit is, counted from the operating point.
#[derive(Debug, Clone)]
pub(super) struct State {
    pub time_s: f64,
    /// The rows at the last step and at the one before.
    rows: Aligned<[f64; HEIGHT]>,
    before: Aligned<[f64; HEIGHT]>,
    /// Charges of the states' rows.
    charge: Vec<f64>,
    /// The last step.
    step_s: f64,
    /// What the laws gave beyond their slopes at rest in the last steps.
    history: History,
    /// Whether what is read now and then is worked out.
    pub look: bool,
    /// A guess this far off, as a part of the control's swing, tells of a corner between the
    /// steps: the step is divided. What a corner spoils grows with the step too, so half a
    /// step may be twice as far off.
    pub surprise: f64,
    work: Work,
}

impl State {
    pub fn new(recipe: &Recipe<'_>) -> Self {
        let rows = Rows::of(recipe);
        let (nc, no) = (STAGES * rows.controls, STAGES * recipe.outputs.len());
        let row = Aligned::filled([0.0; HEIGHT], rows.panels());
        let (mut narrow, mut per_swing) = (vec![0.0; nc], vec![1.0 / LEAST_SWING_V; nc]);
        let triodes = recipe.laws.iter().filter(|place| place.lane.is_some());
        let output_valves = recipe.output_valves.iter().map(|&law| &recipe.laws[law]);
        for place in triodes.chain(output_valves) {
            for &c in &place.controls {
                for stage in 0..STAGES {
                    narrow[stage * rows.controls + c] = 1.0 / VALVE_V;
                }
            }
        }
        for &law in &recipe.singles {
            let place = &recipe.laws[law];
            let moved = place.law.least_slopes().is_some();
            let volts = if moved { MOVED_V } else { NARROW_V };
            for &c in &place.controls {
                for stage in 0..STAGES {
                    narrow[stage * rows.controls + c] = 1.0 / volts;
                    // Linear at any moment, it has no corner: a step divided for its sake would
                    // take the knob's own step for one and add it to what is read. Zero stays
                    // zero, and narrower than any swing it is settled all the same.
                    if moved {
                        per_swing[stage * rows.controls + c] = 0.0;
                    }
                }
            }
        }
        let packs = STAGES * recipe.rest.len();
        State {
            time_s: 0.0,
            charge: vec![0.0; rows.states],
            rows: row.clone(),
            before: row.clone(),
            step_s: f64::INFINITY,
            history: History::resting(&vec![0.0; no]),
            look: false,
            surprise: 0.0,
            work: Work {
                start: Start::new(recipe),
                rows: row,
                u: vec![0.0; nc],
                at: Aligned::filled([[0.0; WIDTH]; 2], packs),
                bank: Aligned::filled([[0.0; WIDTH]; TRIODE_ANSWERS], packs),
                y: vec![0.0; no],
                guess: vec![0.0; no],
                dy: vec![0.0; no],
                delta: vec![0.0; nc],
                missing: Aligned::filled([0.0; HEIGHT], nc / HEIGHT),
                matrix: Aligned::default(),
                side: vec![0.0; no],
                part: vec![0.0; 2 * nc],
                significant: Vec::new(),
                significant_slopes: Vec::new(),
                kept: vec![Vec::new(); LENGTHS],
                slopes: vec![0.0; STAGES * recipe.slopes.len()],
                single: Default::default(),
                per_swing,
                narrow,
            },
        }
    }

    /// Puts the circuit where its unknowns are `x` and the charges of its rows `q`, both
    /// `[n]` and counted from where the recipe counts from.
    pub fn place(&mut self, recipe: &Recipe<'_>, x: &[f64], q: &[f64]) {
        let rows = Rows::of(recipe);
        let at = |k: usize| x.get(k).copied().unwrap_or(0.0);
        for (charge, &row) in self.charge.iter_mut().zip(&recipe.states) {
            *charge = q[row];
        }
        let placed = self.rows.as_flattened_mut();
        for stage in 0..STAGES {
            let u = &mut placed[stage * rows.controls..][..rows.controls];
            for (u, &(plus, minus)) in u.iter_mut().zip(&recipe.controls) {
                *u = at(plus) - at(minus);
            }
            let first = rows.first_watched() + stage * rows.watched;
            for (to, &unknown) in placed[first..].iter_mut().zip(&recipe.watched) {
                *to = x[unknown];
            }
        }
        placed[rows.first_state()..][..rows.states].copy_from_slice(&self.charge);
        let controls = self.work.u.len();
        self.work.u.copy_from_slice(&placed[..controls]);
        self.before.copy_from_slice(&self.rows);
        evaluate::<false>(recipe, &mut self.work);
        self.history = History::resting(&self.work.y);
        self.work.rows.copy_from_slice(&self.rows);
        self.work.remember_swing();
    }

    /// A step, the driven source passing through the two values; on failure the state is as
    /// it was. How far off the guess was, as a part of what it may be.
    ///
    /// # Errors
    /// If the guess was further off than that, or the step could not be solved.
    #[inline(always)]
    pub fn advance<const WIDE: bool>(
        &mut self,
        recipe: &Recipe<'_>,
        table: &Tables,
        drive: [f64; STAGES],
        evaluations: &mut u64,
    ) -> Result<f64, Stuck> {
        let work = &mut self.work;
        let (states, sources) = work.start.lead.split_at_mut(self.charge.len());
        states.copy_from_slice(&self.charge);
        for (stage, sources) in sources.chunks_exact_mut(recipe.drives.len()).enumerate() {
            let time_s = self.time_s + radau_pair::NODES[stage] * table.step_s;
            for (to, source) in sources.iter_mut().zip(&recipe.drives) {
                *to = source.value(time_s, drive[stage]);
            }
        }
        self.history.ahead(length(table.level), &mut work.y);
        let may_be = self.surprise;
        let surprise = solve::<WIDE>(recipe, table, work, may_be, self.look, evaluations)?;
        // Done: the new state.
        self.step_s = table.step_s;
        self.history.push(&mut work.y, length(table.level));
        work.remember_swing();
        let first = STAGES * recipe.controls.len();
        let end = &work.rows.as_flattened()[first..];
        for (charge, end) in self.charge.iter_mut().zip(end) {
            *charge = *end;
        }
        std::mem::swap(&mut self.before, &mut self.rows);
        std::mem::swap(&mut self.rows, &mut work.rows);
        Ok(surprise)
    }

    /// The unknowns that are read now and then, counted from the operating point; they hold if
    /// this was looked for.
    pub fn besides(&self, recipe: &Recipe<'_>) -> &[f64] {
        let rows = Rows::of(recipe);
        &self.rows.as_flattened()[rows.first_besides()..][..rows.besides]
    }

    /// The watched unknowns, counted from the operating point.
    pub fn watched(&self, recipe: &Recipe<'_>) -> &[f64] {
        let rows = Rows::of(recipe);
        &self.rows.as_flattened()[rows.first_watched()..][..rows.watched]
    }

    /// The same a third of the way into the last step.
    pub fn watched_inside(&self, recipe: &Recipe<'_>) -> &[f64] {
        let rows = Rows::of(recipe);
        &self.rows.as_flattened()[rows.first_watched() + rows.watched..][..rows.watched]
    }

    /// The length of the last step, s.
    pub fn step_s(&self) -> f64 {
        self.step_s
    }

    /// Their rates, 1/s.
    pub fn rates(&self, recipe: &Recipe<'_>) -> impl Iterator<Item = f64> {
        let rows = Rows::of(recipe);
        self.rates_from(rows.first_watched(), rows.watched)
    }

    /// Those of the unknowns that are read now and then; they hold if these were looked for at
    /// the last two steps.
    pub fn besides_rates(&self, recipe: &Recipe<'_>) -> impl Iterator<Item = f64> {
        let rows = Rows::of(recipe);
        self.rates_from(rows.first_besides(), rows.besides)
    }

    fn rates_from(&self, first: usize, count: usize) -> impl Iterator<Item = f64> {
        (0..count).map(move |k| {
            let at = |of: &[[f64; HEIGHT]], k: usize| of.as_flattened()[first + k];
            let inner = at(&self.rows, count + k);
            radau_pair::end_rate(self.step_s, at(&self.before, k), inner, at(&self.rows, k))
        })
    }

    /// A control now, counted from the operating point.
    pub fn control(&self, recipe: &Recipe<'_>, k: usize) -> f64 {
        self.rows.as_flattened()[(STAGES - 1) * recipe.controls.len() + k]
    }
}

impl Work {
    /// What the laws give beyond their guess. Most guesses are so near that only the laws that move are
    /// left to be taken.
    #[inline(always)]
    fn compare_guess(&mut self) {
        for ((beyond, y), guess) in self.dy.iter_mut().zip(&self.y).zip(&self.guess) {
            *beyond = y - guess;
        }
    }

    /// Leaves the guess of what would move nothing to speak of. So what is left out does not add up: the
    /// next guess goes on from there, and is made good as soon as that moves anything.
    #[inline(always)]
    fn keep_guesses(&mut self, table: &Tables) {
        let all = 0..self.y.len();
        table
            .blocks
            .significant(all, &self.dy, &mut self.significant);
        for (kept, &output) in self.side.iter_mut().zip(&self.significant) {
            *kept = self.y[output];
        }
        self.y.copy_from_slice(&self.guess);
        for (kept, &output) in self.side.iter().zip(&self.significant) {
            self.y[output] = *kept;
        }
    }

    #[inline(always)]
    fn remember_swing(&mut self) {
        let now = self.rows.as_flattened();
        for (per, u) in self.per_swing.iter_mut().zip(now) {
            // The swing fades and grows again by what is there now.
            let faded = *per * (1.0 / FADE);
            let faded = if faded < 1.0 / LEAST_SWING_V {
                faded
            } else {
                1.0 / LEAST_SWING_V
            };
            *per = if u.abs() * faded > 1.0 {
                1.0 / u.abs()
            } else {
                faded
            };
        }
    }
}

/// Takes what outputs do to the controls from these.
#[inline(always)]
fn take(
    table: &Tables,
    outputs: &[f64],
    significant: &mut Vec<usize>,
    controls: &mut [[f64; HEIGHT]],
) {
    let panels = 0..controls.len();
    if let Some(near) = &table.near {
        return near.subtract(outputs, panels, controls);
    }
    if outputs.len() <= FEW_OUTPUTS {
        return table.reach.subtract(outputs, panels, controls);
    }
    let all = 0..outputs.len();
    table.blocks.significant(all, outputs, significant);
    table
        .reach
        .subtract_columns(significant, outputs, panels, controls);
}

/// Solves a step. `work.start` holds its start and sources, `work.y` a guess of what the
/// laws give; both `work.y` and `work.rows` get the solution, with what is read now and then
/// if `look` says so. How far off the guess was, as a part of what it may be.
#[inline(always)]
fn solve<const WIDE: bool>(
    recipe: &Recipe<'_>,
    table: &Tables,
    work: &mut Work,
    may_be: f64,
    look: bool,
    evaluations: &mut u64,
) -> Result<f64, Stuck> {
    let panels = work.missing.len();
    let (start, rows) = (&mut work.start, &mut work.rows);
    if !table.past.controls(recipe, start, &work.y, look, rows) {
        take(table, &work.y, &mut work.significant, &mut rows[..panels]);
    }
    let guessed = work.rows[..panels].as_flattened();
    work.u.copy_from_slice(guessed);
    work.guess.copy_from_slice(&work.y);
    let mut iteration = 0;
    let mut surprise = 0.0;
    loop {
        iteration += 1;
        *evaluations += STAGES as u64;
        evaluate::<WIDE>(recipe, work);
        // What is missing: the controls of the guess, less K times what the laws give beyond it, less u.
        let guessed = work.rows[..panels].as_flattened();
        let missing = work.missing.as_flattened_mut();
        for ((missing, u), guessed) in missing.iter_mut().zip(&work.u).zip(guessed) {
            *missing = guessed - u;
        }
        work.compare_guess();
        take(table, &work.dy, &mut work.significant, &mut work.missing);
        let mut step = BlockStep {
            bank: &work.bank,
            slopes: &work.slopes,
            missing: &mut work.missing,
            delta: &mut work.delta,
            dy: &mut work.dy,
            matrix: &mut work.matrix,
            side: &mut work.side,
            part: &mut work.part,
            significant: &mut work.significant,
            rows: &mut work.significant_slopes,
        };
        let kept = &mut work.kept[table.level];
        if !table.blocks.solve(&table.reach, &mut step, kept) {
            return Err(Stuck {
                unknown: 0,
                surprise: f64::INFINITY,
            });
        }
        let [largest, off, narrow] = sizes(&work.delta, &work.per_swing, &work.narrow);
        if iteration == 1 {
            surprise = off / (may_be * table.patience);
            // The guess was further off than a step without a corner would have it.
            if surprise > 1.0 {
                return Err(stuck(recipe, &work.delta, surprise));
            }
        }
        let settled = off <= SETTLED * may_be;
        if settled && (narrow <= NARROWLY || straight(recipe, table, work, NARROWLY)) {
            break;
        }
        // Written so that NaN is wild too.
        let tame = largest <= WILD_V;
        if iteration >= ITERATIONS || !tame {
            return Err(stuck(recipe, &work.delta, f64::INFINITY));
        }
        for (u, d) in work.u.iter_mut().zip(&work.delta) {
            *u += d;
        }
        if iteration > 3 {
            limit(recipe, work);
        }
    }
    // The last step is so short that the laws are straight along it.
    for (y, dy) in work.y.iter_mut().zip(&work.dy) {
        *y += dy;
    }
    let end = work.rows.as_flattened_mut().iter_mut();
    for ((end, u), d) in end.zip(&work.u).zip(&work.delta) {
        *end = u + d;
    }
    // What the past adds to the rest is not needed before: many a step is divided first.
    let rows = Rows::of(recipe);
    let beyond = panels..if look { rows.panels() } else { rows.needed() };
    if let Past::Eliminated { ends, .. } = &table.past {
        work.compare_guess();
        if let Ends::Each(_) = ends {
            work.keep_guesses(table);
        }
    }
    let laws = Beyond {
        y: &work.y,
        guess: &work.guess,
        dy: &work.dy,
        significant: &work.significant,
    };
    table
        .past
        .rest(recipe, &work.start, laws, beyond, &mut work.rows);
    Ok(surprise)
}

/// The largest move: V, as a part of its control's swing, and of what is narrow there; all NaN
/// if there is one.
#[inline(always)]
fn sizes(delta: &[f64], per_swing: &[f64], narrow: &[f64]) -> [f64; 3] {
    let ((moves, _), (per_swing, _)) = (delta.as_chunks::<WIDTH>(), per_swing.as_chunks::<WIDTH>());
    let (narrow, _) = narrow.as_chunks::<WIDTH>();
    let [mut most, mut off, mut part, mut sum] = [[0.0f64; WIDTH]; 4];
    for ((moves, per_swing), narrow) in moves.iter().zip(per_swing).zip(narrow) {
        for k in 0..WIDTH {
            let size = moves[k].abs();
            most[k] = if size > most[k] { size } else { most[k] };
            let own = size * per_swing[k];
            off[k] = if own > off[k] { own } else { off[k] };
            let own = size * narrow[k];
            part[k] = if own > part[k] { own } else { part[k] };
            sum[k] += moves[k];
        }
    }
    // A comparison passes a NaN over, a sum does not.
    if sum.iter().sum::<f64>().is_nan() {
        return [f64::NAN; 3];
    }
    [most, off, part].map(|lanes| lanes.iter().fold(0.0, |a, &b| if b > a { b } else { a }))
}

/// The unknown behind the control that moves most.
#[cold]
fn stuck(recipe: &Recipe<'_>, delta: &[f64], surprise: f64) -> Stuck {
    let size = |d: f64| if d.is_nan() { f64::INFINITY } else { d.abs() };
    let worst = (0..delta.len()).max_by(|&a, &b| size(delta[a]).total_cmp(&size(delta[b])));
    let (plus, minus) = worst.map_or((0, 0), |k| recipe.controls[k % recipe.controls.len()]);
    let unknown = if plus < recipe.n { plus } else { minus };
    Stuck {
        unknown: unknown.min(recipe.n.saturating_sub(1)),
        surprise,
    }
}

/// Lets the laws draw the controls back after a Newton step that may have gone too far.
#[cold]
fn limit(recipe: &Recipe<'_>, work: &mut Work) {
    for stage in 0..STAGES {
        let first = stage * recipe.controls.len();
        for place in &recipe.laws {
            let now = |&k: &usize| work.u[first + k] + recipe.u[k];
            let mut proposed: Vec<f64> = place.controls.iter().map(now).collect();
            let before = |k: &usize| now(k) - work.delta[first + k];
            let last: Vec<f64> = place.controls.iter().map(before).collect();
            place.law.damp(&mut proposed, &last, place.memory);
            for (&k, proposed) in place.controls.iter().zip(proposed) {
                work.u[first + k] = proposed - recipe.u[k];
            }
        }
    }
}
