//! What the tests of the devices share: a device from a few parameters, a law's answer
//! with its own storage, and a bench where plain Newton solves a small circuit.

use super::kind::{Device, Given, Kind, Param, Part, Pin};
use super::law::{Answer, Law};
use crate::device::kind;

/// A device in the making: the defaults of its kind with some values replaced.
#[derive(Clone)]
pub struct Sample {
    pub kind: &'static Kind,
    pub model: Vec<f64>,
    pub instance: Vec<f64>,
    pub celsius: f64,
}

impl Sample {
    pub fn of(name: &str) -> Self {
        let kind = kind(name).unwrap_or_else(|| panic!("no kind `{name}`"));
        let defaults = |table: &[Param]| table.iter().map(|p| p.default).collect();
        Sample {
            kind,
            model: defaults(kind.model_params),
            instance: defaults(kind.instance_params),
            celsius: 27.0,
        }
    }

    pub fn model(mut self, name: &str, value: f64) -> Self {
        put(self.kind.model_params, &mut self.model, name, value);
        self
    }

    pub fn instance(mut self, name: &str, value: f64) -> Self {
        put(self.kind.instance_params, &mut self.instance, name, value);
        self
    }

    pub fn celsius(mut self, celsius: f64) -> Self {
        self.celsius = celsius;
        self
    }

    pub fn device(&self) -> Device {
        (self.kind.build)(&Given {
            kind: self.kind,
            model: &self.model,
            instance: &self.instance,
            celsius: self.celsius,
        })
    }

    /// The law of one part.
    pub fn law(&self, part: usize) -> Box<dyn Law> {
        match self.device().parts.swap_remove(part) {
            Part::Law { law, .. } => law,
            other => panic!("{other:?} is not a law"),
        }
    }
}

fn put(table: &[Param], values: &mut [f64], name: &str, value: f64) {
    let n = table
        .iter()
        .position(|p| p.name == name)
        .unwrap_or_else(|| panic!("no parameter `{name}`"));
    assert!(table[n].range.contains(&value), "{name} = {value}");
    values[n] = value;
}

/// An answer that owns its numbers.
#[derive(Debug, Clone)]
pub struct Owned {
    pub i: Vec<f64>,
    pub q: Vec<f64>,
    pub g: Vec<f64>,
    pub c: Vec<f64>,
}

pub fn answer(law: &dyn Law, u: &[f64], memory: f64) -> Owned {
    let (rows, columns) = (law.outputs(), law.controls());
    assert_eq!(u.len(), columns);
    let mut owned = Owned {
        i: vec![0.0; rows],
        q: vec![0.0; rows],
        g: vec![0.0; rows * columns],
        c: vec![0.0; rows * columns],
    };
    law.answer(
        u,
        memory,
        &mut Answer {
            i: &mut owned.i,
            q: &mut owned.q,
            g: &mut owned.g,
            c: &mut owned.c,
        },
    );
    owned
}

type Node = Option<usize>;

/// A few nodes, resistors, sources behind resistors and devices; `None` is ground.
pub struct Bench {
    nodes: usize,
    resistors: Vec<(Node, Node, f64)>,
    injected: Vec<(usize, f64)>,
    laws: Vec<Fixed>,
}

struct Fixed {
    controls: Vec<(Node, Node)>,
    outputs: Vec<(Node, Node)>,
    law: Box<dyn Law>,
    memory: f64,
}

impl Bench {
    pub fn new(nodes: usize) -> Self {
        Bench {
            nodes,
            resistors: Vec::new(),
            injected: Vec::new(),
            laws: Vec::new(),
        }
    }

    pub fn resistor(&mut self, a: Node, b: Node, ohms: f64) {
        self.resistors.push((a, b, ohms));
    }

    /// Volts behind ohms into a node.
    pub fn source(&mut self, node: usize, volts: f64, ohms: f64) {
        self.resistor(Some(node), None, ohms);
        self.injected.push((node, volts / ohms));
    }

    /// Amperes into a node.
    pub fn current(&mut self, node: usize, amperes: f64) {
        self.injected.push((node, amperes));
    }

