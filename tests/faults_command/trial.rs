//! One amplifier after the other gets a fault, hidden tolerances and a meter, and is judged.

use super::circuits::{Dice, amplifier};
use super::damage::{Fault, fault};
use super::meter::{METER, built, readings, shows};
use super::outcome::{Outcome, Told};
use gridleak::faults::diagnosis::{Answer, Case, Cause, Diagnosis};
use gridleak::faults::fault::Fault as Kind;
use gridleak::faults::readings;
use gridleak::tolerance::list::Variables;

/// Judges readings.
pub fn judged(text: &str, table: &str) -> Diagnosis {
    let circuit = built(text).expect("a circuit");
    let variables = Variables::of(&circuit, &[]).expect("variables");
    let list = readings::read(table, &circuit).expect("readings");
    let mut case = Case::new(circuit, variables, METER).expect("a solution");
    let done = case.diagnose(&list, &mut |_, _| Ok::<(), ()>(()));
    done.expect("never broken off")
}

/// Amplifiers by seed, each with a fault that its direct volts show, without end.
struct Walk {
    dice: Dice,
    number: u64,
    /// Faults that did not show.
    invisible: usize,
    /// Points that are read.
    most: usize,
    /// Larger amplifiers are passed over: lines of a netlist.
    lines: usize,
}

/// Points that are read of an amplifier.
const READ: usize = 18;
/// Sets up to this many cases keep to small amplifiers.
const FEW: usize = 12;
/// Lines of a small one.
const SMALL: usize = 26;

/// An amplifier, its fault and what a meter reads.
struct Found {
    number: u64,
    text: String,
    fault: Fault,
    table: String,
}

impl Walk {
    fn new(seed: u64, count: usize) -> Self {
        Walk {
            most: READ,
            lines: if count > FEW { usize::MAX } else { SMALL },
            dice: Dice::new(seed),
            number: seed * 1000,
            invisible: 0,
        }
    }

    /// The next amplifier whose fault shows, as `further` leaves it.
    fn next(&mut self, further: impl Fn(&str, Fault, &mut Dice) -> Option<Fault>) -> Found {
        loop {
            self.number += 1;
            let text = amplifier(self.number);
            if text.lines().count() > self.lines {
                continue;
            }
            let dice = &mut self.dice;
            let Some(one) = fault(&text, dice) else {
                continue;
            };
            let Some(first) = readings(Some(&one), &text, self.most, dice) else {
                continue;
            };
            match shows(&text, &one, &first, dice) {
                Some(true) => {}
                Some(false) => {
                    self.invisible += 1;
                    continue;
                }
                None => continue,
            }
            let name = one.element.clone();
            let Some(fault) = further(&text, one, dice) else {
                continue;
            };
            let table = if fault.element == name {
                Some(first)
            } else {
                readings(Some(&fault), &text, self.most, dice)
            };
            if let Some(table) = table {
                return Found {
                    number: self.number,
                    text,
                    fault,
                    table,
                };
            }
        }
    }
}

/// Whether a cause is the fault that was put in.
fn is(cause: &Cause, fault: &Fault) -> bool {
    cause.fault.word() == fault.fault && cause.element == fault.element
}

/// Whether two causes read the same within four places of each reading.
fn same(a: &Cause, b: &Cause) -> bool {
    let pairs = a.expected.iter().zip(&b.expected);
    pairs.into_iter().all(|(a, b)| {
        let place = 10f64.powf(a.abs().max(b.abs()).max(1e-9).log10().floor() - 3.0);
        (a - b).abs() <= place.max(1e-3)
    })
}

