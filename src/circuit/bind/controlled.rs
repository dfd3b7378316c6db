//! Controlled sources and expressions: E F G H B.

use super::*;

impl Binder<'_> {
    pub(super) fn law(
        &mut self,
        law: Box<dyn Law>,
        controls: Vec<Sense>,
        outputs: Vec<Sink>,
    ) -> Piece {
        self.circuit.laws.push(LawPart {
            controls,
            outputs,
            law: law.into(),
            memory: 0.0,
        });
        Piece::Law(self.circuit.laws.len() - 1, 0)
    }

    pub(super) fn controlled(
        &mut self,
        flat: Flat<'_>,
        path: &str,
        control: &Control,
        sink: Sink,
    ) -> Piece {
        let (sense, gain) = match control {
            Control::Voltage { nodes, gain } => {
                let sense = Sense::Voltage(
                    self.known_node(flat, &nodes[0]),
                    self.known_node(flat, &nodes[1]),
                );
                (sense, gain)
            }
            Control::Current { source, gain } => {
                (Sense::Current(self.source_branch(flat, source)), gain)
            }
            Control::VoltagePoly {
                pairs,
                coefficients,
            } => {
                let senses = pairs
                    .iter()
                    .map(|[a, b]| {
                        Sense::Voltage(self.known_node(flat, a), self.known_node(flat, b))
                    })
                    .collect();
                let law = Polynomial::new(pairs.len(), &numbers(coefficients));
                return self.law(Box::new(law), senses, vec![sink]);
            }
            Control::CurrentPoly {
                sources,
                coefficients,
            } => {
                let senses = sources
                    .iter()
                    .map(|s| Sense::Current(self.source_branch(flat, s)))
                    .collect();
                let law = Polynomial::new(sources.len(), &numbers(coefficients));
                return self.law(Box::new(law), senses, vec![sink]);
            }
        };
        let (gain, _) = self.main_value(path, "gain", gain, Role::Plain);
        self.circuit.gains.push(Gain { sense, sink, gain });
        Piece::Gain(self.circuit.gains.len() - 1)
    }

    /// Turns an expression into steps; control values are numbered as they appear.
    pub(super) fn compile(
        &mut self,
        flat: Flat<'_>,
        expr: &Expr,
        senses: &mut Vec<Sense>,
        steps: &mut Vec<Operation>,
    ) -> usize {
        let fallible = match expr {
            Expr::Binary(Operator::Divide | Operator::Power, ..) => true,
            Expr::Call(f, ..) => matches!(f, Function::Ln | Function::Log),
            _ => false,
        };
        if fallible && constant(expr).is_some_and(|x| !x.is_finite()) {
            self.problems.push(CircuitProblem::NoValue.at(expr.span()));
        }
        let step = match expr {
            Expr::Number(x, _) => Operation::Number(*x),
            Expr::Voltage(a, b, _) => {
                let a = self.known_node(flat, a);
                let b = b
                    .as_ref()
                    .map_or(Node::GROUND, |b| self.known_node(flat, b));
                Operation::Control(control(senses, Sense::Voltage(a, b)))
            }
            Expr::Current(source, _) => {
                let branch = self.source_branch(flat, source);
                Operation::Control(control(senses, Sense::Current(branch)))
            }
            Expr::Negate(a, _) => Operation::Negate(self.compile(flat, a, senses, steps)),
            Expr::Call(f, a, _) => {
                let a = self.compile(flat, a, senses, steps);
                function(*f, a)
            }
            Expr::Binary(op, a, b, _) => {
                let a = self.compile(flat, a, senses, steps);
                let b = self.compile(flat, b, senses, steps);
                match op {
                    Operator::Add => Operation::Add(a, b),
                    Operator::Subtract => Operation::Subtract(a, b),
                    Operator::Multiply => Operation::Multiply(a, b),
                    Operator::Divide => Operation::Divide(a, b),
                    Operator::Power => Operation::Power(a, b),
                    Operator::Greater => Operation::Max(a, b),
                    Operator::Less => Operation::Min(a, b),
                }
            }
        };
        steps.push(step);
        steps.len() - 1
    }
}

pub(super) fn control(senses: &mut Vec<Sense>, sense: Sense) -> usize {
    senses.iter().position(|&s| s == sense).unwrap_or_else(|| {
        senses.push(sense);
        senses.len() - 1
    })
}

pub(super) fn function(f: Function, a: usize) -> Operation {
    match f {
        Function::Abs => Operation::Abs(a),
        Function::Acos => Operation::Acos(a),
        Function::Acosh => Operation::Acosh(a),
        Function::Asin => Operation::Asin(a),
        Function::Asinh => Operation::Asinh(a),
        Function::Atan => Operation::Atan(a),
        Function::Atanh => Operation::Atanh(a),
        Function::Cos => Operation::Cos(a),
        Function::Cosh => Operation::Cosh(a),
        Function::Exp => Operation::Exp(a),
        Function::Ln => Operation::Ln(a),
        Function::Log => Operation::Log(a),
        Function::Sgn => Operation::Sgn(a),
        Function::Sin => Operation::Sin(a),
        Function::Sinh => Operation::Sinh(a),
        Function::Sqrt => Operation::Sqrt(a),
        Function::Tan => Operation::Tan(a),
        Function::Tanh => Operation::Tanh(a),
        Function::U => Operation::U(a),
        Function::Uramp => Operation::Uramp(a),
    }
}

/// What an expression without voltages and currents is worth as plain arithmetic has it: infinite
/// or NaN where the law would put a number in its place.
fn constant(expr: &Expr) -> Option<f64> {
    match expr {
        Expr::Number(x, _) => Some(*x),
        Expr::Voltage(..) | Expr::Current(..) => None,
        Expr::Negate(a, _) => constant(a).map(|a| -a),
        Expr::Call(Function::Ln | Function::Log, a, _) => {
            constant(a).map(|a| if a == 0.0 { f64::NEG_INFINITY } else { 1.0 })
        }
        Expr::Call(f, a, _) => {
            let program = Program::new(0, vec![Operation::Number(constant(a)?), function(*f, 0)]);
            Some(program.value(&[], &mut []))
        }
        Expr::Binary(op, a, b, _) => {
            let (a, b) = (constant(a)?, constant(b)?);
            Some(match op {
                Operator::Add => a + b,
                Operator::Subtract => a - b,
                Operator::Multiply => a * b,
                Operator::Divide => a / b,
                Operator::Power => crate::math::fun::pow(a, b),
                Operator::Greater => a.max(b),
                Operator::Less => a.min(b),
            })
        }
    }
}
