//! What a compiled circuit needs whatever its step size: the linear equations, the laws,
//! where their controls and outputs stand, what they give at rest.

use crate::circuit::{BranchKind, Circuit};
use crate::device::source::Drive;
use crate::device::{Answer, Banks, Enlisted, Law, TRIODE_ANSWERS, WIDTH};
use crate::math::panels::HEIGHT;
use crate::system::assemble::{Assembly, Driven, SourceState, Wires};

/// A pack of the triodes' bank fills one panel of controls: vpk of each, then vgk of each.
const PACK: usize = 2 * WIDTH;
const _: () = assert!(PACK == HEIGHT);

/// Where a circuit is that starts on its way rather than at rest.
#[derive(Debug, Clone, Copy)]
pub struct Underway<'a> {
    /// Unknowns, `[n]`.
    pub x: &'a [f64],
    /// Charges and fluxes, `[n]`.
    pub q: &'a [f64],
    /// Sources whose clock is ahead of the others' (the mains).
    pub ahead: &'a [Driven],
    /// How far, s.
    pub ahead_s: f64,
}

/// A sine up to this is slow beside a sample: the mains, Hz.
const SLOW_HZ: f64 = 100.0;

/// What does not depend on the step size.
#[derive(Debug)]
pub(super) struct Recipe<'c> {
    /// Unknowns of the circuit.
    pub n: usize,
    pub indptr: Vec<usize>,
    pub indices: Vec<usize>,
    /// Linear conductances and capacitances, the laws' slopes at rest with them.
    pub g: Vec<f64>,
    pub c: Vec<f64>,
    pub laws: Vec<Place<'c>>,
    /// Numbers in `laws` of those that are answered one by one.
    pub singles: Vec<usize>,
    /// Of the output valves, in the order of their bank.
    pub output_valves: Vec<usize>,
    /// Of those with a discrete state.
    pub remembering: Vec<usize>,
    pub banks: Banks,
    /// Unknowns whose difference each control is, in whole panels; `n` stands for ground.
    pub controls: Vec<(usize, usize)>,
    pub outputs: Vec<Output>,
    /// At the operating point: controls, and of single laws outputs and their slopes.
    pub u: Vec<f64>,
    pub y: Vec<f64>,
    pub slopes: Vec<f64>,
    /// The bank's answers at the operating point.
    pub rest: Vec<[[f64; WIDTH]; TRIODE_ANSWERS]>,
    /// Sources that move: the driven one first.
    pub drives: Vec<Moving<'c>>,
    /// Rows of the equations with charge: their charges are the circuit's state.
    pub states: Vec<usize>,
    /// What each state holds of an unknown: state, unknown, farad or henry.
    pub stored: Vec<(usize, usize, f64)>,
    /// The states whose charge a law gives besides: state, output, sign.
    pub charged: Vec<(usize, usize, f64)>,
    /// Unknowns that are read after each step.
    pub watched: Vec<usize>,
    /// Unknowns that are read now and then (`State::look`).
    pub besides: Vec<usize>,
}

/// Unknowns that can be read after a step.
#[derive(Debug, Clone, Copy)]
pub struct Watched<'a> {
    /// After each step.
    pub always: &'a [usize],
    /// Only where that is asked for: they cost as much as all else that the past adds.
    pub besides: &'a [usize],
}

/// What a law does to the equations.
#[derive(Debug, Clone, Copy)]
pub(super) struct Output {
    /// Equations that it enters and leaves; the number of unknowns stands for ground.
    pub plus: usize,
    pub minus: usize,
    /// A charge rather than a current.
    pub charge: bool,
}

/// A law and where its controls, outputs and slopes stand among those of all laws.
#[derive(Debug)]
pub(super) struct Place<'c> {
    pub law: &'c dyn Law,
    pub controls: Vec<usize>,
    /// Its currents, then, if it stores any, its charges.
    pub outputs: Vec<usize>,
    /// Where a single law's slopes begin.
    pub first_slope: usize,
    /// Its number in the circuit.
    pub number: usize,
    /// Whether it has one control and gives one current.
    pub is_port: bool,
    /// Pack and lane of a triode.
    pub lane: Option<(usize, usize)>,
    pub memory: f64,
}

