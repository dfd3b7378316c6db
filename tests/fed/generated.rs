//! Inputs made by rule: netlists, formulas, sheets and command lines by grammar, and real ones
//! spoilt.

use gridleak::figure::registry::QUANTITIES;
use proptest::prelude::*;
use proptest::sample::select;
use std::path::{Path, PathBuf};

/// Values that builders write, and the ends of what can be written.
pub const VALUES: &[&str] = &[
    "1k",
    "4k7",
    "2meg",
    "22n",
    "100p",
    "0.5",
    "1",
    "10",
    "0",
    "-1",
    "-0",
    "1e308",
    "1e-308",
    "5e-324",
    "1e999",
    "1e-999",
    "4.7.1",
    "1M",
    "1mil",
    "0k",
    "R47",
    "1e",
    ".",
    "",
    "NaN",
    "inf",
    "0x10",
    "1,5",
    "9999999999999999999999",
    "1µ",
    "é",
];

/// Names, some of them odd.
const NAMES: &[&str] = &[
    "a", "b", "c", "d", "0", "gnd", "A", "x1.a", "é", "1", "a.", ".a", "out", "\"", "p", "-", "^^",
];

fn value() -> impl Strategy<Value = String> + Clone {
    prop_oneof![
        // Circuits that stand are wanted too: most values are a builder's own.
        30 => select(&VALUES[..8]).prop_map(str::to_owned),
        3 => select(VALUES).prop_map(str::to_owned),
        1 => prop::num::f64::ANY.prop_map(|v| v.to_string()),
        1 => "[-+]?[0-9]{1,3}(\\.[0-9]{0,3})?(e-?[0-9]{1,2})?[a-zA-Z]{0,4}",
    ]
}

fn node() -> impl Strategy<Value = String> + Clone {
    prop_oneof![60 => select(&NAMES[..6]), 1 => select(NAMES)].prop_map(str::to_owned)
}

/// What numbers may look like.
pub fn number() -> impl Strategy<Value = String> {
    prop_oneof![
        value(),
        "[-+]?[0-9]{0,12}[kKmMuUnNpPfFgGtTrRµ]?[0-9]{0,6}[a-zA-ZΩ]{0,3}",
        "[-+]?[0-9.]{1,6}(e|E)[-+]?[0-9]{0,5}[a-z]{0,4}",
        "[-+.0-9eEkmMR ]{0,10}(V|mA|kHz|%| dB|Mohm|µs)?",
        "\\PC{0,12}",
    ]
}

/// Expressions of B sources; some deep, some with a slip.
pub fn formula() -> impl Strategy<Value = String> + Clone {
    let leaf = prop_oneof![
        12 => value(),
        12 => node().prop_map(|a| format!("v({a})")),
        6 => (node(), node()).prop_map(|(a, b)| format!("v({a},{b})")),
        6 => select(&["i(V1)", "pi", "e"][..]).prop_map(str::to_owned),
        1 => select(&["time", "", ")", "i(R1)", "v(a", "2*"][..]).prop_map(str::to_owned),
    ];
    leaf.prop_recursive(12, 60, 2, |inner| {
        let pair = (inner.clone(), inner.clone());
        prop_oneof![
            (pair, select(&["+", "-", "*", "/", "^", " + "][..]))
                .prop_map(|((a, b), o)| format!("{a}{o}{b}")),
            inner.clone().prop_map(|a| format!("({a})")),
            inner.clone().prop_map(|a| format!("-{a}")),
            (
                inner,
                select(
                    &[
                        "exp", "ln", "log", "sqrt", "u", "uramp", "acosh", "sinh", "tan", "abs"
                    ][..]
                )
            )
                .prop_map(|(a, f)| format!("{f}({a})")),
        ]
    })
}

