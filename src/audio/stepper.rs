//! The compiled circuit: one TR-BDF2 step a sample with nothing left to decide.
//!
//! Everything is counted from the operating point. The linear parts, and the laws'
//! slopes at that point with them, are one matrix J that is factored once for a step
//! size. What is left of the laws, y(u) less those slopes, acts through the few columns
//! of J^-1 that lead from the laws' outputs to their controls u. So a stage solves
//!   x0 = J^-1 r,  u = B'x0 - K y(u),  x = x0 - (J^-1 A) y(u),  K = B' J^-1 A,
//! with Newton on u alone: a small dense system (nodal DK method: D. T. Yeh, thesis,
//! Stanford 2009, ch. 3; M. Holters and U. Zoelzer, DAFx-11; from memory). Keeping the
//! slopes in J makes it regular also where only valves hold a node in place.
//!
//! Where Newton does not settle the step is divided; tables for shorter steps are
//! compiled when first needed.

use crate::circuit::{BranchKind, Circuit};
use crate::device::{Answer, Law};
use crate::math::dense;
use crate::math::integrate::{self, GAMMA};
use crate::math::lu::{LinearSolver, Singular, StaticLu};
use crate::system::assemble::{Ask, Assembly, Driven};
use std::ops::Range;

/// Steps may be divided by four this often.
const DIVISIONS: usize = 9;
/// Newton iterations before a step is divided.
const ITERATIONS: usize = 12;
/// A last step this small needs no further evaluation, V: what it leaves over is its square
/// times the law's curvature (at most some A/V^2 for a diode), below -140 dB of a volt.
const LAST_STEP_V: f64 = 3e-6;

/// A longer last step will do where the curvature seen lately says that it leaves less than
/// this, V ...
const LEFT_V: f64 = 1e-8;
/// ... but never one longer than this, V.
const LONGEST_LAST_V: f64 = 3e-4;
/// How much of the curvature is remembered from stage to stage: about a cycle of a low note.
const FORGET: f64 = 0.9999;
/// Laws whose mutual influence round the loop is above this are solved together.
const LOOP: f64 = 0.01;

/// No step, however short, could be solved.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stuck {
    /// The unknown whose law would not settle.
    pub unknown: usize,
}

/// A circuit compiled for a step size, and its state.
#[derive(Debug)]
pub struct Compiled<'c> {
    recipe: Recipe<'c>,
    tables: Vec<Option<Tables>>,
    state: State,
    /// Evaluations of all laws.
    pub evaluations: u64,
    /// Steps that had to be divided.
    pub divided: u64,
}

/// What does not depend on the step size.
#[derive(Debug)]
struct Recipe<'c> {
    n: usize,
    step_s: f64,
    indptr: Vec<usize>,
    indices: Vec<usize>,
    g: Vec<f64>,
    c: Vec<f64>,
    laws: Vec<Place<'c>>,
    /// Unknowns whose difference each control is; `n` stands for ground.
    controls: Vec<(u32, u32)>,
    /// Equations that each output enters and leaves; `n` stands for ground.
    outputs: Vec<(u32, u32)>,
    /// At the operating point: controls, currents, charges, slopes of both.
    u: Vec<f64>,
    i: Vec<f64>,
    q: Vec<f64>,
    slopes: Vec<f64>,
    charge_slopes: Vec<f64>,
    /// Where the driven source and the other moving sources act.
    driven: (Option<usize>, Option<usize>, f64),
    moving: Vec<Moving<'c>>,
    /// The linear charges' matrix, its zeros left out.
    charge_rows: Vec<u32>,
    charge_columns: Vec<u32>,
    charge_values: Vec<f64>,
    /// Laws that act on each other, one after the other in the direction of the signal.
    blocks: Vec<Range<usize>>,
}

/// A law and where its controls, outputs and slopes stand among those of all laws.
#[derive(Debug)]
struct Place<'c> {
    /// Its number in the circuit.
    index: usize,
    law: &'c dyn Law,
    controls: usize,
    outputs: usize,
    first_control: usize,
    first_output: usize,
    first_slope: usize,
    memory: f64,
    stores: bool,
}

/// A source that moves by itself.
#[derive(Debug)]
struct Moving<'c> {
    drive: &'c crate::device::source::Drive,
    rest: f64,
    plus: Option<usize>,
    minus: Option<usize>,
    sign: f64,
}

/// What depends on the step size.
#[derive(Debug)]
struct Tables {
    a: f64,
    step_s: f64,
    lu: StaticLu<f64>,
    /// Slopes in J: those at the operating point, charges included.
    slopes: Vec<f64>,
    /// J^-1 A: one column of n + 1 (the last for ground, zero) for each output.
    reach: Vec<f64>,
    /// K, `[controls * outputs]`, column by column: what each output does to all controls.
    feedback: Vec<f64>,
}

