//! Faults as edits of a netlist's text.

use super::circuits::Dice;

/// A fault as an edit of a netlist's text.
#[derive(Debug, Clone)]
pub struct Fault {
    pub fault: String,
    pub element: String,
    pub text: String,
    /// A part of the valve's current, for a weak one.
    pub current: Option<(String, f64)>,
    /// Its value or lead, for the list of misses.
    pub note: String,
    /// The fault before it, of a pair.
    before: Option<String>,
}

impl Fault {
    /// Both of a pair, where this one was made after another.
    pub fn after(self, one: &Fault) -> Self {
        let before = Some(format!("{} {}", one.fault, one.element));
        Fault { before, ..self }
    }

    /// The names of all its faults.
    pub fn names(&self) -> Vec<String> {
        let own = format!("{} {}", self.fault, self.element);
        self.before.iter().cloned().chain([own]).collect()
    }
}

/// A netlist's lines as words.
fn lines(text: &str) -> Vec<Vec<String>> {
    let words = |l: &str| l.split_whitespace().map(str::to_string).collect();
    text.lines().map(words).collect()
}

fn joined(lines: &[Vec<String>]) -> String {
    lines.iter().map(|l| l.join(" ") + "\n").collect()
}

/// The leads of an X line, after its name.
fn pins(line: &[String]) -> usize {
    line[1..].iter().take_while(|w| !w.contains('=')).count() - 1
}

fn is_valve(line: &[String]) -> bool {
    line.first().is_some_and(|n| n.starts_with("XV"))
}

/// What holds a loose lead in the air.
const CUT: &str = "RCUT cut 0 1e12\n";

