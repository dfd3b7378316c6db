//! Small changes about an operating point: (G + s C) dx = b with s = jw.
//!
//! G and C come from the same laws as the operating point, so the two cannot drift apart.
//! The pattern and, as a rule, the pivot order are those of the first frequency; another
//! frequency is one factorisation and allocates nothing.
//!
//! ```text
//! let (point, mut assembly) = operating_point::dc(&circuit)?;
//! let mut small = SmallSignal::new(&mut assembly, &point.x);
//! let mut at = small.at(1e3)?;                       // Hz
//! let x = at.solve(Excitation::Source(driven));      // all unknowns for 1 V or 1 A
//! let y = at.solve_adjoint(&pickup);                 // one probe, any injection
//! ```
//!
//! The adjoint solution is that of the transposed system (S. W. Director and R. A. Rohrer,
//! IEEE Trans. CT-16, 1969, p. 330; from memory): one solve gives the transfer to a probe from
//! every place at once, as noise and output impedances ask for.

use super::NoSolution;
use crate::circuit::{BranchKind, Circuit, Element, Node, Piece};
use crate::math::lu::{LinearSolver, Singular, StaticLu};
use crate::math::newton::Failure;
use crate::system::assemble::{Assembly, Driven};
use crate::system::probe::LinearProbe;
use crate::system::unknowns::Unknowns;
use num_complex::Complex;
use std::f64::consts::TAU;

/// What drives the circuit; every other source is at rest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Excitation {
    /// 1 V or 1 A more from an independent source.
    Source(Driven),
    /// 1 A put into the first node and taken out of the second.
    Injection(Node, Node),
}

/// An independent source's place, by its element; none for anything else.
pub fn driven(circuit: &Circuit, element: &Element) -> Option<Driven> {
    element.ports.iter().find_map(|port| match port.piece {
        Piece::Branch(k) if matches!(circuit.branches[k].kind, BranchKind::Source(_)) => {
            Some(Driven::Voltage(k))
        }
        Piece::Current(k) => Some(Driven::Current(k)),
        _ => None,
    })
}

/// A circuit made linear about an operating point. It keeps no hold of the circuit.
#[derive(Debug, Clone)]
pub struct SmallSignal {
    unknowns: Unknowns,
    /// Nodes of every independent current source.
    currents: Vec<(Node, Node)>,
    /// The mains' cycle of which `g` is the average: how often, Hz, and what it makes of the change
    /// that lasts longest.
    pub(super) cycle: Option<(f64, Option<Complex<f64>>)>,
    g: Vec<f64>,
    c: Vec<f64>,
    indptr: Vec<usize>,
    indices: Vec<usize>,
    values: Vec<Complex<f64>>,
    lu: StaticLu<Complex<f64>>,
    right: Vec<Complex<f64>>,
    slope: Vec<Complex<f64>>,
}

impl SmallSignal {
    /// About the point `x` (node voltages in V, then branch currents in A).
    pub fn new(assembly: &mut Assembly<'_>, x: &[f64]) -> Self {
        let (indptr, indices) = assembly.pattern();
        let lu = StaticLu::new(assembly.len(), indptr, indices);
        SmallSignal::eliminated_by(lu, assembly, x)
    }

    /// The same by an elimination that was ordered for these equations, or for those of the same circuit
    /// with other values. One for another pattern is not used.
    pub fn in_order(assembly: &mut Assembly<'_>, x: &[f64], ordered: &StaticLu<f64>) -> Self {
        let (indptr, indices) = assembly.pattern();
        let n = assembly.len();
        let fitting = Some(ordered).filter(|o| o.fits(n, indptr, indices));
        let lu = fitting
            .and_then(StaticLu::recast)
            .unwrap_or_else(|| StaticLu::new(n, indptr, indices));
        SmallSignal::eliminated_by(lu, assembly, x)
    }

    fn eliminated_by(lu: StaticLu<Complex<f64>>, assembly: &mut Assembly<'_>, x: &[f64]) -> Self {
        let (g, c) = assembly.slopes(x);
        let (indptr, indices) = assembly.pattern();
        let n = assembly.len();
        SmallSignal {
            unknowns: assembly.unknowns,
            currents: assembly
                .circuit
                .currents
                .iter()
                .map(|s| (s.a, s.b))
                .collect(),
            cycle: assembly
                .switching
                .as_ref()
                .map(|s| (s.freq_hz, s.multiplier)),
            values: vec![Complex::default(); g.len()],
            lu,
            right: vec![Complex::default(); n],
            slope: vec![Complex::default(); n],
            indptr: indptr.to_vec(),
            indices: indices.to_vec(),
            g,
            c,
        }
    }

