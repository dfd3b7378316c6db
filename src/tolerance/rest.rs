//! The operating point of a varied circuit, from that of the circuit as drawn, and the slopes
//! about it.

use super::change::Drawn;
use super::list::Variables;
use crate::analysis::NoSolution;
use crate::analysis::operating_point::{self, Point};
use crate::circuit::Circuit;
use crate::math::lu::{LinearSolver, StaticLu};
use crate::system::assemble::{Assembly, SourceState};

/// A circuit whose values can be moved, at rest.
#[derive(Debug)]
pub struct Varied {
    /// The circuit, with the values put last.
    pub circuit: Circuit,
    /// What varies.
    pub variables: Variables,
    drawn: Drawn,
    /// The operating point as drawn: node voltages (V), then branch currents (A).
    pub nominal: Vec<f64>,
    /// The discrete states that it stands in.
    memory: Vec<f64>,
}

impl Varied {
    /// A circuit as drawn, solved.
    ///
    /// # Errors
    /// If it has no operating point that was found.
    pub fn new(circuit: Circuit, variables: Variables) -> Result<Self, Box<NoSolution>> {
        let (point, assembly) = operating_point::dc(&circuit)?;
        let memory = assembly.memory.clone();
        drop(assembly);
        Ok(Varied {
            drawn: Drawn::of(&circuit, &variables),
            circuit,
            variables,
            nominal: point.x,
            memory,
        })
    }

    /// Puts the variables' values into the circuit.
    pub fn put(&mut self, values: &[f64]) {
        self.drawn.put(&mut self.circuit, &self.variables, values);
    }

    /// The operating point with the values put last, sought from the nominal one, and only if
    /// that leads nowhere from scratch.
    ///
    /// # Errors
    /// If none was found.
    pub fn solve(&self) -> Result<(Point, Assembly<'_>), Box<NoSolution>> {
        let mut assembly = Assembly::new(&self.circuit);
        assembly.memory.copy_from_slice(&self.memory);
        let point = operating_point::near(&mut assembly, SourceState::DC, &self.nominal)?;
        Ok((point, assembly))
    }

    /// What each variable does to each unknown about the nominal solution, `[variable][unknown]`:
    /// V or A for a change of the variable's value by one (a part, or its unit).
    ///
    /// J dx/dp = -df/dp (the direct method), df/dp by differences of the residual alone: it is
    /// straight or nearly so in a part's value, and a ten-thousandth either way leaves 1e-8.
    /// The circuit has its nominal values afterwards.
    pub fn slopes(&mut self) -> Vec<Vec<f64>> {
        let mut values = self.variables.nominal();
        self.put(&values);
        let mut assembly = Assembly::new(&self.circuit);
        assembly.memory.copy_from_slice(&self.memory);
        let (indptr, indices) = assembly.pattern();
        let mut lu: StaticLu<f64> = StaticLu::new(assembly.len(), indptr, indices);
        assembly.evaluate(&self.nominal, SourceState::DC, 0.0, false);
        let regular = lu.factor(&assembly.jacobian).is_ok();
        drop(assembly);
        let n = self.nominal.len();
        let mut all = Vec::with_capacity(values.len());
        for k in 0..values.len() {
            let nominal = values[k];
            let mut slope = vec![0.0; n];
            if regular {
                for sign in [1.0, -1.0] {
                    values[k] = nominal + sign * SMALL;
                    self.put(&values);
                    let f = self.residual();
                    slope
                        .iter_mut()
                        .zip(f)
                        .for_each(|(s, f)| *s -= sign * f / (2.0 * SMALL));
                }
                values[k] = nominal;
                lu.solve(&mut slope);
            }
            all.push(slope);
        }
        self.put(&values);
        all
    }

    fn residual(&self) -> Vec<f64> {
        let mut assembly = Assembly::new(&self.circuit);
        assembly.memory.copy_from_slice(&self.memory);
        assembly.evaluate(&self.nominal, SourceState::DC, 0.0, false);
        assembly.f
    }
}