/// Where the fault stands among the answers, and among all causes by themselves.
fn told(diagnosis: &Diagnosis, fault: &Fault) -> Told {
    let answers = &diagnosis.answers;
    let place = answers
        .iter()
        .position(|a| a.causes.iter().any(|c| is(c, fault)));
    let mut causes: Vec<&Cause> = answers.iter().flat_map(|a| &a.causes).collect();
    causes.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    let truth: Vec<&Cause> = causes.iter().copied().filter(|c| is(c, fault)).collect();
    let right = |c: &Cause| {
        let alike = |t: &&Cause| std::ptr::eq(*t, c) || c.fault != Kind::None && same(t, c);
        truth.iter().any(alike)
    };
    // What reads the same as one before it is no place of its own.
    let mut alone: Vec<&Cause> = Vec::new();
    for cause in &causes {
        if !alone.iter().any(|a| same(a, cause)) {
            alone.push(cause);
        }
    }
    let first = &answers[0];
    let leader = &first.causes[0];
    Told {
        place,
        strict: alone.iter().position(|c| right(c)),
        leader: right(leader),
        named: is(leader, fault),
        size: if leader.fault == Kind::None {
            0
        } else {
            names(first)
        },
        answer: first.probability,
        cause: causes
            .iter()
            .filter(|c| same(c, leader))
            .map(|c| c.probability)
            .sum(),
    }
}

/// The names in an answer.
fn names(answer: &Answer) -> usize {
    let mut names: Vec<String> = answer.causes.iter().map(Cause::name).collect();
    names.sort();
    names.dedup();
    names.len()
}

fn first_three(diagnosis: &Diagnosis) -> String {
    let answers = diagnosis.answers.iter().take(3).map(|a| {
        let causes = a.causes.iter().take(4);
        let causes = causes.map(|c| {
            let value = c.value.map_or(String::new(), |v| format!("={v:.3e}"));
            let lead = if c.fault == Kind::TwoFaults {
                &c.lead
            } else {
                ""
            };
            format!("{}{value} {lead} {:.3}", c.name(), c.probability)
        });
        let causes: Vec<String> = causes.collect();
        format!("[{}] ({:.1})", causes.join(" | "), a.misfit)
    });
    answers.collect::<Vec<_>>().join(", ")
}

/// So many amplifiers with a fault, and a fifth as many without.
pub fn run(seed: u64, count: usize) -> Outcome {
    let mut outcome = Outcome::default();
    let mut walk = Walk::new(seed, count);
    while outcome.faults < count {
        let it = walk.next(|_, fault, _| Some(fault));
        let diagnosis = judged(&it.text, &it.table);
        let told = told(&diagnosis, &it.fault);
        outcome.enter(&told);
        if count > 20 {
            eprintln!(
                "{} of {count}: {} said {:.2}, by name {}: {} {}{}: {}",
                outcome.faults,
                told.leader,
                told.cause,
                told.named,
                it.fault.fault,
                it.fault.element,
                it.fault.note,
                first_three(&diagnosis)
            );
        }
        if told.leader && told.cause < 0.9 {
            outcome.modest.push(format!(
                "  amplifier {}: {:.2} {} {}{}: {}",
                it.number,
                told.cause,
                it.fault.fault,
                it.fault.element,
                it.fault.note,
                first_three(&diagnosis)
            ));
        }
        if !told.leader || told.place != Some(0) || told.size > 8 && count > 20 {
            outcome.missed.push(format!(
                "  amplifier {}: {} names: {} {}{} at {:?}, alone {:?}: {}",
                it.number,
                told.size,
                it.fault.fault,
                it.fault.element,
                it.fault.note,
                told.place,
                told.strict,
                first_three(&diagnosis)
            ));
        }
        if outcome.faults.is_multiple_of(5)
            && let Some(table) = readings(None, &it.text, READ, &mut walk.dice)
        {
            let found = judged(&it.text, &table);
            outcome.enter_sound(&found.answers[0], found.is_sound());
            if !found.is_sound() {
                outcome.missed.push(format!(
                    "  amplifier {}, sound: {}",
                    it.number,
                    first_three(&found)
                ));
            }
        }
    }
    outcome.invisible = walk.invisible;
    outcome
}

