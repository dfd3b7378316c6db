//! The DC operating point, and what to do when plain Newton does not find it.

use super::NoSolution;
use crate::circuit::hanging::hanging;
use crate::circuit::held::Holding;
use crate::circuit::{Circuit, Node};
use crate::math::lu::{LinearSolver, Singular, StaticLu};
use crate::math::newton::{self, Equations, Failure, NewtonSettings};
use crate::system::assemble::{ABSOLUTE, Assembly, RELATIVE, ROUNDING, SourceState};
use crate::system::audit::{Allowance, Auditor};

/// How a point was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// Newton from the start.
    Plain,
    /// All sources raised from zero.
    Sources,
    /// A conductance from every node to ground, taken away.
    Gmin,
    /// A damped walk in pseudo-time.
    PseudoTransient,
}

impl Method {
    /// In words.
    pub fn name(self) -> &'static str {
        match self {
            Method::Plain => "plain Newton",
            Method::Sources => "source stepping",
            Method::Gmin => "gmin stepping",
            Method::PseudoTransient => "pseudo-transient continuation",
        }
    }
}

/// An operating point.
#[derive(Debug, Clone)]
pub struct Point {
    /// Unknowns: node voltages (V), then branch currents (A).
    pub x: Vec<f64>,
    /// How it was found.
    pub method: Method,
    /// Newton iterations in all.
    pub iterations: usize,
    /// The largest current that Kirchhoff's law leaves over at a node, A.
    pub residual_a: f64,
    /// That node.
    pub residual_node: Node,
}

/// Finds the operating point with the sources at `ask`'s time (or their DC values).
/// `held` nodes are kept at their voltages. `assembly` keeps the discrete states found.
pub fn solve(
    assembly: &mut Assembly<'_>,
    ask: SourceState,
    held: &[(Node, f64)],
) -> Result<Point, Box<NoSolution>> {
    let held = equations(assembly, held);
    solve_holding(assembly, ask, &held)
}

/// What `.ic` holds: its nodes at their voltages, no current in the inductors between them.
pub fn solve_held(
    assembly: &mut Assembly<'_>,
    ask: SourceState,
    holding: &Holding,
) -> Result<Point, Box<NoSolution>> {
    let mut held = equations(assembly, &holding.nodes);
    let at = assembly.unknowns;
    held.extend(holding.open.iter().map(|&branch| (at.branch(branch), 0.0)));
    solve_holding(assembly, ask, &held)
}

/// Nodes as unknowns; ground is none.
fn equations(assembly: &Assembly<'_>, nodes: &[(Node, f64)]) -> Vec<(usize, f64)> {
    let at = assembly.unknowns;
    let held = nodes.iter();
    held.filter_map(|&(node, volts)| Some((at.node(node)?, volts)))
        .collect()
}

fn solve_holding(
    assembly: &mut Assembly<'_>,
    ask: SourceState,
    held: &[(usize, f64)],
) -> Result<Point, Box<NoSolution>> {
    let circuit = assembly.circuit;
    let mut search = Search::new(assembly, ask, held);
    let mut x = vec![0.0; search.assembly.len()];
    if !circuit.nodesets.is_empty() {
        // The guesses are held first; then the circuit is released from there.
        let mut guesses = held.to_vec();
        guesses.extend(
            equations(search.assembly, &circuit.nodesets)
                .into_iter()
                .filter(|g| held.iter().all(|h| h.0 != g.0)),
        );
        search.held = guesses;
        let mut guess = x.clone();
        if search.newton(&mut guess).is_ok() {
            x = guess;
        } else {
            // Guesses that contradict each other are guesses all the same.
            for &(k, value) in &search.held {
                x[k] = value;
            }
        }
        search.held = held.to_vec();
    }
    let start = x.clone();
    let mut tried = Vec::new();
    let mut failure = None;
    for method in [
        Method::Plain,
        Method::Sources,
        Method::Gmin,
        Method::PseudoTransient,
    ] {
        tried.push(method.name());
        x.copy_from_slice(&start);
        let mut outcome = search.run(method, &mut x);
        // A pin that hangs in the air leaks as its socket does, and is somewhere then.
        if matches!(outcome, Err(Failure::Singular(_))) && search.let_leak() {
            x.copy_from_slice(&start);
            outcome = search.run(method, &mut x);
        }
        match outcome {
            Ok(()) => return search.found(method, x),
            Err(f) => failure = Some(f),
        }
    }
    // Where a cathode hangs in the air nothing is singular: it runs away from all current.
    if search.let_leak() {
        return solve_holding(assembly, ask, held);
    }
    let failure = failure.expect("every method failed");
    Err(Box::new(NoSolution::new(
        "operating point",
        circuit,
        &failure,
        tried,
        None,
    )))
}