/// Where the circuit is, counted from the operating point.
#[derive(Debug, Clone)]
struct State {
    time_s: f64,
    /// Unknowns, and a zero for ground.
    x: Vec<f64>,
    /// Those at the start and at the inner point of the last step, and that step's factor a.
    x_start: Vec<f64>,
    x_inner: Vec<f64>,
    a: f64,
    charge: Vec<f64>,
    charge_rate: Vec<f64>,
    law_charge: Vec<f64>,
    law_rate: Vec<f64>,
    /// The controls at the inner point two steps back, at the start and at the inner point
    /// of the last step, and now.
    past: [Vec<f64>; 4],
    /// Steps of one length that led here without a break: what `past` holds of them.
    steps: usize,
    drive: f64,
    work: Work,
}

/// Buffers.
#[derive(Debug, Clone, Default)]
struct Work {
    r: Vec<f64>,
    u: Vec<f64>,
    goal: Vec<f64>,
    y: Vec<f64>,
    slopes: Vec<f64>,
    matrix: Vec<f64>,
    delta: Vec<f64>,
    i: Vec<f64>,
    q: Vec<f64>,
    c: Vec<f64>,
    offset: Vec<f64>,
    law_offset: Vec<f64>,
    inner_charge: Vec<f64>,
    inner_law_charge: Vec<f64>,
    law_charge: Vec<f64>,
    at: Vec<f64>,
    last: Vec<f64>,
    /// Largest ratio of a Newton step to the square of the one before, 1/V, fading.
    curvature: f64,
    solving: Vec<f64>,
    inner_x: Vec<f64>,
}

impl<'c> Compiled<'c> {
    /// Compiles a circuit at its operating point `x`, for steps of `step_s`. The driven
    /// source rests at its value there.
    pub fn new(
        assembly: &mut Assembly<'c>,
        x: &[f64],
        step_s: f64,
        driven: Driven,
    ) -> Result<Self, Singular> {
        let in_order: Vec<usize> = (0..assembly.circuit.laws.len()).collect();
        let trial = Recipe::new(assembly, x, step_s, driven, &in_order);
        let blocks = blocks(&trial, &trial.tables(step_s)?);
        let order: Vec<usize> = blocks.concat();
        let mut recipe = Recipe::new(assembly, x, step_s, driven, &order);
        let mut first = 0;
        for block in &blocks {
            recipe.blocks.push(first..first + block.len());
            first += block.len();
        }
        let (n, nc, no) = (recipe.n, recipe.u.len(), recipe.i.len());
        let state = State {
            time_s: 0.0,
            x: vec![0.0; n + 1],
            x_start: vec![0.0; n + 1],
            x_inner: vec![0.0; n + 1],
            a: 0.0,
            charge: vec![0.0; n],
            charge_rate: vec![0.0; n],
            law_charge: vec![0.0; no],
            law_rate: vec![0.0; no],
            past: std::array::from_fn(|_| vec![0.0; nc]),
            steps: 0,
            drive: 0.0,
            work: Work {
                r: vec![0.0; n + 1],
                u: vec![0.0; nc],
                goal: vec![0.0; nc],
                y: vec![0.0; no],
                slopes: vec![0.0; recipe.slopes.len()],
                matrix: vec![0.0; nc * nc],
                delta: vec![0.0; nc],
                i: vec![0.0; no],
                q: vec![0.0; no],
                c: vec![0.0; recipe.slopes.len()],
                offset: vec![0.0; n],
                law_offset: vec![0.0; no],
                inner_charge: vec![0.0; n],
                inner_law_charge: vec![0.0; no],
                law_charge: vec![0.0; no],
                at: vec![0.0; nc],
                last: vec![0.0; nc],
                curvature: 1e3,
                solving: vec![0.0; n],
                inner_x: vec![0.0; n + 1],
            },
        };
        let first = recipe.tables(step_s)?;
        let mut tables: Vec<Option<Tables>> = (0..=DIVISIONS).map(|_| None).collect();
        tables[0] = Some(first);
        Ok(Compiled {
            recipe,
            tables,
            state,
            evaluations: 0,
            divided: 0,
        })
    }

    /// Sets the time the circuit is at, s: other sources that move are read from there.
    pub fn set_time(&mut self, time_s: f64) {
        self.state.time_s = time_s;
    }

