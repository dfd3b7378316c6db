//! Every figure there is, and every condition it may be taken under.

/// What a figure is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum About {
    /// A node or a probe: `plate1`, `v(out)`, `v(a,b)`, `i(R1)`.
    Probe,
    /// A node, or two: `plate1`, `v(plate1,cathode1)`.
    Node,
    /// Any element: `R5`, `XV4`.
    Element,
    /// A row of the bias chart: a valve, resistor or source.
    Charted,
}

impl About {
    /// In words, for messages.
    pub fn word(self) -> &'static str {
        match self {
            About::Probe => "a node or probe",
            About::Node => "a node",
            About::Element => "an element",
            About::Charted => "an element",
        }
    }

    /// What may stand there.
    pub fn forms(self) -> &'static str {
        match self {
            About::Probe => "NODE, v(a), v(a,b), i(R1) or p(R1)",
            About::Node => "NODE, v(a) or v(a,b)",
            About::Element | About::Charted => "ELEMENT",
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

/// How a figure is come by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// A probe at the operating point.
    Direct,
    /// A row of the bias chart.
    Chart,
    /// The transient.
    Wave(OfWave),
    /// A clip played through the circuit.
    Played(OfSound),
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
    /// How it is come by.
    pub way: Way,
    /// What it is.
    pub meaning: &'static str,
    /// One that could be asked for.
    pub example: &'static str,
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
    /// A file, or a word.
    Text,
}

const STOP: Condition = Condition {
    key: "stop",
    takes: Takes::Positive("s"),
    default: Some("the netlist's .tran card"),
    meaning: "last time",
};
const STEP: Condition = Condition {
    key: "step",
    takes: Takes::Positive("s"),
    default: Some("the netlist's .tran card"),
    meaning: "interval of the points",
};
const FROM: Condition = Condition {
    key: "from",
    takes: Takes::NotNegative("s"),
    default: Some("the netlist's .tran card, or 0"),
    meaning: "first time",
};
const SOURCE: Condition = Condition {
    key: "source",
    takes: Takes::Source,
    default: Some("the one source with an AC value"),
    meaning: "the source that drives",
};
const CLIP: Condition = Condition {
    key: "clip",
    takes: Takes::Text,
    default: Some("the built-in phrase at 48 kHz"),
    meaning: "the WAV file that goes in",
};
const SECONDS: Condition = Condition {
    key: "seconds",
    takes: Takes::Positive("s"),
    default: Some("the whole clip"),
    meaning: "how much of the clip is played",
};
const INPUT_VOLTS: Condition = Condition {
    key: "input-volts",
    takes: Takes::Positive("V"),
    default: Some("0.3"),
    meaning: "peak volts at digital full scale",
};
const OVERSAMPLE: Condition = Condition {
    key: "oversample",
    takes: Takes::OneOf(&[1, 2, 4, 8, 16]),
    default: Some("8"),
    meaning: "solver steps for each sample",
};

const OVER_TIME: &[&Condition] = &[&STOP, &STEP, &FROM];
const BY_CLIP: &[&Condition] = &[&SOURCE, &CLIP, &SECONDS, &INPUT_VOLTS, &OVERSAMPLE];

/// A probe at the operating point.
const fn direct(
    name: &'static str,
    about: About,
    unit: &'static str,
    meaning: &'static str,
    example: &'static str,
) -> Quantity {
    Quantity {
        name,
        about,
        conditions: &[],
        unit,
        gives: Gives::Number,
        way: Way::Direct,
        meaning,
        example,
    }
}

/// A row of the bias chart.
const fn charted(
    name: &'static str,
    unit: &'static str,
    meaning: &'static str,
    example: &'static str,
) -> Quantity {
    Quantity {
        name,
        about: About::Charted,
        conditions: &[],
        unit,
        gives: Gives::Number,
        way: Way::Chart,
        meaning,
        example,
    }
}

/// A figure of a waveform.
const fn wave(
    name: &'static str,
    of: OfWave,
    meaning: &'static str,
    example: &'static str,
) -> Quantity {
    Quantity {
        name,
        about: About::Probe,
        conditions: OVER_TIME,
        unit: "",
        gives: match of {
            OfWave::Whole => Gives::Curve,
            _ => Gives::Number,
        },
        way: Way::Wave(of),
        meaning,
        example,
    }
}

