//! From a first guess to the mapping with the fewest stories: parts in trouble change places
//! with others of their sort as long as that shortens the account.

use super::chains;
use super::differ::differences;
use super::fit::{Fit, Mapping};
use super::graph::Graph;
use super::start;
use super::stories::{Story, stories};

/// What it costs to believe that two parts of one name are not the same: a third of a story, so
/// that names are given up only for fewer stories, and never for as many.
const RENAMED: u32 = 1;
/// What it costs, where most names are kept, to believe that a part was given another name: half
/// a story, so that a part with another name, another value and another place is another part.
const OTHER_NAME: u32 = 2;
const STORY: u32 = 4;

/// Beyond that, what it costs for each lead to believe that a part is missing and another of its name
/// and sort was added: as much as to believe that all its leads moved, so that it is never cheaper.
const GONE: u32 = STORY;

/// Starts from surroundings alone that are tried where parts look alike.
const STARTS: u64 = 16;

/// Rounds of improvement at most.
const ROUNDS: usize = 40;

/// A mapping with its account.
#[derive(Debug, Clone)]
pub struct Account {
    /// Which part is which.
    pub mapping: Mapping,
    /// The differences.
    pub stories: Vec<Story>,
    /// Whether the search was broken off: a shorter account may exist.
    pub broken_off: bool,
    cost: u32,
}

/// Whether to go on; `false` breaks the search off.
pub type GoOn<'a> = &'a mut dyn FnMut() -> bool;

/// The shortest account found. `go_on` is asked many times a second.
pub fn shortest(drawn: &Graph, built: &Graph, go_on: GoOn<'_>) -> Account {
    let names = Names::of(drawn, built);
    let mut mapping = start::by_name(drawn, built);
    let named = mapping.pairs().count();
    let complete = named == drawn.parts.len() && named == built.parts.len();
    if !complete {
        start::spread(drawn, built, &mut mapping, 0);
    }
    let mut best = improve(drawn, built, &names, mapping, go_on);
    // Names are believed as long as the wiring does not speak against most of them.
    let stories = best.stories.iter().filter(|s| s.is_wiring()).count();
    if names.matter && stories * 4 <= named {
        return best;
    }
    for choice in 0..STARTS {
        if best.broken_off || best.cost <= least(drawn, built) {
            break;
        }
        let mut mapping = Mapping::empty(drawn, built);
        start::by_surroundings(drawn, built, &mut mapping);
        start::spread(drawn, built, &mut mapping, choice);
        let found = improve(drawn, built, &names, mapping, go_on);
        let broken_off = found.broken_off;
        if found.cost < best.cost {
            best = found;
        }
        best.broken_off |= broken_off;
    }
    best
}

/// Names of the nets that correspond.
pub fn nets(drawn: &Graph, built: &Graph, mapping: &Mapping) -> Vec<(String, String)> {
    let leads = chains::aligned(drawn, built, mapping);
    let fit = Fit::of(drawn, built, &leads, mapping);
    let all = fit.image.iter().enumerate().skip(1);
    all.filter_map(|(d, b)| Some((drawn.nets[d].clone(), built.nets[(*b)?].clone())))
        .collect()
}

/// No account costs less than this: parts that are too many on one side.
fn least(drawn: &Graph, built: &Graph) -> u32 {
    STORY * drawn.parts.len().abs_diff(built.parts.len()) as u32
}

/// Names that both circuits have.
struct Names {
    /// The built part of the same name, by drawn part.
    same: Vec<Option<usize>>,
    /// By drawn part, the leads of one whose fellow is of the same sort: all that has more than two
    /// leads and is of one kind, and of the rest what has the same value.
    sorted: Vec<Option<u32>>,
    /// Whether most parts of one circuit have a fellow of their name in the other.
    matter: bool,
}

impl Names {
    fn of(drawn: &Graph, built: &Graph) -> Names {
        let same = start::by_name(drawn, built).image;
        let named = same.iter().flatten().count();
        let fewer = drawn.parts.len().min(built.parts.len());
        let sorted = same.iter().zip(&drawn.parts).map(|(q, a)| {
            let b = &built.parts[(*q)?];
            let is_one_kind = a.kind.map(|k| k.name) == b.kind.map(|k| k.name);
            let many = a.leads.len() > 2;
            let is_sorted =
                is_one_kind && (many || differences(&a.facts, &b.facts, false).is_empty());
            is_sorted.then_some(a.leads.len() as u32)
        });
        Names {
            sorted: sorted.collect(),
            same,
            matter: 2 * named > fewer,
        }
    }