    /// One step, the driven source going from where it is through `inner` to `end` (counted
    /// from its rest).
    pub fn step(&mut self, inner: f64, end: f64) -> Result<(), Stuck> {
        let from = self.state.drive;
        let t0 = self.state.time_s;
        let table = self.tables[0].as_ref().expect("compiled first");
        let step_s = table.step_s;
        if self
            .state
            .advance(&self.recipe, table, [inner, end], &mut self.evaluations)
            .is_err()
        {
            self.divided += 1;
            self.divide([from, inner, end], t0)?;
        }
        self.state.time_s = t0 + step_s;
        self.remember();
        Ok(())
    }

    /// The same step in shorter ones.
    fn divide(&mut self, drive: [f64; 3], t0: f64) -> Result<(), Stuck> {
        let at = |s: f64| {
            let w = integrate::interpolate(s);
            w[0] * drive[0] + w[1] * drive[1] + w[2] * drive[2]
        };
        self.state.steps = 0;
        // Parts of the step are counted in the shortest ones, so that they add up exactly.
        let whole = 1u64 << (2 * DIVISIONS);
        let (mut done, mut level) = (0u64, 1);
        while done < whole {
            if self.tables[level].is_none() {
                let step_s = self.recipe.step_s / (1u64 << (2 * level)) as f64;
                let made = self
                    .recipe
                    .tables(step_s)
                    .map_err(|s| Stuck { unknown: s.column })?;
                self.tables[level] = Some(made);
            }
            let table = self.tables[level].as_ref().expect("just compiled");
            let part = whole >> (2 * level);
            let s = |k: f64| (done as f64 + k * part as f64) / whole as f64;
            self.state.time_s = t0 + s(0.0) * self.recipe.step_s;
            let values = [at(s(GAMMA)), at(s(1.0))];
            match self
                .state
                .advance(&self.recipe, table, values, &mut self.evaluations)
            {
                Ok(()) => {
                    done += part;
                    self.remember();
                    self.state.steps = 0;
                    // Longer again where the finer grid allows it.
                    if level > 1 && done % (whole >> (2 * (level - 1))) == 0 {
                        level -= 1;
                    }
                }
                Err(stuck) => {
                    level += 1;
                    if level > DIVISIONS {
                        return Err(stuck);
                    }
                }
            }
        }
        Ok(())
    }

    /// Moves the laws' discrete states on.
    fn remember(&mut self) {
        for place in &mut self.recipe.laws {
            let at = place.first_control..place.first_control + place.controls;
            let now = &mut self.state.work.at[..place.controls];
            for ((w, d), u) in now
                .iter_mut()
                .zip(&self.state.past[3][at.clone()])
                .zip(&self.recipe.u[at])
            {
                *w = u + d;
            }
            place.memory = place.law.next_memory(now, place.memory);
        }
    }

    /// The unknowns now, counted from the operating point; `[n]`.
    pub fn x(&self) -> &[f64] {
        &self.state.x[..self.recipe.n]
    }

    /// The unknowns' rates now, 1/s; `[n]`.
    pub fn rates(&self) -> impl Iterator<Item = f64> + '_ {
        let s = &self.state;
        (0..self.recipe.n).map(|k| integrate::end_rate(s.a, s.x[k], s.x_inner[k], s.x_start[k]))
    }

    /// The discrete states of the laws, in the order of the circuit.
    pub fn memory(&self) -> impl Iterator<Item = f64> + '_ {
        let mut memory = vec![0.0; self.recipe.laws.len()];
        for place in &self.recipe.laws {
            memory[place.index] = place.memory;
        }
        memory.into_iter()
    }

    /// One unknown's distance from its operating point; none is ground.
    pub fn unknown(&self, k: Option<usize>) -> f64 {
        self.state.x[k.unwrap_or(self.recipe.n)]
    }
}

