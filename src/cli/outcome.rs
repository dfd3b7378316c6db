//! How a run ended.

/// How a run ended: the exit code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// 0: done.
    Done,
    /// 1: an expectation or rating failed.
    FellShort,
    /// 2: bad usage, netlist or input file.
    Bad,
    /// 3: no solution found.
    NoSolution,
    /// 130: broken off by Ctrl-C; for any signal 128 and its number, as shells have it.
    Interrupted(u8),
}

impl Outcome {
    /// As the shell sees it.
    pub fn code(self) -> u8 {
        match self {
            Outcome::Done => 0,
            Outcome::FellShort => 1,
            Outcome::Bad => 2,
            Outcome::NoSolution => 3,
            Outcome::Interrupted(signal) => 128 + signal,
        }
    }
}
