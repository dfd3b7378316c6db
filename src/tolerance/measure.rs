//! Figures of many amplifiers of one drawing: the circuit is built once, and for each amplifier its
//! values are changed, its trimmers set, and its figures measured from where the drawing's own
//! amplifier stands.

use super::change::Drawn;
pub use super::change::Setting;
use super::lanes::{Lanes, WIDTH};
use super::list::{Rule, Shape, Variables};
pub use super::trim::Trim;
use super::trim::{self, Trimmer};
use crate::analysis::natural::{self, Stability};
use crate::analysis::small_signal::SmallSignal;
use crate::circuit::bind::Timing;
use crate::circuit::ledger::Ledger;
use crate::circuit::params::{self, Overrides};
use crate::circuit::{Circuit, Node};
use crate::diag::{Diagnostic, Files};
use crate::figure::bench::{Bench, Clips, FigureValue, Judging, Reading, Trouble};
use crate::figure::registry::Way;
use crate::figure::{Figure, Subject};
use crate::measure::quiescent::{self, AtRest};
use crate::netlist::statement::{Netlist, Probe, Tolerance};

/// One circuit whose figures are wanted: the netlist, or a case of a sheet.
#[derive(Debug)]
pub struct Setup {
    /// The netlist.
    pub netlist: Netlist,
    /// What is set on it.
    pub given: Vec<params::Setting>,
    /// Where its solutions are audited, if they are.
    pub ledger: Option<Ledger>,
    /// Figures, in the order of the columns.
    pub figures: Vec<Figure>,
    /// Trimmers, set in this order.
    pub trimmers: Vec<Trimmer>,
    /// What varies in it.
    pub variables: Variables,
    /// For each of those, its place among all ([`Plan::variables`]).
    pick: Vec<usize>,
    /// How it stands as drawn; none if that could not be solved.
    nominal: Option<AtRest>,
    /// Whether it stays there.
    pub stability: Stability,
    /// Whether that is asked of each amplifier too.
    pub watch: Watch,
}

/// Of which amplifiers it is asked whether they stay at rest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Watch {
    /// Of none.
    Never,
    /// Of all, unless they go four at a time, which takes a hundredth of the time that it would.
    IfSlow,
    /// Of all.
    Always,
}

/// Texts, clips, and whether to break off: what every bench needs.
#[derive(Clone, Copy)]
pub struct Around<'n> {
    /// Texts for messages.
    pub sources: &'n Files,
    /// Where clips come from.
    pub clips: &'n dyn Clips,
    /// Asked now and then whether to break off.
    pub stopped: &'n (dyn Fn() -> bool + Sync),
}

impl Setup {
    /// A circuit with what varies in it, built once to see.
    ///
    /// # Errors
    /// All that is wrong with netlist, settings, figures and tolerances.
    pub fn new(
        netlist: Netlist,
        given: Vec<params::Setting>,
        ledger: Option<Ledger>,
        figures: Vec<Figure>,
        trims: &[Trim],
        rules: &[Rule],
        around: Around<'_>,
    ) -> Result<(Self, Vec<Diagnostic>), Vec<Diagnostic>> {
        let mut setup = Setup {
            netlist,
            given,
            ledger,
            figures,
            trimmers: Vec::new(),
            variables: Variables::default(),
            pick: Vec::new(),
            nominal: None,
            stability: Stability::Unknown,
            watch: Watch::Never,
        };
        let mut bench = setup.bench(around);
        let circuit = bench.circuit(Timing::default())?;
        let warnings = std::mem::take(&mut bench.warnings);
        drop(bench);
        let mut problems = Vec::new();
        for trim in trims {
            match Trimmer::find(&circuit, trim) {
                Ok(trimmer) => setup.trimmers.push(trimmer),
                Err(problem) => problems.push(problem),
            }
        }
        if !problems.is_empty() {
            return Err(problems);
        }
        // What a trimmer sets has no value of its own that could be off.
        let mut all = rules.to_vec();
        all.extend(setup.trimmers.iter().map(|t| Rule {
            name: circuit.elements[t.element].name.clone(),
            range: Tolerance::both(0.0),
            is_part: true,
            span: t.trim.part.span,
        }));
        setup.variables = Variables::of(&circuit, &all)?;
        if let Ok((quiescent, assembly)) = quiescent::solve_near(&circuit, None, false) {
            let mut assembly = quiescent::with_swings(assembly, &quiescent.found);
            let mut small = SmallSignal::new(&mut assembly, &quiescent.x);
            setup.stability = natural::stability(&mut small);
            setup.nominal = Some(quiescent.found);
        }
        Ok((setup, warnings))
    }