/// A source that moves, or what the equations miss where they are counted from.
#[derive(Debug)]
pub(super) struct Moving<'c> {
    wave: Motion<'c>,
    /// Where it acts on the right side of the equations, and by how much for each unit.
    pub entries: Vec<(usize, f64)>,
}

#[derive(Debug)]
enum Motion<'c> {
    /// Driven from outside.
    Driven,
    /// By itself: counted from `rest`, its clock ahead.
    Own {
        drive: &'c Drive,
        rest: f64,
        ahead_s: f64,
    },
    /// Always 1.
    Constant,
}

impl Place<'_> {
    /// Whether a control is that of an output's own port; a port's charge follows its current.
    pub fn is_own(&self, output: usize, control: usize) -> bool {
        output % self.law.outputs() == control
    }
}

impl Moving<'_> {
    /// Its value at a time, s, counted from rest; `driven` is that of the driven one.
    #[inline(always)]
    pub fn value(&self, time_s: f64, driven: f64) -> f64 {
        match self.wave {
            Motion::Driven => driven,
            Motion::Own {
                drive,
                rest,
                ahead_s,
            } => drive.value(time_s + ahead_s) - rest,
            Motion::Constant => 1.0,
        }
    }
}

/// The unknowns whose difference wires take; `n` stands for ground.
fn pair(wires: &Wires, n: usize) -> (usize, usize) {
    let signed = |sign: f64| wires.iter().find(|w| w.1 == sign).map_or(n, |w| w.0);
    (signed(1.0), signed(-1.0))
}

fn current((plus, minus): (usize, usize)) -> Output {
    Output {
        plus,
        minus,
        charge: false,
    }
}

impl<'c> Recipe<'c> {
    pub fn new(
        assembly: &mut Assembly<'c>,
        x: &[f64],
        driven: Driven,
        watched: Watched<'_>,
        underway: Option<&Underway<'_>>,
    ) -> Self {
        let circuit: &'c Circuit = assembly.circuit;
        assembly.evaluate(x, SourceState::at(0.0), 0.0, false);
        let n = assembly.len();
        let (indptr, indices) = assembly.pattern();
        let (g, c) = assembly.linear_values();
        let mut recipe = Recipe {
            n,
            states: Vec::new(),
            stored: Vec::new(),
            charged: Vec::new(),
            indptr: indptr.to_vec(),
            indices: indices.to_vec(),
            g: g.to_vec(),
            c: c.to_vec(),
            laws: Vec::new(),
            singles: Vec::new(),
            output_valves: Vec::new(),
            remembering: Vec::new(),
            banks: Banks::default(),
            controls: Vec::new(),
            outputs: Vec::new(),
            u: Vec::new(),
            y: Vec::new(),
            slopes: Vec::new(),
            rest: Vec::new(),
            drives: drives(circuit, n, driven, underway),
            watched: watched.always.to_vec(),
            besides: watched.besides.to_vec(),
        };
        if underway.is_some() {
            let missed = assembly.f.iter().enumerate().filter(|(_, f)| **f != 0.0);
            recipe.drives.push(Moving {
                wave: Motion::Constant,
                entries: missed.map(|(row, f)| (row, -f)).collect(),
            });
        }
        recipe.enlist(assembly);
        recipe.settle(x, &[]);
        recipe
    }