    /// What the names that are not believed cost.
    fn cost(&self, mapping: &Mapping) -> u32 {
        let all = self.same.iter().zip(&mapping.image).zip(&self.sorted);
        all.map(|((same, image), sorted)| match (same, image) {
            (Some(q), None) if mapping.origin[*q].is_none() => RENAMED + GONE * sorted.unwrap_or(0),
            (Some(_), _) if same != image => RENAMED,
            (None, Some(_)) if self.matter => OTHER_NAME,
            _ => 0,
        })
        .sum()
    }
}

fn account(drawn: &Graph, built: &Graph, names: &Names, mapping: Mapping) -> Account {
    let stories = stories(drawn, built, &mapping);
    let cost = STORY * stories.len() as u32 + names.cost(&mapping);
    Account {
        mapping,
        stories,
        broken_off: false,
        cost,
    }
}

fn improve(
    drawn: &Graph,
    built: &Graph,
    names: &Names,
    mapping: Mapping,
    go_on: GoOn<'_>,
) -> Account {
    let mut best = account(drawn, built, names, mapping);
    for _ in 0..ROUNDS {
        if best.cost <= least(drawn, built) {
            break;
        }
        let mut better: Option<Account> = None;
        for change in changes(drawn, built, &best) {
            if !go_on() {
                best.broken_off = true;
                return best;
            }
            let mut mapping = best.mapping.clone();
            change.make(&mut mapping);
            let tried = account(drawn, built, names, mapping);
            if tried.cost < better.as_ref().map_or(best.cost, |b| b.cost) {
                better = Some(tried);
            }
        }
        match better {
            Some(found) => best = found,
            None => break,
        }
    }
    best
}

/// A change of the mapping.
#[derive(Debug, Clone, Copy)]
enum Change {
    /// Two drawn parts exchange what they correspond to (nothing counts too).
    Exchange(usize, usize),
    /// A drawn part corresponds to a built one that was free.
    Take(usize, usize),
    /// A drawn part corresponds to nothing.
    Leave(usize),
}

impl Change {
    fn make(self, mapping: &mut Mapping) {
        match self {
            Change::Exchange(a, b) => {
                mapping.image.swap(a, b);
                for p in [a, b] {
                    if let Some(q) = mapping.image[p] {
                        mapping.origin[q] = Some(p);
                    }
                }
            }
            Change::Take(p, q) => {
                if let Some(old) = mapping.image[p] {
                    mapping.origin[old] = None;
                }
                mapping.join(p, q);
            }
            Change::Leave(p) => {
                if let Some(old) = mapping.image[p].take() {
                    mapping.origin[old] = None;
                }
            }
        }
    }
}

/// What may be tried: only parts that a story speaks of, with parts of their sort.
fn changes(drawn: &Graph, built: &Graph, account: &Account) -> Vec<Change> {
    let mut troubled: Vec<usize> = Vec::new();
    for story in &account.stories {
        match story {
            Story::Fitted { part, .. }
            | Story::Missing { part, .. }
            | Story::Swapped { part, .. } => troubled.push(*part),
            Story::Moved(stray) => troubled.push(stray.part),
            Story::Interchanged { first, second } => troubled.extend([*first, *second]),
            Story::Torn { off, .. } => troubled.extend(off.iter().map(|s| s.part)),
            Story::Bridged { leads, .. } => troubled.extend(leads.iter().map(|s| s.part)),
            Story::Extra { .. } => {}
        }
    }
    troubled.sort_unstable();
    troubled.dedup();
    let mapping = &account.mapping;
    let mut all = Vec::new();
    for &p in &troubled {
        for other in 0..drawn.parts.len() {
            let both_free = mapping.image[p].is_none() && mapping.image[other].is_none();
            let twice = troubled.binary_search(&other).is_ok() && other < p;
            if other != p && !both_free && !twice && drawn.parts[p].comparable(&drawn.parts[other])
            {
                all.push(Change::Exchange(p, other));
            }
        }
        if mapping.image[p].is_some() {
            all.push(Change::Leave(p));
        }
    }
    for q in (0..built.parts.len()).filter(|&q| mapping.origin[q].is_none()) {
        for p in (0..drawn.parts.len()).filter(|&p| drawn.parts[p].comparable(&built.parts[q])) {
            all.push(Change::Take(p, q));
        }
    }
    all
}