    /// The figures as readings of an operating point; none if one of them is more than that.
    fn readings(&self, circuit: &Circuit) -> Option<Vec<Quantity>> {
        let is_plain =
            self.trimmers.is_empty() && self.ledger.is_none() && circuit.ledger.is_none();
        if !is_plain || !matches!(self.nominal, Some(AtRest::Point(_))) {
            return None;
        }
        let unknown = |node: Node| (node.0 > 0).then(|| node.0 - 1);
        let each = self
            .figures
            .iter()
            .map(|figure| match (figure.quantity.way, &figure.subject) {
                (Way::Direct, Subject::Probe(Probe::Voltage(a, b))) => {
                    let b = match b {
                        Some(b) => circuit.node(&b.text)?,
                        None => Node::GROUND,
                    };
                    let a = circuit.node(&a.text)?;
                    Some(Quantity::Volts(unknown(a), unknown(b)))
                }
                (Way::Chart, Subject::Element(name)) => {
                    let element = circuit.element(&name.text)?;
                    let name = figure.quantity.name;
                    let reading = element.readings.iter().find(|r| r.0.name == name)?;
                    Some(Quantity::Current(reading.1, reading.2))
                }
                _ => None,
            });
        each.collect()
    }

    fn quick(&self, bench: &mut Bench<'_>, circuit: &Circuit) -> Option<Quick> {
        if self.watch == Watch::Always {
            return None;
        }
        let readings = self.readings(circuit)?;
        let Some(AtRest::Point(point)) = &self.nominal else {
            return None;
        };
        let make = || bench.circuit(Timing::default()).expect("built before");
        Some(Quick {
            lanes: Lanes::new(make, &self.variables, &point.x)?,
            readings,
        })
    }

    fn bench<'n>(&'n self, around: Around<'n>) -> Bench<'n> {
        let settings = Overrides::audited(self.ledger.clone()).unused_yet(&self.given);
        let sources = around.sources.clone();
        Bench::new(
            &self.netlist,
            settings,
            sources,
            around.clips,
            around.stopped,
        )
    }
}

/// All circuits that are measured of each amplifier, and what varies in any of them.
#[derive(Debug)]
pub struct Plan {
    /// The circuits.
    pub setups: Vec<Setup>,
    /// What varies, each once.
    pub variables: Variables,
    /// How values lie within their ranges.
    pub shape: Shape,
}

impl Plan {
    /// Puts what varies in several circuits together: what has one name is one part.
    pub fn new(mut setups: Vec<Setup>, shape: Shape) -> Self {
        let mut all = Variables::default();
        for setup in &mut setups {
            let own = &setup.variables;
            let place =
                |list: &mut Vec<String>, name: &String| match list.iter().position(|n| n == name) {
                    Some(k) => k,
                    None => {
                        list.push(name.clone());
                        list.len() - 1
                    }
                };
            let parts: Vec<usize> = own.parts.iter().map(|p| place(&mut all.parts, p)).collect();
            let draws: Vec<usize> = own.draws.iter().map(|d| place(&mut all.draws, d)).collect();
            all.part_of_draw.resize(all.draws.len(), 0);
            for (draw, part) in draws.iter().zip(&own.part_of_draw) {
                all.part_of_draw[*draw] = parts[*part];
            }
            setup.pick.clear();
            for variable in &own.all {
                let known = all.all.iter().position(|v| v.name == variable.name);
                setup.pick.push(known.unwrap_or(all.all.len()));
                if known.is_none() {
                    let mut variable = variable.clone();
                    variable.part = parts[variable.part];
                    variable.own = draws[variable.own];
                    variable.shared = variable.shared.map(|(d, c)| (draws[d], c));
                    all.all.push(variable);
                }
            }
        }
        Plan {
            setups,
            variables: all,
            shape,
        }
    }