impl<'c> Recipe<'c> {
    /// What stays the same for every step size, the laws in the order given.
    fn new(
        assembly: &mut Assembly<'c>,
        x: &[f64],
        step_s: f64,
        driven: Driven,
        order: &[usize],
    ) -> Self {
        let circuit: &'c Circuit = assembly.circuit;
        assembly.evaluate(x, Ask::at(0.0), 0.0, false);
        let n = assembly.len();
        let (indptr, indices) = assembly.pattern();
        let (g, c) = assembly.linear_values();
        let mut recipe = Recipe {
            n,
            step_s,
            indptr: indptr.to_vec(),
            indices: indices.to_vec(),
            g: g.to_vec(),
            c: c.to_vec(),
            laws: Vec::new(),
            controls: Vec::new(),
            outputs: Vec::new(),
            u: Vec::new(),
            i: Vec::new(),
            q: Vec::new(),
            slopes: Vec::new(),
            charge_slopes: Vec::new(),
            driven: place_of(circuit, n, driven),
            moving: moving(circuit, n, driven),
            charge_rows: Vec::new(),
            charge_columns: Vec::new(),
            charge_values: Vec::new(),
            blocks: Vec::new(),
        };
        for row in 0..n {
            for e in recipe.indptr[row]..recipe.indptr[row + 1] {
                if recipe.c[e] != 0.0 {
                    recipe.charge_rows.push(row as u32);
                    recipe.charge_columns.push(recipe.indices[e] as u32);
                    recipe.charge_values.push(recipe.c[e]);
                }
            }
        }
        for &index in order {
            let part = &circuit.laws[index];
            let (controls, outputs) = assembly.wires(index);
            let (nc, no) = (controls.len(), outputs.len());
            recipe.laws.push(Place {
                index,
                law: part.law.as_ref(),
                controls: nc,
                outputs: no,
                first_control: recipe.u.len(),
                first_output: recipe.i.len(),
                first_slope: recipe.slopes.len(),
                memory: assembly.memory[index],
                stores: false,
            });
            let signed = |wires: &[(usize, f64)], sign: f64| {
                wires
                    .iter()
                    .find(|w| w.1 == sign)
                    .map_or(n as u32, |w| w.0 as u32)
            };
            recipe
                .controls
                .extend(controls.iter().map(|w| (signed(w, 1.0), signed(w, -1.0))));
            recipe
                .outputs
                .extend(outputs.iter().map(|w| (signed(w, 1.0), signed(w, -1.0))));
            let u: Vec<f64> = controls
                .iter()
                .map(|w| w.iter().map(|&(k, sign)| sign * x[k]).sum())
                .collect();
            recipe.u.extend(&u);
            recipe.i.resize(recipe.i.len() + no, 0.0);
            recipe.q.resize(recipe.q.len() + no, 0.0);
            recipe.slopes.resize(recipe.slopes.len() + nc * no, 0.0);
            recipe
                .charge_slopes
                .resize(recipe.charge_slopes.len() + nc * no, 0.0);
            let place = recipe.laws.last().expect("just pushed");
            part.law.answer(
                &u,
                place.memory,
                &mut Answer {
                    i: &mut recipe.i[place.first_output..],
                    q: &mut recipe.q[place.first_output..],
                    g: &mut recipe.slopes[place.first_slope..],
                    c: &mut recipe.charge_slopes[place.first_slope..],
                },
            );
            let stores = stores_charge(part.law.as_ref(), place.memory, &u, no);
            recipe.laws.last_mut().expect("just pushed").stores = stores;
        }
        recipe
    }

    /// The tables for a step size.
    fn tables(&self, step_s: f64) -> Result<Tables, Singular> {
        let a = integrate::factor(step_s);
        let (nc, no, n) = (self.controls.len(), self.outputs.len(), self.n);
        let mut values: Vec<f64> = self.g.iter().zip(&self.c).map(|(g, c)| g + a * c).collect();
        let slopes: Vec<f64> = self
            .slopes
            .iter()
            .zip(&self.charge_slopes)
            .map(|(g, c)| g + a * c)
            .collect();
        for place in &self.laws {
            for o in 0..place.outputs {
                for k in 0..place.controls {
                    let slope = slopes[place.first_slope + o * place.controls + k];
                    let (rp, rm) = self.outputs[place.first_output + o];
                    let (cp, cm) = self.controls[place.first_control + k];
                    for (row, row_sign) in [(rp, 1.0), (rm, -1.0)] {
                        for (column, column_sign) in [(cp, 1.0), (cm, -1.0)] {
                            if (row as usize) < n && (column as usize) < n {
                                let from = self.indptr[row as usize];
                                let within = &self.indices[from..self.indptr[row as usize + 1]];
                                let e = within
                                    .iter()
                                    .position(|&c| c == column as usize)
                                    .expect("in the pattern");
                                values[from + e] += row_sign * column_sign * slope;
                            }
                        }
                    }
                }
            }
        }
        let mut lu = StaticLu::new(n, &self.indptr, &self.indices);
        lu.factor(&values)?;
        let mut reach = vec![0.0; no * (n + 1)];
        for (o, &(plus, minus)) in self.outputs.iter().enumerate() {
            let column = &mut reach[o * (n + 1)..(o + 1) * (n + 1)];
            column[plus as usize] += 1.0;
            column[minus as usize] -= 1.0;
            column[n] = 0.0;
            lu.solve(&mut column[..n]);
        }
        let mut feedback = vec![0.0; nc * no];
        for (k, &(plus, minus)) in self.controls.iter().enumerate() {
            for o in 0..no {
                let column = &reach[o * (n + 1)..(o + 1) * (n + 1)];
                feedback[o * nc + k] = column[plus as usize] - column[minus as usize];
            }
        }
        Ok(Tables {
            a,
            step_s,
            lu,
            slopes,
            reach,
            feedback,
        })
    }
}

