//! Parts in series: in which order they follow each other changes nothing at their ends.

use super::fit::{Fit, Mapping};
use super::graph::{GROUND, Graph, Leads, Net};

/// Parts in a row between two nets, each with the lead by which it is entered.
#[derive(Debug, Clone, PartialEq)]
struct Chain {
    links: Vec<(usize, usize)>,
    /// The net before each link and behind the last one.
    nets: Vec<Net>,
}

/// The leads of the built parts, with chains put into the order that the drawn circuit has
/// where they hold the same parts.
pub fn aligned(drawn: &Graph, built: &Graph, mapping: &Mapping) -> Vec<Vec<Net>> {
    let mut leads: Vec<Vec<Net>> = built.parts.iter().map(|p| p.leads.clone()).collect();
    let theirs = chains(built);
    if theirs.is_empty() {
        return leads;
    }
    let mut fit = Fit::of(drawn, built, &leads, mapping);
    let strays = |fit: &Fit, part| fit.strays.iter().any(|stray| stray.part == part);
    for chain in chains(drawn) {
        let images: Option<Vec<usize>> =
            chain.links.iter().map(|&(p, _)| mapping.image[p]).collect();
        let Some(images) = images else {
            continue;
        };
        let same = theirs.iter().find(|their| {
            their.links.len() == images.len() && their.links.iter().all(|(q, _)| images.contains(q))
        });
        let Some(same) = same else {
            continue;
        };
        // As it stands, unless another order leaves fewer leads astray. (Two parts in the other order are the
        // same two read from the other end.)
        if !chain.links.iter().any(|&(p, _)| strays(&fit, p)) {
            continue;
        }
        for backward in [false, true] {
            let mut other = leads.clone();
            put(&mut other, same, &images, backward);
            let refit = Fit::of(drawn, built, &other, mapping);
            if refit.strays.len() < fit.strays.len() {
                (leads, fit) = (other, refit);
            }
        }
    }
    leads
}

/// Rewrites a chain's leads so that its parts follow each other in the order of `images`.
fn put(leads: &mut [Vec<Net>], chain: &Chain, images: &[usize], backward: bool) {
    let last = images.len();
    for (n, &q) in images.iter().enumerate() {
        let &(_, entered) = chain.links.iter().find(|l| l.0 == q).expect("same parts");
        let (before, behind) = if backward {
            (chain.nets[last - n - 1], chain.nets[last - n])
        } else {
            (chain.nets[n], chain.nets[n + 1])
        };
        leads[q][entered] = before;
        leads[q][1 - entered] = behind;
    }
}

/// All chains of two parts or more.
fn chains(graph: &Graph) -> Vec<Chain> {
    let inner = |net: Net| {
        net != GROUND
            && graph.members[net].len() == 2
            && graph.members[net].iter().all(|&(p, _)| link(graph, p))
            && graph.members[net][0].0 != graph.members[net][1].0
    };
    let mut seen = vec![false; graph.parts.len()];
    let mut found = Vec::new();
    for start in 0..graph.parts.len() {
        if seen[start] || !link(graph, start) {
            continue;
        }
        // Walk to one end, then collect towards the other.
        let (mut p, mut entered) = (start, 0);
        let mut walked = 0;
        while inner(graph.parts[p].leads[entered]) && walked <= graph.parts.len() {
            (p, entered) = across(graph, graph.parts[p].leads[entered], p);
            entered = 1 - entered;
            walked += 1;
        }
        if walked > graph.parts.len() {
            continue; // a ring is attached to nothing
        }
        let mut chain = Chain {
            links: Vec::new(),
            nets: vec![graph.parts[p].leads[entered]],
        };
        loop {
            seen[p] = true;
            chain.links.push((p, entered));
            let behind = graph.parts[p].leads[1 - entered];
            chain.nets.push(behind);
            if !inner(behind) {
                break;
            }
            (p, entered) = across(graph, behind, p);
        }
        if chain.links.len() > 1 {
            found.push(chain);
        }
    }
    found
}

/// The other part on a net of two leads, and the lead by which it is joined.
fn across(graph: &Graph, net: Net, from: usize) -> (usize, usize) {
    let members = &graph.members[net];
    if members[0].0 == from {
        members[1]
    } else {
        members[0]
    }
}

/// Whether a part can stand in a chain.
fn link(graph: &Graph, p: usize) -> bool {
    let part = &graph.parts[p];
    let passive = matches!(part.letter, 'R' | 'C' | 'L' | 'D' | 'X');
    let keeps_its_way = part.letter == 'D' || part.polar;
    passive && part.leads.len() == 2 && (part.alike == Leads::FirstTwoAlike || keeps_its_way)
}