/// A random fault of a random part.
pub fn fault(text: &str, dice: &mut Dice) -> Option<Fault> {
    let mut all = lines(text);
    let parts: Vec<usize> = (1..all.len())
        .filter(|&k| all[k].len() > 2 && "RCXVD".contains(&all[k][0][..1]) && all[k][0] != "VIN")
        .collect();
    let k = parts[dice.roll(parts.len())];
    let name = all[k][0].clone();
    let more = |all: &[Vec<String>], line: String| {
        let mut text = joined(all);
        let end = text.find(".end").expect("an end");
        text.insert_str(end, &line);
        text
    };
    let mut current = None;
    let mut element = name.clone();
    let mut note = String::new();
    let value = |text: &str| gridleak::num::parse(text);
    let (fault, text) = match &name[..1] {
        "R" => {
            let ohms = value(&all[k][3])?;
            let mut wrong = "wrong value";
            let ohms = match dice.roll(7) {
                0 | 1 => {
                    wrong = "open";
                    1e12
                }
                2 => {
                    wrong = "short";
                    0.01
                }
                3 => ohms * 10.0,
                4 => ohms / 10.0,
                5 => {
                    // Two digits exchanged.
                    let decade = 10f64.powf(ohms.log10().floor() - 1.0);
                    let digits = (ohms / decade).round() as u32;
                    let other = (digits % 10) * 10 + digits / 10;
                    if other == digits || other < 10 {
                        return None;
                    }
                    f64::from(other) * decade
                }
                _ => {
                    let others: Vec<usize> = parts
                        .iter()
                        .copied()
                        .filter(|&j| all[j][0].starts_with('R') && j != k)
                        .collect();
                    let j = others[dice.roll(others.len())];
                    let other = all[j][3].clone();
                    if (value(&other)? / ohms).ln().abs() < 0.3 {
                        return None;
                    }
                    wrong = "interchanged";
                    element = if k < j {
                        format!("{name} {}", all[j][0])
                    } else {
                        format!("{} {name}", all[j][0])
                    };
                    all[j][3] = format!("{ohms:e}");
                    value(&other)?
                }
            };
            note = format!(" {}->{ohms:e}", all[k][3]);
            all[k][3] = format!("{ohms:e}");
            (wrong, joined(&all))
        }
        "C" => {
            let (a, b) = (all[k][1].clone(), all[k][2].clone());
            match dice.roll(3) {
                0 => ("short", more(&all, format!("RFAULT {a} {b} 0.01\n"))),
                _ => {
                    let ohms = 10f64.powf(4.0 + 3.0 * (0.5 + 0.5 * dice.symmetric()));
                    note = format!("={ohms:.2e}");
                    ("leaky", more(&all, format!("RFAULT {a} {b} {ohms:e}\n")))
                }
            }
        }
        "V" => {
            let volts = value(&all[k][3])?;
            let factor = [0.0, 0.5, 0.75, 1.3][dice.roll(4)];
            note = format!(" x{factor}");
            all[k][3] = format!("{:e}", volts * factor);
            ("supply", joined(&all))
        }
        "D" => {
            if dice.roll(2) == 0 {
                all[k][1] = "cut".to_string();
                ("open", more(&all, CUT.to_string()))
            } else {
                let line = format!("RFAULT {} {} 0.01\n", all[k][1], all[k][2]);
                ("short", more(&all, line))
            }
        }
        _ if all[k].iter().any(|w| w == "toggle") => {
            let open = all[k].iter().any(|w| w == "at=0");
            let last = all[k].len() - 1;
            all[k][last] = format!("at={}", u8::from(open));
            (if open { "short" } else { "open" }, joined(&all))
        }
        // Pots and transformers have joints; valves more.
        _ if !is_valve(&all[k]) => {
            let pin = 1 + dice.roll(pins(&all[k]));
            if all[k][pin] == "0" {
                return None;
            }
            note = format!(" pin {pin}");
            all[k][pin] = "cut".to_string();
            ("open", more(&all, CUT.to_string()))
        }
        _ => {
            let pins = pins(&all[k]);
            match dice.roll(8) {
                0 => {
                    all.remove(k);
                    ("dead", joined(&all))
                }
                1 => {
                    let part = 0.2 + 0.4 * (0.5 + 0.5 * dice.symmetric());
                    current = Some((name.clone(), part));
                    note = format!("={part:.2}");
                    ("weak", joined(&all))
                }
                2 | 3 => {
                    let pin = 1 + dice.roll(pins);
                    note = format!(" pin {pin}");
                    all[k][pin] = "cut".to_string();
                    ("open", more(&all, CUT.to_string()))
                }
                4 => {
                    let a = 1 + dice.roll(pins);
                    let b = 1 + dice.roll(pins);
                    if all[k][a] == all[k][b] {
                        return None;
                    }
                    note = format!(" pins {a} {b}");
                    let line = format!("RFAULT {} {} 0.05\n", all[k][a], all[k][b]);
                    ("short", more(&all, line))
                }
                5 => {
                    let grid = all[k][pins - 1].clone();
                    let micro = 0.5 + 10.0 * (0.5 + 0.5 * dice.symmetric());
                    note = format!("={micro:.1}u");
                    ("gassy", more(&all, format!("IFAULT 0 {grid} {micro}u\n")))
                }
                6 => {
                    // No heater: all sections of the bottle.
                    let bottle = name.trim_end_matches(['A', 'B']).to_string();
                    let before = all.len();
                    all.retain(|l| l.is_empty() || l[0].trim_end_matches(['A', 'B']) != bottle);
                    if before - all.len() < 2 {
                        return None;
                    }
                    element = bottle;
                    ("dead", joined(&all))
                }
                _ => {
                    // Another type's socket, all sections of both.
                    let of = |l: &[String]| l[0].trim_end_matches(['A', 'B']).to_string();
                    let mine = of(&all[k]);
                    let others: Vec<usize> = parts
                        .iter()
                        .copied()
                        .filter(|&j| is_valve(&all[j]) && of(&all[j]) != mine)
                        .collect();
                    if others.is_empty() {
                        return None;
                    }
                    let other = of(&all[others[dice.roll(others.len())]]);
                    let section = |of_bottle: &str| -> Vec<usize> {
                        let all = all.iter().enumerate();
                        let mine = all.filter(|(_, l)| is_valve(l) && of(l) == *of_bottle);
                        mine.map(|(k, _)| k).collect()
                    };
                    let (mut ours, mut theirs) = (section(&mine), section(&other));
                    if ours[0] > theirs[0] {
                        std::mem::swap(&mut ours, &mut theirs);
                    }
                    let alike = ours.len() == theirs.len()
                        && all[ours[0]].len() == all[theirs[0]].len()
                        && all[ours[0]].last() != all[theirs[0]].last();
                    if !alike {
                        return None;
                    }
                    element = format!("{} {}", of(&all[ours[0]]), of(&all[theirs[0]]));
                    for (&a, &b) in ours.iter().zip(&theirs) {
                        let (at, to) = (all[a].len() - 1, all[b].len() - 1);
                        let kind = std::mem::take(&mut all[a][at]);
                        all[a][at] = std::mem::replace(&mut all[b][to], kind);
                    }
                    ("wrong valve", joined(&all))
                }
            }
        }
    };
    Some(Fault {
        fault: fault.to_string(),
        element,
        text,
        current,
        note,
        before: None,
    })
}
