//! Differences as a builder would tell them, the fewest that explain everything: one for a lead
//! that moved, one for a net torn in two, one for two parts that took each other's place.

use super::chains;
use super::differ::{Differs, differences};
use super::fit::{Fit, Mapping, Stray};
use super::graph::{Graph, Net};

/// One difference.
#[derive(Debug, Clone, PartialEq)]
pub enum Story {
    /// Another value or model, or a switch that works the other way round.
    Fitted {
        /// The drawn part.
        part: usize,
        /// The built part.
        built: usize,
        /// How it differs.
        differs: Differs,
    },
    /// A part that is not there; `bridged`: its place is taken by a wire.
    Missing {
        /// The drawn part.
        part: usize,
        /// Whether its nets are joined.
        bridged: bool,
    },
    /// A part too many; `inserted`: it stands in a wire that was cut for it.
    Extra {
        /// The built part.
        built: usize,
        /// The drawn net that was cut.
        inserted: Option<Net>,
    },
    /// A lead at another net.
    Moved(Stray),
    /// Leads of one part interchanged.
    Swapped {
        /// The drawn part.
        part: usize,
        /// Two of its leads.
        leads: (usize, usize),
    },
    /// Two parts in each other's place.
    Interchanged {
        /// The first drawn part.
        first: usize,
        /// The second.
        second: usize,
    },
    /// A net in two pieces.
    Torn {
        /// The drawn net.
        net: Net,
        /// The leads that are no longer on it.
        off: Vec<Stray>,
    },
    /// Two nets joined.
    Bridged {
        /// The drawn net that lost itself.
        net: Net,
        /// The drawn net it is joined with.
        with: Net,
        /// Its leads.
        leads: Vec<Stray>,
    },
}

impl Story {
    /// Whether it is about how parts are joined, and not about what is fitted.
    pub fn is_wiring(&self) -> bool {
        !matches!(self, Story::Fitted { .. })
    }
}

/// The stories of a mapping.
pub fn stories(drawn: &Graph, built: &Graph, mapping: &Mapping) -> Vec<Story> {
    let leads = chains::aligned(drawn, built, mapping);
    let fit = Fit::of(drawn, built, &leads, mapping);
    let mut found = Vec::new();
    for (p, q) in mapping.pairs() {
        let (a, b) = (&drawn.parts[p], &built.parts[q]);
        let kinds_differ = a.kind.map(|k| k.name) != b.kind.map(|k| k.name);
        let fitted = differences(&a.facts, &b.facts, kinds_differ);
        found.extend(fitted.into_iter().map(|differs| Story::Fitted {
            part: p,
            built: q,
            differs,
        }));
    }
    let strays = interchanged(drawn, built, &leads, mapping, &fit, &mut found);
    let strays = swapped(drawn, &fit, strays, &mut found);
    let (mut torn, mut bridged, strays) = nets(&fit, strays);
    missing(drawn, mapping, &mut bridged, &mut found);
    extra(built, mapping, &fit, &mut torn, &mut found);
    found.extend(torn.into_iter().map(|(net, _, off)| match off[..] {
        [one] => Story::Moved(one),
        _ => Story::Torn { net, off },
    }));
    found.extend(
        bridged
            .into_iter()
            .map(|(net, with, leads)| match leads[..] {
                [one] => Story::Moved(one),
                _ => Story::Bridged { net, with, leads },
            }),
    );
    found.extend(strays.into_iter().map(Story::Moved));
    found
}

/// Two parts that stand in each other's place: their strays are one story.
fn interchanged(
    drawn: &Graph,
    built: &Graph,
    leads: &[Vec<Net>],
    mapping: &Mapping,
    fit: &Fit,
    found: &mut Vec<Story>,
) -> Vec<Stray> {
    let mut strays = fit.strays.clone();
    let mut parts: Vec<usize> = strays.iter().map(|s| s.part).collect();
    parts.dedup();
    // Whether `p` is built where `other` is drawn.
    let in_place_of = |p: usize, other: usize| {
        let Some(q) = mapping.image[p] else {
            return false;
        };
        let there: Vec<Option<Net>> = drawn.parts[other]
            .leads
            .iter()
            .map(|&d| fit.image[d])
            .collect();
        let here = &leads[q];
        let straight = (0..here.len()).all(|k| there[k] == Some(here[k]));
        let turned = drawn.parts[p].turns(&built.parts[q])
            && (0..here.len()).all(|k| there[super::fit::end(k, true)] == Some(here[k]));
        straight || turned
    };
    let mut done = vec![false; drawn.parts.len()];
    for (n, &p) in parts.iter().enumerate() {
        for &other in &parts[n + 1..] {
            let alike = drawn.parts[p].comparable(&drawn.parts[other]);
            if done[p] || done[other] || !alike {
                continue;
            }
            let both_built = mapping.image[p].is_some() && mapping.image[other].is_some();
            if both_built && in_place_of(p, other) && in_place_of(other, p) {
                (done[p], done[other]) = (true, true);
                found.push(Story::Interchanged {
                    first: p,
                    second: other,
                });
            }
        }
    }
    strays.retain(|s| !done[s.part]);
    strays
}