    /// Gives each law its controls and outputs: a triode a lane of a panel, the others what
    /// comes next.
    fn enlist(&mut self, assembly: &Assembly<'c>) {
        let circuit: &'c Circuit = assembly.circuit;
        let laws = circuit.laws.iter();
        let banked: Vec<_> = laws
            .map(|part| self.banks.enlist(part.law.as_ref()))
            .collect();
        let packs = self.banks.triodes.packs();
        let ground = (self.n, self.n);
        let nowhere = current(ground);
        self.controls.resize(packs * PACK, ground);
        self.outputs.resize(packs * PACK, nowhere);
        let mut triodes = 0;
        for (index, part) in circuit.laws.iter().enumerate() {
            let law = part.law.as_ref();
            if law.remembers() {
                self.remembering.push(index);
            }
            let (controls, outputs) = assembly.wires(index);
            let pair = |wires: &Wires| pair(wires, self.n);
            let controls: Vec<_> = controls.iter().map(pair).collect();
            let outputs: Vec<_> = outputs.iter().map(pair).map(current).collect();
            let mut lane = None;
            let (controls, outputs) = if banked[index] == Some(Enlisted::Triode) {
                let (pack, of) = (triodes / WIDTH, triodes % WIDTH);
                triodes += 1;
                lane = Some((pack, of));
                let at = [pack * PACK + of, pack * PACK + WIDTH + of];
                for k in 0..2 {
                    self.controls[at[k]] = controls[k];
                    self.outputs[at[k]] = outputs[k];
                }
                (at.to_vec(), at.to_vec())
            } else {
                match banked[index] {
                    Some(_) => self.output_valves.push(index),
                    None => self.singles.push(index),
                }
                let (c0, o0) = (self.controls.len(), self.outputs.len());
                self.controls.extend(controls);
                self.outputs.extend(&outputs);
                if law.stores_charge() {
                    let charge = |o: &Output| Output { charge: true, ..*o };
                    self.outputs.extend(outputs.iter().map(charge));
                }
                let (c1, o1) = (self.controls.len(), self.outputs.len());
                ((c0..c1).collect(), (o0..o1).collect())
            };
            self.laws.push(Place {
                law,
                controls,
                outputs,
                first_slope: 0,
                number: index,
                is_port: law.controls() == 1 && law.outputs() == 1,
                lane,
                memory: assembly.memory[index],
            });
        }
        let whole = self.controls.len().next_multiple_of(HEIGHT);
        self.controls.resize(whole, ground);
    }

