//! How well two graphs lie on each other once it is said which part is which: nets that
//! correspond, leads that do not.

use super::graph::{GROUND, Graph, Net};

/// Which part of the built circuit stands for which of the drawn one.
#[derive(Debug, Clone, PartialEq)]
pub struct Mapping {
    /// By number of the drawn part.
    pub image: Vec<Option<usize>>,
    /// By number of the built part.
    pub origin: Vec<Option<usize>>,
}

impl Mapping {
    /// Nothing stands for anything yet.
    pub fn empty(drawn: &Graph, built: &Graph) -> Self {
        Mapping {
            image: vec![None; drawn.parts.len()],
            origin: vec![None; built.parts.len()],
        }
    }

    /// Lets two parts correspond.
    pub fn join(&mut self, p: usize, q: usize) {
        self.image[p] = Some(q);
        self.origin[q] = Some(p);
    }

    /// Parts that correspond, in the order of the drawn netlist.
    pub fn pairs(&self) -> impl Iterator<Item = (usize, usize)> + '_ {
        let all = self.image.iter().enumerate();
        all.filter_map(|(p, q)| Some((p, (*q)?)))
    }
}

/// A lead that is joined to another net than drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stray {
    /// The drawn part.
    pub part: usize,
    /// The place of the lead on the drawn line.
    pub lead: usize,
    /// The net it is drawn on.
    pub drawn: Net,
    /// The net it is built on.
    pub built: Net,
}

/// Two graphs laid on each other.
#[derive(Debug, Clone, Default)]
pub struct Fit {
    /// The built net for each drawn one.
    pub image: Vec<Option<Net>>,
    /// The drawn net for each built one.
    pub origin: Vec<Option<Net>>,
    /// Leads at other nets than drawn, by part.
    pub strays: Vec<Stray>,
}

/// Rounds in which nets and the ends of parts with alike leads settle each other.
const ROUNDS: usize = 4;

impl Fit {
    /// What the strays come to: leads of one part that took each other's place are one mistake,
    /// so parts count more than leads.
    fn cost(&self) -> usize {
        let first = |n: &usize| *n == 0 || self.strays[n - 1].part != self.strays[*n].part;
        2 * (0..self.strays.len()).filter(first).count() + self.strays.len()
    }

    /// Lays the graphs on each other. `leads` are those of the built parts, with chains put into
    /// the drawn order (see `chains`).
    pub fn of(drawn: &Graph, built: &Graph, leads: &[Vec<Net>], mapping: &Mapping) -> Fit {
        let laid = Laid {
            drawn,
            built,
            leads,
            pairs: mapping.pairs().collect(),
        };
        let mut best = laid.fit(&[]);
        let mut held: Vec<(Net, Net)> = Vec::new();
        // Votes alone may lie: a net that several strays speak for is tried in earnest.
        for _ in 0..TRIALS {
            let mut better = None;
            let mut tried: Vec<(Net, Net)> = Vec::new();
            for stray in best.strays.iter().take(MOST_TRIED) {
                let key = (stray.drawn, stray.built);
                if tried.contains(&key) || stray.drawn == GROUND || stray.built == GROUND {
                    continue;
                }
                tried.push(key);
                let mut trial = held.clone();
                trial.push(key);
                let mut trials = vec![trial.clone()];
                // The nets that it displaces may be each other's.
                if let (Some(d), Some(b)) = (best.origin[key.1], best.image[key.0])
                    && d != GROUND
                    && b != GROUND
                {
                    trial.push((d, b));
                    trials.push(trial);
                }
                for trial in trials {
                    let fit = laid.fit(&trial);
                    let least = better.as_ref().map_or(&best, |b: &(Fit, _)| &b.0);
                    if fit.cost() < least.cost() {
                        better = Some((fit, trial));
                    }
                }
            }
            match better {
                Some((fit, trial)) => (best, held) = (fit, trial),
                None => break,
            }
        }
        best
    }
}

/// Trials of nets that strays speak for, one after another, and strays that may speak in each.
const TRIALS: usize = 4;
const MOST_TRIED: usize = 12;

