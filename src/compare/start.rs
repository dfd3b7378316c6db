//! A first guess at which part is which: by name, or by what each part is joined to.

use super::differ::differences;
use super::fit::{Fit, Mapping, end};
use super::graph::{GROUND, Graph, Leads, Part};
use std::collections::HashMap;
use std::collections::hash_map::DefaultHasher;
use std::hash::{Hash, Hasher};

/// Parts of one full name correspond, then those whose last names are alike and unique (one side
/// may have subcircuits where the other has none).
pub fn by_name(drawn: &Graph, built: &Graph) -> Mapping {
    let mut mapping = Mapping::empty(drawn, built);
    let full = |part: &Part| part.name.to_lowercase();
    let last = |part: &Part| part.last_name().to_lowercase();
    for key in [full, last] as [fn(&Part) -> String; 2] {
        let theirs = unique(built, &key, |q| mapping.origin[q].is_none());
        let ours = unique(drawn, &key, |p| mapping.image[p].is_none());
        let mut pairs: Vec<(usize, usize)> = ours
            .iter()
            .filter_map(|(name, &p)| Some((p, *theirs.get(name)?)))
            .filter(|&(p, q)| drawn.parts[p].comparable(&built.parts[q]))
            .collect();
        pairs.sort_unstable();
        for (p, q) in pairs {
            mapping.join(p, q);
        }
    }
    mapping
}

/// Free parts whose name no other free part has.
fn unique(
    graph: &Graph,
    key: &dyn Fn(&Part) -> String,
    free: impl Fn(usize) -> bool,
) -> HashMap<String, usize> {
    let mut found: HashMap<String, Option<usize>> = HashMap::new();
    for (n, part) in graph.parts.iter().enumerate().filter(|(n, _)| free(*n)) {
        found
            .entry(key(part))
            .and_modify(|other| *other = None)
            .or_insert(Some(n));
    }
    found
        .into_iter()
        .filter_map(|(name, n)| Some((name, n?)))
        .collect()
}

/// How far around a part is looked for what distinguishes it from others, in parts.
const DEPTH: usize = 6;

/// Parts that nothing but their surroundings tell apart correspond where these are unique in
/// both circuits, first those with the widest equal surroundings.
pub fn by_surroundings(drawn: &Graph, built: &Graph, mapping: &mut Mapping) {
    for with_values in [true, false] {
        let ours = surroundings(drawn, with_values);
        let theirs = surroundings(built, with_values);
        for depth in (1..=DEPTH).rev() {
            let free = |p: usize| mapping.image[p].is_none();
            let mine = alone(&ours[depth], free);
            let free = |q: usize| mapping.origin[q].is_none();
            let other = alone(&theirs[depth], free);
            let mut pairs: Vec<(usize, usize)> = mine
                .iter()
                .filter_map(|(sum, &p)| Some((p, *other.get(sum)?)))
                .filter(|&(p, q)| drawn.parts[p].comparable(&built.parts[q]))
                .collect();
            pairs.sort_unstable();
            for (p, q) in pairs {
                mapping.join(p, q);
            }
        }
    }
}

fn alone(sums: &[u64], free: impl Fn(usize) -> bool) -> HashMap<u64, usize> {
    let mut found: HashMap<u64, Option<usize>> = HashMap::new();
    for (n, &sum) in sums.iter().enumerate().filter(|(n, _)| free(*n)) {
        found
            .entry(sum)
            .and_modify(|other| *other = None)
            .or_insert(Some(n));
    }
    found
        .into_iter()
        .filter_map(|(sum, n)| Some((sum, n?)))
        .collect()
}