/// The operating point from one that lies near, `[n]`: that of the circuit before a part was
/// changed. Where Newton does not lead there at once it is sought from the beginning, as by
/// [`solve`].
pub fn near(
    assembly: &mut Assembly<'_>,
    ask: SourceState,
    start: &[f64],
) -> Result<Point, Box<NoSolution>> {
    near_in_order(assembly, ask, start, None).0
}

/// The same, by an elimination that was ordered for this circuit with other values: seeking the order
/// takes longer than all else. One for another pattern is not used. Also gives the elimination that
/// served, with its order.
pub fn near_in_order(
    assembly: &mut Assembly<'_>,
    ask: SourceState,
    start: &[f64],
    ordered: Option<&StaticLu<f64>>,
) -> (Result<Point, Box<NoSolution>>, StaticLu<f64>) {
    let mut search = Search::new(assembly, ask, &[]);
    let (indptr, indices) = search.assembly.pattern();
    if let Some(ordered) = ordered.filter(|o| o.fits(start.len(), indptr, indices)) {
        search.lu = ordered.clone();
    }
    for _ in 0..2 {
        let mut x = start.to_vec();
        // The laws start where the point lies, not where they like to.
        search.assembly.evaluate(&x, ask, 0.0, false);
        match search.newton(&mut x) {
            Ok(()) => return (search.found(Method::Plain, x), search.lu),
            Err(Failure::Singular(_)) if search.let_leak() => {}
            Err(_) => break,
        }
    }
    let lu = search.lu;
    (solve(assembly, ask, &[]), lu)
}

/// The pins that hang in the air at the point found last, in words.
pub fn in_the_air(assembly: &Assembly<'_>) -> Vec<String> {
    if assembly.leaks.is_empty() {
        return Vec::new();
    }
    let circuit = assembly.circuit;
    let groups = hanging(circuit).into_iter();
    groups.filter_map(|group| group.words(circuit)).collect()
}

struct Search<'a, 'c> {
    assembly: &'a mut Assembly<'c>,
    lu: StaticLu<f64>,
    ask: SourceState,
    /// Unknowns that are held, V or A, in place of their equations.
    held: Vec<(usize, f64)>,
    /// Pseudo-transient: conductance to the last point, S, and that point.
    anchor: Option<(f64, Vec<f64>)>,
    iterations: usize,
}

/// What the audit accepts: ten times what Newton does.
const ALLOWED: Allowance = Allowance {
    part: 10.0 * RELATIVE,
    known: 160.0 * f64::EPSILON,
    volts: 0.0,
};
/// Volts or amperes that only a division by zero makes.
const BOUNDLESS: f64 = 1e100;
/// Steps of a walk in pseudo-time at most.
const WALK: usize = 1000;
/// A node that moves further than this in one of them has no place to rest, V.
const FAR_V: f64 = 1e7;
/// Part of an anchor's current that may be left over: it goes to nothing in the end.
const ANCHORED: f64 = 1e-6;
/// Discrete states may flip this often before they count as unsettled.
const FLIPS: usize = 50;

impl<'a, 'c> Search<'a, 'c> {
    fn new(assembly: &'a mut Assembly<'c>, ask: SourceState, held: &[(usize, f64)]) -> Self {
        let (indptr, indices) = assembly.pattern();
        Search {
            lu: StaticLu::new(assembly.len(), indptr, indices),
            assembly,
            ask,
            held: held.to_vec(),
            anchor: None,
            iterations: 0,
        }
    }

    /// Lets the pins leak that hang in the air; false if none does, or if they leak already.
    fn let_leak(&mut self) -> bool {
        let before = self.assembly.leaks.len();
        for group in hanging(self.assembly.circuit) {
            if let Some(k) = self.assembly.unknowns.node(group.node) {
                self.assembly.leak(k);
            }
        }
        self.assembly.leaks.len() > before
    }

    /// The point at `x`, audited; no solution if an unknown is beyond all measure there.
    fn found(&mut self, method: Method, x: Vec<f64>) -> Result<Point, Box<NoSolution>> {
        let circuit = self.assembly.circuit;
        if let Some(unknown) = x.iter().position(|x| x.abs() > BOUNDLESS) {
            let failure = Failure::Unsettled {
                unknown,
                equation: unknown,
                residual_ratio: f64::INFINITY,
                iterations: self.iterations,
            };
            let tried = vec![method.name()];
            let mut no = NoSolution::new("operating point", circuit, &failure, tried, None);
            no.advice = Some("look for a B source there that divides by zero");
            return Err(Box::new(no));
        }
        let (residual_a, residual_node) = self.residual(&x);
        if let Some(mut auditor) = Auditor::new(circuit, "operating point", ALLOWED) {
            let held: Vec<usize> = self.held.iter().map(|h| h.0).collect();
            auditor.rest_held(self.assembly, &x, self.ask, &held);
        }
        Ok(Point {
            method,
            iterations: self.iterations,
            x,
            residual_a,
            residual_node,
        })
    }

