//! One amplifier after the other gets a fault, hidden tolerances and a meter, and is judged.

use super::circuits::{Dice, amplifier};
use gridleak::analysis::operating_point::{self, near};
use gridleak::circuit::params::Overrides;
use gridleak::circuit::read::Draft;
use gridleak::circuit::{Circuit, Node};
use gridleak::faults::diagnosis::{Answer, Case, Diagnosis};
use gridleak::faults::rank::Meter;
use gridleak::faults::readings;
use gridleak::system::assemble::{Assembly, SourceState};
use gridleak::tolerance::change::Drawn;
use gridleak::tolerance::list::{Target, Variables};

const METER: Meter = Meter {
    ohms: 10e6,
    accuracy: 0.01,
};

/// A netlist as a circuit, wired as it may be.
pub fn built(text: &str) -> Option<Circuit> {
    let built = Draft::text(text).build_unwired(&Overrides::default());
    let mut circuit = built.ok()?.circuit;
    circuit.ledger = None;
    Some(circuit)
}

/// The points of a circuit that can be measured.
pub fn points(circuit: &Circuit) -> Vec<(String, Node)> {
    let nodes = circuit.nodes.iter().enumerate().skip(1);
    nodes
        .filter(|(_, n)| !n.inner && !n.name.starts_with("cut"))
        .map(|(k, n)| (n.name.clone(), Node(k)))
        .collect()
}

/// What a meter shows at each point of the sound amplifier, V, or one reading at a time of a
/// circuit with hidden values; none if there is no solution.
fn measured(circuit: &mut Circuit, points: &[(String, Node)], ohms: f64) -> Option<Vec<f64>> {
    let start = {
        let (point, _) = operating_point::dc(circuit).ok()?;
        point.x
    };
    points
        .iter()
        .map(|(_, node)| {
            circuit.join(*node, Node::GROUND, ohms);
            let mut assembly = Assembly::new(circuit);
            let found = near(&mut assembly, SourceState::DC, &start);
            drop(assembly);
            circuit.part();
            found.ok().map(|p| p.x[node.0 - 1])
        })
        .collect()
}

/// Three digits as a meter of 2000 counts shows them.
fn shown(value: f64) -> String {
    match value.abs() {
        v if v < 1.9995 => format!("{value:.3}"),
        v if v < 19.995 => format!("{value:.2}"),
        v if v < 199.95 => format!("{value:.1}"),
        _ => format!("{value:.0}"),
    }
}

/// The readings of an amplifier as its netlist has it, at every node.
pub fn sound(text: &str) -> String {
    let mut circuit = built(text).expect("a circuit");
    let points = points(&circuit);
    let volts = measured(&mut circuit, &points, METER.ohms).expect("a solution");
    let rows = points.iter().zip(volts);
    let rows = rows.map(|((name, _), v)| format!("v({name}),{}\n", shown(v)));
    format!("probe,value\n{}", rows.collect::<String>())
}

/// A fault as an edit of a netlist's text.
#[derive(Debug, Clone)]
pub struct Fault {
    pub fault: String,
    pub element: String,
    pub text: String,
    /// A part of the valve's current, for a weak one.
    pub current: Option<(String, f64)>,
}

/// A netlist's lines as words.
fn lines(text: &str) -> Vec<Vec<String>> {
    let words = |l: &str| l.split_whitespace().map(str::to_string).collect();
    text.lines().map(words).collect()
}

fn joined(lines: &[Vec<String>]) -> String {
    lines.iter().map(|l| l.join(" ") + "\n").collect()
}