/// A line of any kind; most are right.
fn statement() -> impl Strategy<Value = String> {
    let name = "[a-zA-Z0-9]{1,2}";
    let ends = (node(), node()).prop_map(|(a, b)| format!("{a} {b}"));
    let four = (node(), node(), node(), node()).prop_map(|(a, b, c, d)| format!("{a} {b} {c} {d}"));
    let wave = (
        select(&["SIN", "PULSE", "EXP", "PWL", "SFFM"][..]),
        prop::collection::vec(value(), 0..8),
    )
        .prop_map(|(w, v)| format!("{w}({})", v.join(" ")));
    const RIGHT: &[(&str, &str, usize)] = &[
        ("X", "12AX7", 3),
        ("X", "6V6GT", 4),
        ("X", "5AR4", 3),
        ("X", "POT", 3),
        ("X", "toggle", 2),
        ("X", "part", 2),
        ("D", "DX", 2),
        ("Q", "QX", 3),
        ("J", "JX", 3),
        ("M", "MX", 4),
        ("S", "SX", 4),
    ];
    const WRONG: &[(&str, &str, usize)] = &[("D", "QX", 2), ("X", "none", 2), ("Q", "QX", 2)];
    let model = prop_oneof![20 => select(RIGHT), 1 => select(WRONG)];
    let passive = select(&["R", "C", "L", "R", "C", "V", "I"][..]);
    let output = select(&["V", "I", "I", "I"][..]);
    prop_oneof![
        12 => (name, ends.clone(), value(), passive)
            .prop_map(|(n, e, v, k)| format!("{k}{n} {e} {v}")),
        3 => (name, ends.clone(), wave, output.clone())
            .prop_map(|(n, e, w, k)| format!("{k}{n} {e} DC 1 {w} AC 1")),
        5 => (name, ends.clone(), formula(), output)
            .prop_map(|(n, e, f, k)| format!("B{n} {e} {k}={f}")),
        3 => (name, four.clone(), value(), select(&["E", "G"][..]))
            .prop_map(|(n, e, v, k)| format!("{k}{n} {e} {v}")),
        1 => (name, four, prop::collection::vec(value(), 0..7), 0..4usize)
            .prop_map(|(n, e, v, order)| format!("E{n} {e} POLY({order}) a b {}", v.join(" "))),
        12 => (name, prop::collection::vec(node(), 4), model).prop_map(
            |(n, nodes, (k, m, count))| format!("{k}{n} {} {m}", nodes[..count].join(" "))
        ),
        1 => (ends, value()).prop_map(|(e, v)| format!("K1 L{e} {v}")),
        3 => control(),
    ]
}

fn control() -> impl Strategy<Value = String> {
    prop_oneof![
        (node(), value()).prop_map(|(a, v)| format!(".nodeset v({a})={v}")),
        (node(), value()).prop_map(|(a, v)| format!(".ic v({a})={v}")),
        value().prop_map(|v| format!(".temp {v}")),
        value().prop_map(|v| format!(".options temp={v} reltol={v}")),
        node().prop_map(|a| format!(".print tran v({a}) i(R1)")),
        (
            select(
                &[
                    "triode(mu",
                    "pot(r",
                    "d(is",
                    "npn(bf",
                    "njf(beta",
                    "sw(ron",
                    "zz(a"
                ][..]
            ),
            value()
        )
            .prop_map(|(k, v)| format!(".model own {k}={v})")),
        select(
            &[
                ".subckt part a b\nR1 a b 1k\n.ends",
                ".subckt part a b\nX1 a b part\n.ends",
                ".subckt other a",
                ".ends",
                ".end",
                ".include none.cir",
                ".plot tran v(a)",
                "+ 1k",
                "* a comment",
                ";",
                "",
                ".tran 1u 1m",
                ".dc V1 0 1 0.1",
            ][..]
        )
        .prop_map(str::to_owned),
    ]
}

/// Statements over a source and a load, with the models that they name.
pub fn netlist() -> impl Strategy<Value = String> {
    const MODELS: &str = ".model POT pot(r=1meg)\n.model DX d(is=1e-14)\n.model QX npn(bf=100)\n\
                          .model JX njf(vto=-2)\n.model MX nmos(vto=1)\n.model SX sw(ron=1)\n";
    const PART: &str = ".subckt part a b\nR1 a c 1k\nC1 c b 1n\nR2 c b 1k\n.ends\n";
    prop::collection::vec(statement(), 1..7).prop_map(|statements| {
        let statements = statements.join("\n");
        format!("made by rule\nV1 a 0 10\nRa a b 1k\nRb b 0 1k\nRc c 0 1k\nRd d 0 1k\n{statements}\n{MODELS}{PART}")
    })
}

/// `NAME=VALUE` lines for the circuit of `held::settings`.
pub fn settings() -> impl Strategy<Value = String> {
    let target = select(
        &[
            "R1",
            "r1",
            "C1",
            "VB",
            "I9",
            "XVOL",
            "VOL",
            "BRIGHT",
            "X1.R5",
            "X1.TONE",
            "X1.",
            ".",
            "XV1",
            "XV1.mu",
            "12AX7.mu",
            "A1M.r",
            "A1M.taper",
            "temperature",
            "DX.is",
            "B1",
            "X1",
            "R1.tc",
            "é",
            "D1.area",
        ][..],
    );
    let word = prop_oneof![
        3 => value(),
        1 => select(&["12AU7", "audio", "linear", "6V6GT", "on", "="][..]).prop_map(str::to_owned),
    ];
    let line = (target, word).prop_map(|(n, v)| format!("{n}={v}\n"));
    prop::collection::vec(line, 0..4).prop_map(|lines| lines.concat())
}