/// Two graphs and which part is which.
struct Laid<'a> {
    drawn: &'a Graph,
    built: &'a Graph,
    leads: &'a [Vec<Net>],
    pairs: Vec<(usize, usize)>,
}

impl Laid<'_> {
    /// Votes and turns alike parts until both settle; `held` nets correspond whatever the votes.
    fn fit(&self, held: &[(Net, Net)]) -> Fit {
        let mut turned = vec![None; self.drawn.parts.len()];
        let mut fit = Fit::default();
        self.turn(&mut turned, |d, b| {
            usize::from((d == GROUND && b == GROUND) || held.contains(&(d, b)))
        });
        for _ in 0..ROUNDS {
            self.nets(&mut fit, &turned, held);
            if !self.turn(&mut turned, |d, b| usize::from(fit.image[d] == Some(b))) {
                break;
            }
        }
        for &(p, q) in &self.pairs {
            let turn = turned[p] == Some(true);
            for (k, &d) in self.drawn.parts[p].leads.iter().enumerate() {
                let b = self.leads[q][end(k, turn)];
                if fit.image[d] != Some(b) {
                    fit.strays.push(Stray {
                        part: p,
                        lead: k,
                        drawn: d,
                        built: b,
                    });
                }
            }
        }
        fit
    }

    /// Turns the parts with alike leads to where more of them agree; whether any moved.
    fn turn(&self, turned: &mut [Option<bool>], agrees: impl Fn(Net, Net) -> usize) -> bool {
        let mut moved = false;
        for &(p, q) in &self.pairs {
            if !self.drawn.parts[p].turns(&self.built.parts[q]) {
                continue;
            }
            let (a, b) = (&self.drawn.parts[p].leads, &self.leads[q]);
            let straight = agrees(a[0], b[0]) + agrees(a[1], b[1]);
            let across = agrees(a[0], b[1]) + agrees(a[1], b[0]);
            let turn = match straight.cmp(&across) {
                std::cmp::Ordering::Greater => Some(false),
                std::cmp::Ordering::Less => Some(true),
                std::cmp::Ordering::Equal => turned[p],
            };
            moved |= turned[p] != turn;
            turned[p] = turn;
        }
        moved
    }

    /// Gives each drawn net the built one that most leads speak for.
    fn nets(&self, fit: &mut Fit, turned: &[Option<bool>], held: &[(Net, Net)]) {
        let mut votes: Vec<(Net, Net, u32)> = Vec::new();
        for &(p, q) in &self.pairs {
            let (a, b) = (&self.drawn.parts[p].leads, &self.leads[q]);
            let alike = self.drawn.parts[p].turns(&self.built.parts[q]);
            for k in 0..a.len() {
                match (alike && k < 2, turned[p]) {
                    // Either end may be meant: half a vote each.
                    (true, None) => votes.extend([(a[k], b[0], 1), (a[k], b[1], 1)]),
                    (true, Some(turn)) => votes.push((a[k], b[end(k, turn)], 2)),
                    (false, _) => votes.push((a[k], b[k], 2)),
                }
            }
        }
        votes.sort_unstable();
        votes.dedup_by(|next, kept| {
            let same = (next.0, next.1) == (kept.0, kept.1);
            if same {
                kept.2 += next.2;
            }
            same
        });
        votes.sort_by_key(|&(d, b, weight)| (std::cmp::Reverse(weight), d, b));
        fit.image = vec![None; self.drawn.nets.len()];
        fit.origin = vec![None; self.built.nets.len()];
        let held = held.iter().map(|&(d, b)| (d, b, 0));
        let first = std::iter::once((GROUND, GROUND, 0)).chain(held);
        for (d, b, _) in first.chain(votes) {
            if fit.image[d].is_none() && fit.origin[b].is_none() {
                fit.image[d] = Some(b);
                fit.origin[b] = Some(d);
            }
        }
    }
}

/// The place of a lead after the first two are exchanged, or not.
pub fn end(k: usize, turned: bool) -> usize {
    if turned && k < 2 { 1 - k } else { k }
}