/// A random fault of a random part.
pub fn fault(text: &str, dice: &mut Dice) -> Option<Fault> {
    let mut all = lines(text);
    let parts: Vec<usize> = (1..all.len())
        .filter(|&k| all[k].len() > 2 && "RCXV".contains(&all[k][0][..1]) && all[k][0] != "VIN")
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
            all[k][3] = format!("{ohms:e}");
            (wrong, joined(&all))
        }
        "C" => {
            let (a, b) = (all[k][1].clone(), all[k][2].clone());
            match dice.roll(3) {
                0 => ("short", more(&all, format!("RFAULT {a} {b} 0.01\n"))),
                _ => {
                    let ohms = 10f64.powf(4.0 + 3.0 * (0.5 + 0.5 * dice.symmetric()));
                    ("leaky", more(&all, format!("RFAULT {a} {b} {ohms:e}\n")))
                }
            }
        }
        "V" => {
            let volts = value(&all[k][3])?;
            let factor = [0.0, 0.5, 0.75, 1.3][dice.roll(4)];
            all[k][3] = format!("{:e}", volts * factor);
            ("supply", joined(&all))
        }
        _ if name.starts_with("XP") => {
            let pin = 1 + dice.roll(3);
            all[k][pin] = "cut".to_string();
            ("open", more(&all, "RCUT cut 0 1e12\n".to_string()))
        }
        _ => {
            let pins = all[k].len() - 2;
            match dice.roll(6) {
                0 => {
                    all.remove(k);
                    ("dead", joined(&all))
                }
                1 => {
                    let part = 0.2 + 0.4 * (0.5 + 0.5 * dice.symmetric());
                    current = Some((name.clone(), part));
                    ("weak", joined(&all))
                }
                2 | 3 => {
                    let pin = 1 + dice.roll(pins);
                    all[k][pin] = "cut".to_string();
                    ("open", more(&all, "RCUT cut 0 1e12\n".to_string()))
                }
                4 => {
                    let a = 1 + dice.roll(pins);
                    let b = 1 + dice.roll(pins);
                    if all[k][a] == all[k][b] {
                        return None;
                    }
                    let line = format!("RFAULT {} {} 0.05\n", all[k][a], all[k][b]);
                    ("short", more(&all, line))
                }
                _ => {
                    let grid = all[k][pins - 1].clone();
                    let micro = 0.5 + 10.0 * (0.5 + 0.5 * dice.symmetric());
                    ("gassy", more(&all, format!("IFAULT 0 {grid} {micro}u\n")))
                }
            }
        }
    };
    Some(Fault {
        fault: fault.to_string(),
        element,
        text,
        current,
    })
}

/// Readings of an amplifier with hidden values, by a meter that is off; none without a solution.
pub fn readings(fault: Option<&Fault>, text: &str, dice: &mut Dice) -> Option<String> {
    let mut circuit = built(fault.map_or(text, |f| &f.text))?;
    let (real, asked) = (Variables::of(&circuit, &[]).ok()?, points(&built(text)?));
    let mut values = real.nominal();
    for (value, variable) in values.iter_mut().zip(&real.all) {
        // A part that was put in as a fault is what it is.
        if variable.name.starts_with("RFAULT") || variable.name.starts_with("RCUT") {
            continue;
        }
        let off = dice.symmetric();
        *value += if off < 0.0 {
            -off * variable.range.low
        } else {
            off * variable.range.high
        };
        if let Some((name, part)) = fault.and_then(|f| f.current.as_ref())
            && variable.target == Target::Current
            && variable.name.starts_with(name.as_str())
        {
            *value = *part;
        }
    }
    let drawn = Drawn::of(&circuit, &real);
    drawn.put(&mut circuit, &real, &values);
    let mut points: Vec<(String, Node)> = Vec::new();
    for (name, _) in asked {
        points.push((name.clone(), circuit.node(&name)?));
    }
    while points.len() > 18 {
        let k = dice.roll(points.len());
        points.remove(k);
    }
    let volts = measured(&mut circuit, &points, METER.ohms)?;
    let scale = 1.0 + 0.005 * dice.symmetric();
    let rows = points.iter().zip(volts).map(|((name, _), v)| {
        let off = scale * (1.0 + 0.005 * dice.symmetric());
        format!("v({name}),{}\n", shown(v * off))
    });
    Some(format!("probe,value\n{}", rows.collect::<String>()))
}

/// Judges readings.
pub fn judged(text: &str, table: &str) -> Diagnosis {
    let circuit = built(text).expect("a circuit");
    let variables = Variables::of(&circuit, &[]).expect("variables");
    let list = readings::read(table, &circuit).expect("readings");
    let mut case = Case::new(circuit, variables, METER).expect("a solution");
    let done = case.diagnose(&list, &mut |_, _| Ok::<(), ()>(()));
    done.expect("never broken off")
}