/// The registry's examples.
pub fn figures() -> Vec<String> {
    QUANTITIES.iter().map(|q| q.example.to_string()).collect()
}

/// A sheet of some blocks.
pub fn sheet() -> impl Strategy<Value = String> {
    let amount = prop_oneof![
        value().prop_map(|v| format!("'{v}'")),
        (
            value(),
            select(&["V", "%", "dB", "ohm", "Hz", "furlong"][..])
        )
            .prop_map(|(v, u)| format!("\"{v} {u}\"")),
        select(
            &[
                "1",
                "0.5",
                "-1e3",
                "true",
                "[]",
                "{}",
                "1979-05-27",
                "nan",
                "0xff",
                "{ '' = 1 }"
            ][..]
        )
        .prop_map(str::to_owned),
    ];
    let key = select(
        &[
            "value",
            "tolerance",
            "at-least",
            "at-most",
            "file",
            "mask",
            "bands",
            "envelope",
            "cases",
            "origin",
            "value",
            "tolerance",
            "odd",
        ][..],
    );
    let pairs = prop::collection::vec((key, amount.clone()), 0..4);
    let expect = (select(figures()), pairs).prop_map(|(figure, pairs)| {
        let pairs: Vec<String> = pairs.iter().map(|(k, v)| format!("{k} = {v}\n")).collect();
        format!("[[expect]]\nfigure = {figure:?}\n{}", pairs.concat())
    });
    let good = select(&["v(a)", "i(R1)", "v(a,b)"][..])
        .prop_map(|f| format!("[[expect]]\nfigure = '{f}' # c\ntolerance = '1 %'\n"));
    let vary = (
        select(&["R1", "VOL", "names", "'é.'"][..]),
        prop::collection::vec(amount, 0..4),
    )
        .prop_map(|(name, values)| format!("[[vary]]\n{name} = [{}]\n", values.join(", ")));
    let block = prop_oneof![
        2 => expect,
        3 => good,
        1 => vary,
        1 => Just("[[vary]]\nR1 = [1, 2]\n".to_owned()),
        1 => Just("[expect.value]\n'R1=1' = 5\n".to_owned()),
    ];
    prop::collection::vec(block, 0..5)
        .prop_map(|blocks| format!("netlist = 'a.cir'\n{}", blocks.concat()))
}

/// Rows of a knob's or curve's table.
pub fn table() -> impl Strategy<Value = String> {
    let row = prop_oneof![
        4 => (0..100u32, 0..11u32).prop_map(|(t, p)| format!("{t},{p}\n")),
        2 => (value(), value()).prop_map(|(t, p)| format!("{t},{p}\n")),
        1 => "[0-9,\" \\n\\r]{0,12}",
    ];
    let rising = prop::collection::vec((1..9u32, 0.0..10.0f64), 1..6).prop_map(|steps| {
        let mut at = 0;
        let row = |(step, y): (u32, f64)| {
            at += step;
            format!("{at},{y}\n")
        };
        steps.into_iter().map(row).collect::<String>()
    });
    let rows = prop::collection::vec(row, 0..6).prop_map(|rows| rows.concat());
    (
        select(
            &[
                "",
                "time_s,v(out)\n",
                "\u{feff}time_s,position\n",
                "a,b,c\n",
            ][..],
        ),
        prop_oneof![rows, rising],
    )
        .prop_map(|(head, rows)| format!("{head}{rows}"))
}