    /// Factors at a frequency in Hz; 0 is direct current.
    ///
    /// # Errors
    /// If the equations have no unique solution there; see [`no_solution`].
    pub fn at(&mut self, freq_hz: f64) -> Result<At<'_>, Singular> {
        self.at_s(Complex::new(0.0, TAU * freq_hz))
    }

    /// Factors at a complex frequency s in rad/s.
    ///
    /// # Errors
    /// If the equations have no unique solution there: s is a natural frequency.
    pub fn at_s(&mut self, s: Complex<f64>) -> Result<At<'_>, Singular> {
        for ((value, g), c) in self.values.iter_mut().zip(&self.g).zip(&self.c) {
            *value = Complex::new(g + s.re * c, s.im * c);
        }
        self.lu.factor(&self.values)?;
        Ok(At { small: self, s })
    }

    /// The same circuit about the same point with a resistance of N siemens between two nodes
    /// taken out.
    pub fn without(&self, a: Node, b: Node, siemens: f64) -> SmallSignal {
        let mut other = self.clone();
        for (row, column, sign) in [(a, a, 1.0), (b, b, 1.0), (a, b, -1.0), (b, a, -1.0)] {
            let (Some(row), Some(column)) = (self.unknowns.node(row), self.unknowns.node(column))
            else {
                continue;
            };
            let mut entries = self.indptr[row]..self.indptr[row + 1];
            if let Some(e) = entries.find(|&e| self.indices[e] == column) {
                other.g[e] -= sign * siemens;
            }
        }
        other
    }

    /// The unknowns' numbers.
    pub fn unknowns(&self) -> Unknowns {
        self.unknowns
    }

    /// Row starts, columns, G and C in compressed rows.
    pub fn matrices(&self) -> (&[usize], &[usize], &[f64], &[f64]) {
        (&self.indptr, &self.indices, &self.g, &self.c)
    }
}

/// A singular small-signal system in words.
pub fn no_solution(circuit: &Circuit, singular: Singular) -> Box<NoSolution> {
    Box::new(NoSolution::new(
        "small-signal response",
        circuit,
        &Failure::Singular(singular),
        vec!["elimination"],
        None,
    ))
}

/// The linear circuit at one frequency, factored.
#[derive(Debug)]
pub struct At<'a> {
    small: &'a mut SmallSignal,
    s: Complex<f64>,
}