impl State {
    /// Both stages of a step; on failure the state is as it was.
    fn advance(
        &mut self,
        recipe: &Recipe<'_>,
        table: &Tables,
        drive: [f64; 2],
        evaluations: &mut u64,
    ) -> Result<(), Stuck> {
        let a = table.a;
        let work = &mut self.work;
        // Trapezoid to the inner point.
        inner_history(a, &self.charge, &self.charge_rate, &mut work.offset);
        inner_history(a, &self.law_charge, &self.law_rate, &mut work.law_offset);
        // Controls to start from: the cubic through the last four points known.
        let [p0, p1, p2, p3] = &self.past;
        match self.steps {
            0 => work.u.copy_from_slice(p3),
            1 => blend(
                [0.0, AHEAD_FIRST[0], AHEAD_FIRST[1], AHEAD_FIRST[2]],
                [p0, p1, p2, p3],
                &mut work.u,
            ),
            _ => blend(AHEAD_INNER, [p0, p1, p2, p3], &mut work.u),
        }
        let t = self.time_s + GAMMA * table.step_s;
        stage(recipe, table, work, drive[0], t, evaluations)?;
        charges(recipe, &work.r, &mut work.inner_charge);
        work.inner_x.copy_from_slice(&work.r);
        work.inner_law_charge.copy_from_slice(&work.law_charge);
        // Backward difference to the end; `last` keeps the inner point's controls.
        work.last.copy_from_slice(&work.u);
        end_history(a, &work.inner_charge, &self.charge, &mut work.offset);
        end_history(
            a,
            &work.inner_law_charge,
            &self.law_charge,
            &mut work.law_offset,
        );
        match self.steps {
            0 => work.u.copy_from_slice(&work.last),
            _ => blend(AHEAD_END, [p1, p2, p3, &work.last], &mut work.u),
        }
        let t = self.time_s + table.step_s;
        stage(recipe, table, work, drive[1], t, evaluations)?;
        // Done: the new state.
        self.drive = drive[1];
        // The inner point before last falls out; the places move up.
        self.past.rotate_left(2);
        std::mem::swap(&mut self.past[2], &mut work.last);
        self.past[3].copy_from_slice(&work.u);
        self.steps += 1;
        self.a = a;
        std::mem::swap(&mut self.x_start, &mut self.x);
        std::mem::swap(&mut self.x_inner, &mut work.inner_x);
        self.x.copy_from_slice(&work.r);
        charges(recipe, &self.x, &mut work.offset);
        end_rates(
            a,
            &work.offset,
            &work.inner_charge,
            &self.charge,
            &mut self.charge_rate,
        );
        std::mem::swap(&mut self.charge, &mut work.offset);
        end_rates(
            a,
            &work.law_charge,
            &work.inner_law_charge,
            &self.law_charge,
            &mut self.law_rate,
        );
        self.law_charge.copy_from_slice(&work.law_charge);
        Ok(())
    }
}

/// What the past adds to the rates at the inner point.
fn inner_history(a: f64, start: &[f64], start_rate: &[f64], out: &mut [f64]) {
    for ((out, q), rate) in out.iter_mut().zip(start).zip(start_rate) {
        *out = integrate::inner_rate(a, 0.0, *q, *rate);
    }
}

/// What the past adds to the rates at the end.
fn end_history(a: f64, inner: &[f64], start: &[f64], out: &mut [f64]) {
    for ((out, inner), start) in out.iter_mut().zip(inner).zip(start) {
        *out = integrate::end_rate(a, 0.0, *inner, *start);
    }
}

/// The rates at the end.
fn end_rates(a: f64, end: &[f64], inner: &[f64], start: &[f64], out: &mut [f64]) {
    for (((out, end), inner), start) in out.iter_mut().zip(end).zip(inner).zip(start) {
        *out = integrate::end_rate(a, *end, *inner, *start);
    }
}

/// Four points with their weights.
fn blend(w: [f64; 4], p: [&[f64]; 4], out: &mut [f64]) {
    let [p0, p1, p2, p3] = p;
    for ((((out, a), b), c), d) in out.iter_mut().zip(p0).zip(p1).zip(p2).zip(p3) {
        *out = w[0] * a + w[1] * b + w[2] * c + w[3] * d;
    }
}

/// Linear charges at the unknowns.
fn charges(recipe: &Recipe<'_>, x: &[f64], out: &mut [f64]) {
    out.fill(0.0);
    for ((&row, &column), value) in recipe
        .charge_rows
        .iter()
        .zip(&recipe.charge_columns)
        .zip(&recipe.charge_values)
    {
        out[row as usize] += value * x[column as usize];
    }
}