    /// Whether nothing but the driven source moves fast or leaps, so that a step may take several samples.
    pub fn is_slow(&self) -> bool {
        let slow = |drive: &Moving<'_>| match drive.wave {
            Motion::Own { drive, .. } => drive.is_slower_than(SLOW_HZ),
            Motion::Driven | Motion::Constant => true,
        };
        // A linear circuit has no guess that tells how long a step may be.
        !self.laws.is_empty() && self.drives.iter().all(slow)
    }

    /// Counts some laws, by number, from their own conductances alone (see `local.rs`).
    pub fn localise(&mut self, assembly: &Assembly<'_>, x: &[f64], laws: &[usize]) {
        let (g, c) = assembly.linear_values();
        self.g.copy_from_slice(g);
        self.c.copy_from_slice(c);
        self.slopes.clear();
        self.settle(x, laws);
    }

    /// Numbers of the laws that stay straight, because nothing moves the control that bends them (a relay's
    /// contact whose coil is fed by a source that stands still); `moved` says which controls are moved.
    pub fn still(&self, moved: &[bool]) -> Vec<usize> {
        let is_still = |&law: &usize| {
            let place = &self.laws[law];
            let bent_by = place.law.bent_by();
            place.lane.is_none() && bent_by.is_some_and(|k| !moved[place.controls[k]])
        };
        (0..self.laws.len()).filter(is_still).collect()
    }

    /// Leaves out some laws, by number, that are straight as long as nothing moves them: what they do is in the
    /// linear equations. The laws are numbered anew.
    pub fn retire(&mut self, still: &[usize]) {
        let banked = self.rest.len() * PACK;
        let mut controls: Vec<usize> = (0..banked).collect();
        let mut outputs = controls.clone();
        let mut slopes = Vec::new();
        let mut anew = vec![None; self.laws.len()];
        for (law, mut place) in std::mem::take(&mut self.laws).into_iter().enumerate() {
            if still.contains(&law) {
                continue;
            }
            if place.lane.is_none() {
                let count = place.outputs.len() * place.controls.len();
                let own = &self.slopes[place.first_slope..][..count];
                place.first_slope = slopes.len();
                slopes.extend_from_slice(own);
                for (all, own) in [
                    (&mut controls, &mut place.controls),
                    (&mut outputs, &mut place.outputs),
                ] {
                    for k in own {
                        all.push(*k);
                        *k = all.len() - 1;
                    }
                }
            }
            anew[law] = Some(self.laws.len());
            self.laws.push(place);
        }
        self.slopes = slopes;
        let padded = controls.len().next_multiple_of(HEIGHT);
        self.u = controls.iter().map(|&k| self.u[k]).collect();
        self.controls = controls.iter().map(|&k| self.controls[k]).collect();
        self.u.resize(padded, 0.0);
        self.controls.resize(padded, (self.n, self.n));
        self.y = outputs.iter().map(|&k| self.y[k]).collect();
        self.outputs = outputs.iter().map(|&k| self.outputs[k]).collect();
        for list in [
            &mut self.singles,
            &mut self.output_valves,
            &mut self.remembering,
        ] {
            *list = list.iter().filter_map(|&law| anew[law]).collect();
        }
        self.list_charged();
    }

    /// What the laws give at the operating point; those of `local` without what one of their
    /// controls does to the output of another.
    fn settle(&mut self, x: &[f64], local: &[usize]) {
        let at = |k: usize| x.get(k).copied().unwrap_or(0.0);
        self.u = self.controls.iter().map(|&(p, m)| at(p) - at(m)).collect();
        self.y = vec![0.0; self.outputs.len()];
        let packs = self.banks.triodes.packs();
        self.rest = vec![[[0.0; WIDTH]; TRIODE_ANSWERS]; packs];
        let (u, _) = self.u.as_chunks::<WIDTH>();
        let (u, _) = u.as_chunks::<2>();
        self.banks.triodes.answer(&u[..packs], &mut self.rest);
        for law in 0..self.laws.len() {
            let place = &mut self.laws[law];
            let is_local = local.contains(&law);
            let slopes = if let Some((pack, lane)) = place.lane {
                let rest = &mut self.rest[pack];
                if is_local {
                    rest[3][lane] = 0.0;
                    rest[4][lane] = 0.0;
                }
                rest[2..].iter().map(|slope| slope[lane]).collect()
            } else {
                let u: Vec<f64> = place.controls.iter().map(|&c| self.u[c]).collect();
                let (mut y, mut slopes) = (vec![], vec![]);
                answer_all(place, &u, &mut y, &mut slopes);
                if let Some(least) = place.law.least_slopes() {
                    slopes = least;
                }
                if is_local {
                    for (e, slope) in slopes.iter_mut().enumerate() {
                        if !place.is_own(e / u.len(), e % u.len()) {
                            *slope = 0.0;
                        }
                    }
                }
                for (&o, y) in place.outputs.iter().zip(y) {
                    self.y[o] = y;
                }
                place.first_slope = self.slopes.len();
                self.slopes.extend(&slopes);
                slopes
            };
            self.stamp(law, &slopes);
        }
        let n = self.n;
        let mut charged: Vec<bool> = (0..n)
            .map(|row| {
                self.c[self.indptr[row]..self.indptr[row + 1]]
                    .iter()
                    .any(|&c| c != 0.0)
            })
            .collect();
        for output in self.outputs.iter().filter(|o| o.charge) {
            for row in [output.plus, output.minus] {
                if row < n {
                    charged[row] = true;
                }
            }
        }
        self.states = (0..n).filter(|&row| charged[row]).collect();
        self.stored.clear();
        for (state, &row) in self.states.iter().enumerate() {
            let own = self.indptr[row]..self.indptr[row + 1];
            let entries = self.indices[own.clone()].iter().zip(&self.c[own]);
            let entries = entries.filter(|(_, c)| **c != 0.0);
            self.stored
                .extend(entries.map(|(&column, &c)| (state, column, c)));
        }
        self.list_charged();
    }

    /// Lists the states whose charge a law gives.
    fn list_charged(&mut self) {
        self.charged.clear();
        for (o, output) in self.outputs.iter().enumerate().filter(|(_, o)| o.charge) {
            for (row, sign) in [(output.plus, 1.0), (output.minus, -1.0)] {
                if let Some(state) = self.states.iter().position(|&s| s == row) {
                    self.charged.push((state, o, sign));
                }
            }
        }
    }

    /// Adds a law's slopes at rest, `[outputs * controls]`, to the linear equations.
    fn stamp(&mut self, law: usize, slopes: &[f64]) {
        let place = &self.laws[law];
        for (&o, slopes) in place
            .outputs
            .iter()
            .zip(slopes.chunks(place.controls.len().max(1)))
        {
            let output = self.outputs[o];
            let values = if output.charge {
                &mut self.c
            } else {
                &mut self.g
            };
            for (&c, slope) in place.controls.iter().zip(slopes) {
                let (plus, minus) = self.controls[c];
                for (row, row_sign) in [(output.plus, 1.0), (output.minus, -1.0)] {
                    for (column, sign) in [(plus, 1.0), (minus, -1.0)] {
                        if row < self.n && column < self.n {
                            let from = self.indptr[row];
                            let within = &self.indices[from..self.indptr[row + 1]];
                            let at = within.iter().position(|&c| c == column);
                            values[from + at.expect("in the pattern")] += row_sign * sign * slope;
                        }
                    }
                }
            }
        }
    }
}