    /// What measures one amplifier after the other; one for each thread.
    ///
    /// # Panics
    /// If a circuit that was built before cannot be built again: our bug.
    pub fn worker<'n>(&'n self, around: Around<'n>) -> Worker<'n> {
        let seats = self.setups.iter().map(|setup| {
            let mut bench = setup.bench(around);
            let circuit = bench.circuit(Timing::default()).expect("built before");
            Seat {
                drawn: Drawn::of(&circuit, &setup.variables),
                values: setup.variables.nominal(),
                quick: setup.quick(&mut bench, &circuit),
                setup,
                bench,
                circuit,
            }
        });
        Worker {
            seats: seats.collect(),
            plan: self,
            values: self.variables.nominal(),
        }
    }
}

/// A circuit on a worker's bench.
struct Seat<'n> {
    setup: &'n Setup,
    bench: Bench<'n>,
    circuit: Circuit,
    drawn: Drawn,
    values: Vec<f64>,
    quick: Option<Quick>,
}

/// Four at a time, and what is read of each.
struct Quick {
    lanes: Lanes,
    readings: Vec<Quantity>,
}

/// What can be read of an operating point at once.
#[derive(Debug, Clone, Copy)]
enum Quantity {
    /// Between two unknowns, V; none is ground.
    Volts(Option<usize>, Option<usize>),
    /// A law's output, A.
    Current(usize, usize),
}

/// Measures amplifiers of a plan.
pub struct Worker<'n> {
    seats: Vec<Seat<'n>>,
    plan: &'n Plan,
    values: Vec<f64>,
}

/// What was measured of one circuit.
#[derive(Debug)]
pub struct Measured {
    /// Its figures, in their order.
    pub figures: Vec<Result<FigureValue, Trouble>>,
    /// What it does in place of staying at rest, if it was watched.
    pub unstable: Option<String>,
}

impl Worker<'_> {
    /// Whether amplifiers go four at a time.
    pub fn is_quick(&self) -> bool {
        self.seats.len() == 1 && self.seats[0].quick.is_some()
    }

    /// The amplifier that independent numbers stand for: figures, a list for each circuit.
    pub fn numbers(&mut self, numbers: &[f64]) -> Vec<Measured> {
        let mut values = std::mem::take(&mut self.values);
        self.plan
            .variables
            .values(self.plan.shape, numbers, &mut values);
        let found = self.values(&values);
        self.values = values;
        found
    }

    /// Several amplifiers, each by its independent numbers: the same figures as one by one, four at
    /// a time where their rest is all that is asked for.
    pub fn batch(&mut self, numbers: &[Vec<f64>]) -> Vec<Vec<Measured>> {
        let mut all = Vec::with_capacity(numbers.len());
        for four in numbers.chunks(WIDTH) {
            if self.seats.len() != 1 || self.seats[0].quick.is_none() {
                all.extend(four.iter().map(|n| self.numbers(n)));
                continue;
            }
            let variables = &self.plan.variables;
            let values: Vec<Vec<f64>> = four
                .iter()
                .map(|numbers| {
                    let mut values = variables.nominal();
                    variables.values(self.plan.shape, numbers, &mut values);
                    values
                })
                .collect();
            for (lane, found) in self.seats[0].four(&values).into_iter().enumerate() {
                all.push(match found {
                    Some(found) => vec![found],
                    None => self.values(&values[lane]),
                });
            }
        }
        all
    }

    /// The amplifier with these values of [`Plan::variables`].
    pub fn values(&mut self, values: &[f64]) -> Vec<Measured> {
        self.seats.iter_mut().map(|s| s.measure(values)).collect()
    }

    /// The settings that make the amplifier with these values, trimmers included.
    ///
    /// # Errors
    /// If a trimmer cannot be set.
    pub fn settings(&mut self, values: &[f64]) -> Result<Vec<Setting>, Trouble> {
        let mut all: Vec<Setting> = Vec::new();
        for seat in &mut self.seats {
            seat.put(values);
            let variables = &seat.setup.variables;
            let mut own = seat.drawn.settings(&seat.circuit, variables, &seat.values);
            for (element, value) in seat.trim()? {
                let about = &seat.circuit.elements[element];
                let name = about.name.clone();
                own.push(match about.position {
                    Some(_) => Setting::Knob(name, value),
                    None => Setting::Value(name, value),
                });
            }
            own.retain(|s| !all.contains(s));
            all.extend(own);
        }
        Ok(all)
    }
}