/// Solves one stage: unknowns into `work.r`, controls into `work.u`, charges of the laws
/// into `work.law_charge`. `work.offset` and `work.law_offset` hold the stage's history.
fn stage(
    recipe: &Recipe<'_>,
    table: &Tables,
    work: &mut Work,
    drive: f64,
    time_s: f64,
    evaluations: &mut u64,
) -> Result<(), Stuck> {
    let n = recipe.n;
    let nc = recipe.controls.len();
    for (r, offset) in work.r.iter_mut().zip(&work.offset) {
        *r = -offset;
    }
    let (plus, minus, sign) = recipe.driven;
    if let Some(k) = plus {
        work.r[k] += sign * drive;
    }
    if let Some(k) = minus {
        work.r[k] -= sign * drive;
    }
    for source in &recipe.moving {
        let moved = source.sign * (source.drive.value(time_s) - source.rest);
        if let Some(k) = source.plus {
            work.r[k] += moved;
        }
        if let Some(k) = source.minus {
            work.r[k] -= moved;
        }
    }
    table.lu.solve_with(&mut work.r[..n], &mut work.solving);
    work.r[n] = 0.0;
    for (goal, &(p, m)) in work.goal.iter_mut().zip(&recipe.controls) {
        *goal = work.r[p as usize] - work.r[m as usize];
    }
    let mut iteration = 0;
    let mut before = 0.0;
    work.curvature *= FORGET;
    loop {
        iteration += 1;
        *evaluations += 1;
        evaluate(recipe, table, work);
        // F = u - goal + K y.
        for ((f, u), goal) in work.delta.iter_mut().zip(&work.u).zip(&work.goal) {
            *f = u - goal;
        }
        for (column, &y) in table.feedback.chunks_exact(nc.max(1)).zip(&work.y) {
            add(&mut work.delta, y, column);
        }
        if !newton_step(recipe, table, work) {
            return Err(Stuck { unknown: 0 });
        }
        let mut largest = 0.0f64;
        let mut worst = 0;
        for (k, d) in work.delta.iter().enumerate() {
            // Written so that NaN counts as the largest.
            let smaller = d.abs() <= largest;
            if !smaller {
                largest = d.abs();
                worst = k;
            }
        }
        // What a step leaves over is its square times the curvature seen lately.
        if iteration == 2 && before > 0.0 {
            work.curvature = work.curvature.max(largest / (before * before));
        }
        before = largest;
        let straight = largest <= LONGEST_LAST_V && work.curvature * largest * largest <= LEFT_V;
        if largest <= LAST_STEP_V || straight {
            break;
        }
        let too_long = largest > 1e4 || !largest.is_finite();
        if iteration >= ITERATIONS || too_long {
            return Err(Stuck {
                unknown: recipe.controls[worst].0 as usize % n.max(1),
            });
        }
        for (u, d) in work.u.iter_mut().zip(&work.delta) {
            *u -= d;
        }
        if iteration > 3 {
            limit(recipe, work);
        }
    }
    // The last step is so short that the laws are straight along it.
    for place in &recipe.laws {
        for o in 0..place.outputs {
            let mut y = work.y[place.first_output + o];
            let mut q = work.law_charge[place.first_output + o];
            for c in 0..place.controls {
                let d = work.delta[place.first_control + c];
                let e = place.first_slope + o * place.controls + c;
                y -= work.slopes[e] * d;
                q -= work.c[e] * d;
            }
            work.y[place.first_output + o] = y;
            work.law_charge[place.first_output + o] = q;
        }
    }
    for (u, d) in work.u.iter_mut().zip(&work.delta) {
        *u -= d;
    }
    for (column, &y) in table.reach.chunks_exact(n + 1).zip(&work.y) {
        add(&mut work.r, -y, column);
    }
    Ok(())
}