/// A single law's currents and, if it has any, charges, with their slopes row by row.
pub(super) fn answer_all(place: &Place<'_>, u: &[f64], y: &mut Vec<f64>, slopes: &mut Vec<f64>) {
    let (nc, no) = (u.len(), place.law.outputs());
    y.clear();
    slopes.clear();
    y.resize(2 * no, 0.0);
    slopes.resize(2 * no * nc, 0.0);
    let (i, q) = y.split_at_mut(no);
    let (g, c) = slopes.split_at_mut(no * nc);
    place
        .law
        .answer(u, place.memory, &mut Answer { i, q, g, c });
    y.truncate(place.outputs.len());
    slopes.truncate(place.outputs.len() * nc);
}

/// A source's place on the right side of the equations.
fn entries_of(circuit: &Circuit, n: usize, source: Driven) -> Vec<(usize, f64)> {
    match source {
        Driven::Voltage(k) => vec![(n - circuit.branches.len() + k, 1.0)],
        Driven::Current(k) => {
            let part = &circuit.currents[k];
            let plus = part.a.0.checked_sub(1).map(|row| (row, -1.0));
            let minus = part.b.0.checked_sub(1).map(|row| (row, 1.0));
            plus.into_iter().chain(minus).collect()
        }
    }
}

/// The driven source, then those that move by themselves.
fn drives<'c>(
    circuit: &'c Circuit,
    n: usize,
    driven: Driven,
    underway: Option<&Underway<'_>>,
) -> Vec<Moving<'c>> {
    let voltages = circuit.branches.iter().enumerate();
    let voltages = voltages.filter_map(|(k, b)| match &b.kind {
        BranchKind::Source(drive) => Some((Driven::Voltage(k), drive)),
        _ => None,
    });
    let currents = circuit.currents.iter().enumerate();
    let currents = currents.map(|(k, c)| (Driven::Current(k), &c.drive));
    let moving = voltages
        .chain(currents)
        .filter(|(which, drive)| *which != driven && drive.wave.is_some());
    let own = |(which, drive): (Driven, &'c Drive)| {
        let ahead = underway.filter(|u| u.ahead.contains(&which));
        let wave = Motion::Own {
            drive,
            rest: drive.value(0.0),
            ahead_s: ahead.map_or(0.0, |u| u.ahead_s),
        };
        (which, wave)
    };
    std::iter::once((driven, Motion::Driven))
        .chain(moving.map(own))
        .map(|(which, wave)| Moving {
            wave,
            entries: entries_of(circuit, n, which),
        })
        .collect()
}
