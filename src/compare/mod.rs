//! Two circuits held against each other: as drawn, and as built.
//!
//! Both become graphs of parts and nets (`graph`). It is guessed which part is which (`start`),
//! the guess is improved until the account of differences is as short as can be found
//! (`search`; `fit` lays the nets on each other, `chains` forgives the order of parts in series,
//! `stories` counts), and the differences are put into a builder's words (`words`).
//! Names of nodes never matter. Exact for a few differences; for many it is a good account, not
//! provably the shortest.

mod chains;
mod differ;
mod difference;
mod fit;
pub mod graph;
mod search;
mod start;
mod stories;
mod words;

pub use difference::Difference;
pub use graph::Graph;
pub use search::GoOn;

/// What a comparison found.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Comparison {
    /// The differences, those of the wiring after those of the parts.
    pub differences: Vec<Difference>,
    /// What differs without changing the circuit.
    pub harmless: Vec<String>,
    /// The `swapped` differences that are electrolytics the wrong way round. Which way a capacitor
    /// stands on its line makes no difference, unless one of the netlists marks its plus.
    pub reversed: Vec<String>,
    /// What only one of the netlists says of parts, as their ratings, so that it is not compared.
    pub one_sided: Vec<String>,
    /// Parts that correspond.
    pub parts: usize,
    /// Drawn and built names of parts that correspond.
    pub pairs: Vec<(String, String)>,
    /// Drawn and built names of nets that correspond.
    pub nets: Vec<(String, String)>,
    /// Whether the search was broken off before it was through.
    pub broken_off: bool,
}

/// Compares two circuits. `go_on` is asked many times a second; `false` breaks the search off.
pub fn compare(drawn: &Graph, built: &Graph, go_on: GoOn<'_>) -> Comparison {
    let account = search::shortest(drawn, built, go_on);
    let pairs: Vec<(usize, usize)> = account.mapping.pairs().collect();
    let nets = search::nets(drawn, built, &account.mapping);
    Comparison {
        reversed: words::reversed(drawn, built, &account),
        one_sided: words::one_sided(drawn, built, &account),
        differences: words::differences(drawn, built, &account),
        harmless: words::harmless(drawn, built, &account),
        parts: pairs.len(),
        pairs: pairs
            .into_iter()
            .map(|(p, q)| (drawn.parts[p].name.clone(), built.parts[q].name.clone()))
            .collect(),
        nets,
        broken_off: account.broken_off,
    }
}
