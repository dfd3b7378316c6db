//! Valves as they are bought: how many sections a bottle has, its base, pins and heater.
//!
//! Sources (read: RCA 12AX7-A, 1960; GE ET-T1440, 12AT7, 1957; Philips ECC82, 1959; Radiotron
//! 6V6-GT, 1944; Philips EL84, 1957; Sylvania 7591, 1961; Philips E88CC, 1968; Mazda EZ80, 1963;
//! all others from memory, the makers' sheets not seen). Sections of a double triode are alike:
//! which of them is called A is the builder's choice.

/// What a pin leads to.
pub type Pin = (&'static str, &'static str);

/// A type of valve.
#[derive(Debug, Clone, Copy)]
pub struct Bottle {
    /// Its names, the usual one first.
    pub names: &'static [&'static str],
    /// Its base as a socket is ordered by.
    pub socket: &'static str,
    /// Electrodes and pins of each section.
    pub sections: &'static [&'static [Pin]],
    /// Heater: pins, volts, amperes.
    pub heater: (&'static str, f64, f64),
}

const NOVAL: &str = "noval (B9A)";
const OCTAL: &str = "octal";
const MINI7: &str = "miniature 7-pin (B7G)";

const NINE_A: &[&[Pin]] = &[
    &[("plate", "1"), ("grid", "2"), ("cathode", "3")],
    &[("plate", "6"), ("grid", "7"), ("cathode", "8")],
];
const EIGHT_BD: &[&[Pin]] = &[
    &[("plate", "2"), ("grid", "1"), ("cathode", "3")],
    &[("plate", "5"), ("grid", "4"), ("cathode", "6")],
];
const SEVEN_AC: &[&[Pin]] = &[&[
    ("plate", "3"),
    ("screen", "4"),
    ("grid", "5"),
    ("cathode", "8"),
]];
const OCTAL_RECTIFIER: &[&[Pin]] = &[&[("plate1", "6"), ("plate2", "4"), ("cathode", "8")]];

/// A double triode with the heater of the 12AX7, in series over 4-5 or in parallel to 9.
const fn double(names: &'static [&'static str], amperes: f64) -> Bottle {
    Bottle {
        names,
        socket: NOVAL,
        sections: NINE_A,
        heater: ("4+5, 9", 6.3, amperes),
    }
}

const fn one(
    names: &'static [&'static str],
    socket: &'static str,
    sections: &'static [&'static [Pin]],
    heater: (&'static str, f64, f64),
) -> Bottle {
    Bottle {
        names,
        socket,
        sections,
        heater,
    }
}