/// What came out.
#[derive(Debug, Default)]
pub struct Outcome {
    pub faults: usize,
    pub leaders: usize,
    pub firsts: usize,
    pub threes: usize,
    pub invisible: usize,
    pub amplifiers: usize,
    pub sounds: usize,
    pub missed: Vec<String>,
    /// First answers by the tenth of their probability: how many, right ones, sum of it.
    pub sure: [(usize, usize, f64); 10],
}

fn share(part: usize, whole: usize) -> f64 {
    part as f64 / whole.max(1) as f64
}

impl Outcome {
    pub fn first(&self) -> f64 {
        share(self.firsts, self.faults)
    }

    pub fn three(&self) -> f64 {
        share(self.threes, self.faults)
    }

    pub fn sound(&self) -> f64 {
        share(self.sounds, self.amplifiers)
    }

    pub fn text(&self) -> String {
        let mut text = format!(
            "{} faults: first {:.1} % (named itself {:.1} %), among three {:.1} %; {} that do not \
             show left out\n{} sound amplifiers: called sound {:.1} %\n",
            self.faults,
            100.0 * self.first(),
            100.0 * share(self.leaders, self.faults),
            100.0 * self.three(),
            self.invisible,
            self.amplifiers,
            100.0 * self.sound()
        );
        for (n, right, sum) in self.sure.iter().filter(|s| s.0 > 0) {
            text += &format!(
                "  said {:.2}: right {:.2} of {n}\n",
                sum / *n as f64,
                share(*right, *n)
            );
        }
        text + &self.missed.join("\n")
    }

    /// How sure the answers were against how often they were right, as a picture.
    pub fn picture(&self) -> String {
        use gridleak::report::svg::{Svg, length};
        let style =
            "text { font: 12px sans-serif } line { stroke: #bbb } circle { fill: #1f5fa8 }\n";
        let mut svg = Svg::new(460.0, 470.0, "How often the first answer is right", style);
        let place = |p: f64, up: bool| {
            if up {
                420.0 - 380.0 * p
            } else {
                50.0 + 380.0 * p
            }
        };
        let mut text = |x: f64, y: f64, words: &str| {
            svg.with_text("text", &[("x", &length(x)), ("y", &length(y))], words);
        };
        text(
            50.0,
            24.0,
            "How often the first answer is right (circles: number of cases)",
        );
        for tenth in 0..=5 {
            let p = f64::from(tenth) / 5.0;
            text(place(p, false) - 8.0, 440.0, &format!("{p:.1}"));
            text(20.0, place(p, true) + 4.0, &format!("{p:.1}"));
        }
        text(190.0, 460.0, "probability said");
        let corner = |p: f64| (length(place(p, false)), length(place(p, true)));
        let ((x1, y1), (x2, y2)) = (corner(0.0), corner(1.0));
        svg.element(
            "line",
            &[("x1", &x1), ("y1", &y1), ("x2", &x2), ("y2", &y2)],
        );
        for (n, right, sum) in self.sure.iter().filter(|s| s.0 > 0) {
            let x = length(place(sum / *n as f64, false));
            let y = length(place(share(*right, *n), true));
            let r = length(3.0 + (*n as f64).sqrt());
            svg.element("circle", &[("cx", &x), ("cy", &y), ("r", &r)]);
        }
        svg.finish()
    }

    fn enter(&mut self, answer: &Answer, right: bool) {
        let tenth = ((answer.probability * 10.0) as usize).min(9);
        let cell = &mut self.sure[tenth];
        *cell = (
            cell.0 + 1,
            cell.1 + usize::from(right),
            cell.2 + answer.probability,
        );
    }
}

fn is(answer: &Answer, fault: &Fault) -> bool {
    answer.causes.iter().any(|c| {
        let bottle =
            c.fault == "dead" && fault.fault == "dead" && fault.element.starts_with(&c.element);
        c.fault == fault.fault && c.element == fault.element && !c.element.is_empty()
            || bottle && c.element == fault.element
    })
}