    fn run(&mut self, method: Method, x: &mut [f64]) -> Result<(), Failure> {
        self.anchor = None;
        self.ask.sources = 1.0;
        self.ask.gmin = 0.0;
        if self.assembly.circuit.nodesets.is_empty() {
            self.assembly.forget();
        } else {
            // The laws start from the guess and not from where they like to.
            self.assembly.evaluate(x, self.ask, 0.0, false);
        }
        match method {
            Method::Plain => self.newton(x),
            Method::Sources => self.raise_sources(x),
            Method::Gmin => self.lower_gmin(x),
            Method::PseudoTransient => self.pseudo_transient(x),
        }
    }

    /// Newton, repeated until the discrete states agree with the solution.
    fn newton(&mut self, x: &mut [f64]) -> Result<(), Failure> {
        let mut flips = 0;
        loop {
            let settings = NewtonSettings::default();
            match newton::solve(self, x, &settings) {
                Ok(found) => self.iterations += found.iterations,
                Err(failure) => {
                    self.iterations += failure.iterations();
                    return Err(failure);
                }
            }
            let Some(law) = self.assembly.settle_memory_at_rest(x) else {
                return Ok(());
            };
            flips += 1;
            if flips == FLIPS {
                let place = self.assembly.place_of(law);
                return Err(Failure::Unsettled {
                    unknown: place,
                    equation: place,
                    residual_ratio: f64::INFINITY,
                    // They are counted above.
                    iterations: 0,
                });
            }
        }
    }

    /// Returns to a point that was good: the laws' limits start from there too, and not from
    /// wherever Newton lost its way.
    fn back_to(&mut self, good: &[f64], x: &mut [f64]) {
        x.copy_from_slice(good);
        self.assembly.evaluate(x, self.ask, 0.0, false);
    }

    fn raise_sources(&mut self, x: &mut [f64]) -> Result<(), Failure> {
        let (mut reached, mut step) = (0.0f64, 0.1f64);
        self.ask.sources = 0.0;
        self.newton(x)?;
        let mut good = x.to_vec();
        while reached < 1.0 {
            let next = (reached + step).min(1.0);
            self.ask.sources = next;
            match self.newton(x) {
                Ok(()) => {
                    reached = next;
                    step *= 1.5;
                    good.copy_from_slice(x);
                }
                Err(failure) => {
                    step *= 0.25;
                    self.back_to(&good, x);
                    if step < 1e-5 {
                        return Err(failure);
                    }
                }
            }
        }
        Ok(())
    }

    fn lower_gmin(&mut self, x: &mut [f64]) -> Result<(), Failure> {
        let (mut gmin, mut factor) = (1.0, 0.1);
        self.ask.gmin = gmin;
        self.newton(x)?;
        let mut good = x.to_vec();
        while gmin > 1e-13 {
            self.ask.gmin = gmin * factor;
            match self.newton(x) {
                Ok(()) => {
                    gmin = self.ask.gmin;
                    factor = (factor * factor).max(0.03);
                    good.copy_from_slice(x);
                }
                Err(failure) => {
                    factor = factor.sqrt();
                    self.back_to(&good, x);
                    if factor > 0.97 {
                        return Err(failure);
                    }
                }
            }
        }
        self.ask.gmin = 0.0;
        self.newton(x)
    }

    /// Backward Euler with a capacitance on every node, the steps growing (C. T. Kelley and
    /// D. E. Keyes, SIAM J. Numer. Anal. 35, 1998, p. 508). The sources are raised meanwhile:
    /// a junction that stood at once between a supply and a node at rest would carry more than
    /// any number can hold.
    fn pseudo_transient(&mut self, x: &mut [f64]) -> Result<(), Failure> {
        self.ask.sources = 0.0;
        let (mut reached, mut rise) = match self.newton(x) {
            Ok(()) => (0.0f64, 0.02f64),
            // What is at odds without its sources may be at one with them.
            Err(_) => {
                x.fill(0.0);
                (1.0, 1.0)
            }
        };
        let mut conductance = 1e-3;
        let mut good = x.to_vec();
        let mut last = None;
        for _ in 0..WALK {
            self.anchor = Some((conductance, good.clone()));
            let next = (reached + rise).min(1.0);
            self.ask.sources = next;
            match self.newton(x) {
                Ok(()) => {
                    let moved = x
                        .iter()
                        .zip(&good)
                        .take(self.assembly.unknowns.nodes())
                        .fold(0.0f64, |m, (a, b)| m.max((a - b).abs()));
                    good.copy_from_slice(x);
                    if moved > FAR_V {
                        break;
                    }
                    conductance *= if reached >= 1.0 && moved < 1.0 {
                        0.3
                    } else {
                        0.7
                    };
                    reached = next;
                    rise *= 1.5;
                }
                Err(failure) => {
                    self.back_to(&good, x);
                    conductance *= 8.0;
                    rise = (rise * 0.25).max(1e-9);
                    last = Some(failure);
                    if conductance > 1e9 {
                        break;
                    }
                }
            }
            if reached < 1.0 {
                conductance = conductance.max(1e-6);
            } else if conductance < 1e-13 {
                break;
            }
        }
        self.anchor = None;
        self.ask.sources = 1.0;
        match self.newton(x) {
            Ok(()) => Ok(()),
            Err(failure) => Err(last.unwrap_or(failure)),
        }
    }