/// A number for each part's surroundings, by depth.
fn surroundings(graph: &Graph, with_values: bool) -> Vec<Vec<u64>> {
    let own = |part: &Part| {
        let mut sum = DefaultHasher::new();
        (part.letter, part.kind.map(|k| k.name), part.leads.len()).hash(&mut sum);
        if with_values {
            for (_, value, _) in &part.facts.values {
                // Rounded, so that a value written in two ways is one.
                format!("{value:.9e}").hash(&mut sum);
            }
            for (_, value) in &part.facts.model_values {
                format!("{value:.9e}").hash(&mut sum);
            }
        }
        sum.finish()
    };
    // A mark on one side alone must not make the surroundings of both differ.
    let alike = |part: &Part| part.alike == Leads::FirstTwoAlike || part.polar;
    let place = |part: &Part, k: usize| if alike(part) && k < 2 { 0 } else { k };
    let mut sums = vec![graph.parts.iter().map(own).collect::<Vec<u64>>()];
    for _ in 0..DEPTH {
        let parts = sums.last().expect("not empty");
        let nets: Vec<u64> = (0..graph.nets.len())
            .map(|net| {
                let mut around: Vec<(u64, usize)> = graph.members[net]
                    .iter()
                    .map(|&(p, k)| (parts[p], place(&graph.parts[p], k)))
                    .collect();
                around.sort_unstable();
                let mut sum = DefaultHasher::new();
                // Too much is joined to ground for it to tell parts apart.
                if net == GROUND {
                    around.clear();
                }
                (net == GROUND, around).hash(&mut sum);
                sum.finish()
            })
            .collect();
        let next = graph
            .parts
            .iter()
            .zip(parts)
            .map(|(part, own)| {
                let mut ends: Vec<(usize, u64)> = part
                    .leads
                    .iter()
                    .enumerate()
                    .map(|(k, &net)| (place(part, k), nets[net]))
                    .collect();
                ends.sort_unstable();
                let mut sum = DefaultHasher::new();
                (own, ends).hash(&mut sum);
                sum.finish()
            })
            .collect();
        sums.push(next);
    }
    sums
}

/// Lets free parts correspond that join nets which correspond already, the surest first.
/// Where several are equally sure, `choice` says which is taken.
pub fn spread(drawn: &Graph, built: &Graph, mapping: &mut Mapping, choice: u64) {
    let leads: Vec<Vec<usize>> = built.parts.iter().map(|p| p.leads.clone()).collect();
    let mut dice = choice;
    loop {
        let free: Vec<usize> = (0..drawn.parts.len())
            .filter(|&p| mapping.image[p].is_none())
            .collect();
        let open: Vec<usize> = (0..built.parts.len())
            .filter(|&q| mapping.origin[q].is_none())
            .collect();
        if free.is_empty() || open.is_empty() {
            return;
        }
        let fit = Fit::of(drawn, built, &leads, mapping);
        let mut candidates: Vec<(i32, usize, usize)> = Vec::new();
        for &p in &free {
            for &q in &open {
                if let Some(score) = likeness(drawn, built, &fit, p, q) {
                    candidates.push((score, p, q));
                }
            }
        }
        let Some(best) = candidates.iter().map(|c| c.0).max() else {
            return;
        };
        let sure: Vec<(usize, usize)> = candidates
            .iter()
            .filter(|c| c.0 == best)
            .map(|c| (c.1, c.2))
            .collect();
        // All that exclude no other are taken at once; of those that do, one.
        let single = |&&(p, q): &&(usize, usize)| {
            let same_p = sure.iter().filter(|s| s.0 == p).count();
            let same_q = sure.iter().filter(|s| s.1 == q).count();
            same_p == 1 && same_q == 1
        };
        let clear: Vec<(usize, usize)> = sure.iter().filter(single).copied().collect();
        if clear.is_empty() {
            let n = if choice == 0 {
                0
            } else {
                dice = dice
                    .wrapping_mul(6364136223846793005)
                    .wrapping_add(1442695040888963407);
                (dice >> 33) as usize % sure.len()
            };
            mapping.join(sure[n].0, sure[n].1);
        } else {
            for (p, q) in clear {
                mapping.join(p, q);
            }
        }
    }
}

/// How well two free parts suit each other; `None` where they cannot be one.
fn likeness(drawn: &Graph, built: &Graph, fit: &Fit, p: usize, q: usize) -> Option<i32> {
    let (a, b) = (&drawn.parts[p], &built.parts[q]);
    if !a.comparable(b) {
        return None;
    }
    let kinds_differ = a.kind.map(|k| k.name) != b.kind.map(|k| k.name);
    let ends = |turned: bool| -> (i32, i32) {
        let mut sum = (0, 0);
        for (k, &d) in a.leads.iter().enumerate() {
            let n = b.leads[end(k, turned)];
            match (fit.image[d], fit.origin[n]) {
                (Some(image), _) if image == n => sum.0 += if d == GROUND { 1 } else { 3 },
                (None, None) => {}
                _ => sum.1 += 2,
            }
        }
        sum
    };
    let straight = ends(false);
    let (near, far) = if a.turns(b) {
        straight.max(ends(true))
    } else {
        straight
    };
    let fitted = match differences(&a.facts, &b.facts, kinds_differ).len() {
        0 => 4,
        _ if kinds_differ => -4,
        _ => 0,
    };
    let score = near - far + fitted;
    // Two parts without a net in common that are not even alike are two parts.
    (near > 1 || (fitted > 0 && far == 0)).then_some(score)
}