/// A figure of a render.
const fn played(
    name: &'static str,
    of: OfSound,
    unit: &'static str,
    meaning: &'static str,
    example: &'static str,
) -> Quantity {
    Quantity {
        name,
        about: About::Probe,
        conditions: BY_CLIP,
        unit,
        gives: match of {
            OfSound::Whole => Gives::Sound,
            _ => Gives::Number,
        },
        way: Way::Played(of),
        meaning,
        example,
    }
}

/// Every figure, in the order that help shows.
pub const QUANTITIES: &[Quantity] = &[
    direct(
        "voltage",
        About::Node,
        "V",
        "direct voltage of a node to ground, or between two",
        "voltage of plate1",
    ),
    direct(
        "current",
        About::Element,
        "A",
        "direct current into an element's first terminal",
        "current of RK1",
    ),
    direct(
        "power",
        About::Element,
        "W",
        "direct power that an element takes",
        "power of XV1A",
    ),
    charted(
        "dissipation",
        "W",
        "heat in a resistor or pot",
        "dissipation of RP1",
    ),
    charted(
        "plate current",
        "A",
        "current into a valve's plate",
        "plate current of XV1A",
    ),
    charted(
        "screen current",
        "A",
        "current into a valve's screen",
        "screen current of XV4",
    ),
    charted(
        "grid current",
        "A",
        "current into a valve's grid",
        "grid current of XV1A",
    ),
    charted(
        "cathode current",
        "A",
        "all currents into a valve together; rated for some",
        "cathode current of XV4",
    ),
    charted(
        "direct current",
        "A",
        "what a rectifier delivers; rated for some",
        "direct current of XV9",
    ),
    charted(
        "plate dissipation",
        "W",
        "heat at a valve's plate; rated",
        "plate dissipation of XV4",
    ),
    charted(
        "screen dissipation",
        "W",
        "heat at a valve's screen; rated",
        "screen dissipation of XV4",
    ),
    charted("vgk", "V", "grid to cathode", "vgk of XV1A"),
    charted("vpk", "V", "plate to cathode; rated", "vpk of XV1A"),
    charted("vg2k", "V", "screen to cathode; rated", "vg2k of XV4"),
    charted(
        "heater-cathode voltage",
        "V",
        "cathode over a heater at ground; rated",
        "heater-cathode voltage of XV2A",
    ),
    charted(
        "grid circuit resistance",
        "ohm",
        "what the grid sees to ground for direct current; rated",
        "grid circuit resistance of XV4",
    ),
    wave(
        "lowest",
        OfWave::Lowest,
        "least value of a waveform",
        "lowest of v(out) with stop 20m, step 10u",
    ),
    wave(
        "highest",
        OfWave::Highest,
        "greatest value of a waveform",
        "highest of v(out) with stop 20m, step 10u",
    ),
    wave(
        "swing",
        OfWave::Swing,
        "greatest less least value of a waveform: peak to peak",
        "swing of v(out) with stop 50m, step 10u, from 30m",
    ),
    wave(
        "mean",
        OfWave::Mean,
        "mean of a waveform",
        "mean of v(bplus) with stop 1, step 0.1m, from 0.8",
    ),
    wave(
        "rms",
        OfWave::Rms,
        "rms value of a waveform without its mean",
        "rms of v(out) with stop 50m, step 10u, from 30m",
    ),
    wave(
        "waveform",
        OfWave::Whole,
        "a whole waveform, held against a CSV file as `scope` writes it",
        "waveform of v(out) with stop 20m, step 10u",
    ),
    played(
        "peak",
        OfSound::Peak,
        "",
        "peak of a clip played through the circuit",
        "peak of v(out) with seconds 0.5, input-volts 0.1",
    ),
    played(
        "level",
        OfSound::Rms,
        "",
        "rms value of a clip played through the circuit",
        "level of v(out) with seconds 0.5",
    ),
    played(
        "render",
        OfSound::Whole,
        "",
        "a clip played through the circuit, held against a WAV file or a fingerprint",
        "render of v(out) with seconds 0.5, oversample 8",
    ),
    played(
        "run time",
        OfSound::RunTime,
        "x",
        "time of computing a render over its playing time: 0.5 is twice as fast as it plays",
        "run time of v(out) with seconds 2, oversample 4",
    ),
];

/// The quantity of a name, in any case.
pub fn quantity(name: &str) -> Option<&'static Quantity> {
    QUANTITIES
        .iter()
        .find(|q| q.name.eq_ignore_ascii_case(name))
}
