//! One circuit on the bench: its figures, with the work that several share done once.

mod bound;
mod kept;
mod named;
mod played;
mod sine;
mod small;
mod value;

use super::Figure;
use super::findings;
use super::problem::FigureProblem;
use super::registry::Gives;
use crate::analysis::mains;
use crate::analysis::transient::{self, Run};
use crate::circuit::bind::Timing;
use crate::circuit::params::Overrides;
use crate::circuit::{self, Circuit};
use crate::diag::{Diagnostic, Files};
use crate::measure::findings::{Finding, Trial};
use crate::measure::quiescent::{self, AtRest, Quiescent};
use crate::measure::stress::{self, Sine, State, Survey};
use crate::netlist::statement::Netlist;
use crate::system::assemble::Assembly;
use crate::system::probe::Observable;
use bound::{Bound, bind};
use kept::{KeptWave, room};
use played::Playing;
use sine::Driving;
use small::Quiet;
use value::go_on;
pub use value::{Across, Clips, Curve, FigureValue, Reading, Trouble};

/// How much of a circuit at rest is judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Judging {
    /// Nothing.
    Nothing,
    /// Whether it stays there.
    Stability,
    /// All that `bias` says in words, but for knobs and switches in other positions.
    All,
    /// All that `bias` says in words.
    Everywhere,
}

/// A circuit whose figures are wanted.
pub struct Bench<'n> {
    netlist: &'n Netlist,
    settings: Overrides,
    /// Texts for messages.
    pub sources: Files,
    /// What was doubtful about the circuit when it was built first.
    pub warnings: Vec<Diagnostic>,
    /// How the circuit at rest is judged, beside its figures.
    pub judges: Judging,
    /// What was found wrong with it then. Nothing, where it has no rest.
    pub findings: Vec<Finding>,
    clips: &'n dyn Clips,
    stopped: &'n (dyn Fn() -> bool + Sync),
}

impl<'n> Bench<'n> {
    /// A circuit under settings. `stopped` is asked now and then whether to break off.
    pub fn new(
        netlist: &'n Netlist,
        settings: Overrides,
        sources: Files,
        clips: &'n dyn Clips,
        stopped: &'n (dyn Fn() -> bool + Sync),
    ) -> Self {
        Bench {
            netlist,
            settings,
            sources,
            warnings: Vec::new(),
            judges: Judging::Nothing,
            findings: Vec::new(),
            clips,
            stopped,
        }
    }

    /// The circuit.
    ///
    /// # Errors
    /// All that is wrong with netlist and settings.
    pub fn circuit(&mut self, timing: Timing) -> Result<Circuit, Vec<Diagnostic>> {
        let built = circuit::build(self.netlist, &self.settings, timing, &mut self.sources)?;
        if self.warnings.is_empty() {
            self.warnings = built.warnings;
        }
        Ok(built.circuit)
    }

    /// Every figure asked for, in the order asked.
    ///
    /// # Errors
    /// If there is no circuit; what is wrong with one figure is its own [`Trouble`].
    pub fn measure(
        &mut self,
        figures: &[&Figure],
    ) -> Result<Vec<Result<FigureValue, Trouble>>, Vec<Diagnostic>> {
        let circuit = self.circuit(Timing::default())?;
        self.measure_on(&circuit, figures, None, None)
    }