    /// The largest unbalanced current at a node that is not held.
    fn residual(&mut self, x: &[f64]) -> (f64, Node) {
        self.assembly.evaluate(x, self.ask, 0.0, false);
        let mut worst = (0.0, Node::GROUND);
        for k in 0..self.assembly.unknowns.nodes() {
            let size = self.assembly.f[k].abs();
            if size > worst.0 && self.held.iter().all(|h| h.0 != k) {
                worst = (size, Node(k + 1));
            }
        }
        worst
    }

    /// What rounding makes of the pseudo-transient anchor at an equation, A.
    fn held_back(&self, x: &[f64], k: usize) -> f64 {
        match &self.anchor {
            Some((conductance, before)) if k < self.assembly.unknowns.nodes() => {
                conductance
                    * (ROUNDING * (x[k].abs() + before[k].abs())
                        + ANCHORED * (x[k] - before[k]).abs())
            }
            _ => 0.0,
        }
    }

    /// Puts the equations of held nodes and the pseudo-transient anchor over the circuit's.
    fn amend(&mut self, x: &[f64]) {
        if let Some((conductance, before)) = &self.anchor {
            for (k, &place) in self.assembly.node_diagonal().to_vec().iter().enumerate() {
                self.assembly.f[k] += conductance * (x[k] - before[k]);
                self.assembly.jacobian[place] += conductance;
            }
        }
        for &(k, value) in &self.held {
            let (from, place, to) = {
                let (indptr, indices) = self.assembly.pattern();
                let (from, to) = (indptr[k], indptr[k + 1]);
                // A node has a place of its own there, and so has an inductor's current.
                let own = indices[from..to].iter().position(|&c| c == k);
                (from, from + own.expect("a diagonal entry"), to)
            };
            self.assembly.jacobian[from..to].fill(0.0);
            self.assembly.jacobian[place] = 1.0;
            self.assembly.f[k] = x[k] - value;
        }
    }
}

impl Equations for Search<'_, '_> {
    fn size(&self) -> usize {
        self.assembly.len()
    }

    fn linearise(&mut self, x: &[f64], residual: &mut [f64]) -> bool {
        let limited = self.assembly.evaluate(x, self.ask, 0.0, true);
        self.amend(x);
        residual.copy_from_slice(&self.assembly.f);
        limited
    }

    fn solve(&mut self, residual: &mut [f64]) -> Result<(), Singular> {
        self.lu.factor(&self.assembly.jacobian)?;
        self.lu.solve(residual);
        Ok(())
    }

    fn step_tolerance(&self, i: usize, x: f64) -> f64 {
        if i < self.assembly.unknowns.nodes() {
            1e-9 + 1e-9 * x.abs()
        } else {
            1e-12 + 1e-9 * x.abs()
        }
    }

    fn residual_ratio(&mut self, x: &[f64]) -> (f64, usize) {
        self.assembly.evaluate(x, self.ask, 0.0, false);
        self.assembly.residual_scale(x, self.ask, 0.0);
        self.amend(x);
        let mut worst = (0.0, 0);
        for (k, f) in self.assembly.f.iter().enumerate() {
            let tolerated = ABSOLUTE + RELATIVE * self.assembly.scale[k] + self.held_back(x, k);
            let ratio = f.abs() / tolerated;
            // Written so that NaN counts as the worst.
            let better = ratio <= worst.0;
            if !better {
                worst = (ratio, k);
            }
        }
        worst
    }
}

/// The operating point with the DC values of all sources, from scratch.
pub fn dc(circuit: &Circuit) -> Result<(Point, Assembly<'_>), Box<NoSolution>> {
    let mut assembly = Assembly::new(circuit);
    let point = solve(&mut assembly, SourceState::DC, &[])?;
    Ok((point, assembly))
}