impl At<'_> {
    /// The unknowns' numbers.
    pub fn unknowns(&self) -> Unknowns {
        self.small.unknowns
    }

    /// How many unknowns there are.
    pub fn size(&self) -> usize {
        self.small.right.len()
    }

    /// The complex frequency, rad/s.
    pub fn s(&self) -> Complex<f64> {
        self.s
    }

    /// All unknowns' amplitudes, V or A.
    pub fn solve(&mut self, excitation: Excitation) -> &[Complex<f64>] {
        self.small.right.fill(Complex::default());
        let (lu, right) = (&mut self.small.lu, &mut self.small.right);
        let unknowns = self.small.unknowns;
        let mut put = |node: Node, amount: f64| {
            if let Some(k) = unknowns.node(node) {
                right[k].re += amount;
            }
        };
        match excitation {
            Excitation::Source(Driven::Voltage(k)) => right[unknowns.nodes() + k].re = 1.0,
            Excitation::Source(Driven::Current(k)) => {
                let (a, b) = self.small.currents[k];
                put(a, -1.0);
                put(b, 1.0);
            }
            Excitation::Injection(a, b) => {
                put(a, 1.0);
                put(b, -1.0);
            }
        }
        lu.solve(right);
        &self.small.right
    }

    /// All unknowns' amplitudes for right-hand sides of the caller's own, `[n]`: amperes into
    /// nodes, volts across branches.
    pub fn solve_for(&mut self, right: &[Complex<f64>]) -> &[Complex<f64>] {
        self.small.right.copy_from_slice(right);
        self.small.lu.solve(&mut self.small.right);
        &self.small.right
    }

    /// Replaces x by the solution z of (G + s C) z = C x: a step of inverse iteration towards
    /// the natural frequency nearest to s.
    pub fn iterate(&mut self, x: &mut [Complex<f64>]) {
        let small = &mut *self.small;
        for (row, right) in small.right.iter_mut().enumerate() {
            let entries = small.indptr[row]..small.indptr[row + 1];
            *right = entries.map(|e| x[small.indices[e]] * small.c[e]).sum();
        }
        small.lu.solve(&mut small.right);
        x.copy_from_slice(&small.right);
    }

    /// What a probe reads in a solution of [`At::solve`] for the same excitation.
    pub fn read(
        &self,
        pickup: &LinearProbe,
        excitation: Excitation,
        x: &[Complex<f64>],
    ) -> Complex<f64> {
        let terms = pickup.terms.iter();
        let mut sum: Complex<f64> = terms.map(|&(k, g, c)| (self.s * c + g) * x[k]).sum();
        if let Excitation::Source(Driven::Current(driven)) = excitation {
            let own = pickup.own.iter().filter(|o| o.0 == driven);
            sum.re += own.map(|o| o.1).sum::<f64>();
        }
        sum
    }

    /// What a probe reads in the last solution of [`At::solve`], for that excitation.
    pub fn read_solved(&self, pickup: &LinearProbe, excitation: Excitation) -> Complex<f64> {
        self.read(pickup, excitation, &self.small.right)
    }

    /// From an excitation to a probe: V/V, A/V, ohms or A/A.
    pub fn transfer(&mut self, excitation: Excitation, pickup: &LinearProbe) -> Complex<f64> {
        self.solve(excitation);
        self.read_solved(pickup, excitation)
    }

    /// Solves for all unknowns' amplitudes and, in their wake, for their derivatives after s,
    /// which [`At::read_slope`] reads.
    pub fn solve_slope(&mut self, excitation: Excitation) {
        self.solve(excitation);
        let small = &mut *self.small;
        // (G + s C) dx/ds = -C x
        for (row, slope) in small.slope.iter_mut().enumerate() {
            let entries = small.indptr[row]..small.indptr[row + 1];
            let terms = entries.map(|e| small.right[small.indices[e]] * small.c[e]);
            *slope = -terms.sum::<Complex<f64>>();
        }
        small.lu.solve(&mut small.slope);
    }

    /// How a probe's transfer changes with s, after [`At::solve_slope`].
    pub fn read_slope(&self, pickup: &LinearProbe) -> Complex<f64> {
        let (x, slope) = (&self.small.right, &self.small.slope);
        let terms = pickup.terms.iter();
        terms
            .map(|&(k, g, c)| (self.s * c + g) * slope[k] + x[k] * c)
            .sum()
    }

    /// The transposed system: y such that a probe reads the sum of y times right-hand sides.
    /// For 1 A put into node a and taken out of b that is y(a) - y(b), ground 0; for 1 V more
    /// across a branch, y of that branch.
    pub fn solve_adjoint(&mut self, pickup: &LinearProbe) -> &[Complex<f64>] {
        let right = &mut self.small.right;
        right.fill(Complex::default());
        for &(k, g, c) in &pickup.terms {
            right[k] += self.s * c + g;
        }
        self.small.lu.solve_transposed(right);
        right
    }

    /// What a source sees of the circuit, ohms: infinite where it gives no current.
    pub fn load(&mut self, driven: Driven) -> Complex<f64> {
        match driven {
            Driven::Voltage(k) => {
                let row = self.small.unknowns.nodes() + k;
                -self.solve(Excitation::Source(driven))[row].inv()
            }
            Driven::Current(k) => {
                let (a, b) = self.small.currents[k];
                self.impedance(a, b)
            }
        }
    }

    /// What the probe of the last [`At::solve_adjoint`] reads of an excitation elsewhere. A
    /// probe in the path of a current source does not count that source's own current here.
    pub fn received(&self, excitation: Excitation) -> Complex<f64> {
        let unknowns = &self.small.unknowns;
        let y = &self.small.right;
        let between = |a, b| voltage(unknowns, y, a) - voltage(unknowns, y, b);
        match excitation {
            Excitation::Source(Driven::Voltage(k)) => y[unknowns.nodes() + k],
            Excitation::Source(Driven::Current(k)) => {
                let (a, b) = self.small.currents[k];
                between(b, a)
            }
            Excitation::Injection(a, b) => between(a, b),
        }
    }

    /// The impedance between two nodes with all sources at rest, ohms.
    pub fn impedance(&mut self, a: Node, b: Node) -> Complex<f64> {
        let unknowns = self.small.unknowns;
        let x = self.solve(Excitation::Injection(a, b));
        voltage(&unknowns, x, a) - voltage(&unknowns, x, b)
    }
}