    /// Every figure of a circuit that was built here and whose values were changed since. The
    /// search for its rest begins at a neighbour's, if there is one; `alter` makes the same
    /// changes in a circuit that has to be built anew, because a waveform's times make others of
    /// its sources.
    ///
    /// # Errors
    /// Those of [`measure`](Self::measure).
    pub fn measure_on(
        &mut self,
        circuit: &Circuit,
        figures: &[&Figure],
        near: Option<&AtRest>,
        alter: Option<&dyn Fn(&mut Circuit)>,
    ) -> Result<Vec<Result<FigureValue, Trouble>>, Vec<Diagnostic>> {
        let unfed = mains::unfed(circuit, mains::find(circuit).as_ref());
        let bound: Vec<Result<Bound, Diagnostic>> = figures
            .iter()
            .map(|figure| {
                let bound = bind(figure, circuit, self.netlist)?;
                self.fits(circuit, figure, &bound)?;
                match unfed.first() {
                    // A wave begins with the sources as they are written.
                    Some(source) if !matches!(bound, Bound::Wave(..)) => {
                        let source_name = source.name.clone();
                        Err(FigureProblem::Unfed { source_name }.at(figure.span))
                    }
                    _ => Ok(bound),
                }
            })
            .collect();
        let mut found: Vec<Option<Result<FigureValue, Trouble>>> = bound
            .iter()
            .map(|b| b.as_ref().err().map(|d| Err(Trouble::Input(d.clone()))))
            .collect();
        let judges = if unfed.is_empty() {
            self.judges
        } else {
            Judging::Nothing
        };
        self.findings = self.still(circuit, figures, &bound, (near, judges), &mut found);
        let mut driving = Driving::new(circuit, self.stopped);
        for (k, bound) in bound.iter().enumerate() {
            if let Ok(Bound::Sine(sine)) = bound {
                found[k] = Some(driving.measure(sine, figures[k]));
            }
        }
        self.waves(figures, &bound, alter, &mut found)?;
        self.sounds(circuit, figures, &bound, &mut found);
        self.stresses(figures, &bound, alter, &mut found)?;
        Ok(found
            .into_iter()
            .map(|f| f.expect("every way was gone"))
            .collect())
    }

    /// Refuses a circuit whose waves would take too long.
    fn fits(&self, circuit: &Circuit, figure: &Figure, bound: &Bound) -> Result<(), Diagnostic> {
        let most = self.netlist.limits.count(crate::limits::Bound::Stores);
        let found = circuit.stores();
        let whole = matches!(
            bound,
            Bound::Sine(_) | Bound::Played(..) | Bound::Stress(_, Some(_))
        );
        if whole && found > most {
            Err(FigureProblem::TooManyStores { found, most }.at(figure.span))
        } else {
            Ok(())
        }
    }

    /// All figures of the circuit with nothing playing, from one solution: those of the chart
    /// and those of small signals. From the same solution the circuit is judged, if that is wanted.
    fn still(
        &self,
        circuit: &Circuit,
        figures: &[&Figure],
        bound: &[Result<Bound, Diagnostic>],
        (near, judges): (Option<&AtRest>, Judging),
        found: &mut [Option<Result<FigureValue, Trouble>>],
    ) -> Vec<Finding> {
        let of_point = |b: &Result<Bound, Diagnostic>| {
            matches!(b, Ok(Bound::Direct(_) | Bound::Chart(_) | Bound::Small(_)))
        };
        let wanted: Vec<usize> = (0..bound.len()).filter(|&k| of_point(&bound[k])).collect();
        if wanted.is_empty() && judges == Judging::Nothing {
            return Vec::new();
        }
        let cold = wanted
            .iter()
            .any(|&k| figures[k].quantity.name == "voltage cold");
        let (quiescent, mut assembly) = match quiescent::solve_near(circuit, near, cold) {
            Ok(solved) => solved,
            Err(none) => {
                for &k in &wanted {
                    found[k] = Some(Err(Trouble::NoSolution(none.clone())));
                }
                return Vec::new();
            }
        };
        let (small, charted): (Vec<usize>, Vec<usize>) = wanted
            .into_iter()
            .partition(|&k| matches!(bound[k], Ok(Bound::Small(_))));
        if !charted.is_empty() {
            charts(&quiescent, &mut assembly, &charted, figures, bound, found);
        }
        let mut findings = Vec::new();
        match judges {
            Judging::Nothing => {}
            Judging::Stability => (findings, assembly) = findings::unstable(&quiescent, assembly),
            Judging::All | Judging::Everywhere => {
                (findings, assembly) = findings::of(&quiescent, assembly, None);
            }
        }
        if judges == Judging::Everywhere {
            // Cases are measured side by side.
            let trial = Trial {
                threads: 1,
                mains_percent: &[],
                stopped: self.stopped,
            };
            let more = findings::elsewhere(&quiescent, &mut assembly, &findings, &trial);
            findings.extend(more);
        }
        if small.is_empty() {
            return findings;
        }
        let mut quiet = Quiet::new(circuit, assembly, quiescent.x);
        for k in small {
            if let Ok(Bound::Small(small)) = &bound[k] {
                found[k] = Some(quiet.measure(small, figures[k]));
            }
        }
        findings
    }

