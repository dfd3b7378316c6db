//! How much of anything one run takes: a guard against netlists and options that would fill the
//! memory or go on for ever, by mistake or on purpose. No real amplifier comes near them.
//! `--limit NAME=VALUE` moves one; `gridleak limits` lists them.

use crate::diag::nearest;
use thiserror::Error;

/// What is limited; the row of [`TABLE`] of the same place says more.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)] // the table says it
pub enum Bound {
    NetlistSize,
    Includes,
    IncludeDepth,
    DefinitionDepth,
    CallDepth,
    Elements,
    Names,
    Stores,
    ExpressionDepth,
    ExpressionLength,
    Figures,
    Steps,
    Frequencies,
    Values,
    Versions,
    Combinations,
    Cases,
    ClipSamples,
    DrawnParts,
    Sounds,
    PageSeconds,
    Seconds,
}

/// One limit.
#[derive(Debug, Clone, Copy)]
pub struct Resource {
    /// What it is of.
    pub bound: Bound,
    /// Its word on the command line.
    pub name: &'static str,
    /// What is counted.
    pub what: &'static str,
    /// Unless said otherwise; 0 is none.
    pub default: u64,
    /// The highest it can be set to.
    pub most: u64,
    /// What it guards, and why it cannot be raised beyond.
    pub why: &'static str,
}

const fn row(
    bound: Bound,
    name: &'static str,
    what: &'static str,
    (default, most): (u64, u64),
    why: &'static str,
) -> Resource {
    Resource {
        bound,
        name,
        what,
        default,
        most,
        why,
    }
}

/// Every limit. What a real amplifier needs (the Lapwing's, or common practice): 100 elements,
/// 3 includes, expressions 5 deep, 30 s of sound.
#[rustfmt::skip]
pub const TABLE: &[Resource] = &[
    row(Bound::NetlistSize, "netlist-size", "MiB of a netlist with all its includes",
        (256, 1024), "memory; places in a text are kept as 32-bit numbers"),
    row(Bound::Includes, "includes", "files that a netlist includes, one by one",
        (10_000, 1_000_000), "time: files that include each other twice double at each step"),
    row(Bound::IncludeDepth, "include-depth", "includes inside one another",
        (50, 1000), "the message, which names them all"),
    row(Bound::DefinitionDepth, "definition-depth", ".subckt inside one another",
        (200, 1000), "the stack of the program"),
    row(Bound::CallDepth, "call-depth", "subcircuits that call one another in a row",
        (100, 1000), "the stack of the program"),
    row(Bound::Elements, "elements", "elements and subcircuits after expansion",
        (1_000_000, 100_000_000), "memory: 2 kB each and more"),
    row(Bound::Names, "names", "MB of names after expansion (`X1.X2.R5` and its nodes)",
        (500, 100_000), "memory"),
    row(Bound::Stores, "stores", "capacitors, windings, sources and valves in a sound or steady state",
        (20_000, 1_000_000), "time and memory: they grow a little faster than their number"),
    row(Bound::ExpressionDepth, "expression-depth", "parentheses and functions inside one another",
        (200, 500), "the stack of the program"),
    row(Bound::ExpressionLength, "expression-length", "operations in a row in an expression",
        (1000, 5000), "the stack of the program"),
    row(Bound::Figures, "figures", "figures of one run (rows times columns)",
        (200_000_000, 100_000_000_000), "memory: 24 bytes each, 220 with --json"),
    row(Bound::Steps, "steps", "solver steps of one `scope`",
        (100_000_000, 1_000_000_000_000), "time: a million take some ten seconds"),
    row(Bound::Frequencies, "frequencies", "frequencies of one curve",
        (1_000_000, 1_000_000_000), "memory and time"),
    row(Bound::Values, "values", "values that `feedback` or levels that `distortion` goes through",
        (1000, 1_000_000), "time"),
    row(Bound::Versions, "versions", "versions that `--vary` asks for",
        (200, 100_000), "open files: `render` holds two for each"),
    row(Bound::Combinations, "combinations", "combinations that `vary` goes through",
        (100_000, 100_000_000), "time"),
    row(Bound::Cases, "cases", "cases of one sheet",
        (10_000, 10_000_000), "time and memory"),
    row(Bound::ClipSamples, "clip-samples", "samples of a clip in each channel (69 minutes at 48 kHz)",
        (200_000_000, 2_000_000_000), "time; in sheets memory, 8 bytes each"),
    row(Bound::DrawnParts, "drawn-parts", "parts of one drawing",
        (2000, 20_000), "time: it grows a little faster than their number; nobody reads more"),
    row(Bound::Sounds, "sounds", "sounds on one page, to be compared",
        (12, 23), "ears: nobody compares more; X, Y and Z are no sound's letter"),
    row(Bound::PageSeconds, "page-seconds", "seconds of sound on one page, all sounds together",
        (600, 3600), "the browser's memory: a minute takes 8 MB of page, 12 when it plays"),
    row(Bound::Seconds, "seconds", "seconds that the run may take",
        (0, 10_000_000), "your patience, and a shared machine: without it a run may take for ever"),
];

