//! Every key that a sheet may have: reading, suggestions and schema loop over these tables.

/// What a key's value is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Holds {
    /// Text.
    Text,
    /// True or false.
    Flag,
    /// A number, or text with a number and its unit.
    Amount,
    /// An amount, or a table of amounts by case.
    AmountByCase,
    /// A list of plain numbers.
    Numbers,
    /// A list of pairs of amounts.
    Pairs,
    /// A table of names of the circuit and what they are set to.
    Settings,
    /// Tables of names and lists of what they are set to, one after another.
    Choices,
    /// Tables with the keys of [`EXPECT`].
    Expectations,
}

impl Holds {
    /// In words, for messages.
    pub fn word(self) -> &'static str {
        match self {
            Holds::Text => "text in quotes",
            Holds::Flag => "true or false",
            Holds::Amount => "a number, or text with its unit",
            Holds::AmountByCase => "a number, text with its unit, or a table of them by case",
            Holds::Numbers => "a list of numbers",
            Holds::Pairs => "a list of pairs",
            Holds::Settings => "a table, as in `[settings]`",
            Holds::Choices => "tables, as in `[[vary]]`",
            Holds::Expectations => "tables, as in `[[expect]]`",
        }
    }
}

/// A key.
#[derive(Debug)]
pub struct Key {
    /// Its word.
    pub name: &'static str,
    /// What it holds.
    pub holds: Holds,
    /// Whether it must be there.
    pub required: bool,
    /// What it is for.
    pub meaning: &'static str,
}

const fn key(name: &'static str, holds: Holds, required: bool, meaning: &'static str) -> Key {
    Key {
        name,
        holds,
        required,
        meaning,
    }
}

/// The key that allows a circuit to be unstable.
pub const UNSTABLE: &str = "may-be-unstable";

/// Keys of a sheet.
pub const SHEET: &[Key] = &[
    key(
        "netlist",
        Holds::Text,
        true,
        "the netlist, from the sheet's folder",
    ),
    key("about", Holds::Text, false, "what the sheet guards"),
    key(
        UNSTABLE,
        Holds::Flag,
        false,
        "true for a circuit that is meant to oscillate, as a tremolo: else one that does fails",
    ),
    key(
        "settings",
        Holds::Settings,
        false,
        "values, NAME.parameter, knobs, switches, valves, `temperature` and `mains` (per cent), for every case",
    ),
    key(
        "vary",
        Holds::Choices,
        false,
        "NAME = [a, b, c]: a case for each; names of one block go in step, blocks combine. \
         `names` names the cases of a block",
    ),
    key(
        "expect",
        Holds::Expectations,
        true,
        "a figure and what it should be",
    ),
];

/// Keys of an expectation.
pub const EXPECT: &[Key] = &[
    key(
        "figure",
        Holds::Text,
        true,
        "what is measured; `gridleak check --explain` lists every figure",
    ),
    key(
        "value",
        Holds::AmountByCase,
        false,
        "what it should be; % is of the rating where the figure has one; by case: a table",
    ),
    key(
        "tolerance",
        Holds::Amount,
        false,
        "how far off it may be: in its unit, in % of the value, or in dB",
    ),
    key("at-least", Holds::Amount, false, "the least it may be"),
    key("at-most", Holds::Amount, false, "the most it may be"),
    key(
        "file",
        Holds::Text,
        false,
        "a stored waveform or response (CSV) or sound (WAV), from the sheet's folder; {case} \
         stands for the case",
    ),
    key(
        "mask",
        Holds::Pairs,
        false,
        "tolerance along a curve: [[\"20 Hz\", \"3 dB\"], [\"100 Hz\", \"1 dB\"]], straight between",
    ),
    key(
        "bands",
        Holds::Numbers,
        false,
        "fingerprint of a render: level in each third-octave band from 25 Hz, dB re 1 V",
    ),
    key(
        "envelope",
        Holds::Numbers,
        false,
        "fingerprint of a render: level of each 50 ms, dB re 1 V",
    ),
    key(
        "cases",
        Holds::Text,
        false,
        "only the cases whose name fits; * stands for anything",
    ),
    key(
        "origin",
        Holds::Text,
        false,
        "where the value comes from: a data sheet, a formula, a measurement",
    ),
];