    /// All figures of waveforms: one transient for each set of times.
    fn waves(
        &mut self,
        figures: &[&Figure],
        bound: &[Result<Bound, Diagnostic>],
        alter: Option<&dyn Fn(&mut Circuit)>,
        found: &mut [Option<Result<FigureValue, Trouble>>],
    ) -> Result<(), Vec<Diagnostic>> {
        let mut groups: Vec<(&Run, Vec<usize>)> = Vec::new();
        for (k, bound) in bound.iter().enumerate() {
            let Ok(Bound::Wave(_, run, _)) = bound else {
                continue;
            };
            match groups.iter_mut().find(|g| g.0 == run) {
                Some(group) => group.1.push(k),
                None => groups.push((run, vec![k])),
            }
        }
        for (run, members) in groups {
            // Published defaults of sources depend on the times.
            let mut circuit = self.circuit(Timing {
                step_s: run.step_s,
                stop_s: run.stop_s,
            })?;
            if let Some(alter) = alter {
                alter(&mut circuit);
            }
            let probes: Vec<Observable> = members
                .iter()
                .map(|&k| match &bound[k] {
                    Ok(Bound::Wave(probe, ..)) => probe.clone(),
                    _ => unreachable!("grouped above"),
                })
                .collect();
            let of = |&k: &usize| match &bound[k] {
                Ok(Bound::Wave(_, _, of)) => *of,
                _ => unreachable!("grouped above"),
            };
            let mut values: Vec<KeptWave> = members.iter().map(|k| KeptWave::new(of(k))).collect();
            let mut times = Vec::new();
            let curves = values.iter().filter(|v| v.is_whole()).count();
            if let Err(trouble) = room(&mut times, curves, run.rows()) {
                members
                    .iter()
                    .for_each(|&k| found[k] = Some(Err(trouble.clone())));
                continue;
            }
            let outcome = transient::run(
                &circuit,
                run,
                &probes,
                |t, row| {
                    if curves > 0 {
                        times.push(t);
                    }
                    for (to, from) in values.iter_mut().zip(row) {
                        to.take(*from);
                    }
                    Ok(())
                },
                |_| go_on(self.stopped),
            );
            let failed = match outcome {
                Ok(Ok(_)) => None,
                Ok(Err(stopped)) => Some(stopped),
                Err(none) => Some(Trouble::NoSolution(none)),
            };
            for ((&k, probe), values) in members.iter().zip(&probes).zip(values) {
                found[k] = Some(match (&failed, &bound[k]) {
                    (Some(trouble), _) => Err(trouble.clone()),
                    (None, Ok(Bound::Wave(..))) => {
                        Ok(values.figure((probe.kind.unit(), &probe.label), &times))
                    }
                    _ => unreachable!("grouped above"),
                });
                debug_assert!(matches!(
                    (figures[k].quantity.gives, &found[k]),
                    (Gives::Number, Some(Ok(FigureValue::Number(_))))
                        | (Gives::Curve, Some(Ok(FigureValue::Curve(_))))
                        | (_, Some(Err(_)))
                ));
            }
        }
        Ok(())
    }