/// The step of the differences.
const SMALL: f64 = 1e-4;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::circuit::bind::Timing;
    use crate::circuit::params::Overrides;
    use crate::circuit::read::Draft;
    use crate::diag::{FileId, Files, Span};
    use crate::tolerance::list::Rule;
    use crate::tolerance::list::Shape;
    use crate::tolerance::sample::{Order, Sampler};

    fn circuit(text: &str) -> (Circuit, Files) {
        let mut draft = Draft::text(text);
        assert!(draft.problems.is_empty(), "{:?}", draft.problems);
        let built = draft.build(&Overrides::default(), Timing::default());
        (built.expect("a circuit").circuit, draft.files)
    }

    fn rule(text: &str) -> Rule {
        let mut sources = Files::default();
        let file: FileId = sources.add("--tol", text);
        Rule::parse(text, Span::new(file, 0, text.len())).expect("a rule")
    }

    const DIVIDER: &str = "divider\nV1 in 0 10\nR1 in out 3k\nR2 out 0 2k ; tol=-10..+20%\n";

    /// v = 10 R2/(R1 + R2): dv/dlnR2 = 10 R1 R2/(R1 + R2)^2 = 2.4 V, the same with a minus for R1.
    #[test]
    fn a_divider_has_its_slopes_and_values() {
        let (circuit, _) = circuit(DIVIDER);
        let variables = Variables::of(&circuit, &[rule("R1=1%")]).expect("variables");
        let names: Vec<&str> = variables.all.iter().map(|v| v.name.as_str()).collect();
        assert_eq!(names, ["R1", "R2"]);
        assert_eq!(variables.all[1].ends(), (0.9, 1.2));
        let out = circuit.node("out").expect("a node").0 - 1;
        let mut varied = Varied::new(circuit, variables).expect("a solution");
        let slopes = varied.slopes();
        assert!((slopes[0][out] + 2.4).abs() < 1e-6, "{slopes:?}");
        assert!((slopes[1][out] - 2.4).abs() < 1e-6);
        varied.put(&[0.99, 1.2]);
        let x = varied.solve().expect("a solution").0.x;
        assert!((x[out] - 10.0 * 2.4 / (2.4 + 2.97)).abs() < 1e-9);
        varied.put(&[1.0, 1.0]);
        let x = varied.solve().expect("a solution").0.x;
        assert!((x[out] - 4.0).abs() < 1e-9);
    }

    const STAGE: &str = "stage\nVB b 0 300\nRA b plate 100k\nRK cathode 0 1.5k\nRG grid 0 1meg\n\
        XV1A plate grid cathode 12AX7\nXV1B b plate 0 12AX7\n";

    /// Against a second solution at every value moved by a thousandth.
    #[test]
    fn a_stage_has_the_slopes_of_differences() {
        let (circuit, _) = circuit(STAGE);
        let variables = Variables::of(&circuit, &[]).expect("variables");
        assert!(variables.parts.contains(&"XV1".to_string()));
        let mut varied = Varied::new(circuit, variables).expect("a solution");
        let slopes = varied.slopes();
        let nominal = varied.variables.nominal();
        for k in 0..nominal.len() {
            let solution = |varied: &mut Varied, by: f64| {
                let mut values = nominal.clone();
                values[k] += by;
                varied.put(&values);
                varied.solve().expect("a solution").0.x
            };
            let (up, down) = (solution(&mut varied, 1e-3), solution(&mut varied, -1e-3));
            for (n, slope) in slopes[k].iter().enumerate() {
                let by_hand = (up[n] - down[n]) / 2e-3;
                let name = &varied.variables.all[k].name;
                assert!(
                    (slope - by_hand).abs() < 1e-5 + 2e-4 * by_hand.abs(),
                    "{name} {n}: {slope} {by_hand}"
                );
            }
        }
    }

    /// Two halves of a bottle are partly alike, and each alone is uniform.
    #[test]
    fn halves_of_a_bottle_are_partly_alike() {
        let (circuit, _) = circuit(STAGE);
        let variables = Variables::of(&circuit, &[]).expect("variables");
        let at = |name: &str| variables.all.iter().position(|v| v.name == name).unwrap();
        let (a, b) = (at("XV1A.current"), at("XV1B.current"));
        let range = variables.all[a].range.high;
        let common = variables.all[a].shared.expect("a section").1;
        assert!(range > 0.1 && common > 0.0);
        let mut sampler = Sampler::new(&variables, 1, Order::Chance, Shape::Uniform);
        let mut numbers = vec![0.0; variables.draws.len()];
        let mut values = variables.nominal();
        let (mut product, mut squares, mut fourth) = (0.0, 0.0, 0.0);
        let runs = 20_000;
        for run in 0..runs {
            sampler.values(&variables, run, &mut numbers, &mut values);
            let (x, y) = ((values[a] - 1.0) / range, (values[b] - 1.0) / range);
            assert!(x.abs() <= 1.0 && y.abs() <= 1.0);
            product += x * y * 3.0 / runs as f64;
            squares += x * x * 3.0 / runs as f64;
            fourth += x.powi(4) * 5.0 / runs as f64;
        }
        assert!((squares - 1.0).abs() < 0.03 && (fourth - 1.0).abs() < 0.04);
        // Uniform marginals of normal numbers correlated by c: 6/pi asin(c/2).
        let expected = 6.0 / std::f64::consts::PI * (0.5 * common).asin();
        assert!((product - expected).abs() < 0.03, "{product} {expected}");
    }

    #[test]
    fn what_has_no_value_takes_no_tolerance() {
        let (circuit, sources) =
            circuit("t\nV1 a 0 1\nR1 a 0 1k\nE1 b 0 a 0 2 ; tol=5%\nR2 b 0 1\n");
        let problems = Variables::of(&circuit, &[rule("R9=5%")]).expect_err("both are wrong");
        let text: Vec<String> = problems.iter().map(|p| sources.render(p)).collect();
        assert!(text[0].contains("`E1` has no value"), "{text:?}");
        assert!(text[1].contains("`R9`") || text.len() == 2);
    }
}