/// Whether some reading of the faulty amplifier as drawn is off by more than tolerances explain:
/// beyond every one of a number of sound amplifiers, and by a fifth of their range.
fn shows(text: &str, fault: &Fault, dice: &mut Dice) -> Option<bool> {
    let mut circuit = built(&fault.text)?;
    if let Some((name, part)) = &fault.current {
        let real = Variables::of(&circuit, &[]).ok()?;
        let mut values = real.nominal();
        for (value, v) in values.iter_mut().zip(&real.all) {
            if v.target == Target::Current && v.name.starts_with(name.as_str()) {
                *value = *part;
            }
        }
        Drawn::of(&circuit, &real).put(&mut circuit, &real, &values);
    }
    let points: Vec<(String, Node)> = points(&built(text)?)
        .into_iter()
        .filter_map(|(name, _)| circuit.node(&name).map(|n| (name, n)))
        .collect();
    let faulty = measured(&mut circuit, &points, METER.ohms)?;
    let mut low = vec![f64::INFINITY; points.len()];
    let mut high = vec![f64::NEG_INFINITY; points.len()];
    for _ in 0..12 {
        let mut sound = built(text)?;
        let real = Variables::of(&sound, &[]).ok()?;
        let mut values = real.nominal();
        for (value, v) in values.iter_mut().zip(&real.all) {
            let off = dice.symmetric();
            *value += if off < 0.0 {
                -off * v.range.low
            } else {
                off * v.range.high
            };
        }
        Drawn::of(&sound, &real).put(&mut sound, &real, &values);
        let names: Vec<(String, Node)> = points
            .iter()
            .map(|(n, _)| (n.clone(), sound.node(n).expect("a node")))
            .collect();
        let x = operating_point::dc(&sound).ok()?.0.x;
        for (k, (_, node)) in names.iter().enumerate() {
            low[k] = low[k].min(x[node.0 - 1]);
            high[k] = high[k].max(x[node.0 - 1]);
        }
    }
    Some((0..points.len()).any(|k| {
        let room = 0.2 * (high[k] - low[k]) + 0.01 * faulty[k].abs() + 0.02;
        faulty[k] > high[k] + room || faulty[k] < low[k] - room
    }))
}

/// So many amplifiers with a fault, and a fifth as many without.
pub fn run(seed: u64, count: usize) -> Outcome {
    let mut outcome = Outcome::default();
    let mut dice = Dice::new(seed);
    let mut number = seed * 1000;
    while outcome.faults < count {
        number += 1;
        let text = amplifier(number);
        let Some(fault) = fault(&text, &mut dice) else {
            continue;
        };
        match shows(&text, &fault, &mut dice) {
            Some(true) => {}
            Some(false) => {
                outcome.invisible += 1;
                continue;
            }
            None => continue,
        }
        let Some(table) = readings(Some(&fault), &text, &mut dice) else {
            continue;
        };
        let found = judged(&text, &table);
        outcome.faults += 1;
        if count > 20 {
            eprintln!("{} of {count}", outcome.faults);
        }
        let place = found.answers.iter().position(|a| is(a, &fault));
        outcome.leaders += usize::from(
            place == Some(0) && {
                let leader = &found.answers[0].causes[0];
                (leader.fault.as_str(), leader.element.as_str()) == (&fault.fault, &fault.element)
            },
        );
        outcome.firsts += usize::from(place == Some(0));
        outcome.threes += usize::from(place.is_some_and(|p| p < 3));
        outcome.enter(&found.answers[0], place == Some(0));
        if place != Some(0) {
            let answers = found.answers.iter().take(3).map(|a| {
                format!(
                    "{} {:.3} ({:.1})",
                    a.causes[0].name(),
                    a.probability,
                    a.misfit
                )
            });
            outcome.missed.push(format!(
                "  amplifier {number}: {} {} at {place:?}; {}",
                fault.fault,
                fault.element,
                answers.collect::<Vec<_>>().join(", ")
            ));
        }
        if outcome.faults.is_multiple_of(5)
            && let Some(table) = readings(None, &text, &mut dice)
        {
            let found = judged(&text, &table);
            outcome.amplifiers += 1;
            outcome.sounds += usize::from(found.is_sound());
            outcome.enter(&found.answers[0], found.is_sound());
            if !found.is_sound() {
                outcome.missed.push(format!(
                    "  amplifier {number}, sound: {} {:.2} ({:.1})",
                    found.answers[0].causes[0].name(),
                    found.answers[0].probability,
                    found.answers[0].misfit
                ));
            }
        }
    }
    outcome
}

