//! One row for each figure.

use super::conditions::*;
use super::quantity::{About, Condition, Gives, OfSine, OfSmall, OfSound, OfWave, Quantity, Way};

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

/// What a part must stand.
const fn stress(
    name: &'static str,
    unit: &'static str,
    meaning: &'static str,
    example: &'static str,
) -> Quantity {
    Quantity {
        conditions: OF_STRESS,
        way: Way::Stress,
        ..charted(name, unit, meaning, example)
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

/// A figure of small signals.
const fn small(
    name: &'static str,
    of: OfSmall,
    about: About,
    conditions: &'static [&'static Condition],
    unit: &'static str,
    meaning: &'static str,
    example: &'static str,
) -> Quantity {
    Quantity {
        name,
        about,
        conditions,
        unit,
        gives: match of {
            OfSmall::Response => Gives::Curve,
            _ => Gives::Number,
        },
        way: Way::Small(of),
        meaning,
        example,
    }
}

/// A figure of the steady state of a sine.
const fn sine(
    name: &'static str,
    of: OfSine,
    conditions: &'static [&'static Condition],
    unit: &'static str,
    meaning: &'static str,
    example: &'static str,
) -> Quantity {
    Quantity {
        name,
        about: match of {
            OfSine::Power => About::Element,
            _ => About::Probe,
        },
        conditions,
        unit,
        gives: Gives::Number,
        way: Way::Sine(of),
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
    charted(
        "voltage hot",
        "V",
        "most that a capacitor stands with warm valves; rated",
        "voltage hot of C1",
    ),
    charted(
        "voltage cold",
        "V",
        "most that a capacitor stands before the valves draw; rated",
        "voltage cold of C1",
    ),
    charted(
        "peak plate current",
        "A",
        "a rectifier's crest in a mains cycle; rated",
        "peak plate current of XV9",
    ),
    charted(
        "inverse voltage",
        "V",
        "most that a rectifier blocks in a mains cycle; rated",
        "inverse voltage of XV9",
    ),
    charted(
        "drain current",
        "A",
        "current into a field-effect transistor's drain",
        "drain current of J1",
    ),
    charted(
        "gate current",
        "A",
        "current into its gate",
        "gate current of J1",
    ),
    charted("vds", "V", "drain to source", "vds of J1"),
    charted("vgs", "V", "gate to source", "vgs of J1"),
    charted(
        "vgd",
        "V",
        "gate to drain of a junction transistor",
        "vgd of J1",
    ),
    charted(
        "collector current",
        "A",
        "current into a transistor's collector",
        "collector current of Q1",
    ),
    charted(
        "base current",
        "A",
        "current into its base",
        "base current of Q1",
    ),
    charted("vce", "V", "collector to emitter", "vce of Q1"),
    charted("vbe", "V", "base to emitter", "vbe of Q1"),
    stress(
        "driven dissipation",
        "W",
        "heat in a resistor, pot, diode, transistor or a transformer's copper",
        "driven dissipation of RK with level 4",
    ),
    stress(
        "driven wattage needed",
        "W",
        "twice a resistor's heat: what it should be rated for",
        "driven wattage needed of RK with level 4",
    ),
    stress(
        "track dissipation",
        "W",
        "heat of a pot's whole track at the current of its busier half; rated",
        "track dissipation of XBALANCE with level 4",
    ),
    stress(
        "driven plate dissipation",
        "W",
        "heat at a valve's plate; rated",
        "driven plate dissipation of XV4 with level 4",
    ),
    stress(
        "driven screen dissipation",
        "W",
        "heat at a valve's screen; rated",
        "driven screen dissipation of XV4 with level 4",
    ),
    stress(
        "driven grid dissipation",
        "W",
        "heat at a valve's grid",
        "driven grid dissipation of XV4 with level 4",
    ),
    stress(
        "driven cathode current",
        "A",
        "mean of all currents into a valve; rated for some",
        "driven cathode current of XV4 with level 4",
    ),
    stress(
        "driven direct current",
        "A",
        "mean through a rectifier, transistor, choke or inductor; rated",
        "driven direct current of XV9 with level 4",
    ),
    stress(
        "peak cathode current",
        "A",
        "crest of all currents into a valve",
        "peak cathode current of XV4 with level 4",
    ),
    stress(
        "peak current",
        "A",
        "crest through a rectifier; rated",
        "peak current of XV9 with level 4",
    ),
    stress(
        "peak voltage",
        "V",
        "most across a resistor, capacitor, switch, transistor or winding; rated",
        "peak voltage of C1 with level 4",
    ),
    stress(
        "peak control voltage",
        "V",
        "most from a transistor's gate to its source, or base to emitter; rated",
        "peak control voltage of M1 with level 4",
    ),
    stress(
        "peak gate-drain voltage",
        "V",
        "most from a junction transistor's gate to its drain; rated",
        "peak gate-drain voltage of J1 with level 4",
    ),
    stress(
        "peak plate voltage",
        "V",
        "most from plate to cathode",
        "peak plate voltage of XV4 with level 4",
    ),
    stress(
        "driven plate voltage",
        "V",
        "mean from plate to cathode while the valve draws; rated",
        "driven plate voltage of XV4 with level 4",
    ),
    stress(
        "driven screen voltage",
        "V",
        "mean from screen to cathode while the valve draws; rated",
        "driven screen voltage of XV4 with level 4",
    ),
    stress(
        "peak screen voltage",
        "V",
        "most from screen to cathode",
        "peak screen voltage of XV4 with level 4",
    ),
    stress(
        "peak heater-cathode voltage",
        "V",
        "most from cathode to a heater at ground; rated",
        "peak heater-cathode voltage of XV2A with level 4",
    ),
    stress(
        "peak socket voltage",
        "V",
        "most between two pins of a valve's socket, the heater's at ground",
        "peak socket voltage of XV4 with level 4",
    ),
    stress(
        "peak inverse voltage",
        "V",
        "most that a rectifier blocks; rated",
        "peak inverse voltage of XV9 with level 4",
    ),
    stress(
        "charging voltage",
        "V",
        "most across one of two capacitors in series while they fill, shared by capacitance; rated",
        "charging voltage of CR1 with level 4",
    ),
    stress(
        "reverse voltage",
        "V",
        "most of the wrong sign across an electrolytic; rated",
        "reverse voltage of CB1 with level 4",
    ),
    stress(
        "ripple current",
        "A",
        "rms through a capacitor; rated if a comment says",
        "ripple current of CR with level 4",
    ),
    stress(
        "alternating voltage",
        "V",
        "rms across a capacitor, direct volts left out",
        "alternating voltage of CR with level 4",
    ),
    stress(
        "rms current",
        "A",
        "rms through a part, direct current included",
        "rms current of VMAINS with level 4",
    ),
    stress(
        "rms voltage",
        "V",
        "rms of a source",
        "rms voltage of VMAINS",
    ),
    stress(
        "power delivered",
        "W",
        "what an output transformer gives to its taps; rated",
        "power delivered of XOT with level 4",
    ),
    stress(
        "primary rms current",
        "A",
        "rms in a transformer's primary; rated",
        "primary rms current of XMAINS with level 4",
    ),
    stress(
        "ht1 rms current",
        "A",
        "rms in a high-tension winding; rated",
        "ht1 rms current of XMAINS with level 4",
    ),
    stress(
        "ht2 rms current",
        "A",
        "rms in the other half; rated",
        "ht2 rms current of XMAINS with level 4",
    ),
    stress(
        "bias winding rms current",
        "A",
        "rms in a bias winding; rated",
        "bias winding rms current of XMAINS",
    ),
    stress(
        "plate1 rms current",
        "A",
        "rms in an output transformer's first half",
        "plate1 rms current of XOT with level 4",
    ),
    stress(
        "plate2 rms current",
        "A",
        "rms in the other half",
        "plate2 rms current of XOT with level 4",
    ),
    stress(
        "plate1 direct current",
        "A",
        "mean in an output transformer's first half",
        "plate1 direct current of XOT",
    ),
    stress(
        "plate2 direct current",
        "A",
        "mean in the other half",
        "plate2 direct current of XOT",
    ),
    stress(
        "standing current",
        "A",
        "mean in a single-ended transformer's primary; rated",
        "standing current of XOT",
    ),
    stress(
        "tap4 rms current",
        "A",
        "rms in the winding up to the first tap",
        "tap4 rms current of XOT with level 4",
    ),
    stress(
        "tap8 rms current",
        "A",
        "rms in the winding up to the second tap",
        "tap8 rms current of XOT with level 4",
    ),
    stress(
        "tap16 rms current",
        "A",
        "rms in the winding up to the third tap",
        "tap16 rms current of XOT with level 4",
    ),
    Quantity {
        about: About::Node,
        ..charted(
            "ac voltage",
            "V",
            "rms of a node that carries AC in a mains cycle, without its mean",
            "ac voltage of line",
        )
    },
    Quantity {
        about: About::Node,
        ..charted(
            "ripple",
            "V",
            "peak to peak of a node in a mains cycle",
            "ripple of reservoir",
        )
    },
    small(
        "gain",
        OfSmall::Gain,
        About::Probe,
        AT_FREQUENCY,
        "dB",
        "from the source to a probe, for small signals",
        "gain of v(out) with frequency 1k",
    ),
    small(
        "phase",
        OfSmall::Phase,
        About::Probe,
        AT_FREQUENCY,
        "deg",
        "angle of the gain, above -180 and up to 180",
        "phase of v(out) with frequency 1k",
    ),
    small(
        "response",
        OfSmall::Response,
        About::Probe,
        OVER_FREQUENCY,
        "dB",
        "gain over frequency, held against a CSV file as `response` writes it",
        "response of v(out) with from 20, to 20k, points-per-decade 10",
    ),
    small(
        "low corner",
        OfSmall::LowCorner,
        About::Probe,
        OVER_BAND,
        "Hz",
        "3 dB below the greatest gain in the band, downwards",
        "low corner of v(out)",
    ),
    small(
        "high corner",
        OfSmall::HighCorner,
        About::Probe,
        OVER_BAND,
        "Hz",
        "3 dB below the greatest gain in the band, upwards",
        "high corner of v(out) with from 20, to 20k",
    ),
    small(
        "input impedance",
        OfSmall::InputImpedance,
        About::Source,
        JUST_FREQUENCY,
        "ohm",
        "what a source sees",
        "input impedance of VIN with frequency 1k",
    ),
    small(
        "output impedance",
        OfSmall::OutputImpedance,
        About::Node,
        JUST_FREQUENCY,
        "ohm",
        "what is seen at a node, all in place and every source at rest",
        "output impedance of v(out) with frequency 1k",
    ),
    small(
        "loop gain",
        OfSmall::LoopGain,
        About::Element,
        JUST_FREQUENCY,
        "dB",
        "return ratio of the loop through a resistor",
        "loop gain of RNFB with frequency 1k",
    ),
    small(
        "feedback",
        OfSmall::Feedback,
        About::Element,
        JUST_FREQUENCY,
        "dB",
        "what that loop takes off the gain: 1 + return ratio",
        "feedback of RNFB with frequency 1k",
    ),
    small(
        "phase margin",
        OfSmall::PhaseMargin,
        About::Element,
        &[],
        "deg",
        "of the loop through a resistor; below zero it oscillates",
        "phase margin of RNFB",
    ),
    small(
        "gain margin",
        OfSmall::GainMargin,
        About::Element,
        &[],
        "dB",
        "how much more loop gain makes it oscillate; below zero it does",
        "gain margin of RNFB",
    ),
    small(
        "noise",
        OfSmall::Noise,
        About::Node,
        JUST_BAND,
        "V",
        "hiss at a node over a band, rms",
        "noise of v(out) with from 20, to 20k",
    ),
    small(
        "weighted noise",
        OfSmall::WeightedNoise,
        About::Node,
        JUST_BAND,
        "V",
        "the same A-weighted (IEC 61672-1)",
        "weighted noise of v(out)",
    ),
    small(
        "input noise",
        OfSmall::InputNoise,
        About::Node,
        OVER_BAND,
        "V",
        "what the source alone would have to give for that noise, rms",
        "input noise of v(out) with source VIN",
    ),
    small(
        "weighted input noise",
        OfSmall::WeightedInputNoise,
        About::Node,
        OVER_BAND,
        "V",
        "the same A-weighted",
        "weighted input noise of v(out)",
    ),
    sine(
        "thd",
        OfSine::Thd,
        OF_SINE,
        "%",
        "harmonics 2 to 20 over the fundamental, in the steady state of a sine",
        "thd of v(out) with frequency 1k, level 0.1",
    ),
    sine(
        "harmonic level",
        OfSine::Harmonic,
        OF_HARMONIC,
        "dB",
        "one harmonic, re 1 V rms",
        "harmonic level of v(out) with harmonic 2, level 0.1",
    ),
    sine(
        "output level",
        OfSine::Output,
        BY_INPUT,
        "",
        "rms value for a sine, without DC; with `thd` where clipping begins",
        "output level of v(out) with thd 3 %",
    ),
    sine(
        "input level",
        OfSine::Input,
        BY_OUTPUT,
        "V",
        "peak at the source that brings an output, or a distortion: the onset of clipping",
        "input level of v(out) with thd 1 %",
    ),
    sine(
        "output power",
        OfSine::Power,
        BY_INPUT,
        "W",
        "power of a sine in a resistor, without DC",
        "output power of RLOAD with thd 10 %",
    ),
    sine(
        "intermodulation",
        OfSine::Intermodulation,
        OF_PAIR,
        "%",
        "second and third order of two tones (IEC 60268-3)",
        "intermodulation of v(out) with pair ccif, level 0.1",
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