/// Turns F in `work.delta` into the Newton step. Influence against the direction of the
/// signal is left out of the Jacobian (never out of F): it is weak, and the next iteration
/// sees what it does.
fn newton_step(recipe: &Recipe<'_>, table: &Tables, work: &mut Work) -> bool {
    let nc = recipe.controls.len();
    for block in &recipe.blocks {
        let laws = &recipe.laws[block.clone()];
        let (Some(first), Some(last)) = (laws.first(), laws.last()) else {
            continue;
        };
        let (c0, c1) = (first.first_control, last.first_control + last.controls);
        let m = c1 - c0;
        // 1 + K slopes, column by column.
        let matrix = &mut work.matrix[..m * m];
        for place in laws {
            for c in 0..place.controls {
                let at = place.first_control - c0 + c;
                let column = &mut matrix[at * m..(at + 1) * m];
                column.fill(0.0);
                column[at] = 1.0;
                for o in 0..place.outputs {
                    let slope = work.slopes[place.first_slope + o * place.controls + c];
                    let from = (place.first_output + o) * nc;
                    add(column, slope, &table.feedback[from + c0..from + c1]);
                }
            }
        }
        if !dense::solve_columns(matrix, &mut work.delta[c0..c1]) {
            return false;
        }
        // What these laws have moved, the ones to come feel.
        let (done, rest) = work.delta.split_at_mut(c1);
        if rest.is_empty() {
            continue;
        }
        for place in laws {
            let own = &done[place.first_control..place.first_control + place.controls];
            for o in 0..place.outputs {
                let from = place.first_slope + o * place.controls;
                let slopes = &work.slopes[from..from + place.controls];
                let moved: f64 = slopes.iter().zip(own).map(|(s, d)| s * d).sum();
                let from = (place.first_output + o) * nc;
                add(rest, -moved, &table.feedback[from + c1..from + nc]);
            }
        }
    }
    true
}

/// to += factor * column
#[inline]
fn add(to: &mut [f64], factor: f64, column: &[f64]) {
    for (x, c) in to.iter_mut().zip(column) {
        *x += factor * c;
    }
}

/// Laws grouped by mutual influence, the groups in the direction of the signal.
fn blocks(recipe: &Recipe<'_>, table: &Tables) -> Vec<Vec<usize>> {
    let n = recipe.laws.len();
    let nc = recipe.controls.len();
    let strongest = |to: &Place<'_>, from: &Place<'_>| {
        let mut most = 0.0f64;
        for k in to.first_control..to.first_control + to.controls {
            for o in from.first_output..from.first_output + from.outputs {
                most = most.max(table.feedback[o * nc + k].abs());
            }
        }
        most
    };
    // Volts at law i for each volt that law j makes for itself, over the best path.
    let mut reach = vec![vec![0.0f64; n]; n];
    for (i, to) in recipe.laws.iter().enumerate() {
        for (j, from) in recipe.laws.iter().enumerate() {
            let own = strongest(from, from).max(1e-300);
            reach[i][j] = (strongest(to, from) / own).min(1e12);
        }
    }
    for via in 0..n {
        for i in 0..n {
            for j in 0..n {
                let path = (reach[i][via] * reach[via][j]).min(1e12);
                if path > reach[i][j] {
                    reach[i][j] = path;
                }
            }
        }
    }
    let mut groups: Vec<Vec<usize>> = Vec::new();
    let mutual = |a: usize, b: usize| reach[a][b] * reach[b][a];
    for law in 0..n {
        let (mut joined, apart): (Vec<_>, Vec<_>) = groups
            .into_iter()
            .partition(|g: &Vec<usize>| g.iter().any(|&m| mutual(law, m) > LOOP));
        let mut group = joined.drain(..).flatten().collect::<Vec<_>>();
        group.push(law);
        groups = apart;
        groups.push(group);
    }
    // Next comes the group that the remaining ones influence least.
    let mut sorted = Vec::with_capacity(groups.len());
    while !groups.is_empty() {
        let influence = |g: &Vec<usize>| {
            let others = groups.iter().filter(|o| *o != g).flatten();
            others
                .flat_map(|&j| g.iter().map(move |&i| (i, j)))
                .map(|(i, j)| reach[i][j])
                .fold(0.0, f64::max)
        };
        let next = (0..groups.len())
            .min_by(|&a, &b| influence(&groups[a]).total_cmp(&influence(&groups[b])))
            .expect("not empty");
        let mut group = groups.remove(next);
        group.sort_unstable();
        sorted.push(group);
    }
    sorted
}

/// All laws at `work.u`: what they give beyond their slopes at rest (`y`), the slopes beyond
/// those (`slopes`), and their charges.
fn evaluate(recipe: &Recipe<'_>, table: &Tables, work: &mut Work) {
    for (at, (u, rest)) in work.at.iter_mut().zip(work.u.iter().zip(&recipe.u)) {
        *at = u + rest;
    }
    work.i.fill(0.0);
    work.slopes.fill(0.0);
    work.q.fill(0.0);
    work.c.fill(0.0);
    for place in &recipe.laws {
        let (nc, no) = (place.controls, place.outputs);
        let (c0, o0, s0) = (place.first_control, place.first_output, place.first_slope);
        place.law.answer(
            &work.at[c0..c0 + nc],
            place.memory,
            &mut Answer {
                i: &mut work.i[o0..o0 + no],
                q: &mut work.q[o0..o0 + no],
                g: &mut work.slopes[s0..s0 + nc * no],
                c: &mut work.c[s0..s0 + nc * no],
            },
        );
        for o in 0..no {
            let mut y = work.i[o0 + o] - recipe.i[o0 + o];
            for k in 0..nc {
                let e = s0 + o * nc + k;
                y -= table.slopes[e] * work.u[c0 + k];
                work.slopes[e] -= table.slopes[e];
            }
            if place.stores {
                let charge = work.q[o0 + o] - recipe.q[o0 + o];
                work.law_charge[o0 + o] = charge;
                y += table.a * charge + work.law_offset[o0 + o];
                for k in 0..nc {
                    let e = s0 + o * nc + k;
                    work.slopes[e] += table.a * work.c[e];
                }
            }
            work.y[o0 + o] = y;
        }
    }
}