/// Leads of one part that only took each other's net.
fn swapped(drawn: &Graph, fit: &Fit, strays: Vec<Stray>, found: &mut Vec<Story>) -> Vec<Stray> {
    let mut left = Vec::new();
    let mut rest = &strays[..];
    while let Some(first) = rest.first() {
        let many = rest.iter().take_while(|s| s.part == first.part).count();
        let (own, after) = rest.split_at(many);
        rest = after;
        let mut open: Vec<Stray> = own.to_vec();
        while let Some(stray) = open.first().copied() {
            // Follow the leads from net to net until the round is closed.
            let mut round = vec![stray];
            while let Some(next) = own.iter().find(|s| {
                let last = round.last().expect("starts with one");
                fit.image[s.drawn] == Some(last.built) && !round.contains(s)
            }) {
                round.push(*next);
            }
            let last = round.last().expect("starts with one");
            let closed = fit.image[stray.drawn] == Some(last.built) && round.len() > 1;
            if closed {
                found.extend(round.windows(2).map(|pair| Story::Swapped {
                    part: stray.part,
                    leads: (pair[0].lead, pair[1].lead),
                }));
                open.retain(|s| !round.contains(s));
            } else {
                left.push(stray);
                open.remove(0);
            }
        }
    }
    let _ = drawn;
    left
}

/// A drawn net, a built (or drawn) net, and the leads concerned.
type Group = (Net, Net, Vec<Stray>);

/// Groups strays that tell of one torn or bridged net; the rest moved one by one.
fn nets(fit: &Fit, strays: Vec<Stray>) -> (Vec<Group>, Vec<Group>, Vec<Stray>) {
    let mut groups: Vec<Group> = Vec::new();
    for stray in strays {
        let key = (stray.drawn, stray.built);
        match groups.iter_mut().find(|g| (g.0, g.1) == key) {
            Some(group) => group.2.push(stray),
            None => groups.push((stray.drawn, stray.built, vec![stray])),
        }
    }
    let (mut torn, mut bridged, mut moved) = (Vec::new(), Vec::new(), Vec::new());
    for (d, b, leads) in groups {
        match (fit.image[d], fit.origin[b]) {
            (Some(_), None) => torn.push((d, b, leads)),
            (None, Some(with)) => bridged.push((d, with, leads)),
            _ => moved.extend(leads),
        }
    }
    (torn, bridged, moved)
}

fn missing(drawn: &Graph, mapping: &Mapping, bridged: &mut Vec<Group>, found: &mut Vec<Story>) {
    for (p, part) in drawn.parts.iter().enumerate() {
        if mapping.image[p].is_some() {
            continue;
        }
        // A part whose two nets became one was replaced by a wire.
        let over = bridged.iter().position(|(net, with, _)| {
            let ends = [part.leads.first(), part.leads.get(1)];
            part.leads.len() == 2
                && (ends == [Some(net), Some(with)] || ends == [Some(with), Some(net)])
        });
        if let Some(n) = over {
            bridged.remove(n);
        }
        found.push(Story::Missing {
            part: p,
            bridged: over.is_some(),
        });
    }
}

fn extra(
    built: &Graph,
    mapping: &Mapping,
    fit: &Fit,
    torn: &mut Vec<Group>,
    found: &mut Vec<Story>,
) {
    for (q, part) in built.parts.iter().enumerate() {
        if mapping.origin[q].is_some() {
            continue;
        }
        // A part between the two pieces of a torn net was put into the wire.
        let within = torn.iter().position(|(net, piece, _)| {
            let main = fit.image[*net];
            let ends = [part.leads.first(), part.leads.get(1)];
            part.leads.len() == 2
                && (ends == [Some(piece), main.as_ref()] || ends == [main.as_ref(), Some(piece)])
        });
        let inserted = within.map(|n| torn.remove(n).0);
        found.push(Story::Extra { built: q, inserted });
    }
}