/// Pairs of faults on amplifiers of at least two stages: both named within the first three answers,
/// and how many there were.
pub fn pairs(seed: u64, count: usize) -> (usize, usize, String) {
    let mut walk = Walk::new(seed, count);
    let (mut found, mut missed) = (0, String::new());
    for n in 0..count {
        let it = walk.next(|text, one, dice| {
            let both = fault(&one.text, dice)?;
            let fresh = one.current.is_none()
                && both.current.is_none()
                && !both.element.contains(&one.element)
                && !["RFAULT", "RCUT", "IFAULT"]
                    .iter()
                    .any(|n| both.element.contains(n));
            let table = readings(Some(&both), text, READ, dice)?;
            (fresh && shows(&one.text, &both, &table, dice) == Some(true)).then(|| both.after(&one))
        });
        let judged = judged(&it.text, &it.table);
        let named = |name: &str| {
            let three = judged.answers.iter().take(3);
            three
                .flat_map(|a| &a.causes)
                .any(|c| c.name() == name || c.lead.split(" + ").any(|part| part == name))
        };
        let names = it.fault.names();
        if count > 2 {
            eprintln!("{} of {count}, {found} found", n + 1);
        }
        if names.iter().all(|n| named(n)) {
            found += 1;
        } else {
            // Where both stand together, if anywhere.
            let both = |c: &Cause| {
                let parts: Vec<&str> = c.lead.split(" + ").collect();
                names.iter().all(|n| parts.contains(&n.as_str()))
            };
            let place = judged
                .answers
                .iter()
                .position(|a| a.causes.iter().any(both));
            let miss = format!(
                "  amplifier {}: {}{}; together at {place:?}: {}\n",
                it.number,
                names.join(" and "),
                it.fault.note,
                first_three(&judged)
            );
            if count > 2 {
                eprint!("{miss}");
            }
            missed += &miss;
        }
    }
    (found, count, missed)
}

/// From three readings and at most six more, each the first of `next`: how many are found.
pub fn by_next(seed: u64, count: usize) -> (usize, usize, String) {
    let mut walk = Walk {
        most: usize::MAX,
        ..Walk::new(seed, count)
    };
    let (mut found, mut tried, mut missed) = (0, 0, String::new());
    while tried < count {
        let it = walk.next(|_, fault, _| Some(fault));
        let all: Vec<&str> = it.table.lines().skip(1).collect();
        if all.len() < 6 {
            continue;
        }
        let mut known: Vec<&str> = Vec::new();
        while known.len() < 3 {
            let line = all[walk.dice.roll(all.len())];
            if !known.contains(&line) {
                known.push(line);
            }
        }
        tried += 1;
        let (mut right, mut named) = (false, false);
        let mut answers = String::new();
        let mut path = known.join(" ");
        for more in 0..=6 {
            let diagnosis = judged(&it.text, &format!("probe,value\n{}\n", known.join("\n")));
            let told = told(&diagnosis, &it.fault);
            right = told.leader;
            named = told.named;
            answers = first_three(&diagnosis);
            if more == 6 || told.leader && told.cause > 0.95 {
                break;
            }
            let line = diagnosis.next.iter().find_map(|n| {
                let start = format!("{},", n.point.label);
                all.iter().copied().find(|l| l.starts_with(&start))
            });
            match line {
                Some(line) => {
                    known.push(line);
                    path += &format!(" > {line}");
                }
                None => break,
            }
        }
        if count > 2 {
            eprintln!(
                "{tried} of {count}: {right}, after {} readings",
                known.len()
            );
        }
        if right {
            found += 1;
        } else {
            let miss = format!(
                "  amplifier {}: {} {}{} ({named}): {path}: {answers}\n",
                it.number, it.fault.fault, it.fault.element, it.fault.note
            );
            if count > 2 {
                eprint!("{miss}");
            }
            missed += &miss;
        }
    }
    (found, tried, missed)
}