/// Lets the laws draw the controls back after a Newton step that may have gone too far.
fn limit(recipe: &Recipe<'_>, work: &mut Work) {
    for place in &recipe.laws {
        let at = place.first_control..place.first_control + place.controls;
        let proposed = &mut work.u[at.clone()];
        for (u, rest) in proposed.iter_mut().zip(&recipe.u[at.clone()]) {
            *u += rest;
        }
        place
            .law
            .limit(proposed, &work.at[at.clone()], place.memory);
        for (u, rest) in proposed.iter_mut().zip(&recipe.u[at]) {
            *u -= rest;
        }
    }
}

/// Whether a law has any charge: looked for near rest, and far from it.
fn stores_charge(law: &dyn Law, memory: f64, u: &[f64], outputs: usize) -> bool {
    [0.0, 0.3, -0.7, 2.0].iter().any(|&shift| {
        let at: Vec<f64> = u
            .iter()
            .enumerate()
            .map(|(k, v)| v + shift * (1 + k) as f64)
            .collect();
        let (mut i, mut q) = (vec![0.0; outputs], vec![0.0; outputs]);
        let (mut g, mut c) = (vec![0.0; outputs * u.len()], vec![0.0; outputs * u.len()]);
        law.answer(
            &at,
            memory,
            &mut Answer {
                i: &mut i,
                q: &mut q,
                g: &mut g,
                c: &mut c,
            },
        );
        q.iter().chain(&c).any(|&v| v != 0.0)
    })
}

/// Where a source acts on the equations, and with which sign: it stands on their right side.
fn place_of(circuit: &Circuit, n: usize, driven: Driven) -> (Option<usize>, Option<usize>, f64) {
    match driven {
        Driven::Voltage(k) => (Some(n - circuit.branches.len() + k), None, 1.0),
        Driven::Current(k) => {
            let part = &circuit.currents[k];
            (part.a.0.checked_sub(1), part.b.0.checked_sub(1), -1.0)
        }
    }
}

fn moving<'c>(circuit: &'c Circuit, n: usize, driven: Driven) -> Vec<Moving<'c>> {
    let voltages = circuit
        .branches
        .iter()
        .enumerate()
        .filter_map(|(k, b)| match &b.kind {
            BranchKind::Source(drive) => Some((Driven::Voltage(k), drive)),
            _ => None,
        });
    let currents = circuit
        .currents
        .iter()
        .enumerate()
        .map(|(k, c)| (Driven::Current(k), &c.drive));
    voltages
        .chain(currents)
        .filter(|(which, drive)| *which != driven && drive.wave.is_some())
        .map(|(which, drive)| {
            let (plus, minus, sign) = place_of(circuit, n, which);
            Moving {
                drive,
                rest: drive.value(0.0),
                plus,
                minus,
                sign,
            }
        })
        .collect()
}

/// Weights that carry the points at -1, GAMMA - 1 and 0 on to GAMMA.
const AHEAD_FIRST: [f64; 3] = ahead([-1.0, GAMMA - 1.0, 0.0], GAMMA);
/// Weights that carry the points at GAMMA - 2, -1, GAMMA - 1 and 0 on to GAMMA.
const AHEAD_INNER: [f64; 4] = ahead([GAMMA - 2.0, -1.0, GAMMA - 1.0, 0.0], GAMMA);
/// Weights that carry the points at -1, GAMMA - 1, 0 and GAMMA on to 1.
const AHEAD_END: [f64; 4] = ahead([-1.0, GAMMA - 1.0, 0.0, GAMMA], 1.0);

/// Lagrange's weights.
const fn ahead<const N: usize>(t: [f64; N], at: f64) -> [f64; N] {
    let mut w = [1.0; N];
    let mut i = 0;
    while i < N {
        let mut j = 0;
        while j < N {
            if i != j {
                w[i] *= (at - t[j]) / (t[i] - t[j]);
            }
            j += 1;
        }
        i += 1;
    }
    w
}