impl Seat<'_> {
    /// Figures of up to four amplifiers; none for one that has to be solved by itself.
    fn four(&mut self, values: &[Vec<f64>]) -> Vec<Option<Measured>> {
        let setup = self.setup;
        let Some(quick) = &mut self.quick else {
            return values.iter().map(|_| None).collect();
        };
        let own = values.iter().map(|values| {
            let own = setup.pick.iter().map(|&k| values[k]);
            own.collect()
        });
        let own: Vec<Vec<f64>> = own.collect();
        let solved = quick.lanes.solve(&setup.variables, &own);
        let measured = solved.into_iter().enumerate().map(|(lane, x)| {
            let x = x?;
            let each = setup.figures.iter().zip(&quick.readings);
            let each = each.map(|(figure, reading)| {
                let value = match *reading {
                    Quantity::Volts(a, b) => a.map_or(0.0, |k| x[k]) - b.map_or(0.0, |k| x[k]),
                    Quantity::Current(law, output) => quick.lanes.current(law, output, lane),
                };
                Ok(FigureValue::Number(Reading {
                    value,
                    unit: figure.unit(),
                    limit: None,
                }))
            });
            Some(Measured {
                figures: each.collect(),
                unstable: None,
            })
        });
        measured.collect()
    }

    fn put(&mut self, values: &[f64]) {
        for (own, &k) in self.values.iter_mut().zip(&self.setup.pick) {
            *own = values[k];
        }
        let variables = &self.setup.variables;
        self.drawn.put(&mut self.circuit, variables, &self.values);
    }

    fn measure(&mut self, values: &[f64]) -> Measured {
        self.put(values);
        let setup = self.setup;
        let failed = |why: &Trouble| Measured {
            figures: setup.figures.iter().map(|_| Err(why.clone())).collect(),
            unstable: None,
        };
        let trimmed = match self.trim() {
            Ok(trimmed) => trimmed,
            Err(why) => return failed(&why),
        };
        let figures: Vec<&Figure> = setup.figures.iter().collect();
        let own = self.values.clone();
        let alter = move |circuit: &mut Circuit| {
            let drawn = Drawn::of(circuit, &setup.variables);
            drawn.put(circuit, &setup.variables, &own);
            trimmed
                .iter()
                .for_each(|&(k, value)| trim::set(circuit, k, value));
        };
        let near = setup.nominal.as_ref();
        // Of the settled amplifier alone, not of each step of a trimmer.
        self.bench.judges = match setup.watch {
            Watch::Always => Judging::Stability,
            Watch::IfSlow if self.quick.is_none() => Judging::Stability,
            _ => Judging::Nothing,
        };
        let found = self
            .bench
            .measure_on(&self.circuit, &figures, near, Some(&alter));
        self.bench.judges = Judging::Nothing;
        match found {
            Ok(figures) => Measured {
                figures,
                unstable: self.bench.findings.drain(..).next().map(|f| f.text),
            },
            Err(problems) => {
                let first = problems.into_iter().find(Diagnostic::is_error);
                failed(&Trouble::Input(first.expect("an error")))
            }
        }
    }

    /// Sets the trimmers one after the other: elements and values. All start as drawn, so that it
    /// does not matter which amplifier was measured before.
    fn trim(&mut self) -> Result<Vec<(usize, f64)>, Trouble> {
        let setup = self.setup;
        let near = setup.nominal.as_ref();
        let (bench, circuit) = (&mut self.bench, &mut self.circuit);
        setup.trimmers.iter().for_each(|t| t.reset(circuit));
        let adjust = |t: &Trimmer| Ok((t.element, t.adjust(bench, circuit, near)?));
        setup.trimmers.iter().map(adjust).collect()
    }
}
