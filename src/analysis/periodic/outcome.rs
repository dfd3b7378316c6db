//! How exact a steady state is to be, and what is said of it when it is found.

/// Steps of a period at most.
pub(super) const MOST_STEPS: usize = 200_000;

/// How accurate an orbit is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Accuracy {
    /// Part of an unknown's amplitude by which it may be off at a time.
    pub relative: f64,
    /// The same in V, for nodes that hardly move.
    pub volts: f64,
    /// The same in A, for currents of inductors.
    pub amperes: f64,
}

impl Default for Accuracy {
    fn default() -> Self {
        Accuracy {
            relative: 1e-6,
            volts: 1e-9,
            amperes: 1e-12,
        }
    }
}

/// How a steady state was reached.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// By shooting.
    Direct,
    /// By integrating N periods, until nothing moved any more.
    Settled {
        /// Periods.
        periods: usize,
    },
}

/// What a steady state cost.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Effort {
    /// Evaluations of all laws, each at one moment; those of the operating point included
    /// where it was sought.
    pub evaluations: usize,
    /// Passes through the period.
    pub passes: usize,
    /// Steps in all passes.
    pub steps: usize,
    /// Steps that had to be divided because Newton did not settle.
    pub divided: usize,
    /// Steps that were solved and divided because their cubics strayed too far.
    pub astray: usize,
}

/// The steady state, as far as it is known to whoever asked for it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PeriodicState {
    /// How it was reached.
    pub method: Method,
    /// What it cost.
    pub effort: Effort,
    /// Steps of the period.
    pub steps: usize,
    /// Cycles of the signal in the period: more than one where another source of the circuit
    /// moves with a frequency of its own.
    pub cycles: u64,
    /// By how much a small disturbance grows in one period, in the long run: the size of the
    /// largest multiplier. Above one the steady state is there but unstable: the circuit
    /// would leave it, to oscillate by itself. None where the periods were integrated.
    pub growth: Option<f64>,
    /// The largest distance between a cubic and its wave, in multiples of what is allowed.
    pub error: f64,
}