    /// All figures of what parts must stand: each sine is played once.
    fn stresses(
        &mut self,
        figures: &[&Figure],
        bound: &[Result<Bound, Diagnostic>],
        alter: Option<&dyn Fn(&mut Circuit)>,
        found: &mut [Option<Result<FigureValue, Trouble>>],
    ) -> Result<(), Vec<Diagnostic>> {
        let mut done: Vec<(Option<Sine>, Result<Survey, Trouble>)> = Vec::new();
        for (k, bound) in bound.iter().enumerate() {
            let Ok(Bound::Stress(element, sine)) = bound else {
                continue;
            };
            if !done.iter().any(|d| d.0 == *sine) {
                let mut circuit = self.circuit(Timing::default())?;
                if let Some(alter) = alter {
                    alter(&mut circuit);
                }
                let rest = State::at_rest();
                let state = sine.map_or_else(|| rest.clone(), |sine| rest.clone().driven(sine));
                let poll = || go_on(self.stopped);
                let survey = stress::survey(&mut circuit, vec![state], poll, || ());
                let survey = survey.and_then(|mut survey| match survey.failed.remove(0) {
                    Some(failed) => Err(sine::trouble(failed)),
                    None => Ok(survey),
                });
                done.push((*sine, survey));
            }
            let (_, survey) = done.iter().find(|d| d.0 == *sine).expect("just done");
            let figure = figures[k];
            found[k] = Some(match survey {
                Err(trouble) => Err(trouble.clone()),
                Ok(survey) => match survey.find(element, figure.quantity.name) {
                    Some(stress) => Ok(FigureValue::Number(Reading {
                        value: stress.values[0].unwrap_or(f64::NAN),
                        unit: stress.unit,
                        limit: stress.limit,
                    })),
                    None => {
                        let own = survey.figures.iter().filter(|f| f.subject == *element);
                        let has: Vec<&str> = own.map(|f| f.quantity).collect();
                        Err(Trouble::Input(bound::not_charted(figure, element, &has)))
                    }
                },
            });
        }
        Ok(())
    }

    /// All figures of renders: each clip is played once through each probe.
    fn sounds(
        &self,
        circuit: &Circuit,
        figures: &[&Figure],
        bound: &[Result<Bound, Diagnostic>],
        found: &mut [Option<Result<FigureValue, Trouble>>],
    ) {
        let mut done: Vec<(&Playing, Result<played::Sound, Trouble>)> = Vec::new();
        for k in 0..bound.len() {
            let Ok(Bound::Played(playing, of)) = &bound[k] else {
                continue;
            };
            if !done.iter().any(|d| d.0 == playing) {
                let sound = playing.play(circuit, figures[k], self.clips, self.stopped);
                done.push((playing, sound));
            }
            let sound = done.iter().find(|d| d.0 == playing).expect("just done");
            found[k] = Some(match &sound.1 {
                Ok(sound) => Ok(sound.figure(*of, playing)),
                Err(trouble) => Err(trouble.clone()),
            });
        }
    }
}

/// Figures of the chart.
fn charts(
    quiescent: &Quiescent,
    assembly: &mut Assembly<'_>,
    wanted: &[usize],
    figures: &[&Figure],
    bound: &[Result<Bound, Diagnostic>],
    found: &mut [Option<Result<FigureValue, Trouble>>],
) {
    let probes: Vec<Observable> = wanted
        .iter()
        .filter_map(|&k| match &bound[k] {
            Ok(Bound::Direct(probe)) => Some(probe.clone()),
            _ => None,
        })
        .collect();
    let rows = quiescent.rows(assembly, &probes);
    let (rows, probed) = rows.split_at(rows.len() - probes.len());
    let mut probed = probed.iter();
    for &k in wanted {
        let row = match &bound[k] {
            Ok(Bound::Chart(element)) => rows
                .iter()
                .find(|r| r.subject == *element && r.quantity == figures[k].quantity.name),
            _ => probed.next(),
        };
        found[k] = Some(match row {
            Some(row) => Ok(FigureValue::Number(Reading {
                value: row.value,
                unit: row.unit,
                limit: row.limit,
            })),
            None => {
                let Ok(Bound::Chart(element)) = &bound[k] else {
                    unreachable!("each probe has a row");
                };
                let of_it = rows.iter().filter(|r| r.subject == *element);
                let has: Vec<&str> = of_it.map(|r| r.quantity).collect();
                Err(Trouble::Input(bound::not_charted(
                    figures[k], element, &has,
                )))
            }
        });
    }
}