/// Pairs of faults on amplifiers of at least two stages: both named within the first three answers,
/// and how many there were.
pub fn pairs(seed: u64, count: usize) -> (usize, usize, String) {
    let mut dice = Dice::new(seed);
    let (mut found, mut tried, mut number) = (0, 0, seed * 1000);
    let mut missed = String::new();
    while tried < count {
        number += 1;
        let text = amplifier(number);
        let Some(one) = fault(&text, &mut dice) else {
            continue;
        };
        if one.current.is_some() || shows(&text, &one, &mut dice) != Some(true) {
            continue;
        }
        let Some(both) = fault(&one.text, &mut dice) else {
            continue;
        };
        let fresh = !both.element.contains(&one.element)
            && both.current.is_none()
            && !["RFAULT", "RCUT", "IFAULT"]
                .iter()
                .any(|n| both.element.contains(n));
        if !fresh || shows(&one.text, &both, &mut dice) != Some(true) {
            continue;
        }
        let Some(table) = readings(Some(&both), &text, &mut dice) else {
            continue;
        };
        let judged = judged(&text, &table);
        tried += 1;
        let named = |f: &Fault| {
            let name = format!("{} {}", f.fault, f.element);
            let three = judged.answers.iter().take(3);
            three
                .flat_map(|a| &a.causes)
                .any(|c| c.name() == name || c.lead.split(" + ").any(|part| part == name))
        };
        if named(&one) && named(&both) {
            found += 1
        } else {
            let first = &judged.answers[0];
            missed += &format!(
                "  amplifier {number}: {} {} and {} {}; {} {} ({:.1})\n",
                one.fault,
                one.element,
                both.fault,
                both.element,
                first.causes[0].name(),
                first.causes[0].lead,
                first.misfit
            );
        }
    }
    (found, tried, missed)
}

/// From three readings and at most six more, each the first of `next`: how many are found.
pub fn by_next(seed: u64, count: usize) -> (usize, usize, String) {
    let mut dice = Dice::new(seed);
    let (mut found, mut tried, mut number) = (0, 0, seed * 1000);
    let mut missed = String::new();
    while tried < count {
        number += 1;
        let text = amplifier(number);
        let Some(fault) = fault(&text, &mut dice) else {
            continue;
        };
        if shows(&text, &fault, &mut dice) != Some(true) {
            continue;
        }
        let Some(table) = readings(Some(&fault), &text, &mut dice) else {
            continue;
        };
        let all: Vec<&str> = table.lines().skip(1).collect();
        if all.len() < 6 {
            continue;
        }
        let mut known: Vec<&str> = Vec::new();
        while known.len() < 3 {
            let line = all[dice.roll(all.len())];
            if !known.contains(&line) {
                known.push(line);
            }
        }
        tried += 1;
        let mut place = None;
        for _ in 0..=6 {
            let diagnosis = judged(&text, &format!("probe,value\n{}\n", known.join("\n")));
            place = diagnosis.answers.iter().position(|a| is(a, &fault));
            if place == Some(0) && diagnosis.answers[0].probability > 0.95 {
                break;
            }
            let line = diagnosis.next.iter().find_map(|n| {
                let start = format!("{},", n.point.label);
                all.iter().copied().find(|l| l.starts_with(&start))
            });
            match line {
                Some(line) => known.push(line),
                None => break,
            }
        }
        if place == Some(0) {
            found += 1
        } else {
            missed += &format!(
                "  amplifier {number}: {} {} at {place:?}\n",
                fault.fault, fault.element
            )
        }
    }
    (found, tried, missed)
}
