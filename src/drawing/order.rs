//! The order in which signal passes the active parts, and how far along it each net lies.
//!
//! One active part comes after another if a signal from its plate, cathode or screen reaches the
//! other's grid over passive parts. Two things would make a knot of that: a path from a part's
//! output back into its own input (a leak returned to the cathode), which is not followed, and
//! feedback over several stages, which is known by its leading back to where the signal has come
//! through before. What is left has no circles, and the longest way counts: a stage that both a
//! short and a long way lead to comes after the long one.

use super::scheme::Scheme;
use std::collections::VecDeque;

/// Between two active parts in the order.
pub const STAGE: u32 = 1000;

/// Hops over passive parts from some nets; none where nothing leads.
fn hops(scheme: &Scheme, from: &[usize], open: &dyn Fn(usize) -> bool) -> Vec<Option<u32>> {
    let mut found = vec![None; scheme.nets.len()];
    let mut waiting = VecDeque::new();
    for &net in from.iter().filter(|&&n| open(n)) {
        if found[net].is_none() {
            found[net] = Some(0);
            waiting.push_back(net);
        }
    }
    while let Some(net) = waiting.pop_front() {
        let next = found[net].map(|d: u32| d + 1);
        for &(p, _) in &scheme.nets[net].pins {
            let part = &scheme.parts[p];
            if part.kind.electrodes().is_some() {
                continue;
            }
            for &to in part.nets.iter().filter(|&&n| open(n)) {
                if found[to].is_none() {
                    found[to] = next;
                    waiting.push_back(to);
                }
            }
        }
    }
    found
}

/// How far along the signal's way each net lies, where an active part or a source leads there.
/// `sources` are the nets of the signal's sources, `first` how soon signal gets to a net by the
/// shortest way (which shows forward from back), `open` the nets that signal may take.
pub fn along(
    scheme: &Scheme,
    sources: &[usize],
    first: &[Option<u32>],
    open: &dyn Fn(usize) -> bool,
) -> Vec<Option<u32>> {
    let active: Vec<usize> = (0..scheme.parts.len())
        .filter(|&p| scheme.parts[p].kind.electrodes().is_some())
        .collect();
    let grid_of = |p: usize| {
        let part = &scheme.parts[p];
        part.nets[part.kind.electrodes().expect("active").0]
    };
    let into: Vec<Vec<Option<u32>>> = (active.iter())
        .map(|&p| hops(scheme, &[grid_of(p)], open))
        .collect();
    let out: Vec<Vec<Option<u32>>> = (active.iter())
        .map(|&p| {
            let grid = grid_of(p);
            let outputs: Vec<usize> = scheme.parts[p]
                .nets
                .iter()
                .copied()
                .filter(|&n| n != grid)
                .collect();
            hops(scheme, &outputs, open)
        })
        .collect();
    let soon = |k: usize| first[grid_of(active[k])].unwrap_or(u32::MAX);
    // Who reaches whom, without the way back into the own input.
    let count = active.len();
    let mut follows = vec![vec![false; count]; count];
    for a in 0..count {
        let clear = |n: usize| {
            open(n)
                && match (out[a][n], into[a][n]) {
                    (Some(o), Some(i)) => o <= i,
                    (Some(_), None) => true,
                    _ => false,
                }
        };
        let grid = grid_of(active[a]);
        let outputs: Vec<usize> = (scheme.parts[active[a]].nets.iter())
            .copied()
            .filter(|&n| n != grid)
            .collect();
        let reached = hops(scheme, &outputs, &clear);
        for b in (0..count).filter(|&b| b != a) {
            follows[a][b] = reached[grid_of(active[b])].is_some();
        }
    }
    let rank = ranks(&follows, &soon);
    let mut sequence: Vec<usize> = (0..count).collect();
    sequence.sort_by_key(|&k| (rank[k], soon(k), active[k]));
    // A net belongs to the nearest input or output, of two as near to the output.
    let mut best: Vec<Option<(u32, u32)>> = vec![None; scheme.nets.len()];
    let mut offer = |n: usize, hops: u32, value: u32| {
        let offered = (hops, value);
        if best[n].is_none_or(|b| offered < b) {
            best[n] = Some(offered);
        }
    };
    let of_source = hops(scheme, sources, open);
    for n in 0..scheme.nets.len() {
        if let Some(h) = of_source[n] {
            offer(n, 2 * h, STAGE + 2 * h.min(400));
        }
        for (place, &k) in sequence.iter().enumerate() {
            let own = STAGE * (place as u32 + 2);
            if let Some(h) = into[k][n] {
                offer(n, 2 * h + 1, own - 1 - 2 * h.min(400));
            }
            if let Some(h) = out[k][n] {
                offer(n, 2 * h, own + 2 * h.min(90));
            }
        }
    }
    best.into_iter()
        .map(|b| b.map(|(_, value)| value))
        .collect()
}

/// The longest way to each, once what leads back within a circle is left out.
fn ranks(follows: &[Vec<bool>], soon: &dyn Fn(usize) -> u32) -> Vec<u32> {
    let count = follows.len();
    let mut reach = follows.to_vec();
    for via in 0..count {
        for a in 0..count {
            if reach[a][via] {
                let row = reach[via].clone();
                for (to, from) in reach[a].iter_mut().zip(row) {
                    *to |= from;
                }
            }
        }
    }
    let forward =
        |a: usize, b: usize| follows[a][b] && !(reach[b][a] && (soon(b), b) < (soon(a), a));
    let mut rank = vec![0; count];
    // At most as many rounds as there are parts; circles that are left end there.
    for _ in 0..count {
        let mut moved = false;
        for a in 0..count {
            for b in 0..count {
                if a != b && forward(a, b) && rank[b] < rank[a] + 1 && rank[a] < count as u32 {
                    rank[b] = rank[a] + 1;
                    moved = true;
                }
            }
        }
        if !moved {
            break;
        }
    }
    rank
}
