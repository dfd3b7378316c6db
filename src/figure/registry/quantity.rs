//! What a figure can be of, and how it is had.

/// What a figure is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum About {
    /// A node or a probe: `plate1`, `v(out)`, `v(a,b)`, `i(R1)`.
    Probe,
    /// A node, or two: `plate1`, `v(plate1,cathode1)`.
    Node,
    /// Any element: `R5`, `XV4`.
    Element,
    /// A row of the bias chart: a valve, resistor, capacitor or source.
    Charted,
    /// An independent source.
    Source,
}

impl About {
    /// In words, for messages.
    pub fn word(self) -> &'static str {
        match self {
            About::Probe => "a node or probe",
            About::Node => "a node",
            About::Element => "an element",
            About::Charted => "an element",
            About::Source => "a source",
        }
    }

    /// What may stand there.
    pub fn forms(self) -> &'static str {
        match self {
            About::Probe => "NODE, v(a), v(a,b), i(R1) or p(R1)",
            About::Node => "NODE, v(a) or v(a,b)",
            About::Element | About::Charted => "ELEMENT",
            About::Source => "SOURCE",
        }
    }
}

/// What a figure gives.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Gives {
    /// One number.
    Number,
    /// A curve over time or frequency.
    Curve,
    /// A sound.
    Sound,
}

/// How a figure is found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// A probe at the operating point.
    Direct,
    /// A row of the bias chart.
    Chart,
    /// The transient.
    Wave(OfWave),
    /// Small signals about the operating point.
    Small(OfSmall),
    /// The steady state of a sine.
    Sine(OfSine),
    /// A clip played through the circuit.
    Played(OfSound),
    /// What a part must stand, at rest or while a sine plays.
    Stress,
}

/// Figures of small signals.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OfSmall {
    /// From the source to the probe at one frequency, dB.
    Gain,
    /// Its angle, degrees.
    Phase,
    /// The gain over frequency, dB.
    Response,
    /// 3 dB below the greatest gain, downwards, Hz.
    LowCorner,
    /// Likewise upwards.
    HighCorner,
    /// What a source sees, ohms.
    InputImpedance,
    /// What is seen between two nodes with every source at rest, ohms.
    OutputImpedance,
    /// The return ratio through a resistor, dB.
    LoopGain,
    /// 1 + return ratio, dB.
    Feedback,
    /// Degrees.
    PhaseMargin,
    /// dB.
    GainMargin,
    /// Over a band, V rms.
    Noise,
    /// The same A-weighted.
    WeightedNoise,
    /// Referred to the source.
    InputNoise,
    /// The same A-weighted.
    WeightedInputNoise,
}

/// Figures of the steady state of a sine, or of two.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OfSine {
    /// Total harmonic distortion, percent.
    Thd,
    /// One harmonic, dB re 1 V rms.
    Harmonic,
    /// The output's rms.
    Output,
    /// The input's peak.
    Input,
    /// Power in a resistor, W.
    Power,
    /// Of two tones, percent.
    Intermodulation,
}

/// Figures of a waveform.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OfWave {
    /// Its least value.
    Lowest,
    /// Its greatest value.
    Highest,
    /// Greatest less least.
    Swing,
    /// Its mean.
    Mean,
    /// Its rms value without DC.
    Rms,
    /// All of it.
    Whole,
}

/// Figures of a render.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OfSound {
    /// Its peak.
    Peak,
    /// Its rms value.
    Rms,
    /// All of it.
    Whole,
    /// Time of computing over time of playing.
    RunTime,
}

/// A kind of figure.
#[derive(Debug)]
pub struct Quantity {
    /// Its words.
    pub name: &'static str,
    /// What stands after `of`.
    pub about: About,
    /// Conditions that `with` may give.
    pub conditions: &'static [&'static Condition],
    /// As result files have it; empty where the probe says (V, A or W).
    pub unit: &'static str,
    /// What it gives.
    pub gives: Gives,
    /// How it is found.
    pub way: Way,
    /// What it is.
    pub meaning: &'static str,
    /// One that could be asked for.
    pub example: &'static str,
}

impl Quantity {
    /// Whether it is how long a render takes: no machine takes the same time twice.
    pub fn is_run_time(&self) -> bool {
        self.way == Way::Played(OfSound::RunTime)
    }
}

/// Something that a figure is taken under; the key is that of the commands' option.
#[derive(Debug)]
pub struct Condition {
    /// Its word.
    pub key: &'static str,
    /// What its value is.
    pub takes: Takes,
    /// What holds if it is not given; none if it must be.
    pub default: Option<&'static str>,
    /// What it is.
    pub meaning: &'static str,
}

/// What a condition's value is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Takes {
    /// A number more than zero, in this unit.
    Positive(&'static str),
    /// A number of zero or more, in this unit.
    NotNegative(&'static str),
    /// One of a few numbers.
    OneOf(&'static [usize]),
    /// The name of an independent source.
    Source,
    /// One of a few words.
    Word(&'static [&'static str]),
    /// A file, or a word.
    Text,
}