/// Sounds whose header is nearly always right, then changed here and there, cut or longer.
pub fn wav() -> impl Strategy<Value = Vec<u8>> {
    let form = select(
        &[
            (1u16, 8u16),
            (1, 16),
            (1, 24),
            (1, 32),
            (3, 32),
            (3, 64),
            (2, 4),
            (1, 12),
        ][..],
    );
    let rate = select(&[8000u32, 44_100, 768_000, 999, 0, u32::MAX][..]);
    let sound = prop::collection::vec(any::<u8>(), 0..64);
    let changed = prop::collection::vec((0..60usize, any::<u8>()), 0..2);
    const BETWEEN: &[&[u8]] = &[b"", b"LIST\x03\0\0\0abc\0", b"fact\x04\0\0\0abcd"];
    let between = select(BETWEEN);
    (form, rate, 0..4u16, sound, changed, between, -3..3i64).prop_map(
        |((tag, bits), rate, channels, mut sound, changed, between, off)| {
            let frame = channels * bits / 8;
            if frame > 0 {
                sound.truncate(sound.len() / usize::from(frame) * usize::from(frame));
            }
            let mut b = Vec::from(*b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0");
            b.extend(tag.to_le_bytes());
            b.extend(channels.to_le_bytes());
            b.extend(rate.to_le_bytes());
            b.extend(rate.wrapping_mul(u32::from(frame)).to_le_bytes());
            b.extend(frame.to_le_bytes());
            b.extend(bits.to_le_bytes());
            b.extend(between);
            b.extend(b"data");
            // Mostly the truth.
            let told = if off == 0 {
                sound.len() + 1
            } else {
                sound.len()
            };
            b.extend((told as u32).to_le_bytes());
            b.extend(sound);
            for (at, byte) in changed {
                if let Some(there) = b.get_mut(at) {
                    *there = byte;
                }
            }
            b
        },
    )
}

/// A command with some of its own options, one argument a line.
pub fn arguments() -> impl Strategy<Value = String> {
    let words = select(
        &[
            "a.cir",
            "a.wav",
            "a.csv",
            "a.sheet.toml",
            "b.out",
            "-",
            "",
            "1k",
            "0",
            "-1",
            "1e-3",
            "1e999",
            "nan",
            "V1",
            "R1",
            "p",
            "v(p)",
            "v(",
            "R1=1k",
            "VOL=5",
            "VOL=99",
            "VOL=a.csv",
            "0.1..1/4",
            "1..1/0",
            "1/0",
            "a,b",
            ",",
            "open,1k",
            "gain of v(p)",
            "v(p)=1",
            "é",
            "=",
            "..",
            "0..1/999999999999",
            "1000,1100",
            "float32",
        ][..],
    );
    let commands: Vec<(String, Vec<(String, bool)>)> = gridleak::cli::command_line()
        .get_subcommands()
        .map(|command| {
            let options = command.get_arguments().filter_map(|option| {
                let long = option.get_long()?;
                Some((format!("--{long}"), option.get_action().takes_values()))
            });
            (command.get_name().to_string(), options.collect())
        })
        .collect();
    let options = (0..1000usize, words.clone());
    (
        select(commands),
        words,
        prop::collection::vec(options, 0..6),
        0..5u8,
    )
        .prop_map(|((command, known), netlist, options, odd)| {
            let netlist = match (odd, command.as_str()) {
                (0, _) => netlist,
                (_, "check") => "a.sheet.toml",
                _ => "a.cir",
            };
            // What a command cannot do without, or nearly all would end there.
            let needs: &[&str] = match (odd, command.as_str()) {
                (0, _) => &[],
                (_, "feedback") => &["--element", "R1", "--values", "open,1k", "--probe", "v(p)"],
                (_, "vary") => &["--vary", "R1=1k,2k", "--figure", "v(p)"],
                (_, "spread") => &["--runs", "2", "--figure", "v(p)"],
                (_, "scope") => &["--stop", "1m", "--step", "10u"],
                (_, "distortion") => &["--level", "0.1", "--source", "V1", "--probe", "v(p)"],
                (_, "noise") => &["--probe", "v(p)"],
                (_, "response") => &["--source", "V1"],
                (_, "draw" | "book" | "listen") => &["--out", "b.out"],
                _ => &[],
            };
            let mut all = vec![command, netlist.to_owned()];
            all.extend(needs.iter().map(|n| n.to_string()));
            for (k, value) in options.into_iter().filter(|_| !known.is_empty()) {
                let (name, takes) = &known[k % known.len()];
                all.push(name.clone());
                // One flag in a few is given a value, too.
                if *takes || k > 900 {
                    all.push(value.to_owned());
                }
            }
            all.join("\n")
        })
}

/// Texts of this kind in the repository, with those that they include.
pub fn real(extension: &str) -> Vec<String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut paths = Vec::new();
    for folder in [
        "netlists/lapwing",
        "netlists/textbook",
        "tests/diagnostics",
        "tests/sheets",
        "tests/diagnostics_circuit",
    ] {
        let entries = std::fs::read_dir(root.join(folder)).expect("a folder");
        paths.extend(entries.map(|e| e.expect("an entry").path()));
    }
    paths.retain(|p: &PathBuf| p.to_string_lossy().ends_with(extension));
    paths.sort();
    assert!(paths.len() > 5, "{paths:?}");
    let read = |p: &PathBuf| std::fs::read_to_string(p).expect("a text");
    paths
        .iter()
        .map(|path| {
            let mut text = read(path);
            if text.contains("\n.include") && path.starts_with(root.join("netlists")) {
                for part in ["parts.cir", "power_parts.cir"] {
                    let part_text = read(&path.with_file_name(part));
                    text += &format!("\u{c}{part}\n{part_text}");
                }
            }
            text
        })
        .collect()
}