/// A node's amplitude in a solution, V.
pub fn voltage(unknowns: &Unknowns, x: &[Complex<f64>], node: Node) -> Complex<f64> {
    unknowns.node(node).map_or(Complex::default(), |k| x[k])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::operating_point;

    use crate::circuit::Circuit;

    use crate::system::probe::Observable;

    fn built(text: &str) -> Circuit {
        Circuit::from_text(text).unwrap()
    }

    fn of(circuit: &Circuit) -> (SmallSignal, Assembly<'_>, Vec<f64>) {
        let (point, mut assembly) = operating_point::dc(circuit).unwrap();
        let small = SmallSignal::new(&mut assembly, &point.x);
        (small, assembly, point.x)
    }

    fn source(circuit: &Circuit, name: &str) -> Excitation {
        Excitation::Source(driven(circuit, circuit.element(name).unwrap()).unwrap())
    }

    #[test]
    fn an_rlc_answers_as_its_formula_does() {
        let circuit = built("t\nV1 in 0 5\nR1 in a 100\nL1 a b 10m\nC1 b 0 1u\nR2 b 0 1k\n");
        let (mut small, mut assembly, x) = of(&circuit);
        let out = Observable::voltage(&circuit, circuit.node("b").unwrap());
        let out = out.pickup(&mut assembly, &x).unwrap();
        let current = Observable::current(circuit.element("C1").unwrap());
        let current = current.pickup(&mut assembly, &x).unwrap();
        let v1 = source(&circuit, "V1");
        for freq in [0.0, 10.0, 1.6e3, 1e5] {
            let mut at = small.at(freq).unwrap();
            let s = at.s();
            let load = 1.0 / (s * 1e-6 + 1e-3);
            let expected = load / (load + s * 10e-3 + 100.0);
            let found = at.transfer(v1, &out);
            assert!((found - expected).l1_norm() < 1e-13 * expected.l1_norm());
            let found = at.transfer(v1, &current);
            assert!((found - expected * s * 1e-6).l1_norm() < 1e-15);
            let b = circuit.node("b").unwrap();
            let expected = 1.0 / (1.0 / load + 1.0 / (s * 10e-3 + 100.0));
            let found = at.impedance(b, Node::GROUND);
            assert!((found - expected).l1_norm() < 1e-12 * expected.l1_norm());
        }
    }

    #[test]
    fn the_adjoint_tells_what_every_injection_does() {
        let circuit = built(
            "t\nVB bp 0 250\nRP bp p 100k\nXV p g k 12AX7\nRK k 0 1.5k\nCK k 0 22u\nRG g 0 1meg\n\
             IIN g 0 0\n",
        );
        let (mut small, mut assembly, x) = of(&circuit);
        let plate = Observable::voltage(&circuit, circuit.node("p").unwrap());
        let plate = plate.pickup(&mut assembly, &x).unwrap();
        let mut at = small.at(440.0).unwrap();
        let y = at.solve_adjoint(&plate).to_vec();
        let unknowns = assembly.unknowns;
        for (a, b) in [("g", "0"), ("p", "k"), ("k", "0"), ("bp", "g")] {
            let (a, b) = (circuit.node(a).unwrap(), circuit.node(b).unwrap());
            let there = at.transfer(Excitation::Injection(a, b), &plate);
            let back = voltage(&unknowns, &y, a) - voltage(&unknowns, &y, b);
            assert!((there - back).l1_norm() <= 1e-10 * there.l1_norm().max(1.0));
        }
        // A current source takes from its first node what it gives to its second.
        let by_source = at.transfer(source(&circuit, "IIN"), &plate);
        let g = circuit.node("g").unwrap();
        let injected = at.transfer(Excitation::Injection(Node::GROUND, g), &plate);
        assert_eq!(by_source, injected);
    }

    #[test]
    fn power_has_no_small_signal() {
        let circuit = built("t\nV1 in 0 5\nR1 in 0 100\n");
        let (_, mut assembly, x) = of(&circuit);
        let power = Observable::power(circuit.element("R1").unwrap());
        assert!(power.pickup(&mut assembly, &x).is_none());
    }
}