/// Why a limit is not set.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum LimitProblem {
    /// It has no `=`.
    #[error("`--limit {text}` is not of the form NAME=VALUE")]
    Syntax {
        /// As typed.
        text: String,
    },
    /// No limit has that name.
    #[error("no limit is called `{name}`")]
    Unknown {
        /// As typed.
        name: String,
        /// A name like it.
        near: Option<&'static str>,
    },
    /// The value is no whole number in reach.
    #[error("`--limit {name}={found}`: expected a whole number from 1 to {most}")]
    Value {
        /// The limit.
        name: &'static str,
        /// As typed.
        found: String,
        /// The most it can be.
        most: u64,
    },
}

impl LimitProblem {
    /// What to do about it.
    pub fn hint(&self) -> String {
        match self {
            LimitProblem::Syntax { .. } => "for example `--limit elements=2000000`".into(),
            LimitProblem::Unknown { near: Some(n), .. } => format!("did you mean `{n}`?"),
            LimitProblem::Unknown { near: None, .. } => "`gridleak limits` lists them".into(),
            LimitProblem::Value { .. } => {
                "`gridleak limits` says how far each can be raised, and why".into()
            }
        }
    }
}

/// The limits of one run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits([u64; TABLE.len()]);

impl Default for Limits {
    fn default() -> Self {
        let mut all = [0; TABLE.len()];
        for (to, row) in all.iter_mut().zip(TABLE) {
            *to = row.default;
        }
        Limits(all)
    }
}

impl Limits {
    /// How much of it there may be; [`u64::MAX`] where there is no limit.
    pub fn get(&self, bound: Bound) -> u64 {
        match self.0[bound as usize] {
            0 => u64::MAX,
            limit => limit,
        }
    }

    /// The same as a number of things.
    pub fn count(&self, bound: Bound) -> usize {
        usize::try_from(self.get(bound)).unwrap_or(usize::MAX)
    }

    /// Whether an amount of it is too much.
    pub fn passed(&self, bound: Bound, found: f64) -> bool {
        found > self.get(bound) as f64
    }

    /// Sets one, as `elements=2000000`.
    ///
    /// # Errors
    /// If there is no such limit or it cannot be that.
    pub fn set(&mut self, text: &str) -> Result<(), LimitProblem> {
        let Some((name, value)) = text.split_once('=') else {
            let text = text.to_string();
            return Err(LimitProblem::Syntax { text });
        };
        let (name, value) = (name.trim(), value.trim());
        let Some(row) = TABLE.iter().find(|r| r.name.eq_ignore_ascii_case(name)) else {
            return Err(LimitProblem::Unknown {
                name: name.to_string(),
                near: nearest(name, TABLE.iter().map(|r| r.name)),
            });
        };
        match value.parse() {
            Ok(number) if (1..=row.most).contains(&number) => {
                self.0[row.bound as usize] = number;
                Ok(())
            }
            _ => Err(LimitProblem::Value {
                name: row.name,
                found: value.to_string(),
                most: row.most,
            }),
        }
    }
}

/// How to raise a limit that was met.
pub fn raise(bound: Bound) -> String {
    let row = &TABLE[bound as usize];
    format!(
        "if that is meant, `--limit {}=NUMBER` raises it, up to {}",
        row.name, row.most
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rows_stand_in_the_order_of_the_bounds() {
        for (k, row) in TABLE.iter().enumerate() {
            assert_eq!(row.bound as usize, k, "{}", row.name);
            assert!(row.default <= row.most, "{}", row.name);
        }
    }

    #[test]
    fn a_limit_is_set_by_name_and_within_reach() {
        let mut limits = Limits::default();
        assert_eq!(limits.get(Bound::Elements), 1_000_000);
        assert_eq!(limits.get(Bound::Seconds), u64::MAX);
        limits.set("Elements = 5").expect("a limit");
        assert_eq!(limits.count(Bound::Elements), 5);
        for (text, told) in [
            ("elements", "NAME=VALUE"),
            ("element=5", "no limit is called `element`"),
            ("elements=0", "from 1 to 100000000"),
            ("elements=1k", "from 1 to 100000000"),
            ("elements=100000001", "from 1 to 100000000"),
            ("elements=-1", "from 1 to 100000000"),
        ] {
            let problem = limits.set(text).expect_err(text);
            assert!(problem.to_string().contains(told), "{problem}");
        }
        assert_eq!(limits.count(Bound::Elements), 5);
    }
}