/// What is done to a text; places are parts of its length.
#[derive(Debug, Clone)]
enum Harm {
    DropLine(f64),
    DoubleLine(f64),
    SwapLines(f64, f64),
    Cut(f64),
    Number(f64, String),
    Insert(f64, String),
    Drop(f64, usize),
}

/// One of the texts with a few lines dropped, doubled, swapped, numbers replaced, pieces put in
/// or taken out, or its end cut off.
pub fn spoilt(texts: Vec<String>) -> impl Strategy<Value = String> {
    let place = || 0.0..1.0f64;
    let piece = prop_oneof![
        select(
            &[
                "(",
                ")",
                "=",
                ",",
                ";",
                "\n+",
                "\n",
                "*",
                "\"",
                "'",
                "[",
                "]]",
                "\r",
                "{",
                "\u{9b}",
                "é",
                "\t",
                "\0",
                ".ends\n",
                ".subckt a b\n",
                "POLY(2)",
                "[[vary]]\n",
                " with ",
                " of "
            ][..]
        )
        .prop_map(str::to_owned),
        value(),
    ];
    let harm = prop_oneof![
        2 => place().prop_map(Harm::DropLine),
        2 => place().prop_map(Harm::DoubleLine),
        1 => (place(), place()).prop_map(|(a, b)| Harm::SwapLines(a, b)),
        1 => place().prop_map(Harm::Cut),
        4 => (place(), value()).prop_map(|(a, v)| Harm::Number(a, v)),
        3 => (place(), piece).prop_map(|(a, p)| Harm::Insert(a, p)),
        2 => (place(), 1..6usize).prop_map(|(a, n)| Harm::Drop(a, n)),
    ];
    (select(texts), prop::collection::vec(harm, 1..4))
        .prop_map(|(text, harms)| harms.iter().fold(text, |text, harm| harmed(&text, harm)))
}

fn harmed(text: &str, harm: &Harm) -> String {
    let mut lines: Vec<&str> = text.split_inclusive('\n').collect();
    let line = |at: f64| (at * lines.len() as f64) as usize;
    let chars: Vec<char> = text.chars().collect();
    let char_at = |at: f64| (at * chars.len() as f64) as usize;
    match harm {
        _ if lines.is_empty() => String::new(),
        Harm::DropLine(at) => {
            lines.remove(line(*at));
            lines.concat()
        }
        Harm::DoubleLine(at) => {
            let k = line(*at);
            lines.insert(k, lines[k]);
            lines.concat()
        }
        Harm::SwapLines(a, b) => {
            let (a, b) = (line(*a), line(*b));
            lines.swap(a, b);
            lines.concat()
        }
        Harm::Cut(at) => chars[..char_at(*at)].iter().collect(),
        Harm::Number(at, value) => number_replaced(&chars, char_at(*at), value),
        Harm::Insert(at, piece) => {
            let (before, after) = chars.split_at(char_at(*at));
            before
                .iter()
                .copied()
                .chain(piece.chars())
                .chain(after.iter().copied())
                .collect()
        }
        Harm::Drop(at, count) => {
            let from = char_at(*at);
            let to = (from + count).min(chars.len());
            chars[..from].iter().chain(&chars[to..]).collect()
        }
    }
}

/// The next word from a place on that begins with a digit gives way to another.
fn number_replaced(chars: &[char], from: usize, value: &str) -> String {
    let begins =
        |k: &usize| chars[*k].is_ascii_digit() && (*k == 0 || !chars[*k - 1].is_alphanumeric());
    let Some(start) = (from..chars.len()).find(begins) else {
        return chars.iter().collect();
    };
    let in_word = |c: &&char| c.is_alphanumeric() || **c == '.';
    let end = start + chars[start..].iter().take_while(in_word).count();
    let (before, after) = (&chars[..start], &chars[end..]);
    before
        .iter()
        .copied()
        .chain(value.chars())
        .chain(after.iter().copied())
        .collect()
}