    pub fn device(&mut self, device: Device, terminals: &[Node]) {
        let first = self.nodes;
        self.nodes += device.inner;
        let at = |pin: Pin| match pin {
            Pin::T(n) => terminals[n],
            Pin::Inner(n) => Some(first + n),
            Pin::Ground => None,
        };
        let ports = |list: Vec<(Pin, Pin)>| list.into_iter().map(|(a, b)| (at(a), at(b))).collect();
        for part in device.parts {
            match part {
                Part::Resistance(a, b, ohms) => self.resistors.push((at(a), at(b), ohms)),
                Part::Capacitance(..) => {}
                Part::Winding(_) | Part::Transfer { .. } => panic!("the bench winds no coils"),
                Part::Law {
                    controls,
                    outputs,
                    law,
                } => self.laws.push(Fixed {
                    controls: ports(controls),
                    outputs: ports(outputs),
                    law,
                    memory: device.memory,
                }),
            }
        }
    }

    /// Node voltages and the Newton steps that plain Newton took from the laws' start.
    pub fn solve(&mut self) -> (Vec<f64>, usize) {
        let n = self.nodes;
        let mut v = vec![0.0; n];
        let mut last: Vec<Vec<f64>> = self
            .laws
            .iter()
            .map(|f| {
                let mut u = vec![0.0; f.law.controls()];
                f.law.start(&mut u);
                u
            })
            .collect();
        for step in 1..=200 {
            let mut a = vec![vec![0.0; n + 1]; n];
            for (k, row) in a.iter_mut().enumerate() {
                row[k] = 1e-12;
            }
            for &(p, m, ohms) in &self.resistors {
                stamp(&mut a, (p, m), (p, m), 1.0 / ohms);
            }
            for &(node, amperes) in &self.injected {
                a[node][n] += amperes;
            }
            for (f, u) in self.laws.iter().zip(&last) {
                let got = answer(f.law.as_ref(), u, f.memory);
                for (o, &port) in f.outputs.iter().enumerate() {
                    let mut rest = got.i[o];
                    for (k, &control) in f.controls.iter().enumerate() {
                        let g = got.g[o * u.len() + k];
                        stamp(&mut a, port, control, g);
                        rest -= g * u[k];
                    }
                    if let Some(p) = port.0 {
                        a[p][n] -= rest;
                    }
                    if let Some(m) = port.1 {
                        a[m][n] += rest;
                    }
                }
            }
            let next = eliminate(a);
            let mut settled = next
                .iter()
                .zip(&v)
                .all(|(x, y)| (x - y).abs() < 1e-9 * (1.0 + x.abs()));
            v = next;
            for (f, u) in self.laws.iter_mut().zip(&mut last) {
                let volt = |node: Node| node.map_or(0.0, |k| v[k]);
                let wanted: Vec<f64> = f.controls.iter().map(|&(p, m)| volt(p) - volt(m)).collect();
                let mut new = wanted.clone();
                f.law.damp(&mut new, u, f.memory);
                let memory = f.law.next_memory(&wanted, f.memory);
                settled &= new == wanted && memory == f.memory;
                f.memory = memory;
                *u = new;
            }
            if settled {
                return (v, step);
            }
        }
        panic!("no solution in 200 steps, at {v:?}");
    }
}

fn stamp(a: &mut [Vec<f64>], port: (Node, Node), control: (Node, Node), g: f64) {
    for (row, sign) in [(port.0, 1.0), (port.1, -1.0)] {
        for (column, other) in [(control.0, 1.0), (control.1, -1.0)] {
            if let (Some(r), Some(c)) = (row, column) {
                a[r][c] += sign * other * g;
            }
        }
    }
}

fn eliminate(mut a: Vec<Vec<f64>>) -> Vec<f64> {
    let n = a.len();
    for k in 0..n {
        let best = (k..n)
            .max_by(|&x, &y| a[x][k].abs().total_cmp(&a[y][k].abs()))
            .unwrap();
        a.swap(k, best);
        let pivot = a[k].clone();
        for row in &mut a[k + 1..] {
            let f = row[k] / pivot[k];
            for (x, p) in row[k..].iter_mut().zip(&pivot[k..]) {
                *x -= f * p;
            }
        }
    }
    let mut v = vec![0.0; n];
    for k in (0..n).rev() {
        let known: f64 = (k + 1..n).map(|j| a[k][j] * v[j]).sum();
        v[k] = (a[k][n] - known) / a[k][k];
    }
    v
}
