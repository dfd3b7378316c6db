//! Every condition, and which of them go together.

use super::quantity::{Condition, Takes};

const STOP: Condition = Condition {
    key: "stop",
    takes: Takes::Positive("s"),
    default: Some("the netlist's .tran line"),
    meaning: "last time",
};
const STEP: Condition = Condition {
    key: "step",
    takes: Takes::Positive("s"),
    default: Some("the netlist's .tran line"),
    meaning: "interval of the points",
};
const FROM: Condition = Condition {
    key: "from",
    takes: Takes::NotNegative("s"),
    default: Some("the netlist's .tran line, or 0"),
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

pub const OVER_TIME: &[&Condition] = &[&STOP, &STEP, &FROM];
pub const BY_CLIP: &[&Condition] = &[&SOURCE, &CLIP, &SECONDS, &INPUT_VOLTS, &OVERSAMPLE];

/// A condition that may be left out.
const fn optional(
    key: &'static str,
    takes: Takes,
    default: &'static str,
    meaning: &'static str,
) -> Condition {
    Condition {
        key,
        takes,
        default: Some(default),
        meaning,
    }
}

const FREQUENCY: Condition = optional(
    "frequency",
    Takes::Positive("Hz"),
    "1k",
    "where it is taken",
);
const BAND_FROM: Condition = optional("from", Takes::Positive("Hz"), "20", "lower end of the band");
const BAND_TO: Condition = optional("to", Takes::Positive("Hz"), "20k", "upper end of the band");
const PER_DECADE: Condition = optional(
    "points-per-decade",
    Takes::Positive(""),
    "10",
    "points at FROM*10^(k/N) up to and including the upper end",
);
const SINE: Condition = optional(
    "frequency",
    Takes::Positive("Hz"),
    "that of the source's own sine, or 1k",
    "of the sine",
);
const LEVEL: Condition = optional(
    "level",
    Takes::Positive("V"),
    "that of the source's own sine",
    "peak of the sine at the source",
);
const STRESS_LEVEL: Condition = optional(
    "level",
    Takes::Positive("V"),
    "nothing plays",
    "peak of the sine at the source",
);
const STRESS_SINE: Condition = optional(
    "frequency",
    Takes::Positive("Hz"),
    "beside the mains eight times theirs, else that of the source's own sine, or 1k",
    "of the sine",
);
const OUTPUT_LEVEL: Condition = optional(
    "output-level",
    Takes::Positive("V"),
    "`level` says",
    "rms at the probe; the lowest input that gives it is sought",
);
const AT_THD: Condition = optional(
    "thd",
    Takes::Positive("%"),
    "`level` says",
    "distortion; the lowest input that brings it is sought",
);
const HARMONIC: Condition = Condition {
    key: "harmonic",
    takes: Takes::OneOf(&[
        1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20,
    ]),
    default: None,
    meaning: "which one; 1 is the fundamental",
};
const PAIR: Condition = optional(
    "pair",
    Takes::Word(&["smpte", "ccif"]),
    "smpte",
    "smpte: 60 Hz and 7 kHz at 4:1; ccif: 19 and 20 kHz at 1:1",
);
const PAIR_LEVEL: Condition = Condition {
    key: "level",
    takes: Takes::Positive("V"),
    default: None,
    meaning: "sum of both peaks at the source",
};

pub const AT_FREQUENCY: &[&Condition] = &[&SOURCE, &FREQUENCY];
pub const JUST_FREQUENCY: &[&Condition] = &[&FREQUENCY];
pub const OVER_BAND: &[&Condition] = &[&SOURCE, &BAND_FROM, &BAND_TO];
pub const JUST_BAND: &[&Condition] = &[&BAND_FROM, &BAND_TO];
pub const OVER_FREQUENCY: &[&Condition] = &[&SOURCE, &BAND_FROM, &BAND_TO, &PER_DECADE];
pub const OF_SINE: &[&Condition] = &[&SOURCE, &SINE, &LEVEL, &OUTPUT_LEVEL];
pub const OF_HARMONIC: &[&Condition] = &[&HARMONIC, &SOURCE, &SINE, &LEVEL, &OUTPUT_LEVEL, &AT_THD];
pub const BY_INPUT: &[&Condition] = &[&SOURCE, &SINE, &LEVEL, &AT_THD];
pub const BY_OUTPUT: &[&Condition] = &[&SOURCE, &SINE, &OUTPUT_LEVEL, &AT_THD];
pub const OF_STRESS: &[&Condition] = &[&SOURCE, &STRESS_SINE, &STRESS_LEVEL];
pub const OF_PAIR: &[&Condition] = &[&SOURCE, &PAIR, &PAIR_LEVEL];