const BOTTLES: &[Bottle] = &[
    double(&["12AX7", "ECC83", "12AX7A", "7025"], 0.3),
    double(&["12AT7", "ECC81"], 0.3),
    double(&["12AU7", "ECC82", "12AU7A"], 0.3),
    double(&["12AY7", "6072"], 0.3),
    double(&["5751"], 0.35),
    double(&["12BH7A", "12BH7"], 0.6),
    double(&["ECC99"], 0.8),
    one(&["6DJ8", "ECC88"], NOVAL, NINE_A, ("4-5", 6.3, 0.365)),
    one(&["E88CC", "6922"], NOVAL, NINE_A, ("4-5", 6.3, 0.3)),
    one(&["6CG7", "6FQ7"], NOVAL, NINE_A, ("4-5", 6.3, 0.6)),
    one(&["6N1P"], NOVAL, NINE_A, ("4-5", 6.3, 0.6)),
    one(&["6N2P"], NOVAL, NINE_A, ("4-5", 6.3, 0.34)),
    one(
        &["6SN7GTB", "6SN7", "6SN7GT"],
        OCTAL,
        EIGHT_BD,
        ("7-8", 6.3, 0.6),
    ),
    one(&["6SL7GT", "6SL7"], OCTAL, EIGHT_BD, ("7-8", 6.3, 0.3)),
    one(&["6V6GT", "6V6"], OCTAL, SEVEN_AC, ("2-7", 6.3, 0.45)),
    one(&["6L6GC", "6L6"], OCTAL, SEVEN_AC, ("2-7", 6.3, 0.9)),
    one(&["5881"], OCTAL, SEVEN_AC, ("2-7", 6.3, 0.9)),
    one(&["KT66"], OCTAL, SEVEN_AC, ("2-7", 6.3, 1.27)),
    one(&["EL34", "6CA7"], OCTAL, SEVEN_AC, ("2-7", 6.3, 1.5)),
    one(&["6550"], OCTAL, SEVEN_AC, ("2-7", 6.3, 1.6)),
    one(&["KT88"], OCTAL, SEVEN_AC, ("2-7", 6.3, 1.6)),
    one(&["6K6GT"], OCTAL, SEVEN_AC, ("2-7", 6.3, 0.4)),
    one(
        &["EL84", "6BQ5"],
        NOVAL,
        &[&[
            ("plate", "7"),
            ("screen", "9"),
            ("grid", "2"),
            ("cathode", "3"),
        ]],
        ("4-5", 6.3, 0.76),
    ),
    one(
        &["EF86", "6267"],
        NOVAL,
        &[&[
            ("plate", "6"),
            ("screen", "1"),
            ("grid", "9"),
            ("cathode", "3"),
        ]],
        ("4-5", 6.3, 0.2),
    ),
    one(
        &["6AU6"],
        MINI7,
        &[&[
            ("plate", "5"),
            ("screen", "6"),
            ("grid", "1"),
            ("cathode", "7"),
        ]],
        ("3-4", 6.3, 0.3),
    ),
    one(
        &["6AQ5"],
        MINI7,
        &[&[
            ("plate", "5"),
            ("screen", "6"),
            ("grid", "1"),
            ("cathode", "2"),
        ]],
        ("3-4", 6.3, 0.45),
    ),
    one(
        &["7591"],
        OCTAL,
        &[&[
            ("plate", "3"),
            ("screen", "4"),
            ("grid", "6"),
            ("cathode", "5"),
        ]],
        ("2-7", 6.3, 0.8),
    ),
    one(&["5AR4", "GZ34"], OCTAL, OCTAL_RECTIFIER, ("2-8", 5.0, 1.9)),
    one(&["5V4G", "GZ32"], OCTAL, OCTAL_RECTIFIER, ("2-8", 5.0, 2.0)),
    one(&["5Y3GT", "5Y3"], OCTAL, OCTAL_RECTIFIER, ("2-8", 5.0, 2.0)),
    one(&["5U4GB", "5U4"], OCTAL, OCTAL_RECTIFIER, ("2-8", 5.0, 3.0)),
    one(
        &["EZ81", "6CA4"],
        NOVAL,
        &[&[("plate1", "1"), ("plate2", "7"), ("cathode", "3")]],
        ("4-5", 6.3, 1.0),
    ),
    one(
        &["EZ80", "6V4"],
        NOVAL,
        &[&[("plate1", "7"), ("plate2", "1"), ("cathode", "3")]],
        ("4-5", 6.3, 0.6),
    ),
];

/// The bottle of a model's name: `12AX7`, `ECC83`, or one with a tail of its own such as
/// `12AX7_1996`.
pub fn bottle(model: &str) -> Option<&'static Bottle> {
    let stem = model.split('_').next().unwrap_or(model);
    let named = |b: &&Bottle| b.names.iter().any(|n| n.eq_ignore_ascii_case(stem));
    BOTTLES.iter().find(named)
}

/// The bottle that a section is in, by its name: `XV1A` and `XV1B` are in `V1`; `X1.XV2` in
/// `X1.V2`. A single letter A to C after a digit is a section's.
pub fn of_section(name: &str) -> String {
    let (path, own) = name.split_at(name.rfind('.').map_or(0, |dot| dot + 1));
    let own = own
        .strip_prefix(['X', 'x'])
        .filter(|rest| !rest.is_empty())
        .unwrap_or(own);
    let mut letters = own.chars().rev();
    let last = letters
        .next()
        .is_some_and(|c| matches!(c.to_ascii_uppercase(), 'A'..='C'));
    let stem = match last && letters.next().is_some_and(|c| c.is_ascii_digit()) {
        true => &own[..own.len() - 1],
        false => own,
    };
    format!("{path}{stem}").to_uppercase()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sections_find_their_bottle_by_name() {
        for (name, expected) in [
            ("XV1A", "V1"),
            ("xv1b", "V1"),
            ("XV4", "V4"),
            ("X1.XV2A", "X1.V2"),
            ("XBETA", "BETA"),
            ("X1A", "1"),
        ] {
            assert_eq!(of_section(name), expected, "{name}");
        }
    }

    #[test]
    fn types_are_known_by_all_their_names() {
        assert_eq!(bottle("ecc83").unwrap().names[0], "12AX7");
        assert_eq!(bottle("12AX7_1996").unwrap().sections.len(), 2);
        assert!(bottle("MYOWN").is_none());
    }
}
